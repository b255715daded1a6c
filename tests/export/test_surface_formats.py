"""Files of surfaces as general readers read them: geometry, colours, units, what cannot be written."""

import dataclasses

import numpy as np
import pytest
import trimesh
from balls import GEL, ball

from lightlathe.errors import ResultError
from lightlathe.export.isosurface import print_surface
from lightlathe.export.solid_files import THREE_MF, Solid, write_solid
from lightlathe.part.units import MM_PER_UNIT
from lightlathe.quantities import Grid


@pytest.fixture(scope="module")
def solid():
    grid = Grid((30, 31, 33), 0.1)
    mesh = print_surface(ball(grid, 1.1, (0.2, 0.1, -0.1)), GEL, grid)
    points = mesh.vertices_mm / MM_PER_UNIT["inch"]
    error = np.linspace(-0.3, 0.3, len(points))
    return Solid(points, mesh.faces, "inch", 25.4, error, 0.1, "a ball -- <in> a test")


@pytest.mark.parametrize("ending", ["stl", "ply", "3mf", "glb"])
def test_general_readers_read_it(solid, tmp_path, ending):
    """By trimesh (3MF through lxml); and written again onto itself."""
    path = tmp_path / f"a.{ending}"
    for _ in range(2):
        assert write_solid(path, solid) == path
    read = trimesh.load(path, force="mesh")
    scale = 25.4 / 1000 if ending == "glb" else 1.0
    np.testing.assert_allclose(read.bounds, scale * np.stack([solid.points.min(0), solid.points.max(0)]), rtol=1e-6)
    assert read.is_watertight
    assert read.volume == pytest.approx(scale**3 * 4 / 3 * np.pi * (1.1 / 25.4) ** 3, rel=0.01)
    assert len(read.faces) == len(solid.faces)
    path.write_bytes(b"solid of mine")
    with pytest.raises(ResultError, match="is not replaced"):
        write_solid(path, solid)


def test_ply_has_errors_and_their_colours(solid, tmp_path):
    write_solid(tmp_path / "a.ply", solid)
    read = trimesh.load(tmp_path / "a.ply", process=False)
    told = read.metadata["_ply_raw"]["vertex"]["data"]["signed_distance_mm"]
    np.testing.assert_allclose(told, solid.error_mm, rtol=1e-6)
    red, _, blue = np.asarray(read.visual.vertex_colors)[:, :3].astype(int).T
    assert (blue - red)[solid.error_mm < -0.1].min() > 100
    assert (red - blue)[solid.error_mm > 0.1].min() > 100
    assert np.abs(red - blue)[np.abs(solid.error_mm) < 0.001].max() <= 2
    head = (tmp_path / "a.ply").read_bytes()[:400]
    assert b"in inch" in head


def test_3mf_is_right_for_the_format_s_own_reader(solid, tmp_path):
    """That of the 3MF Consortium, in strict mode: no warning, one solid that is closed and oriented, the unit."""
    lib3mf = pytest.importorskip("lib3mf")
    reader = (model := lib3mf.get_wrapper().CreateModel()).QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(write_solid(tmp_path / "a.3mf", solid)))
    assert reader.GetWarningCount() == 0
    assert model.GetUnit() == lib3mf.ModelUnit.Inch
    found = model.GetMeshObjects()
    assert found.MoveNext()
    mesh = found.GetCurrentMeshObject()
    assert mesh.IsManifoldAndOriented()
    assert (mesh.GetVertexCount(), mesh.GetTriangleCount()) == (len(solid.points), len(solid.faces))
    assert not found.MoveNext()


@pytest.mark.parametrize("ending", ["stl", "ply", "glb"])
def test_vtk_reads_it(solid, tmp_path, ending):
    geometry = pytest.importorskip("vtkmodules.vtkIOGeometry")
    ply = pytest.importorskip("vtkmodules.vtkIOPLY")
    reader = {"stl": geometry.vtkSTLReader, "glb": geometry.vtkGLTFReader, "ply": ply.vtkPLYReader}[ending]()
    reader.SetFileName(str(write_solid(tmp_path / f"a.{ending}", solid)))
    reader.Update()
    read = reader.GetOutput()
    if ending == "glb":  # a tree of one mesh, in metres
        leaves = read.NewIterator()
        leaves.InitTraversal()
        read = leaves.GetCurrentDataObject()
    low, high = np.array(read.GetBounds()).reshape(3, 2).T
    scale = 25.4 / 1000 if ending == "glb" else 1.0
    np.testing.assert_allclose([low, high], scale * np.stack([solid.points.min(0), solid.points.max(0)]), rtol=1e-6)
    assert read.GetNumberOfCells() == len(solid.faces)


@pytest.mark.parametrize("unit", THREE_MF)
def test_3mf_says_its_unit_to_our_own_reader(solid, tmp_path, unit):
    """A part in any unit that jobs know, read as a job would read it: its size is the same in mm."""
    from lightlathe.part import read_surface

    points = solid.points * 25.4 / MM_PER_UNIT[unit]
    path = write_solid(
        tmp_path / "a.3mf", dataclasses.replace(solid, unit=unit, mm_per_unit=MM_PER_UNIT[unit], points=points)
    )
    read = read_surface(path)
    np.testing.assert_allclose(read.size_mm, np.ptp(solid.points, axis=0) * 25.4, rtol=1e-6)
    assert read.report.unit == unit
    assert read.report.watertight
    assert read.volume_mm3 == pytest.approx(4 / 3 * np.pi * 1.1**3, rel=0.01)


def test_what_cannot_be_written_is_one_error(solid, tmp_path):
    with pytest.raises(ResultError, match=r"ends in \.stl, \.ply, \.3mf, \.glb"):
        write_solid(tmp_path / "a.obj", solid)
    with pytest.raises(ResultError, match="cannot write the file"):
        write_solid(tmp_path / "none" / "a.stl", solid)
    assert list(tmp_path.iterdir()) == []
