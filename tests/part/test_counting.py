"""The counters of covered fractions: same bits, torch and card against the CPU, and what they refuse."""

import itertools
import subprocess
import sys

import pytest
import torch
from bodies import ball_triangles, box, box_triangles, surface

from lightlathe.errors import PartError, ShapeError
from lightlathe.part import coverage
from lightlathe.part.count import STEP
from lightlathe.part.count_torch import count_voxels_torch
from lightlathe.part.coverage import prepare
from lightlathe.quantities import Grid

GRID = Grid((11, 10, 9), voxel_mm=0.3)
ROUND = 1 / STEP  # fractions are rounded to this


def test_same_bits_on_every_run_and_for_any_number_of_threads():
    part = surface(ball_triangles(1.1, rings=24), ball_triangles(0.9, (0.4, 0.1, 0.2), rings=24))
    threads = torch.get_num_threads()
    first = coverage(part, GRID)
    try:
        torch.set_num_threads(1 if threads > 1 else 2)
        second = coverage(part, GRID)
    finally:
        torch.set_num_threads(threads)
    assert torch.equal(first, second)


CROWD = surface(
    ball_triangles(1.1, rings=12),
    ball_triangles(0.9, (0.5, 0.1, 0.2), rings=10),
    box_triangles((-1, -1, 0), (9, 0.1, 2)),
)


@pytest.mark.parametrize("shape", [(11, 10, 9), (4, 5, 3), (70, 6, 6)])
def test_the_torch_counter_agrees_with_the_cpu_counter(shape):
    """Two counters written apart (polygons cut one after the other; all pieces at once). Overlaps, parts beyond the
    grid and more than one portion of layers are in it. The same rounding rule: equal to one step."""
    grid = Grid(shape, voxel_mm=3.2 / max(shape))
    cpu = coverage(CROWD, grid)
    assert 0.02 < float(cpu.mean()) < 0.98
    other = count_voxels_torch(prepare([CROWD], grid), torch.device("cpu"))
    torch.testing.assert_close(other, cpu, atol=ROUND, rtol=0)


@pytest.mark.card
def test_cuda_agrees_with_the_cpu():
    part, grid = surface(ball_triangles(1.1, rings=64), ball_triangles(0.9, (0.5, 0.1, 0.2))), Grid((60, 61, 62), 0.05)
    found = coverage(part, grid, device="cuda")
    assert found.device.type == "cuda"
    torch.testing.assert_close(found.cpu(), coverage(part, grid), atol=ROUND, rtol=0)
    assert torch.equal(found, coverage(part, grid, device="cuda"))


def test_a_device_without_float64_says_so_first():
    with pytest.raises(ShapeError, match=r"float64, which device 'mps' does not have; expected 'cpu' or 'cuda'"):
        coverage(box((0, 0, 0), (1, 1, 1)), GRID, device="mps")


def test_a_part_millions_of_voxels_wide_is_refused():
    with pytest.raises(PartError, match=r"voxels of 0\.0001 mm; expected at most 8388608"):
        coverage(box((0, 0, 0), (2000, 1, 1)), Grid((4, 4, 4), voxel_mm=1e-4))


def test_nothing_to_count_is_refused():
    with pytest.raises(PartError, match="no solid to count"):
        coverage([], GRID)


def test_the_part_stage_loads_no_mesh_library_and_no_compiler():
    """`import lightlathe.part` serves jobs of analytic shapes too, and the help text."""
    code = "import sys, lightlathe.part; print([m for m in ('trimesh', 'numba', 'scipy') if m in sys.modules])"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert said.strip() == "[]"


@pytest.mark.parametrize("solid", ["closed", "open"])
def test_slabs_are_counted_as_in_the_whole(solid):
    """Bit for bit: a slab knows of the facets above it, and those below it leave nothing in it."""
    grid = Grid((11, 10, 12), voxel_mm=0.29)
    ball = ball_triangles(1.2, (0.1, 0.0, 0.2), rings=12)
    part = CROWD if solid == "closed" else surface(ball[ball[:, :, 2].max(axis=1) < 1.1])
    whole = coverage(part, grid)
    assert 0.02 < float(whole.mean()) < 0.98
    for cuts in ([0, 5, 12], [0, 1, 2, 11, 12]):
        slabs = [coverage(part, grid.slab(low, high)) for low, high in itertools.pairwise(cuts)]
        assert torch.equal(torch.cat(slabs, 2), whole)
