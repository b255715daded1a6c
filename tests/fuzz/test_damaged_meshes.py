"""Whatever is done to a mesh file, a Surface or one MeshError comes out, in bounded time.

What is damaged, how often and in how long is printed (pytest -s). The ordinary suite takes a small share of what
`pytest -m slow tests/fuzz` takes; seeds are fixed, so both repeat.
"""

import time
import warnings

import numpy as np
import pytest
from file_damage import WAYS, assert_bearable, damaged

from lightlathe.errors import MeshError
from lightlathe.part import Surface, read_surface
from mesh_samples import SAMPLES, repacked

FEW, MANY = 6, 300  # files of one kind damaged in one way
LONGEST_MESSAGE = 700  # characters, beside the path


def outcome(path, unit):
    """'read' or 'refused'; anything else that happens is the caller's to see."""
    try:
        surface = read_surface(path, unit)
    except MeshError as error:
        said = str(error)
    else:
        said = None
    if said is not None:
        assert_bearable(said, path, LONGEST_MESSAGE)
        return "refused"
    assert isinstance(surface, Surface)
    assert np.isfinite(surface.vertices_mm).all()
    assert len(surface.faces)
    assert surface.faces.min() >= 0
    assert surface.faces.max() < len(surface.vertices_mm)
    return "read"


def fuzz(folder, kind, way, count):
    samples = SAMPLES[kind]
    path = folder / kind
    unit = None if kind.endswith("3mf") else "mm"
    counts = {"read": 0, "refused": 0}
    failures = []
    begun = time.perf_counter()
    for number, data in enumerate(damaged(samples, way, count, seed=13)):
        path.write_bytes(repacked(data) if kind == "model.3mf" else data)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")  # a warning of numpy is a fault that came out by chance
                counts[outcome(path, unit)] += 1
        except Exception as error:
            failures.append((number, f"{type(error).__name__}: {error}"))
    seconds = time.perf_counter() - begun
    print(f"{kind:12} {way:9} {count} tried, {counts['refused']} refused, {counts['read']} read, "
          f"{len(failures)} failed, {seconds:.1f} s")  # fmt: skip
    assert not failures, failures[:5]
    assert sum(counts.values()) == count
    assert counts["refused"] > 0 or count <= FEW  # damage that no reader ever notices would be no damage


@pytest.mark.parametrize("kind", SAMPLES)
def test_the_samples_are_sound(tmp_path, kind):
    for data in SAMPLES[kind]:
        path = tmp_path / kind
        path.write_bytes(repacked(data) if kind == "model.3mf" else data)
        surface = read_surface(path, None if kind.endswith("3mf") else "mm")
        assert surface.report.watertight
        assert surface.volume_mm3 % 24 == pytest.approx(0, abs=1e-6)  # boxes of 2 x 3 x 4


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("kind", SAMPLES)
def test_a_few_damaged_meshes(tmp_path, kind, way):
    fuzz(tmp_path, kind, way, FEW)


@pytest.mark.slow
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("kind", SAMPLES)
def test_many_damaged_meshes(tmp_path, kind, way):
    fuzz(tmp_path, kind, way, MANY)
