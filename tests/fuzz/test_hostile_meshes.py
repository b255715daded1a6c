"""Mesh files made to cost memory, time or trust: refused by a stated limit, or read in bounded work; 3MF by itself in
test_hostile_3mf.py. Source: glTF 2.0 (a scene is a tree).
"""

import json

import numpy as np
import pytest

from lightlathe.errors import MeshError
from lightlathe.part import read_surface, repair, surface_from_triangles
from mesh_samples import (
    OBJECT,
    binary_stl,
    gltf,
    model,
    obj,
    off,
    package,
    ply,
    text_stl,
    triangles,
)

ONE = '<item objectid="1"/>'


def test_a_file_that_may_not_be_read(tmp_path, monkeypatch):
    path = tmp_path / "locked.stl"
    path.write_bytes(binary_stl())

    def denied(*_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(type(path), "read_bytes", denied)
    with pytest.raises(MeshError, match=r"locked\.stl.* cannot be read: Permission denied"):
        read_surface(path, "mm")


def test_triangles_repeated_without_end(read):
    """200,000 copies of one facet beside a sound box; two million take ten times as long and 185 bytes each."""
    part = read("copies.stl", binary_stl_of(np.concatenate([triangles(), np.repeat(triangles()[:1], 200_000, axis=0)])))
    assert part.report.triangles == 12
    assert part.report.dropped_duplicates == 200_000
    copies = '<triangle v1="0" v2="1" v3="3"/>' * 200_000
    part = read("copies.3mf", package(model(OBJECT.replace("</triangles>", copies + "</triangles>"), ONE)))
    assert part.report.triangles == 12


def binary_stl_of(facets: np.ndarray) -> bytes:
    """As binary_stl, for many facets."""
    records = np.zeros(len(facets), dtype=[("n", "<f4", 3), ("c", "<f4", (3, 3)), ("a", "<u2")])
    records["c"] = facets
    return bytes(80) + len(facets).to_bytes(4, "little") + records.tobytes()


@pytest.mark.parametrize("far", [9e5, 1e7])
def test_one_corner_far_out_welds_nothing_else(read, far):
    """Four steps of float32 are 0.25 mm at 9e5 and 4 mm at 1e7; boxes of 0.02 to 0.04 mm at the origin keep theirs."""
    facets = np.concatenate([triangles() * 0.01 + np.array([0.1 * k, 0, 0]) for k in range(30)])
    facets[-1, 1] = (far, 0, 0)
    vertices, faces = repair.weld(facets)
    assert repair.open_edges(faces) > 0  # or nothing would be welded at all
    assert repair.weld_close(vertices, faces)[2] == 0
    with pytest.raises(MeshError, match=r"far\.stl encloses nothing: its 360 facets"):
        read("far.stl", binary_stl(facets))
    assert read("far.stl", binary_stl(np.concatenate([facets, triangles() * 1e5]))).report.triangles == 372


def test_one_corner_beyond_the_world(read):
    facets = triangles()
    for far in (1e10, 1e30):
        facets[5, 1, 0] = far
        with pytest.raises(MeshError, match=r"far\.stl has a corner 1e\+\d+ mm from the origin; expected none"):
            read("far.stl", binary_stl(facets))


@pytest.mark.parametrize("at", [(0, 0, 0), (1000, 0, 0), (3, -200, 7)])
def test_seams_still_close_wherever_the_part_stands(at):
    """Each facet's corners off by one step of float32 either way: 12 loose facets, one box."""
    rng = np.random.default_rng(5)
    loose = (triangles() - 1 + np.asarray(at)).astype(np.float32)
    largest = np.float32(np.abs(loose).max())
    loose = loose + rng.choice([-1, 0, 1], loose.shape) * np.spacing(largest) / 2
    part = surface_from_triangles(loose.astype(np.float64), "loose")
    assert part.report.watertight
    assert part.report.welded_mm <= 4 * np.spacing(largest)


def test_a_crowd_within_float32_rounding_is_left_as_it_is():
    """2000 corners in one place, as float32 sees it: no million of pairs, and no part joined to a point."""
    rng = np.random.default_rng(6)
    crowd = rng.uniform(0, 1e-5, (700, 3, 3)) + np.array([1000, 0, 0])
    part = surface_from_triangles(np.concatenate([triangles() + np.array([1000, 0, 0]), crowd]), "crowd")
    assert part.report.welded_mm == 0


def test_more_inward_bodies_than_can_be_sorted_out(monkeypatch):
    monkeypatch.setattr(repair, "MAX_INWARD", 3)
    bodies = [triangles() + np.array([10 * k, 0, 0]) for k in range(9)]
    inward = [b[:, ::-1] for b in bodies[:4]]
    with pytest.raises(MeshError, match=r"i\.stl: 4 components face against the rest of 9; up to 3 are sorted out"):
        surface_from_triangles(np.concatenate([*bodies[4:], *inward]), "i.stl")
    assert surface_from_triangles(np.concatenate([*bodies[3:], *inward[:3]]), "i.stl").report.flipped_components == 3


@pytest.mark.parametrize(
    ("name", "data", "message"),
    [
        ("c.ply", ply("binary_little_endian").replace(b"vertex 8", b"vertex 99999999999"), "000000011 elements, but"),
        ("c.ply", ply("binary_little_endian").replace(b"face 12", b"face -12"), "expected 'element', a name and a"),
        ("c.ply", ply().replace(b"3 0 1 3", b"3 0 1 -1"), "a face asks for vertex -1; expected 0 or more"),
        ("c.ply", ply().replace(b"0 0 4", b"0 0 4x"), "not be read to its end due to unmatched data"),
        ("c.ply", b"ply\nformat ascii 1.0\n" + b"comment\n" * 2000, "no 'end_header' in its first 1000 lines"),
        ("c.ply", ply() + b"\n" * 5000, "has more than 1040 lines"),
        ("c.off", off().replace(b"8 12 0", b"99999999999 12 0"), "cannot be read"),
        ("c.off", off()[:-30], "cannot be read|could be read"),
        ("c.stl", bytes(80) + b"\xff\xff\xff\xff" + bytes(500), "header says 4294967295 facets, but it holds 10"),
        ("c.stl", text_stl().replace(b"vertex 0.0 0.0 0.0", b"vertex 0 0 1_0"), "expected 'vertex' and three numbers"),
        ("c.stl", b"solid " + b"vertex 1 " * 200_000, "line 1 is longer than 1000000 characters"),
        ("c.obj", obj() + b"f 1 2 " + b"9" * 400, r"line 20: 'f 1 2 9+ \.\.\. \(408 characters\)"),
        ("c.obj", obj() + b"f 1 2 0\nv 1 1 1\n", "line 20: 'f 1 2 0'"),
        ("c.obj", obj() + b"v 1 1 1 \\\n" * 200_000, "more than 1000000 characters, joined from several"),
        ("c.glb", gltf([{"children": [1] * 10}, {"children": [2] * 10}, {"mesh": 0}]), "has two parents"),
        ("c.glb", gltf([{"children": [1]}, {"children": [0]}]), "is its own ancestor"),
        ("c.glb", gltf([{"mesh": 0}] * 100_001), "a scene of 100001 nodes"),
        ("c.glb", gltf(accessors=[{"componentType": 5126, "count": 2**32, "type": "VEC3"}]), "accessor of 4294967296"),
        ("c.glb", gltf(accessors=[{"componentType": 5126, "count": 36, "type": "VEC3"}]), "without a buffer view"),
        ("c.glb", gltf(extensionsRequired=["KHR_draco_mesh_compression"]), "needs the glTF extension 'KHR_draco"),
        ("c.gltf", b'{"asset":' + b"[" * 100_000 + b"]" * 100_000 + b"}", "RecursionError"),
        ("c.gltf", b"[]", "its description is no JSON object"),
    ],
)  # fmt: skip
def test_hostile_files_of_other_formats(read, name, data, message):
    with pytest.raises(MeshError, match=message) as caught:
        read(name, data)
    assert name in str(caught.value)
    assert len(str(caught.value)) < 500


def test_a_mesh_opens_no_file_outside_its_folder(tmp_path):
    """glTF buffers may lie in files beside it; a name that leads elsewhere, or a texture, is never opened."""
    outside = tmp_path / "body.bin"
    outside.write_bytes(triangles().astype("<f4").tobytes())
    inside = tmp_path / "in" / "body.bin"
    inside.parent.mkdir()
    inside.write_bytes(outside.read_bytes())
    path = tmp_path / "in" / "m.gltf"
    size = len(outside.read_bytes())
    description = json.loads(gltf()[20:].split(b"\x00\x00BIN")[0].rpartition(b"}")[0] + b"}")
    for uri, opened in (("body.bin", True), ("../body.bin", False), (str(outside), False)):
        path.write_text(json.dumps(description | {"buffers": [{"byteLength": size, "uri": uri}]}))
        if opened:
            assert read_surface(path, "mm").volume_mm3 == pytest.approx(24)
        else:
            with pytest.raises(MeshError, match=r"outside its own folder; it was not opened"):
                read_surface(path, "mm")


def test_more_open_edges_than_are_closed():
    """A sound box among 4,000 loose facets: each voxel would ask 12,000 caps."""
    rng = np.random.default_rng(8)
    loose = rng.uniform(0, 4, (4000, 1, 3)) + rng.normal(0, 0.1, (4000, 3, 3))
    with pytest.raises(MeshError, match="l is not watertight at 12000 open edges; the holes of up to 10000 are closed"):
        surface_from_triangles(np.concatenate([triangles(), loose]), "l")
    assert surface_from_triangles(np.concatenate([triangles(), loose[:100]]), "l").report.open_edges == 300


@pytest.mark.parametrize(
    ("name", "data"),
    [("f.stl", binary_stl()), ("f.obj", obj()), ("f.ply", ply()), ("f.3mf", package(model(OBJECT, ONE)))],
    ids=["stl", "obj", "ply", "3mf"],
)
def test_more_facets_than_are_read(read, monkeypatch, name, data):
    from lightlathe.part import limits, threemf, threemf_xml

    for module in (limits, threemf, threemf_xml):
        monkeypatch.setattr(module, "MAX_FACETS", 11)
    with pytest.raises(MeshError, match=r"12 facets; up to 11 are read|more than 11 triangles|faces"):
        read(name, data)


def test_a_file_larger_than_is_read(read, monkeypatch):
    from lightlathe.part import reading

    monkeypatch.setattr(reading, "MAX_BYTES", 100)
    with pytest.raises(MeshError, match=r"b\.stl has 684 bytes; up to 100 are read"):
        read("b.stl", binary_stl())
