"""Reading mesh files: what a file is, is told by its content; whatever would be a part read wrong stops or is said."""

import hashlib
import struct

import numpy as np
import pytest
import trimesh
from bodies import CUBE, assert_is_the_cube, box_triangles

import mesh_samples
from lightlathe.errors import MeshError
from lightlathe.part import formats, read_surface
from mesh_samples import BOX, binary_stl


def text_stl(triangles, name="cube") -> str:
    return mesh_samples.text_stl(triangles, name).decode()


@pytest.fixture
def write(tmp_path):
    """write(name, content) -> path"""

    def _write(name, content):
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return _write


@pytest.mark.parametrize(
    ("unit", "mm"), [("um", 1e-3), ("mm", 1), ("cm", 10), ("m", 1000), ("inch", 25.4), ("foot", 304.8)]
)
def test_units(write, unit, mm):
    """Definitions: 1 inch = 25.4 mm, 1 foot = 12 inch (international yard, 1959)."""
    part = read_surface(write("cube.stl", binary_stl(CUBE)), unit)
    assert_is_the_cube(part, mm)
    assert part.report.unit == unit


def test_an_unknown_unit_is_refused(write):
    with pytest.raises(MeshError, match="unit is 'parsec'; expected one of um, mm, cm, m, inch, foot"):
        read_surface(write("cube.stl", binary_stl(CUBE)), "parsec")


def test_binary_and_text_are_told_apart_by_size_not_by_the_first_word(write):
    assert_is_the_cube(read_surface(write("a.stl", binary_stl(CUBE, header=b"solid but binary")), "mm"))
    assert_is_the_cube(read_surface(write("b.STL", text_stl(CUBE)), "mm"))
    assert_is_the_cube(read_surface(write("c.stl", text_stl(CUBE).upper()), "mm"))
    assert_is_the_cube(read_surface(write("d.stl", text_stl(CUBE).replace("\n", "\r\n")), "mm"))


def test_solid_names_of_text_stl_may_be_anything(write):
    part = read_surface(write("names.stl", text_stl(CUBE, "vertex 1 2 facet") + text_stl(CUBE + 9, "endsolid")), "mm")
    assert part.report.components == 2


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (text_stl(CUBE).rsplit("  vertex", 1)[0], "is cut off: 1 'solid' and 0 'endsolid', 12 facets and 35 corners"),
        (text_stl(CUBE)[:500], "line 32: 'vertex 0'; expected 'vertex' and three numbers"),
        (
            text_stl(CUBE).replace("vertex 0.0 0.0 0.0", "vertex 0.0 0,0 0.0", 1),
            "line 4: 'vertex 0.0 0,0 0.0'; expected",
        ),
        (text_stl(CUBE).replace("  vertex 0.0 0.0 0.0\n", "", 1), "facet 1 has 2 corners; expected 3"),
        (text_stl(CUBE).replace("0.0 0.0 0.0\n", "0.0 0.0 nan\n"), "not a finite number"),
        (binary_stl(CUBE)[:-1], "header says 12 facets, but it holds 11 and 49 bytes of one more, so it was cut off"),
        (binary_stl(CUBE, count=11), "header says 11 facets, but it holds 12"),
        (binary_stl(CUBE, count=0), "header says 0 facets, but it holds 12"),
        (b"hello", "has 5 bytes; expected a binary STL of 84 or more"),
    ],
)
def test_damaged_stl(write, content, message):
    with pytest.raises(MeshError, match=message) as caught:
        read_surface(write("damaged.stl", content), "mm")
    assert "damaged.stl" in str(caught.value)


def test_a_few_spare_bytes_are_said(write):
    part = read_surface(write("spare.stl", binary_stl(CUBE) + b"by some program"), "mm")
    assert_is_the_cube(part)
    assert part.warnings == ("spare.stl: 15 bytes after the last facet were left out.",)


OBJ = "".join(f"v {x} {y} {z}\n" for x in (0, 2) for y in (0, 3) for z in (0, 4))


def test_obj_with_negative_numbers_textures_and_line_ends(write):
    faces = "".join("f " + " ".join(f"{c - 8}/{c + 1}/1" for c in f) + "\n" for f in BOX)
    part = read_surface(write("cube.obj", "\ufeff# made\n" + (OBJ + faces).replace("\n", "\r\n")), "mm")
    assert_is_the_cube(part)


def test_obj_faces_that_are_not_convex_come_out_right(write):
    """An L-shaped prism from two 6-gons and six quads: 3 squares of 1 by height 2 = 6."""
    outline = [(0, 0), (2, 0), (2, 1), (1, 1), (1, 2), (0, 2)]
    vertices = "".join(f"v {x} {y} {z}\n" for z in (0, 2) for x, y in outline)
    sides = "".join(f"f {i + 1} {(i + 1) % 6 + 1} {(i + 1) % 6 + 7} {i + 7}\n" for i in range(6))
    # both caps begin at the inner corner's neighbour, from where a fan leaves the outline
    part = read_surface(write("l.obj", vertices + "f 2 1 6 5 4 3\nf 8 9 10 11 12 7\n" + sides), "mm")
    assert part.volume_mm3 == pytest.approx(6, rel=1e-12)
    assert part.report.watertight


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (OBJ + "f 1 2 99\n", "asks for vertex 99, but there are 8"),
        (OBJ + "f 1 2\n", "line 9: 'f 1 2'; expected"),
        (OBJ + "v 1 2\n", "line 9: 'v 1 2'; expected 'v' and three numbers"),
        (OBJ + "f 1 2 -20\n", "line 9"),
        (OBJ, "holds no facets"),
    ],
)
def test_damaged_obj(write, content, message):
    with pytest.raises(MeshError, match=message):
        read_surface(write("damaged.obj", content), "mm")


def test_obj_lines_are_said(write):
    faces = "".join("f " + " ".join(str(c + 1) for c in f) + "\n" for f in BOX)
    part = read_surface(write("lines.obj", OBJ + faces + "l 1 2\nl 2 3\n"), "mm")
    assert "2 elements 'l'" in part.warnings[0]


PLY = "ply\nformat ascii 1.0\nelement vertex 8\nproperty float x\nproperty float y\nproperty float z\n"
PLY_FACES = "element face 12\nproperty list uchar int vertex_indices\nend_header\n"
PLY_BODY = OBJ.replace("v ", "") + "".join("3 " + " ".join(map(str, f)) + "\n" for f in BOX)


def test_ply(write):
    assert_is_the_cube(read_surface(write("cube.ply", PLY + PLY_FACES + PLY_BODY), "mm"))


@pytest.mark.parametrize("cut", [3, 40, 100, 200])
def test_ply_cut_off(write, cut):
    with pytest.raises(MeshError, match=r"cut\.ply"):
        read_surface(write("cut.ply", (PLY + PLY_FACES + PLY_BODY)[:-cut]), "mm")


def test_ply_binary_cut_off(write):
    body = np.array(OBJ.replace("v ", "").split(), dtype="<f4").tobytes() + b"".join(
        struct.pack("<B3i", 3, *f) for f in BOX
    )
    head = (PLY + PLY_FACES).replace("ascii", "binary_little_endian").encode()
    assert read_surface(write("whole.ply", head + body), "mm").report.triangles == 12
    with pytest.raises(MeshError, match=r"cut\.ply"):
        read_surface(write("cut.ply", head + body[:-30]), "mm")


def test_ply_polygons(write):
    """A hexagonal prism from two 6-gons and six quads; area 6 x sqrt(3) / 4 of a unit hexagon, height 2."""
    turn = np.arange(6) * np.pi / 3
    points = "".join(f"{np.cos(a):.9f} {np.sin(a):.9f} {z}\n" for z in (0, 2) for a in turn)
    sides = "".join(f"4 {i} {(i + 1) % 6} {(i + 1) % 6 + 6} {i + 6}\n" for i in range(6))
    head = (PLY + PLY_FACES).replace("vertex 8", "vertex 12").replace("face 12", "face 8")
    part = read_surface(write("hex.ply", head + points + "6 5 4 3 2 1 0\n6 6 7 8 9 10 11\n" + sides), "mm")
    assert part.volume_mm3 == pytest.approx(1.5 * 3**0.5 * 2, rel=1e-6)
    assert part.report.triangles == 2 * 4 + 6 * 2


def test_ply_point_cloud(write):
    with pytest.raises(MeshError, match=r"cloud\.ply"):
        read_surface(write("cloud.ply", PLY + "end_header\n" + OBJ.replace("v ", "")), "mm")


def test_off(write):
    content = "OFF\n8 12 0\n" + OBJ.replace("v ", "") + "".join("3 " + " ".join(map(str, f)) + "\n" for f in BOX)
    assert_is_the_cube(read_surface(write("cube.off", content), "mm"))


def test_glb(write):
    """Binary glTF, two meshes at their places in a scene; written by trimesh."""
    scene = trimesh.Scene()
    for shift in (0, 10):
        scene.add_geometry(
            trimesh.creation.box((2, 3, 4)), transform=trimesh.transformations.translation_matrix([shift, 0, 0])
        )
    part = read_surface(write("two.glb", scene.export(file_type="glb")), "mm")
    assert part.report.components == 2
    np.testing.assert_allclose(part.size_mm, (12, 3, 4))


def test_other_endings_are_refused(write):
    with pytest.raises(
        MeshError, match=r"the ending '\.step' are not read; expected one of \.stl, \.obj, \.ply, \.3mf"
    ):
        read_surface(write("part.step", "ISO-10303-21;"), "mm")


def test_a_missing_file(tmp_path):
    with pytest.raises(MeshError, match=r"gone\.stl: there is no such file"):
        read_surface(tmp_path / "gone.stl", "mm")


@pytest.mark.parametrize(
    ("scale", "unit", "fits"), [(1e-3, "mm", "m"), (1 / 25.4, "mm", "inch"), (1000, "mm", "um"), (1, "m", "mm")]
)
def test_a_size_no_one_prints_is_said_with_the_units_that_make_sense(write, scale, unit, fits):
    """Factors of 1000 and of 25.4, the usual mistakes; a cube of 8 mm."""
    part = read_surface(write("c.stl", binary_stl(box_triangles((0, 0, 0), (8, 8, 8)) * scale)), unit)
    warning = part.warnings[-1]
    assert f"read as {unit}" in warning
    assert fits in warning.split("Is its unit ")[1].rstrip("?").split(" or ")


def test_what_was_read_is_what_was_hashed(write, monkeypatch):
    """The file turns into another one between its reading and its parsing: mesh and SHA-256 are of the first."""
    path = write("cube.stl", binary_stl(CUBE))
    was, real = path.read_bytes(), formats.read_stl

    def meanwhile(path, data):
        path.write_bytes(binary_stl(CUBE * 2))
        return real(path, data)

    monkeypatch.setattr(formats, "read_stl", meanwhile)
    part = read_surface(path, "mm")
    assert_is_the_cube(part)
    assert part.files == {"cube.stl": hashlib.sha256(was).hexdigest()}
    assert part.files != {"cube.stl": hashlib.sha256(path.read_bytes()).hexdigest()}


def test_files_that_a_mesh_refers_to_are_hashed_too(tmp_path):
    for name, data in trimesh.Scene(trimesh.creation.box((1, 2, 3))).export(file_type="gltf").items():
        (tmp_path / name).write_bytes(data)
    part = read_surface(tmp_path / "model.gltf", "mm")
    assert len(part.files) > 1
    assert part.files == {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in tmp_path.iterdir()}
