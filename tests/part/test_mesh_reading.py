"""Reading mesh files: what a file is, is told by its content; whatever would be a part read wrong stops or is said."""

import struct
import zipfile

import numpy as np
import pytest
import trimesh
from bodies import BOX, box_triangles

from lightlathe.errors import MeshError
from lightlathe.part import read_surface

CUBE = box_triangles((0, 0, 0), (2, 3, 4))


def binary_stl(triangles, header=b"made for a test", count=None) -> bytes:
    records = b"".join(struct.pack("<12fH", 0, 0, 0, *t.ravel(), 0) for t in triangles)
    return header.ljust(80) + struct.pack("<I", len(triangles) if count is None else count) + records


def text_stl(triangles, name="cube") -> str:
    facets = (
        "facet normal 0 0 0\n outer loop\n"
        + "".join("  vertex {} {} {}\n".format(*corner) for corner in t)
        + " endloop\nendfacet\n"
        for t in triangles
    )
    return f"solid {name}\n{''.join(facets)}endsolid {name}\n"


@pytest.fixture
def write(tmp_path):
    """write(name, content) -> path"""

    def _write(name, content):
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return _write


def assert_is_the_cube(part, scale=1.0):
    np.testing.assert_allclose(part.size_mm, np.array([2, 3, 4]) * scale, rtol=1e-6)
    assert part.volume_mm3 == pytest.approx(24 * scale**3, rel=1e-6)
    assert part.report.watertight


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
    assert part.report.bodies == 2


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
        struct.pack("<B3i", 3, *f) for f in BOX.tolist()
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
    assert part.report.bodies == 2
    np.testing.assert_allclose(part.size_mm, (12, 3, 4))


def test_other_endings_are_refused(write):
    with pytest.raises(
        MeshError, match=r"the ending '\.step' are not read; expected one of \.stl, \.obj, \.ply, \.3mf"
    ):
        read_surface(write("part.step", "ISO-10303-21;"), "mm")


def test_a_missing_file(tmp_path):
    with pytest.raises(MeshError, match=r"gone\.stl: there is no such file"):
        read_surface(tmp_path / "gone.stl", "mm")


# 3MF --------------------------------------------------------------------------------------------------------------

CORE = 'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"'
MESH = (
    "<mesh><vertices>"
    + "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x in (0, 2) for y in (0, 3) for z in (0, 4))
    + "</vertices><triangles>"
    + "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in BOX)
    + "</triangles></mesh>"
)
CUBE_OBJECT = f'<object id="1" type="model">{MESH}</object>'
RELATIONS = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Target="/3D/m.model" Id="r" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)


@pytest.fixture
def package(tmp_path):
    """package(resources, build) -> path of a 3MF file"""

    def _package(resources, build, attributes='unit="millimeter"', more=None):
        path = tmp_path / "p.3mf"
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("_rels/.rels", RELATIONS)
            archive.writestr(
                "3D/m.model",
                f"<model {CORE} {attributes}><resources>{resources}</resources><build>{build}</build></model>",
            )
            for name, text in (more or {}).items():
                archive.writestr(name, text)
        return path

    return _package


@pytest.mark.parametrize(
    ("unit", "mm"),
    [("micron", 1e-3), ("millimeter", 1), ("centimeter", 10), ("inch", 25.4), ("foot", 304.8), ("meter", 1000)],
)
def test_3mf_units_convert_shifts_too(package, unit, mm):
    path = package(CUBE_OBJECT, '<item objectid="1" transform="1 0 0 0 1 0 0 0 1 10 20 30"/>', f'unit="{unit}"')
    part = read_surface(path)
    assert_is_the_cube(part, mm)
    np.testing.assert_allclose(part.bounds_mm[0], np.array([10, 20, 30]) * mm, rtol=1e-12)


def test_3mf_without_a_unit_is_in_mm(package):
    """3MF core specification 1.3, section 3.4: the default unit is millimeter."""
    assert_is_the_cube(read_surface(package(CUBE_OBJECT, '<item objectid="1"/>', "")))


def test_3mf_transforms_nest_in_row_vector_order(package):
    """Component: x -> y, y -> z, z -> x, then +5 in x. Item: twice as large, then +100 in z."""
    parent = (
        '<object id="2"><components><component objectid="1" transform="0 1 0 0 0 1 1 0 0 5 0 0"/></components></object>'
    )
    part = read_surface(package(CUBE_OBJECT + parent, '<item objectid="2" transform="2 0 0 0 2 0 0 0 2 0 0 100"/>'))
    np.testing.assert_allclose(part.bounds_mm, [[10, 0, 100], [18, 4, 106]], rtol=1e-12)
    assert part.volume_mm3 == pytest.approx(24 * 8, rel=1e-12)


def test_3mf_mirrored_items_are_solid(package):
    items = '<item objectid="1"/><item objectid="1" transform="-1 0 0 0 1 0 0 0 1 -5 0 0"/>'
    part = read_surface(package(CUBE_OBJECT, items))
    assert part.volume_mm3 == pytest.approx(48, rel=1e-12)
    assert part.report.inverted_bodies == 0
    assert part.warnings == ()


def test_3mf_parts_in_other_files_of_the_package(package):
    """Production extension: an item may point at a model file beside the main one."""
    space = 'xmlns:p="http://schemas.microsoft.com/3dmanufacturing/production/2015/06" requiredextensions="p"'
    other = f"<model {CORE}><resources>{CUBE_OBJECT}</resources><build/></model>"
    path = package("", '<item objectid="1" p:path="/3D/other.model"/>', space, {"3D/other.model": other})
    assert_is_the_cube(read_surface(path))


def test_3mf_unit_must_not_be_contradicted(package):
    with pytest.raises(MeshError, match=r"says its unit is mm, but the job says inch"):
        read_surface(package(CUBE_OBJECT, '<item objectid="1"/>'), "inch")


@pytest.mark.parametrize(
    ("resources", "build", "attributes", "message"),
    [
        (CUBE_OBJECT, "", "", "its <build> has no item"),
        (CUBE_OBJECT, '<item objectid="7"/>', "", "asks for object 7, which is not in"),
        (CUBE_OBJECT, '<item objectid="1"/>', 'unit="furlong"', "its unit is 'furlong'; expected one of micron"),
        (
            CUBE_OBJECT, '<item objectid="1"/>', 'xmlns:v="http://example.org/volumes/2030" requiredextensions="v"',
            r"needs the 3MF extension 'v' \(http://example.org/volumes/2030\), which is not understood",
        ),
        ('<object id="1"><components><component objectid="1"/></components></object>', '<item objectid="1"/>', "",
         "object 1 contains itself"),
        (CUBE_OBJECT.replace('v3="3"', 'v3="33"'), '<item objectid="1"/>', "", "asks for vertex 33, but there are 8"),
        (CUBE_OBJECT, '<item objectid="1" transform="1 0 0"/>', "", "cannot be read as 3MF"),
        (CUBE_OBJECT.replace('z="4"', ""), '<item objectid="1"/>', "", "<vertex> has no z"),
    ],
)  # fmt: skip
def test_damaged_3mf(package, resources, build, attributes, message):
    with pytest.raises(MeshError, match=message):
        read_surface(package(resources, build, attributes))


def test_3mf_of_beams_alone_is_refused_and_supports_are_left_out(package):
    beams = MESH[: MESH.index("<triangles>")] + (
        '<b:beamlattice radius="0.1" minlength="0.1"><b:beams><b:beam v1="0" v2="1"/></b:beams></b:beamlattice></mesh>'
    )
    space = 'xmlns:b="http://schemas.microsoft.com/3dmanufacturing/beamlattice/2017/02" requiredextensions="b"'
    with pytest.raises(MeshError, match="beam lattice of 1 beams, which is not read, and nothing else"):
        read_surface(package(f'<object id="1">{beams}</object>', '<item objectid="1"/>', space))
    support = CUBE_OBJECT.replace('id="1" type="model"', 'id="2" type="support"')
    part = read_surface(package(CUBE_OBJECT + support, '<item objectid="1"/><item objectid="2"/>'))
    assert part.report.bodies == 1
    assert "object 2 is of type 'support' and was left out" in part.warnings[0]


def test_3mf_cut_off(package):
    path = package(CUBE_OBJECT, '<item objectid="1"/>')
    path.write_bytes(path.read_bytes()[:-60])
    with pytest.raises(MeshError, match=r"p\.3mf cannot be read as 3MF"):
        read_surface(path)


@pytest.mark.parametrize(
    ("scale", "unit", "fits"), [(1e-3, "mm", "m"), (1 / 25.4, "mm", "inch"), (1000, "mm", "um"), (1, "m", "mm")]
)
def test_a_size_no_one_prints_is_said_with_the_units_that_make_sense(write, scale, unit, fits):
    """Factors of 1000 and of 25.4, the usual mistakes; a cube of 8 mm."""
    part = read_surface(write("c.stl", binary_stl(box_triangles((0, 0, 0), (8, 8, 8)) * scale)), unit)
    warning = part.warnings[-1]
    assert f"read as {unit}" in warning
    assert fits in warning.split("Is its unit ")[1].rstrip("?").split(" or ")
