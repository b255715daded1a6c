"""Mesh files made to cost memory, time or trust: refused by a stated limit, or read in bounded work.

Sources: 3MF core specification 1.3 (no document type definition; name spaces), ECMA-376 part 2 (stored or deflated, not
encrypted), glTF 2.0 (a scene is a tree).
"""

import io
import json
import re
import tracemalloc
import zipfile

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mesh_samples import (
    MESH,
    OBJECT,
    OLD,
    RELATIONS,
    binary_stl,
    gltf,
    model,
    obj,
    off,
    package,
    ply,
    text_stl,
    tree,
    triangles,
)

from lightlathe.errors import MeshError
from lightlathe.part import limits, read_surface, repair, surface_from_triangles
from lightlathe.part import package as archives

ONE = '<item objectid="1"/>'
PRODUCTION = 'xmlns:p="http://schemas.microsoft.com/3dmanufacturing/production/2015/06"'


@pytest.fixture
def read(tmp_path):
    """read(name, data) -> Surface, of a file in mm"""

    def _read(name, data):
        path = tmp_path / name
        path.write_bytes(data if isinstance(data, bytes) else data.encode())
        return read_surface(path, None if name.endswith("3mf") else "mm")

    return _read


def test_the_name_space_of_2013_holds_the_same_objects(read):
    part = read("old.3mf", package(model(OBJECT, '<item objectid="1" transform="1 0 0 0 1 0 0 0 1 7 0 0"/>', OLD)))
    np.testing.assert_allclose(part.bounds_mm, [[7, 0, 0], [9, 3, 4]])


def test_another_name_space_is_named(read):
    with pytest.raises(MeshError, match=r"begins with <'model'> of 'http://example\.org/x'; expected http"):
        read("other.3mf", package(model(OBJECT, ONE, "http://example.org/x")))


def test_three_thousand_components_deep(read):
    assert read("deep.3mf", package(tree(3000, 1))).volume_mm3 == pytest.approx(24)


@pytest.mark.parametrize("levels", [10, 2000])
def test_more_uses_than_memory_holds_are_counted_not_made(read, levels):
    said = "120000000000 triangles" if levels == 10 else r"more than 10\^15 triangles"
    with pytest.raises(MeshError, match=rf"t\.3mf: its build places {said}.* up to 10000000 are read"):
        read("t.3mf", package(tree(levels, 10)))
    empty = OBJECT.replace(MESH, "<mesh><vertices/><triangles/></mesh>")
    with pytest.raises(MeshError, match=r"objects and components.* up to 100000 are read"):
        read("t.3mf", package(tree(levels, 10, empty)))


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_counted_is_what_is_placed(tmp_path_factory, data):
    """Any tree of components: as many boxes as a plain walk through it finds."""
    children = [[]] + [data.draw(st.lists(st.integers(0, n - 1), min_size=1, max_size=3)) for n in range(1, 5)]

    def boxes(n: int) -> int:
        return 1 if n == 0 else sum(boxes(c) for c in children[n])

    uses = [
        f'<object id="{n + 1}"><components>'
        + "".join(
            f'<component objectid="{c + 1}" transform="1 0 0 0 1 0 0 0 1 {5 * 4**n * k} 0 0"/>'
            for k, c in enumerate(us)
        )
        + "</components></object>"
        for n, us in enumerate(children)
        if n
    ]
    path = tmp_path_factory.mktemp("tree") / "tree.3mf"
    path.write_bytes(package(model(OBJECT + "".join(uses), '<item objectid="5"/>')))
    assert read_surface(path).volume_mm3 == pytest.approx(24 * boxes(4))


@pytest.mark.parametrize(
    ("xml", "message"),
    [
        (model(OBJECT.replace('v3="3"', f'v3="{"9" * 400}"'), ONE), r"v3 of a triangle is '9+ \.\.\. \(402 char"),
        (model(OBJECT.replace('v3="3"', f'v3="{"9" * 9000}"'), ONE), r"v3 of a triangle is '9+ \.\.\. \(9002 char"),
        (model(OBJECT.replace('v3="3"', 'v3="-1"'), ONE), "v3 of a triangle is '-1'; expected the number of a vertex"),
        (model(OBJECT.replace('x="2"', 'x="2_0"'), ONE), "line 1: cannot be read as 3MF: x is '2_0'; expected"),
        (model(OBJECT + OBJECT, ONE), "object '1' comes twice"),
        (model("<a>" * 5000 + "</a>" * 5000, ONE), "more than 100 tags inside each other"),
        (model("".join(f'<object id="{n}"/>' for n in range(100_001)), ONE), "more than 100000 objects"),
        (
            model(OBJECT, ONE, before='<!DOCTYPE l [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]>'),
            r"declares a document type \(DTD\), which 3MF forbids",
        ),
        (model(OBJECT, ONE, before='<!DOCTYPE l SYSTEM "file:///etc/passwd">'), "declares a document type"),
        (model(OBJECT, '<item objectid="1" p:path="/../../secret.model"/>', attributes=PRODUCTION), "does not hold"),
        (
            model('<object id="1"><components><component objectid="2"/></components></object>'
                  '<object id="2"><components><component objectid="1"/></components></object>', ONE),
            "object '1' contains itself",
        ),
    ],
)  # fmt: skip
def test_hostile_xml(read, tmp_path, xml, message):
    (tmp_path.parent / "secret.model").write_text(model(OBJECT, ONE))
    with pytest.raises(MeshError, match=message) as caught:
        read("h.3mf", package(xml))
    assert "h.3mf" in str(caught.value)
    assert len(str(caught.value)) < 500


def test_a_tag_without_end(read):
    """Two million attributes: the XML reader would hold them all before it says a word."""
    with pytest.raises(MeshError, match="more than 4000000 bytes in one tag"):
        read("h.3mf", package(model(OBJECT, ONE, attributes="".join(f"a{n}='' " for n in range(600_000))), 0))


def test_a_zip_bomb_takes_no_memory(read):
    """60 MB of blanks, 60 kB packed: stopped at 20 MB, a piece at a time."""
    data = package(model(OBJECT, ONE).replace("</model>", " " * 60_000_000 + "</model>"))
    assert len(data) < 100_000
    tracemalloc.start()
    try:
        with pytest.raises(MeshError, match=r"unpacks to more than 200 times its \d+ bytes; no mesh does"):
            read("bomb.3mf", data)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 5_000_000  # the file twice, pieces of 64 kB, and what the reader's own modules take on first import


def test_all_parts_together_are_bounded(read, monkeypatch):
    monkeypatch.setattr(archives, "MAX_UNPACKED", 1500)
    with pytest.raises(MeshError, match=r"unpacks to more than 1.5e-06 GB of XML"):
        read("big.3mf", package(model(OBJECT + OBJECT.replace('id="1"', 'id="2"'), ONE)))


def entries(flag: int = 0, method: int | None = None) -> bytes:
    """A package whose entries claim a flag bit or a compression method (APPNOTE.TXT 6.3.10, 4.3.7 and 4.3.12)."""
    data = bytearray(package(model(OBJECT, ONE)))
    for mark, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        for found in re.finditer(re.escape(mark), bytes(data)):
            data[found.start() + at] |= flag
            if method is not None:
                data[found.start() + at + 2] = method
    return bytes(data)


def twice() -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("_rels/.rels", RELATIONS)
        for name in ("3D/m.model", "3D/M.MODEL"):
            archive.writestr(name, model(OBJECT, ONE))
    return file.getvalue()


def many() -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        for n in range(10_001):
            archive.writestr(str(n), "")
    return file.getvalue()


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (entries(flag=1), r"'_rels/\.rels' is encrypted; expected a 3MF without a password"),
        (entries(method=99), "is packed by method 99; 3MF packages are stored"),
        (package(model(OBJECT, ONE), zipfile.ZIP_BZIP2), "is packed by method 12"),
        (package(model(OBJECT, ONE), zipfile.ZIP_LZMA), "is packed by method 14"),
        (twice(), "which it holds 2 times"),
        (many(), "holds 10001 files; a 3MF package is read up to 10000"),
        (package(model(OBJECT, ONE), relations="<a/>"), "begins with <'a'> of"),
        (b"PK\x05\x06" + bytes(18), "names the part '_rels/.rels', which it does not hold"),
        (b"no zip at all", "cannot be read as 3MF: the archive: BadZipFile"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_hostile_archives(read, data, message):
    with pytest.raises(MeshError, match=message):
        read("h.3mf", data)


def test_a_disk_that_fails_inside_the_archive(read, monkeypatch):
    def fails(*_):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(zipfile.ZipExtFile, "read", fails)
    with pytest.raises(MeshError, match=r"h\.3mf cannot be read as 3MF: '_rels/.rels': OSError: .*Input/output error"):
        read("h.3mf", package(model(OBJECT, ONE)))


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
    with pytest.raises(MeshError, match=r"i\.stl: 4 bodies face against the rest of 9; up to 3 are sorted out"):
        surface_from_triangles(np.concatenate([*bodies[4:], *inward]), "i.stl")
    assert surface_from_triangles(np.concatenate([*bodies[3:], *inward[:3]]), "i.stl").report.flipped_bodies == 3


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
        ("c.glb", gltf([{"children": [1] * 10}, {"children": [2] * 10}, {"mesh": 0}]), "hangs below two others"),
        ("c.glb", gltf([{"children": [1]}, {"children": [0]}]), "hangs below itself"),
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
    from lightlathe.part import formats, threemf, threemf_xml

    for module in (formats, threemf, threemf_xml):
        monkeypatch.setattr(module, "MAX_FACETS", 11)
    with pytest.raises(MeshError, match=r"12 facets; up to 11 are read|more than 11 triangles|faces"):
        read(name, data)


def test_a_file_larger_than_is_read(read, monkeypatch):
    from lightlathe.part import reading

    monkeypatch.setattr(reading, "MAX_BYTES", 100)
    with pytest.raises(MeshError, match=r"b\.stl has 684 bytes; up to 100 are read"):
        read("b.stl", binary_stl())


def test_real_meshes_pack_far_below_the_ratio_of_a_bomb(shared_meshes):
    """The limit of 200 leaves real packages a factor of five at least: no sound part is taken for a bomb."""
    packed = [info for path in shared_meshes.glob("*.3mf") for info in zipfile.ZipFile(path).infolist()]
    assert len(packed) > 10
    assert max(i.file_size / max(i.compress_size, 1) for i in packed) < limits.MAX_RATIO / 5
