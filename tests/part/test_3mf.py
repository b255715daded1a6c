"""Reading 3MF packages: units, nested transforms, parts in other files, and what is damaged or left out.

Source: 3MF Core Specification.
"""

import numpy as np
import pytest
from bodies import assert_is_the_cube

import mesh_samples
from lightlathe.errors import MeshError
from lightlathe.part import read_surface
from mesh_samples import MESH, OBJECT, model


@pytest.fixture
def package(tmp_path):
    """package(resources, build) -> path of a 3MF file"""

    def _package(resources, build, attributes='unit="millimeter"', more=None):
        path = tmp_path / "p.3mf"
        path.write_bytes(mesh_samples.package(model(resources, build, attributes=attributes), **(more or {})))
        return path

    return _package


@pytest.mark.parametrize(
    ("unit", "mm"),
    [("micron", 1e-3), ("millimeter", 1), ("centimeter", 10), ("inch", 25.4), ("foot", 304.8), ("meter", 1000)],
)
def test_3mf_units_convert_shifts_too(package, unit, mm):
    path = package(OBJECT, '<item objectid="1" transform="1 0 0 0 1 0 0 0 1 10 20 30"/>', f'unit="{unit}"')
    part = read_surface(path)
    assert_is_the_cube(part, mm)
    np.testing.assert_allclose(part.bounds_mm[0], np.array([10, 20, 30]) * mm, rtol=1e-12)


def test_3mf_without_a_unit_is_in_mm(package):
    """3MF core specification 1.3, section 3.4: the default unit is millimeter."""
    assert_is_the_cube(read_surface(package(OBJECT, '<item objectid="1"/>', "")))


def test_3mf_transforms_nest_in_row_vector_order(package):
    """Component: x -> y, y -> z, z -> x, then +5 in x. Item: twice as large, then +100 in z."""
    parent = (
        '<object id="2"><components><component objectid="1" transform="0 1 0 0 0 1 1 0 0 5 0 0"/></components></object>'
    )
    part = read_surface(package(OBJECT + parent, '<item objectid="2" transform="2 0 0 0 2 0 0 0 2 0 0 100"/>'))
    np.testing.assert_allclose(part.bounds_mm, [[10, 0, 100], [18, 4, 106]], rtol=1e-12)
    assert part.volume_mm3 == pytest.approx(24 * 8, rel=1e-12)


def test_3mf_mirrored_items_are_solid(package):
    items = '<item objectid="1"/><item objectid="1" transform="-1 0 0 0 1 0 0 0 1 -5 0 0"/>'
    part = read_surface(package(OBJECT, items))
    assert part.volume_mm3 == pytest.approx(48, rel=1e-12)
    assert part.report.flipped_components == 0
    assert part.warnings == ()


def test_3mf_parts_in_other_files_of_the_package(package):
    """Production extension: an item may point at a model file beside the main one."""
    space = 'xmlns:p="http://schemas.microsoft.com/3dmanufacturing/production/2015/06" requiredextensions="p"'
    other = model(OBJECT, "")
    path = package("", '<item objectid="1" p:path="/3D/other.model"/>', space, {"3D/other.model": other})
    assert_is_the_cube(read_surface(path))


def test_3mf_unit_must_not_be_contradicted(package):
    with pytest.raises(MeshError, match=r"says its unit is mm, but the job says inch"):
        read_surface(package(OBJECT, '<item objectid="1"/>'), "inch")


@pytest.mark.parametrize(
    ("resources", "build", "attributes", "message"),
    [
        (OBJECT, "", "", "its <build> has no item"),
        (OBJECT, '<item objectid="7"/>', "", "asks for object '7', which is not in"),
        (OBJECT, '<item objectid="1"/>', 'unit="furlong"', "its unit is 'furlong'; expected one of micron"),
        (
            OBJECT, '<item objectid="1"/>', 'xmlns:v="http://example.org/volumes/2030" requiredextensions="v"',
            r"needs the 3MF extension 'v' \('http://example.org/volumes/2030'\), which is not understood",
        ),
        ('<object id="1"><components><component objectid="1"/></components></object>', '<item objectid="1"/>', "",
         "object '1' contains itself"),
        (OBJECT.replace('v3="3"', 'v3="33"'), '<item objectid="1"/>', "", "asks for vertex 33, but there are 8"),
        (OBJECT, '<item objectid="1" transform="1 0 0"/>', "", "cannot be read as 3MF"),
        (OBJECT.replace('z="4"', ""), '<item objectid="1"/>', "", "<vertex> has no z"),
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
    support = OBJECT.replace('id="1" type="model"', 'id="2" type="support"')
    part = read_surface(package(OBJECT + support, '<item objectid="1"/><item objectid="2"/>'))
    assert part.report.components == 1
    assert "object '2' is of type 'support' and was left out" in part.warnings[0]


def test_3mf_cut_off(package):
    path = package(OBJECT, '<item objectid="1"/>')
    path.write_bytes(path.read_bytes()[:-60])
    with pytest.raises(MeshError, match=r"p\.3mf cannot be read as 3MF"):
        read_surface(path)
