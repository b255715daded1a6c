"""Volumes as VTK and pynrrd read them."""

import dataclasses

import numpy as np
import pytest
import torch

from lightlathe import pipeline
from lightlathe.errors import ResultError
from lightlathe.export import volume_files
from lightlathe.job import parse_job


@pytest.fixture(scope="module")
def record(small_job, tmp_path_factory):
    """A disc's design with a dose in which no axis looks like another."""
    found = pipeline.design(parse_job(small_job(iterations=1), name="disc", folder=tmp_path_factory.mktemp("job")))
    grid = found.part.grid
    x, y, z = (grid.centres_mm(axis).float() for axis in range(3))
    dose = 100 + 3 * x[:, None, None] + 5 * y[:, None] + 7 * z
    return dataclasses.replace(found, prediction=dataclasses.replace(found.prediction, dose=dose, solid=dose > 105))


@pytest.fixture
def small_slabs(monkeypatch):
    monkeypatch.setattr(volume_files, "SLAB_VOXELS", 5000)  # 3 slices of 40 x 40


def test_nrrd(record, tmp_path, small_slabs):
    nrrd = pytest.importorskip("nrrd")
    said = pipeline.volume(record, tmp_path / "a.nrrd")
    assert "a.nrrd" in said
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.cured.nrrd", "a.nrrd", "a.wanted.nrrd"]
    part, grid = record.part, record.part.grid
    for name, values in (("", record.prediction.dose), (".cured", record.prediction.solid), (".wanted", part.coverage)):
        data, header = nrrd.read(str(tmp_path / f"a{name}.nrrd"))  # index order F: [x, y, z]
        np.testing.assert_array_equal(data, values.numpy())
        np.testing.assert_array_equal(header["space directions"], np.eye(3) * grid.voxel_mm)
        np.testing.assert_array_equal(header["space origin"], [float(grid.centres_mm(axis)[0]) for axis in range(3)])
        assert header["space units"] == ["mm"] * 3
    assert nrrd.read_header(str(tmp_path / "a.nrrd"))["content"] == "dose_mJ_per_cm3"


def test_vti(record, tmp_path, small_slabs):
    """VTK's own reader: the value that it interpolates at a place is the dose of that place, to float32."""
    image_data = pytest.importorskip("vtkmodules.vtkIOXML")
    from vtkmodules.util.numpy_support import vtk_to_numpy
    from vtkmodules.vtkCommonCore import reference
    from vtkmodules.vtkCommonDataModel import vtkGenericCell

    pipeline.volume(record, tmp_path / "a.vti")
    reader = image_data.vtkXMLImageDataReader()
    reader.SetFileName(str(tmp_path / "a.vti"))
    reader.Update()
    image = reader.GetOutput()
    part, grid = record.part, record.part.grid
    assert image.GetDimensions() == grid.shape
    np.testing.assert_allclose(image.GetSpacing(), grid.voxel_mm)
    held = image.GetPointData()
    for name, values in (
        ("dose_mJ_per_cm3", record.prediction.dose),
        ("cured_1_solid_0_liquid", record.prediction.solid),
        ("wanted_covered_fraction", part.coverage),
    ):
        data = vtk_to_numpy(held.GetArray(name)).reshape(grid.shape[::-1]).T
        np.testing.assert_array_equal(data, values.numpy())
    place, inside, weights = (0.31, -0.83, 0.4), [0.0] * 3, [0.0] * 8
    cell = image.FindCell(place, None, vtkGenericCell(), 0, 0.0, reference(0), inside, weights)
    points = image.GetCell(cell).GetPointIds()
    dose = held.GetArray("dose_mJ_per_cm3")
    found = sum(w * dose.GetValue(points.GetId(n)) for n, w in enumerate(weights))
    assert found == pytest.approx(100 + 3 * place[0] + 5 * place[1] + 7 * place[2], abs=1e-4)


def test_what_cannot_be_written_is_one_error(record, tmp_path):
    with pytest.raises(ResultError, match=r"ends in \.vti, \.nrrd"):
        pipeline.volume(record, tmp_path / "a.raw")
    (tmp_path / "a.cured.nrrd").write_text("mine")
    with pytest.raises(ResultError, match="is not replaced"):
        pipeline.volume(record, tmp_path / "a.nrrd")
    assert [p.name for p in tmp_path.iterdir()] == ["a.cured.nrrd"]


def test_only_a_slab_is_copied(record, monkeypatch):
    """The bytes that one slab takes, for a volume of many."""
    monkeypatch.setattr(volume_files, "SLAB_VOXELS", 40 * 40)
    values = torch.rand(40, 40, 30)
    slabs = list(volume_files.Volume("v", values).slabs())
    assert len(slabs) == 30
    assert {len(slab) for slab in slabs} == {40 * 40 * 4}
    assert b"".join(slabs) == values.numpy().tobytes(order="F")
