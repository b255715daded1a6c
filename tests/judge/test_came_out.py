"""The next exposure, against prints whose true threshold is known."""

import dataclasses
import json
import math

import pytest
import torch

from lightlathe.errors import JobError
from lightlathe.judge import next_exposure, read_came_out
from lightlathe.judge.came_out import dose_across_surface
from lightlathe.quantities import IGNORED, LIQUID, SOLID, Grid, Part

VOXEL = 0.1
SLOPE = 2.0  # of the log dose, 1/mm


def ball(n=41, radius=1.2):
    """A ball whose dose falls evenly in the logarithm, 80 at its surface: exp(-SLOPE * distance)."""
    grid = Grid((n, n, n), VOXEL)
    x, y, z = (grid.centres_mm(axis) for axis in range(3))
    r = torch.sqrt(x[:, None, None] ** 2 + y[None, :, None] ** 2 + z[None, None, :] ** 2)
    judged = torch.where(r <= radius, SOLID, LIQUID).to(torch.uint8)
    judged[r > 1.9] = IGNORED
    dose = 80 * torch.exp(-SLOPE * (r - radius))
    return torch.where(judged == IGNORED, 0.0, dose), Part(grid, (r <= radius).float(), judged)


@pytest.mark.parametrize("off", [-0.25, -0.1, 0.1, 0.25])
def test_recovers_the_threshold_that_was_there(off):
    """A ball that came out `off` too large in radius had the threshold 80 exp(-SLOPE off); 2 off in thickness."""
    dose, part = ball()
    word = "fat" if off > 0 else "thin"
    found = next_exposure(dose, part, 60.0, 5.0, f"too {word} by {2 * abs(off)} mm")
    # a quarter voxel: surfaces of voxels are stairs, see GAP
    tolerance = SLOPE * VOXEL / 4
    assert math.log(found.gel_mj_cm3 / 80) == pytest.approx(-SLOPE * off, abs=tolerance)
    assert math.log(found.factor) == pytest.approx(-SLOPE * off, abs=tolerance)
    assert found.exposure_s == pytest.approx(60 * found.factor)
    assert found.turns == round(found.exposure_s / 5)


def test_the_wanted_surface_is_that_of_the_whole_shape_under_a_tolerance_band():
    """Two voxels on either side of the surface are not judged: the print is compared with the shape all the same."""
    dose, part = ball()
    distance = dose.clamp(min=1e-9).log().neg() / SLOPE + math.log(80) / SLOPE  # from the surface
    judged = torch.where((distance.abs() < 0.2) & (dose > 0), IGNORED, part.judged).to(torch.uint8)
    banded = dataclasses.replace(part, judged=judged, whole=part.judged)
    plain, found = (dose_across_surface(dose, one) for one in (part, banded))
    assert all((a == b).all() for a, b in zip(plain, found, strict=True))


def test_without_a_distance_a_voxel_on_each_side():
    dose, part = ball()
    assert next_exposure(dose, part, 60.0, 5.0, "too thin").factor == pytest.approx(
        next_exposure(dose, part, 60.0, 5.0, "too thin by 0.2 mm").factor
    )


def test_nothing_and_a_block_are_leaps():
    dose, part = ball()
    assert next_exposure(dose, part, 60.0, 5.0, "nothing").exposure_s == 90
    block = next_exposure(dose, part, 60.0, 5.0, "all solid")
    assert block.exposure_s == 40
    assert json.loads(json.dumps(block.as_json(), allow_nan=False))["gel_mj_cm3"] is None


def test_the_way_of_a_leap_and_its_end_are_named():
    dose, part = ball()
    assert "1.5 times longer: go on until the part appears" in next_exposure(dose, part, 60.0, 5.0, "nothing").text()
    assert "1.5 times shorter: go on until gaps open" in next_exposure(dose, part, 60.0, 5.0, "all solid").text()


def test_a_threshold_far_from_the_jobs_own_and_a_time_beyond_the_longest_are_named():
    """A ball that came out 0.1 mm too small in radius had a threshold of 80 exp(0.1 SLOPE)."""
    dose, part = ball()
    met = 80 * math.exp(0.1 * SLOPE)

    def said(**given):
        return next_exposure(dose, part, 60.0, 5.0, "too thin by 0.2 mm", **given).text()

    assert "The job says 40 to 44: check lamp power and doses before trusting either" in said(stated=(40, 44))
    assert "The job says" not in said(stated=(0.97 * met, 1.02 * met)) + said()
    assert "The longest exposure allowed is 61 s: use more light, or allow more time" in said(longest_s=61)
    assert "longest" not in said(longest_s=1e4)


def test_without_surroundings_there_is_no_surface_to_read():
    """'all solid' is no way out where all solid is what is wanted."""
    dose, part = ball()
    judged = torch.where(part.judged == LIQUID, IGNORED, part.judged).to(torch.uint8)
    with pytest.raises(JobError, match="nothing around the part is judged") as error:
        next_exposure(dose, dataclasses.replace(part, judged=judged), 60.0, 5.0, "too thin by 0.1 mm")
    assert "all solid" not in str(error.value)


def test_a_flat_dose_cannot_be_mended_by_time():
    dose, part = ball()
    flat = torch.where(dose > 0, 80.0, 0.0)
    found = next_exposure(flat, part, 60.0, 5.0, "too thin by 0.2 mm")
    assert found.factor == pytest.approx(1)
    assert "time alone will not mend it" in found.text()


def test_the_curve_falls_outwards_whatever_the_noise():
    dose, part = ball()
    noisy = dose * torch.exp(0.5 * torch.randn(dose.shape, generator=torch.Generator().manual_seed(1)))
    places, doses = dose_across_surface(noisy, part)
    assert (places[1:] > places[:-1]).all()
    assert (doses[1:] <= doses[:-1]).all()


@pytest.mark.parametrize(
    ("text", "kind", "by"),
    [
        ("too thin by 0.1 mm", "thin", 0.1),
        ("Too FAT by 50um", "fat", 0.05),
        ("too thick by .2 mm", "fat", 0.2),
        ("thin", "thin", None),
        ("nothing", "nothing", None),
        ("a block", "all solid", None),
    ],
)
def test_words(text, kind, by):
    seen = read_came_out(text)
    assert seen.kind == kind
    assert seen.by_mm == (None if by is None else pytest.approx(by))


@pytest.mark.parametrize(
    "text", ["", "too thin by 0.1", "too thin by 0.1 in", "odd", "too thin by 0 mm", "too thin by 1,5 mm"]
)
def test_other_words_are_errors_that_list_what_is_understood(text):
    with pytest.raises(JobError, match="expected"):
        read_came_out(text)


def test_a_distance_beyond_the_part_is_an_error():
    dose, part = ball()
    with pytest.raises(JobError, match="outside what this part holds"):
        next_exposure(dose, part, 60.0, 5.0, "too thin by 9 mm")


@pytest.mark.parametrize("seconds", [0.0, -5.0, math.nan, math.inf])
def test_times_that_are_none_are_errors(seconds):
    dose, part = ball()
    with pytest.raises(JobError, match="exposure_s is"):
        next_exposure(dose, part, seconds, 5.0, "nothing")
    with pytest.raises(JobError, match="turn_s is"):
        next_exposure(dose, part, 60.0, seconds, "too thin")


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_dose_that_is_none_is_an_error(value):
    dose, part = ball()
    dose[0, 0, 0] = value
    with pytest.raises(JobError, match="NaN or infinity"):
        next_exposure(dose, part, 60.0, 5.0, "too thin")


def test_a_step_too_large_to_believe_is_refused():
    """With a dose that falls to a hundredth within a voxel no threshold can be read from a distance."""
    dose, part = ball()
    steep = dose**8 / 80**7
    with pytest.raises(JobError, match="falls too steeply"):
        next_exposure(steep, part, 60.0, 5.0, "too thin by 0.5 mm")
