"""Sparse maps between images and views in one pass against the loops for CPUs: on a card, else in the interpreter."""

import pytest
import torch

from gpu_device import DEVICE
from lightlathe.beams import Telecentric, full_turn
from lightlathe.dose import Directions, gathers
from lightlathe.dose.across import Across
from lightlathe.dose.across_cpu import apply as across_cpu
from lightlathe.dose.footprint import onto_bins, onto_slices
from lightlathe.dose.rebin import Rebinning
from lightlathe.dose.taps_cpu import apply as along_cpu
from lightlathe.dose.to_views import plan
from lightlathe.job.vial import Vial
from lightlathe.quantities import Footprint, Grid, Optics, Tilt
from lightlathe.resins import Threshold
from operators import gap, random

BLURRED = Footprint("square", sigma=0.6)
ALLOWED = {torch.float64: 1e-15, torch.float32: 3e-7}  # sums of ten numbers in another order


@pytest.mark.parametrize("dtype", ALLOWED)
def test_columns_onto_bins_and_back(dtype):
    map_ = Across.of(onto_bins(BLURRED, 21, 3)).to(torch.device("cpu"), dtype)
    moved = map_.to(DEVICE, dtype)
    given, bins = random((2, 1, 21, 5), dtype), random((2, 1, map_.taps.index.shape[1], 5), dtype, 1)
    assert gathers.serve(given.to(DEVICE))
    assert gap(moved.forward(given.to(DEVICE)), across_cpu(map_.taps.index, map_.taps.weight, given)) < ALLOWED[dtype]
    assert gap(moved.transpose(bins.to(DEVICE)), across_cpu(map_.back.index, map_.back.weight, bins)) < ALLOWED[dtype]


@pytest.mark.parametrize("dtype", ALLOWED)
@pytest.mark.parametrize("rows", [7, 150])
def test_rows_onto_slices(dtype, rows):
    z = torch.arange(rows, dtype=torch.float64) * 0.5
    taps = onto_slices(BLURRED, z[1:-1] + 0.1, z, 0.5, 0.5).to(torch.device("cpu"), dtype)
    given = random((3, 11, rows), dtype)
    found = taps.to(DEVICE, dtype).apply(given.to(DEVICE))
    assert gap(found, along_cpu(taps.index, taps.weight, given)) < ALLOWED[dtype]


@pytest.mark.parametrize(
    ("directions", "batch", "dtype"),
    [
        (Directions(), (2,), torch.float32),
        (Directions.even(2, True, 3), (), torch.float64),
        (Directions((0.0, 0.25), 4, False, 2), (), torch.float32),
    ],
)
def test_images_onto_views_and_back(directions, batch, dtype):
    """The exact transpose too: to 1e-12 in float64, 1e-5 in float32."""
    vial = Vial(6.0, 40.0, "air", 0.5, 1.48)
    chords = Telecentric().chords(
        angle_rad=full_turn(6), columns=5, rows=2, pixel_mm=0.9, axis_offset_mm=0.1, vial=vial,
        resin=Threshold(0.1, 30.0, 40.0, refractive_index=1.5),
    )  # fmt: skip
    turned = Rebinning.of(chords, directions)
    plain, moved = turned.to(torch.device("cpu"), dtype), turned.to(DEVICE, dtype, compiled=False)
    images = random((*batch, 6, 5, 2), dtype)
    views = random((*batch, 6 * len(directions.offsets), turned.image.shape[-1], 2), dtype, 1)
    found, back = moved.forward(images.to(DEVICE)), moved.transpose(views.to(DEVICE))
    assert gap(found, plain.forward(images)) < ALLOWED[dtype]
    assert gap(back, plain.transpose(views)) < ALLOWED[dtype]
    left, right = (found.cpu().double() * views).sum(), (images.double() * back.cpu()).sum()
    assert abs(float(left - right)) < (1e-12 if dtype == torch.float64 else 1e-5) * float(found.norm() * views.norm())
    assert torch.equal(found, moved.forward(images.to(DEVICE)))
    share = torch.linspace(0.3, 1.4, 5, dtype=torch.float64)[:, None]
    dimmed = turned.to(DEVICE, dtype, compiled=False, share=share)
    assert gap(dimmed.forward(images.to(DEVICE)), plain.forward(images * share.to(dtype))) < ALLOWED[dtype]
    assert gap(dimmed.transpose(views.to(DEVICE)), plain.transpose(views) * share.to(dtype)) < ALLOWED[dtype]
    bound = dimmed.most
    assert float(dimmed.forward(torch.ones(1, 6, 5, 1, dtype=dtype, device=DEVICE)).amax()) <= bound * (1 + 1e-6)


@pytest.mark.parametrize("dtype", ALLOWED)
def test_pictures_beside_a_tilted_axis(dtype):
    """Both passes, and back, of a picture with uneven light; on a CPU by the sums that test_tilted_axis.py checks."""
    chords = Telecentric().chords(angle_rad=full_turn(3), columns=10, rows=6, pixel_mm=0.4)
    light = 0.2 + torch.rand(10, 6, dtype=torch.float64, generator=torch.Generator().manual_seed(1))
    optics = Optics(chords, 1.6, 0.3, BLURRED, light, tilt=Tilt(0.09, 4.3, 0.4))
    map_ = plan(optics, Grid((5, 6, 4), 0.5))[0].tilted
    assert map_ is not None
    wide, moved = map_.to(torch.device("cpu"), torch.float64), map_.to(DEVICE, dtype)
    given, views = random((3, 10, 6), dtype), random((3, *map_.made), dtype, 1)

    def by_hand(x, taps):
        return sum(w * x[..., i] for i, w in zip(taps.index, taps.weight, strict=True))

    assert wide.rows is not None
    wanted = by_hand(by_hand((given.double() * light).flatten(-2), wide.rows), wide.columns)
    assert gap(moved.forward(given.to(DEVICE)).flatten(-2), wanted) < ALLOWED[dtype]
    back = by_hand(by_hand(views.double().flatten(-2), wide.columns_back), wide.rows_back).unflatten(-1, (10, 6))
    assert gap(moved.transpose(views.to(DEVICE)), back * light) < ALLOWED[dtype]
