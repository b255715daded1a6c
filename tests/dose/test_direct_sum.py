"""The dose against direct summation: any axis offset, any pixel, bent chords; random patterns and smooth ones."""

import functools
import math
from dataclasses import replace

import numpy as np
import pytest
import torch
from dose_cases import runnable

from direct import bare_vial, direct_dose, fan
from lightlathe.beams import Telecentric, full_turn
from lightlathe.errors import ShapeError
from lightlathe.quantities import Chords, Grid
from operators import operator, random

RADIUS, VOXEL, ABSORPTION, ANGLES = 4.0, 0.16, 0.2, 13
GRID = Grid((47, 50, 1), VOXEL)
# As shares of the largest dose. Both sum the same terms: 13 of 1e-16 each; 6e-8 where weights and sums are float32.
ALLOWED = {torch.float64: 1e-13, torch.float32: 1e-6}
KERNELS = [(name, dtype) for dtype in ALLOWED for name in runnable(dtype)]


def chords(offset, turn, share) -> Chords:
    offset, turn, share = (torch.as_tensor(x, dtype=torch.float64) for x in (offset, turn, share))
    return Chords(full_turn(ANGLES, 0.1), offset, turn, share, 1, VOXEL)


def even(pixel: float, axis_offset: float, columns: int | None = None) -> Chords:
    """As many columns as the vial is wide, unless told, an even number; one row per slice."""
    columns = columns or 2 * math.ceil(RADIUS / pixel)
    made = Telecentric().chords(
        angle_rad=full_turn(ANGLES, 0.1), columns=columns, rows=1, pixel_mm=pixel, axis_offset_mm=axis_offset
    )
    return chords(made.offset_mm, made.deflection_rad, made.transmittance)


def patterns(kind: str, columns: int) -> torch.Tensor:
    if kind == "random":
        return torch.rand(ANGLES, columns, generator=torch.Generator().manual_seed(1), dtype=torch.float64)
    s, a = torch.linspace(-1, 1, columns, dtype=torch.float64), torch.arange(ANGLES, dtype=torch.float64)[:, None]
    return 0.5 + 0.4 * torch.cos(5 * s + 0.3 * a)


seen = functools.partial(operator, GRID.shape, VOXEL, radius=RADIUS, absorption=ABSORPTION)


def dose_of(c: Chords, light: torch.Tensor, kernel: str = "cpu", dtype: torch.dtype = torch.float64) -> np.ndarray:
    return (
        seen(chords=c, kernel=kernel, dtype=dtype)(light[:, :, None].to(dtype).contiguous())[:, :, 0].double().numpy()
    )


def wanted(c: Chords, light: torch.Tensor) -> np.ndarray:
    return direct_dose(
        light, c.angle_rad, c.offset_mm, c.deflection_rad, c.transmittance, GRID.shape[:2], VOXEL, RADIUS, ABSORPTION
    )


@functools.cache
def case_even(ratio: float, offset: float, kind: str) -> tuple[Chords, torch.Tensor, np.ndarray]:
    c = even(ratio * VOXEL, offset)
    light = patterns(kind, len(c.offset_mm))
    return c, light, wanted(c, light)


@functools.cache
def case_bent(name: str, kind: str) -> tuple[Chords, torch.Tensor, np.ndarray]:
    c = chords(*BENT[name])
    light = patterns(kind, len(c.offset_mm))
    return c, light, wanted(c, light)


@pytest.mark.parametrize(("kernel", "dtype"), KERNELS)
@pytest.mark.parametrize("kind", ["random", "smooth"])
@pytest.mark.parametrize(
    ("ratio", "offset"), [(1, 1e-6), (1, 0.03), (1, 0.06), (1, -0.12), (1, 0.5), (0.25, 0.0), (0.25, 0.03), (0.6, -0.4),
                          (1.7, 0.03), (4, 0.1), (4, 1.0)]
)  # fmt: skip
def test_any_axis_offset_and_any_pixel(ratio, offset, kind, kernel, dtype):
    c, light, truth = case_even(ratio, offset, kind)
    assert np.abs(dose_of(c, light, kernel, dtype) - truth).max() < ALLOWED[dtype] * truth.max()


BENT = {
    "bare vial": bare_vial(60, RADIUS, 1.5),
    "bare vial, fine pixels": bare_vial(250, RADIUS, 1.4),
    "bare vial, coarse pixels": bare_vial(12, RADIUS, 1.5),
    "fan": fan(70, RADIUS, 9.0),
    "fan from close by": fan(70, RADIUS, 4.6),
    "uneven": (np.sort(np.random.default_rng(3).uniform(-4, 4, 40)), np.zeros(40), np.ones(40)),
    "all turned alike": (np.linspace(-3, 4, 50), np.full(50, 0.4), np.ones(50)),
}


@pytest.mark.parametrize(("kernel", "dtype"), KERNELS)
@pytest.mark.parametrize("kind", ["random", "smooth"])
@pytest.mark.parametrize("case", BENT)
def test_bent_and_uneven_chords(case, kind, kernel, dtype):
    c, light, truth = case_bent(case, kind)
    # near the focus of the coarse case gaps are 1/100 of their width, and so digits are lost in them
    assert np.abs(dose_of(c, light, kernel, dtype) - truth).max() < 10 * ALLOWED[dtype] * truth.max()


@pytest.mark.parametrize("case", [*BENT, "off the axis", "fine pixels"])
@pytest.mark.parametrize(("kernel", "dtype"), KERNELS)
def test_the_transpose_is_exact(kernel, dtype, case):
    """<A p, v> = <p, A' v>, shares of the norms: 1e-12 in float64; 1e-5 in float32, sums of 1e3 roundings of 6e-8."""
    others = {"off the axis": even(VOXEL, 0.05), "fine pixels": even(VOXEL / 4, 0.01)}
    a = seen(chords=others[case] if case in others else chords(*BENT[case]), kernel=kernel, dtype=dtype)
    p, v = random(a.pattern_shape, dtype, 2), random(a.dose_shape, dtype, 3)
    dose, light = a(p).double(), a.transpose(v).double()
    off = float((dose * v).sum() - (p * light).sum()) / float(dose.norm() * v.double().norm())
    assert abs(off) < {torch.float64: 1e-12, torch.float32: 1e-5}[dtype]


@pytest.mark.parametrize("columns", [66, 67])
@pytest.mark.parametrize("shift", [1e-9, 1e-6, 1e-3, 0.03])
def test_a_shifted_axis_moves_the_dose_by_no_more_than_the_shift(columns, shift):
    """Between columns light changes by at most one level per pixel: |D(e) - D(0)| <= e / pixel, and it does move."""
    light = patterns("random", columns)
    moved = np.abs(dose_of(even(VOXEL, shift, columns), light) - dose_of(even(VOXEL, 0.0, columns), light)).max()
    assert 0.05 * shift / VOXEL < moved <= shift / VOXEL * (1 + 1e-6)


def test_the_comparison_can_fail():
    """The measure that 1e-13 stands for is not blind: a shift by a thousandth of a pixel, a bend by a milliradian."""
    c = even(VOXEL, 0.03)
    light = patterns("random", len(c.offset_mm))
    assert np.abs(dose_of(even(VOXEL, 0.03 + VOXEL / 1000), light) - wanted(c, light)).max() > 1e-5
    offset, turn, share = BENT["fan"]
    light = patterns("random", len(offset))
    assert (
        np.abs(dose_of(chords(offset, turn + 1e-3, share), light) - wanted(chords(offset, turn, share), light)).max()
        > 1e-5
    )


def test_chords_that_cross_in_the_vial_are_refused_with_the_place():
    """Light of parallel columns turned by s / 3 mm comes together 3 mm behind the axis: inside a vial of 4 mm."""
    s = np.linspace(-1, 1, 21)
    turn = np.arctan(s / 3)
    with pytest.raises(ShapeError, match=r"columns \d+ and \d+, turned by .* cross at s = -?[\d.e-]+ mm, t = 3 mm; "):
        seen(chords=chords(s * np.cos(turn), turn, np.ones(21)))
    beyond = np.arctan(s / 4.5)
    seen(chords=chords(s * np.cos(beyond), beyond, np.ones(21)))


def test_chords_out_of_order_in_the_vial_are_refused():
    """Two that do not cross inside, each on the wrong side of the other; and two a right angle apart."""
    with pytest.raises(ShapeError, match="columns 0 and 1"):
        seen(chords=chords([3.6, 3.8], [0.0, 1.0], [1.0, 1.0]))
    with pytest.raises(ShapeError, match="columns 0 and 1"):
        seen(chords=chords([-3.9, 3.9], [0.0, 2.0], [1.0, 1.0]))


def test_light_through_one_bent_column_by_hand():
    """A column turned by 30 degrees, 1 mm off: its light lies along x cos 30 + y sin 30 = 1, exp(-mu depth) of it."""
    turn = math.radians(30)
    c = replace(chords([0.9, 1.0, 1.2], [turn + 0.02, turn, turn], [1, 1, 1]), angle_rad=torch.zeros(1).double())
    a = seen(chords=c)
    p = torch.zeros(1, 3, 1, dtype=torch.float64)
    p[0, 1] = 1
    dose = a(p)[:, :, 0]
    x, y = GRID.centres_mm(0)[:, None], GRID.centres_mm(1)[None, :]
    away = x * math.cos(turn) + y * math.sin(turn) - 1.0
    along = y * math.cos(turn) - x * math.sin(turn)
    inside = (x * x + y * y <= RADIUS**2) & (away >= 0) & (away < 0.2)
    hand = (1 - away / 0.2) * torch.exp(-0.2 * ((RADIUS**2 - (1 + away) ** 2).sqrt() + along))
    torch.testing.assert_close(dose[inside], hand[inside], rtol=1e-12, atol=0)
    assert int(inside.sum()) > 50
