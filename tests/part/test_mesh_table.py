"""Every file of the folder of real and broken meshes gives its documented result.

Numbers and messages come from the README beside the files (../shared/meshes/README.md): counts, boxes, volumes of the
facets, closed forms, and solid volumes measured there with a winding number ("about").
"""

from dataclasses import dataclass

import numpy as np
import pytest
import torch

from lightlathe.errors import MeshError
from lightlathe.part import coverage, grid_for, place, read_surface

EXACT = 2e-5  # of the volume: facets are cut exactly, fractions rounded to 2^-20
ABOUT = 0.01  # of the volume: what the README claims for "about", and what lines do where bodies overlap


@dataclass(frozen=True)
class Good:
    """What a readable file must give. volume_mm3 is that of the voxels; box_mm the size of the bounding box."""

    unit: str | None
    triangles: int
    volume_mm3: float
    box_mm: tuple[float, float, float]
    components: int | None = None
    watertight: bool = True
    within: float = EXACT
    says: tuple[str, ...] = ()  # what the warnings must hold; () means: no warning at all
    low_mm: tuple[float, float, float] | None = None  # lowest corner, where the README gives it


GOOD = {
    "teapot_open.stl": Good(
        "mm", 894, 23060, (63.170, 39.308, 29.481), components=4, watertight=False, within=ABOUT,
        says=("not watertight: 64 open edges",),
    ),
    "thin_tube.stl": Good("mm", 1120, 277.915, (5.08, 5.08, 60.96), components=1),
    "tooth_crown.stl": Good("mm", 3878, 526.449, (10.6755, 11.3847, 9.5724), components=1),
    "sensor_metres_ascii.stl": Good("m", 7436, 28192.5, (44, 14, 47)),
    "far_block.stl": Good(
        "mm", 12, 8.45848e8, (2720.07, 2901.44, 371.54), components=1, low_mm=(19653.467, 0.54686, 22485.678),
        says=("is 2720 x 2901 x 371.5 mm, read as mm",),
    ),
    "quad_knot.obj": Good("mm", 2880, 1.05731e6, (170.735, 133.719, 181.324), components=1),
    # 1.863 in the README; 150 000 points give 1.830 +- 0.005 (plain sums of solid angles), and the voxels 1.834 at
    # any size: taken with a tolerance that holds both
    "cycloidal_open.ply": Good(
        "inch", 43368, 1.863 * 25.4**3, (47.625, 47.615, 28.116), within=0.02, says=("meet at each of 242 edges",)
    ),
    "two_solids_ascii.stl": Good("mm", 24, 2, (6, 1, 1), components=2),
    # 56 of 1368 facets have no area; the 36 copies are among them
    "spider_mess.stl": Good(
        "mm", 1312, 9.82, (6.2298, 8, 3.2987), watertight=False, within=ABOUT,
        says=("left out 56 facets without area", "faced against their neighbours", "not watertight"),
    ),
    "cube_binary_nl.ply": Good("mm", 12, 1, (1, 1, 1), components=1, low_mm=(5.967534, 0, 0)),
    "scaphoid_metres.stl": Good("m", 3654, 1390.85, (14.143, 17.841, 21.166), components=1),
    "fdm_test.3mf": Good(None, 15636, 51011, (75, 70, 92), watertight=False, within=2e-4, says=("16 open edges",)),
    "components.3mf": Good(None, 60, 14000, (70, 60, 30), components=2, low_mm=(0, 0, 0)),
    "holed_cube_inch.3mf": Good(
        None, 144, 6.22723e6, (250.17, 203.33, 250.17), components=1, says=("is 250.2 x 203.3",)
    ),
    "implant_with_beams.3mf": Good(
        None, 5672, 3031.05, (38.1, 9.917, 25.4), says=("beam lattice of 11821 beams", "only the 5672 triangles")
    ),
    "self_crossing_tube.obj": Good("cm", 17160, 142.74, (16.393, 9.7514, 19.907), components=1, within=0.002),
    "gearwheel_ascii.stl": Good("mm", 2444, 8922.64, (41.7202, 41.7202, 8), components=1),
    "solid_header_binary.stl": Good("mm", 1360, 4129.37, (20, 20, 20), components=1),
    "hollow_sphere.stl": Good("mm", 10240, 409.614, (10, 10, 10), components=2),
    "overlapping_spheres.stl": Good("mm", 10240, 485.742, (13, 8, 8), components=2, within=0.002),
    "inverted_torus.stl": Good(
        "mm", 9216, 393.377, (14, 14, 4), components=1, says=("1 of 1 component faced inwards",)
    ),
    "messy_box.stl": Good(
        "mm", 12, 240, (10, 6, 4), components=1, says=("4 facets without area and 6 copies of facets, of 22",)
    ),
    "micron_objects.3mf": Good(None, 28, 7.5, (16.5, 4, 2.5), components=3, low_mm=(-1, -1, -1)),
    "unreferenced_object.3mf": Good(None, 12, 8, (2, 2, 2), components=1, low_mm=(6, -1, -1)),
    "gyroid_scaffold.stl": Good("mm", 54906, 107.661, (8, 8, 6), components=1, says=("meet at each of 9 edges",)),
    "dense_sphere.ply": Good("mm", 139872, 523.537, (9.9996, 9.9996, 10), components=1),
    "text_embossed.stl": Good("mm", 304, 153.0602, (18.82, 4.969, 2.1)),
    "m6_thread.stl": Good("mm", 13968, 182.836, (6, 6, 8), components=1),
    "wall_ladder.stl": Good("mm", 124, 123.4, (14, 6, 5)),
    "ball_in_cage.stl": Good("mm", 5216, 454.821, (10, 10, 10), components=2),
    "hex_prism_ngon.obj": Good("mm", 20, 116.913, (6, 5.1962, 5), components=1),
}  # fmt: skip

BROKEN = {
    "bad_count_mismatch.stl": r"header says 66 facets, but it holds 4; expected 3384 bytes and found 284",
    "bad_truncated.stl": r"header says 1280 facets, but it holds 781 and 7 bytes of one more, so it was cut off",
    "bad_empty.stl": r"bad_empty\.stl is empty \(0 bytes\)",
    "bad_zero_triangles.stl": r"bad_zero_triangles\.stl holds no facets",
    "bad_nan_inf.stl": r"2 of 12 facets have a corner that is not a finite number \(the first is facet \d+\)",
    "single_triangle.stl": r"single_triangle\.stl encloses nothing: its 1 facet, closed over 3 open edges",
}


def test_the_table_holds_every_file(shared_meshes):
    files = {p.name for p in shared_meshes.iterdir() if p.suffix != ".md"}
    assert files == set(GOOD) | set(BROKEN)


@pytest.mark.parametrize("name", GOOD)
def test_good_file(shared_meshes, name):
    want = GOOD[name]
    part = read_surface(shared_meshes / name, want.unit)
    assert part.report.triangles == want.triangles
    assert part.report.watertight == want.watertight
    if want.components is not None:
        assert part.report.components == want.components
    np.testing.assert_allclose(part.size_mm, want.box_mm, rtol=2e-4)  # the README's five figures
    if want.low_mm is not None:
        np.testing.assert_allclose(part.bounds_mm[0], want.low_mm, rtol=1e-5, atol=1e-5)
    said = "\n".join(part.warnings)
    assert all(words in said for words in want.says), said
    assert bool(said) == bool(want.says), said

    placed = place(part)
    grid = grid_for([placed], placed.reach_mm, float(part.size_mm.max()) / 64)
    fractions = coverage(placed, grid)
    found = float(fractions.sum(dtype=torch.float64)) * grid.voxel_mm**3
    assert found == pytest.approx(want.volume_mm3, rel=want.within)


@pytest.mark.parametrize("name", BROKEN)
def test_broken_file(shared_meshes, name):
    with pytest.raises(MeshError, match=BROKEN[name]) as caught:
        read_surface(shared_meshes / name, "mm")
    assert name in str(caught.value)


@pytest.mark.parametrize("name", [n for n, good in GOOD.items() if good.unit is not None])
def test_files_without_a_unit_ask_for_one(shared_meshes, name):
    with pytest.raises(MeshError, match="files do not say their unit, and none was given"):
        read_surface(shared_meshes / name)


@pytest.mark.parametrize(
    ("name", "read"), [("sensor_metres_ascii.stl", "0.044 x 0.014 x 0.047"), ("scaphoid_metres.stl", "0.01414")]
)
def test_metres_are_noticed(shared_meshes, name, read):
    warning = read_surface(shared_meshes / name, "mm").warnings[-1]
    assert read in warning
    assert "m" in warning.split("Is its unit ")[1].rstrip("?").split(" or ")


def test_a_winding_number_from_boundary_and_overlap_is_not_the_signed_sum(shared_meshes):
    """The README gives signed sums that are NOT the volume: the voxels must not fall for them."""
    for name, signed in (
        ("spider_mess.stl", 10.246),
        ("overlapping_spheres.stl", 535.0),
        ("self_crossing_tube.obj", 0.147953),
    ):
        part = place(read_surface(shared_meshes / name, "mm"))
        grid = grid_for([part], part.reach_mm, float(part.size_mm.max()) / 48)
        found = float(coverage(part, grid).sum(dtype=torch.float64)) * grid.voxel_mm**3
        assert found < 0.98 * signed


def test_text_reads_the_right_way_round(shared_meshes):
    """Looking down from +z with x to the right, VIAL 42 begins with a V: wide at the top, a point at the bottom."""
    part = place(read_surface(shared_meshes / "text_embossed.stl", "mm"))
    grid = grid_for([part], part.reach_mm, 0.06)
    raised = (coverage(part, grid) > 0.5)[:, :, int(grid.shape[2] // 2 + 0.9 / 0.06)]  # in the letters' height
    columns = torch.nonzero(raised.any(1)).squeeze(1)
    rows = torch.nonzero(raised.any(0)).squeeze(1)
    letter = raised[columns[0] : columns[0] + 45]  # the first letter is about 2.7 mm wide
    top, bottom = letter[:, rows[-2]], letter[:, rows[1]]
    width = [int(torch.nonzero(r).max() - torch.nonzero(r).min()) for r in (top, bottom)]
    assert width[0] > 2 * width[1]
    last = raised[columns[-1] - 40 : columns[-1] + 1]  # a 2 stands on a flat foot
    assert int(last[:, rows[1]].sum()) > int(last[:, rows[-2]].sum())


def test_thread_is_right_handed(shared_meshes):
    """The pitch is 1 mm: going up 0.2 mm, a right-handed thread's crest has turned a fifth, anticlockwise."""
    part = place(read_surface(shared_meshes / "m6_thread.stl", "mm"))
    grid = grid_for([part], part.reach_mm, 0.05)
    fractions = coverage(part, grid).numpy()
    x, y = np.meshgrid(grid.centres_mm(0), grid.centres_mm(1), indexing="ij")
    angle, ring = np.arctan2(y, x), (np.hypot(x, y) > 2.55) & (np.hypot(x, y) < 2.95)
    around = np.exp(1j * angle[ring]) @ fractions[ring]  # (z,) first Fourier term of what stands out at each height
    steps = around[60:-56] / around[56:-60]  # 4 voxels up, away from the ends
    np.testing.assert_allclose(np.angle(steps), 0.2 * 2 * np.pi, atol=0.03)  # 32 voxels of 0.1 rad make up the crest


@pytest.mark.slow
def test_dense_sphere_in_512_layers(shared_meshes):
    part = place(read_surface(shared_meshes / "dense_sphere.ply", "mm"))
    grid = grid_for([part], part.reach_mm, 10 / 512)
    found = float(coverage(part, grid).sum(dtype=torch.float64)) * grid.voxel_mm**3
    assert found == pytest.approx(part.volume_mm3, rel=1e-6)
