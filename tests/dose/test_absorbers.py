"""Doses around inserts that dim light: closed forms, rays of the test's own, the limits, kernels and transposes."""

import math
import pickle
from dataclasses import replace

import numpy as np
import pytest
import torch
from rods import levels_at, rod, with_shadows

from lightlathe.dose import Backend, DoseOperator, Turning
from lightlathe.errors import KernelUnavailable, ShapeError
from lightlathe.quantities import Absorber, Grid, Shadows
from operators import dense, gap, operator, random

RESIN = 0.2


def dimmed(a: DoseOperator, *solids: tuple[torch.Tensor, float]) -> DoseOperator:
    """The same operator with inserts: what each covers, and its absorption; infinite where it is opaque."""
    radius, shadows, absorbers = a.optics.vial_radius_mm, None, []
    for covered, absorption in solids:
        if absorption == math.inf:
            shadows = Shadows.of(covered, a.grid, radius)
        else:
            absorbers.append(Absorber.of(covered, a.grid, radius, absorption))
    optics = replace(a.optics, shadows=shadows, absorbers=tuple(absorbers))
    return DoseOperator(optics, a.grid, a.backend, gain=a.gain, directions=a.directions)


def behind_a_rod(absorption: float, voxel: float, r: float = 1.5, vial: float = 4.0, angle: float = 0.3):
    """Dose of one image of even light past a rod on the axis over what should be there, less 1, and s of each voxel.

    exp(-mu (L - l) - mu_i l) should be left, with L the way through the vial to the voxel and l = 2 sqrt(r^2 - s^2) the
    way through the rod (Beer-Lambert law, geometry)."""
    grid = Grid((round(8.1 / voxel) // 2 * 2 + 1,) * 2 + (1,), voxel)
    light = {"angles": 1, "columns": round(8.3 / voxel), "rows": 1, "pixel": voxel, "first_rad": angle, "gain": 1.0}
    free = operator(grid.shape, voxel, radius=vial, absorption=RESIN, **light)
    dose = dimmed(free, (rod(grid, r), absorption))(torch.ones(free.pattern_shape, dtype=torch.float64))[:, :, 0]
    x, y = grid.centres_mm(0)[:, None], grid.centres_mm(1)
    s, t = x * math.cos(angle) + y * math.sin(angle), y * math.cos(angle) - x * math.sin(angle)
    inside = 2 * (r**2 - s**2).clamp(min=0).sqrt()
    way = (vial**2 - s**2).clamp(min=0).sqrt() + t
    beside = grid.inside(vial - 2 * voxel) & ((s.abs() > r + voxel) | (t < -r - voxel))
    assert gap(dose[beside], torch.exp(-RESIN * way)[beside]) < 1e-3  # light is linear between pixels
    behind = (t > 0) & (x**2 + y**2 > (r + voxel) ** 2) & grid.inside(vial - 2 * voxel)
    return (dose * torch.exp(RESIN * (way - inside) + absorption * inside) - 1)[behind], s.abs()[behind]


@pytest.mark.parametrize("absorption", [0.0, 0.9])
def test_light_behind_a_rod_on_the_axis_is_that_of_beer_and_lambert(absorption):
    """Within two thirds of the rod's radius to 1.5 % with voxels and pixels of 0.1 mm, 0.75 % with 0.05, 0.5 % in the
    mean: an outline is within 0.15 of a voxel of the rod, so that its way is off by 0.4 of one at most here, which with
    0.7 / mm is 3 %. At the very edge light changes linearly from pixel to pixel, as beside an opaque rod."""
    for voxel in (0.1, 0.05):
        off, s = behind_a_rod(absorption, voxel)
        inner = off[s < 1.0]
        assert len(inner) > 300
        assert float(inner.abs().max()) < 0.15 * voxel
        assert abs(float(inner.mean())) < 0.05 * voxel
    clear = behind_a_rod(RESIN, 0.1)[0]
    assert float(clear.abs().max()) < 1e-3


def crossed(shadows: Shadows, angle: float, offset: float, k: int) -> np.ndarray:
    """t at the middles of steps of a 300th of a voxel along a chord at which it is in a cross-section."""
    t = (np.arange(-6, 6, shadows.voxel_mm / 300)) + shadows.voxel_mm / 600
    c, n = math.cos(angle), math.sin(angle)
    return t[levels_at(shadows, offset * c - t * n, offset * n + t * c, k) > 0.5 - 2**-10]


@pytest.mark.parametrize("bend", [0.0, 0.03])
def test_depths_are_sums_over_the_outlines(bend):
    """Behind everything, and before it: to a step of the march at each of an outline's edges. Two rods of unlike
    absorption in the same slices, one of them hollow, which a chord crosses up to three times."""
    grid, per_mm = Grid((21, 19, 3), 0.5), (0.7, 0.05)
    tube = rod(grid, 3.1, (-0.5, 0.4)) - rod(grid, 1.9, (-0.5, 0.4))
    tube[:, :, 2] = 0
    core = rod(grid, 1.1, (-0.3, 0.1), slice(1, 3))
    free = operator(grid.shape, 0.5, angles=7, columns=23, rows=3, pixel=0.43, radius=5.2, bend=bend, absorption=RESIN)
    a = dimmed(free, (tube, per_mm[0]), (core, per_mm[1]))
    depths, views = a.views.depths, a.views
    assert (views.lines is None) == (bend == 0)
    classes, bins, met = depths.class_of_plane.tolist(), torch.arange(views.bins), 0
    assert len(set(classes)) == 3
    for m, angle in enumerate(views.angle_rad.tolist()):
        found = {t: depths.transmittance(m, bins, torch.full((views.bins,), t).double()) for t in (-5.5, 5.5)}
        assert float((found[-5.5] - 1).abs().max()) == 0
        for b in range(views.bins):
            turn = 0.0 if bend == 0 else float(views.lines.deflection_rad[b])
            offset = (b - views.middle_bins) * views.bin_mm if bend == 0 else float(views.lines.offset_mm[b])
            for k in range(3):
                wanted, edges = 0.0, 0
                for solid, mu, own in zip(depths.solids, per_mm, depths.members[classes[k]].tolist(), strict=True):
                    if own >= 0:
                        t = crossed(solid, angle + turn, offset, own)
                        wanted += (mu - RESIN) * len(t) * 0.5 / 300
                        edges += 1 + int((np.diff(t) > 0.5 / 200).sum())
                off = -math.log(float(found[5.5][b, classes[k]])) - wanted
                met += wanted != 0
                assert abs(off) < 0.5 * edges * 2 * 0.5 / 300 + 1e-6
    assert met > 100


def test_an_absorption_of_the_resins_changes_nothing():
    """Bit for bit; with the resin's own absorption changed it does."""
    free = operator((15, 14, 3), columns=17, rows=3, angles=7, radius=3.5, absorption=RESIN)
    same = dimmed(free, (rod(free.grid, 1.2, (0.4, 0.2)), RESIN))
    assert same.views.depths is None
    assert same.class_of_slice is None
    light = random(free.pattern_shape, seed=1)
    assert torch.equal(same(light), free(light))
    paler = DoseOperator(same.optics.replace(absorption_per_mm=0.1), same.grid, same.backend)
    bare = DoseOperator(free.optics.replace(absorption_per_mm=0.1), same.grid, same.backend)
    assert gap(paler(light), bare(light)) > 0.005


def test_a_large_absorption_tends_to_an_opaque_insert():
    """Outside the insert, where light is left: 1e5 / mm leaves what an opaque one does. Beside it, the shadow deepens
    with the absorption at every voxel."""
    grid = Grid((31, 29, 2), 0.2)
    free = operator(grid.shape, 0.2, columns=33, rows=2, pixel=0.2, angles=23, radius=2.9, absorption=RESIN)
    covered = rod(grid, 0.9, (0.3, -0.2))
    light, outside = torch.ones(free.pattern_shape, dtype=torch.float64), covered == 0
    opaque = with_shadows(free, Shadows.of(covered, grid, 2.9))(light)
    doses = [dimmed(free, (covered, mu))(light) for mu in (0.0, RESIN, 0.5, 2.0, 10.0, 1e5)]
    for denser, clearer in zip(doses[1:], doses[:-1], strict=True):
        assert bool((denser <= clearer + 1e-12).all())
    assert gap(doses[-1][outside], opaque[outside]) < 1e-3
    assert gap(doses[-2][outside], opaque[outside]) > 1e-3
    assert gap(doses[2][outside], opaque[outside]) > 0.05


CASES = {  # rods by slices and their absorption, infinite of an opaque one; what of the operator
    "one class": ([((0.3, 0.1), 0.8, slice(0, 5), 0.9)], {}),
    "clearer than resin": ([((0.3, 0.1), 0.8, slice(0, 5), 0.0)], {}),
    "two classes and none": ([((0.3, 0.1), 0.8, slice(0, 2), 0.7), ((-0.4, 0.9), 0.6, slice(3, 5), 0.7)], {}),
    "a class for each slice": ([((0.1 * k, 0.0), 0.5 + 0.1 * k, slice(k, k + 1), 0.9) for k in range(5)], {}),
    "two absorptions": ([((-1.0, 0.1), 0.6, slice(0, 5), 0.5), ((1.1, 0.3), 0.5, slice(1, 3), 2.0)], {}),
    "one opaque": ([((-1.0, 0.1), 0.6, slice(0, 5), math.inf), ((1.1, 0.3), 0.5, slice(1, 3), 0.5)], {}),
    "finer pixels": ([((0.3, 0.1), 0.8, slice(1, 4), 0.9)], {"pixel": 0.11, "columns": 53}),
    "off the axis": ([((0.3, 0.1), 0.8, slice(1, 4), 0.9)], {"axis_offset": 0.13}),
    "bent": ([((0.3, 0.1), 0.8, slice(1, 4), 0.9), ((-0.4, 0.9), 0.6, slice(4, 5), 0.9)], {"bend": 0.1}),
    "rows of two slices": ([((0.3, 0.1), 0.8, slice(1, 4), 0.9)], {"row": 0.4, "rows": 3}),
    "partly outside": ([((2.6, 0.1), 0.9, slice(1, 4), 0.9)], {}),
}


def case(name: str, **more) -> DoseOperator:
    rods, settings = CASES[name]
    given = {"columns": 31, "rows": 5, "pixel": 0.2, "angles": 11, "radius": 2.9, "absorption": RESIN}
    free = operator((29, 31, 5), 0.2, **(given | settings | more))
    absorptions = dict.fromkeys(mu for *_, mu in rods)
    solids = [
        (torch.stack([rod(free.grid, radius, at, slices) for at, radius, slices, own in rods if own == mu]).amax(0), mu)
        for mu in absorptions
    ]
    return dimmed(free, *solids)


@pytest.mark.parametrize("dtype", [torch.float64, torch.float32])
@pytest.mark.parametrize("name", CASES)
def test_the_cpu_kernel_is_the_reference_and_their_transpose_exact(name, dtype):
    """1e-13 and 2e-6 of the norm as in test_kernels.py; <A g, v> = <g, A' v> to 1e-12 and 1e-5 of |A g| |v|."""
    exact = case(name, kernel="reference")
    light, dose = random(exact.pattern_shape, dtype, 1), random(exact.dose_shape, dtype, 2)
    for kernel in ("cpu", "reference"):
        a = case(name, kernel=kernel, dtype=dtype)
        assert a.views.depths is not None
        assert a.views.ends is None
        lit, seen = a(light).double(), a.transpose(dose).double()
        allowed = 1e-13 if dtype == torch.float64 else 2e-6
        assert gap(lit, exact(light.double())) < allowed
        assert gap(seen, exact.transpose(dose.double())) < allowed
        off = (lit * dose).sum() - (light * seen).sum()
        assert abs(float(off / (lit.norm() * dose.norm()))) < (1e-12 if dtype == torch.float64 else 1e-5)
    assert gap(exact(light.double()), dimmed(exact)(light.double())) > 0.01


@pytest.mark.parametrize("kernel", ["cpu", "reference"])
def test_the_whole_matrix_and_gradients(kernel):
    free = operator((9, 8, 2), 0.5, columns=9, angles=5, radius=2.2, kernel=kernel)
    a = dimmed(free, (rod(free.grid, 0.9, (0.3, 0.2), slice(1, 2)), 1.4))
    matrix = dense(a, a.pattern_shape)
    torch.testing.assert_close(dense(a.transpose, a.dose_shape), matrix.T, rtol=0, atol=1e-15)
    share = matrix / dense(free, a.pattern_shape).clamp(min=1e-300)
    assert int(((share < 0.99) & (share > 0.01)).sum()) > 20
    assert float(share.max()) <= 1 + 1e-12
    g, v = random(a.pattern_shape, seed=3).requires_grad_(), random(a.dose_shape, seed=4).requires_grad_()
    assert torch.autograd.gradcheck(a, g)
    assert torch.autograd.gradcheck(a.transpose, v)


def test_many_slices_of_many_cross_sections_on_many_tiles():
    """Blocks of 64 slices of one class, of several, with slices between that have none; 67 angles, 3 x 3 tiles."""
    grid = Grid((53, 49, 150), 0.2)
    covered = rod(grid, 1.5, (0.4, -0.8), slice(0, 70))
    for k in range(75, 150):
        covered[:, :, k] = rod(Grid((53, 49, 1), 0.2), 0.8 + 0.02 * (k - 75), (-0.7, 0.02 * k))[:, :, 0]
    given = {"columns": 55, "rows": 150, "pixel": 0.2, "angles": 67, "radius": 5.1, "row": 0.2, "absorption": RESIN}
    a, exact = (
        dimmed(operator(grid.shape, 0.2, kernel=kernel, dtype=dtype, **given), (covered, 0.8))
        for kernel, dtype in (("cpu", torch.float32), ("reference", torch.float64))
    )
    assert len(a.class_of_slice.unique()) > 50
    light, dose = random(a.pattern_shape, torch.float32, 1), random(a.dose_shape, torch.float32, 2)
    first = a(light), a.transpose(dose)
    assert gap(first[0], exact(light.double())) < 2e-6
    assert gap(first[1], exact.transpose(dose.double())) < 2e-6
    torch_threads = torch.get_num_threads()
    try:
        torch.set_num_threads(3)
        assert torch.equal(a(light), first[0])
        assert torch.equal(a.transpose(dose), first[1])
    finally:
        torch.set_num_threads(torch_threads)


@pytest.mark.parametrize("teeth", [5, 11])
def test_a_comb_whose_teeth_chords_cross_one_after_the_other(teeth):
    """Teeth of a voxel with gaps of a voxel, more of them in a tile than the loops have slots, other ones from slice to
    slice: the kernel is the reference, its transpose exact."""
    grid = Grid((29, 31, 4), 0.2)
    covered = torch.zeros(grid.shape)
    for tooth in range(teeth):
        covered[3 + 2 * tooth, 8:22, :2] = 1
        covered[3 + 2 * tooth, 10:25, 3] = 1
    given = {"columns": 31, "rows": 4, "pixel": 0.2, "angles": 12, "radius": 2.9, "absorption": RESIN, "row": 0.2}
    a, exact = (
        dimmed(operator(grid.shape, 0.2, kernel=kernel, first_rad=1.4, **given), (covered, 0.9))
        for kernel in ("cpu", "reference")
    )
    lists = a.views.depths.lists
    assert int(lists.start.diff().max()) == teeth
    assert len(set(a.views.depths.class_of_plane.tolist())) == 3
    light, dose = random(a.pattern_shape, seed=1), random(a.dose_shape, seed=2)
    assert gap(a(light), exact(light)) < 1e-13
    assert gap(a.transpose(dose), exact.transpose(dose)) < 1e-13


def test_chords_are_traced_some_views_at_a_time(monkeypatch):
    whole = case("two absorptions").views.depths.lists
    monkeypatch.setattr("lightlathe.dose.depths.CHORDS", 200)
    depths = case("two absorptions").views.depths
    assert depths.lists.bins * depths.lists.classes * 2 * 11 / 2 > 200  # several parts
    for one, other in zip(depths.lists, whole, strict=True):
        assert torch.equal(torch.as_tensor(one), torch.as_tensor(other))


def test_slices_slabs_batches_and_motion():
    a = case("two absorptions")
    light, dose = random(a.pattern_shape, seed=1).abs(), random(a.dose_shape, seed=2)
    classes = a.class_of_slice.tolist()
    assert classes[1] == classes[2] != classes[0] == classes[3]
    index = torch.tensor([4, 2, 0])
    assert gap(a.of_slices(index)(light[:, :, index].contiguous()), a(light)[:, :, index]) < 1e-14
    assert gap(a.slab(1, 4)(light), a(light)[:, :, 1:4]) < 1e-14
    batch = torch.stack([light, light.flip(0)])
    assert torch.equal(a(batch), torch.stack([a(one) for one in batch]))
    assert torch.equal(pickle.loads(pickle.dumps(a))(light), a(light))
    assert gap(a.on(a.grid.finer(3))(light)[1::3, 1::3, 1::3], a(light)) < 1e-13
    turning, wanted = Turning(a, 3), 0.0
    for part in (-1, 0, 1):
        angle = a.optics.chords.angle_rad + part * 2 * math.pi / 11 / 3
        wanted = wanted + DoseOperator(a.optics.replace(angle_rad=angle), a.grid, a.backend, gain=a.gain / 3)(light)
    assert gap(turning(light), wanted) < 1e-14
    sums = float((turning(light) * dose).sum()), float((light * turning.transpose(dose)).sum())
    assert sums[0] == pytest.approx(sums[1], abs=1e-10)


@pytest.mark.skipif(not torch.cuda.is_available(), reason="there is no card")
@pytest.mark.parametrize("name", ["two classes and none", "two absorptions", "one opaque"])
def test_a_card_computes_them_in_plain_torch(name):
    exact, a = case(name, kernel="reference"), case(name, device="cuda", dtype=torch.float32)
    assert a.kernel == "reference"
    light, dose = random(a.pattern_shape, torch.float32, 1), random(a.dose_shape, torch.float32, 2)
    assert gap(a(light.cuda()), exact(light.double())) < 2e-6
    assert gap(a.transpose(dose.cuda()), exact.transpose(dose.double())) < 2e-6


def test_what_is_refused():
    covered = rod(Grid((29, 31, 5), 0.2), 0.8)
    with pytest.raises(ShapeError, match=r"absorption_per_mm is -0.1; expected 0 or more"):
        Absorber.of(covered, Grid((29, 31, 5), 0.2), 2.9, -0.1)
    assert Absorber.of(0 * covered, Grid((29, 31, 5), 0.2), 2.9, 0.1) is None
    for kernel in ("triton", "hopper", "triton_ends", "triton_double"):
        with pytest.raises(
            KernelUnavailable, match=f"'{kernel}' cannot run here: it computes no light that inserts dim"
        ):
            DoseOperator(case("one class").optics, Grid((29, 31, 5), 0.2), Backend(kernel))
