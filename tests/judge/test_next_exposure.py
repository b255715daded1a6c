"""The next exposure: against a ball whose true threshold is known, and by hand."""

import dataclasses
import json
import math

import pytest
import torch

from lightlathe.errors import JobError
from lightlathe.judge import read_came_out
from lightlathe.judge.across import Across
from lightlathe.judge.evidence import Doses, bound_of, doses_of
from lightlathe.judge.next_exposure import LEAP, NextExposure, onto_threshold, safe_exposures, to_try
from lightlathe.judge.plausible import extents_mm, require_plausible, share_thinner
from lightlathe.judge.quality import quality
from lightlathe.judge.seen import read_all
from lightlathe.judge.threshold import Allowed, Stated, threshold_from, with_job
from lightlathe.judge.vials import Vial
from lightlathe.quantities import IGNORED, LIQUID, SOLID, Grid, Part

VOXEL = 0.1
SLOPE = 2.0  # of the log dose, 1/mm
ANY = Stated(0.0, 1e3, 10.0)  # a job that states no threshold


def ball(n=41, radius=1.2):
    """A ball whose dose falls evenly in the logarithm, 80 at its surface: exp(-SLOPE * distance)."""
    grid = Grid((n, n, n), VOXEL)
    x, y, z = (grid.centres_mm(axis) for axis in range(3))
    r = torch.sqrt(x[:, None, None] ** 2 + y[None, :, None] ** 2 + z[None, None, :] ** 2)
    judged = torch.where(r <= radius, SOLID, LIQUID).to(torch.uint8)
    judged[r > 1.9] = IGNORED
    dose = 80 * torch.exp(-SLOPE * (r - radius))
    return torch.where(judged == IGNORED, 0.0, dose), Part(grid, (r <= radius).float(), judged)


def doses_in(dose, part):
    figures = quality(dose, dose > 80, part, liquid_below_mj_cm3=80, solid_above_mj_cm3=80)
    return doses_of(dose, Across.of(part), figures, 60.0)


@pytest.mark.parametrize("off", [-0.25, -0.1, 0.1, 0.25])
def test_recovers_the_threshold_that_was_there(off):
    """A ball that came out `off` too large in radius had the threshold 80 exp(-SLOPE off); 2 off in thickness."""
    dose, part = ball()
    doses, word = doses_in(dose, part), "fat" if off > 0 else "thin"
    vials = [Vial(60.0, read_all(f"too {word} by {2 * abs(off)} mm"))]
    prints = threshold_from(vials, doses)
    tolerance = SLOPE * VOXEL / 4  # a quarter voxel: surfaces of voxels are stairs
    assert math.log(prints.value / 80) == pytest.approx(-SLOPE * off, abs=tolerance)
    assert prints.low <= 80 * math.exp(-SLOPE * off) <= prints.high
    found = onto_threshold(vials, prints, with_job(prints, ANY), doses, 80.0)
    assert found is not None
    exposure, gel, guess = found
    assert (gel, guess) == (prints.value, False)
    assert math.log(exposure / 60.0) == pytest.approx(-SLOPE * off, abs=tolerance)


def test_the_wanted_surface_is_that_of_the_whole_shape_under_a_tolerance_band():
    """Two voxels on either side of the surface are not judged: the print is compared with the shape all the same."""
    dose, part = ball()
    distance = dose.clamp(min=1e-9).log().neg() / SLOPE + math.log(80) / SLOPE  # from the surface
    judged = torch.where((distance.abs() < 0.2) & (dose > 0), IGNORED, part.judged).to(torch.uint8)
    banded = dataclasses.replace(part, judged=judged, whole=part.judged)
    plain, found = (Across.of(one).profile(dose) for one in (part, banded))
    assert all((a == b).all() for a, b in zip(plain, found, strict=True))


def test_the_curve_falls_outwards_whatever_the_noise():
    dose, part = ball()
    noisy = dose * torch.exp(0.5 * torch.randn(dose.shape, generator=torch.Generator().manual_seed(1)))
    places, doses = Across.of(part).profile(noisy)
    assert (places[1:] > places[:-1]).all()
    assert (doses[1:] <= doses[:-1]).all()


def test_without_surroundings_there_is_no_surface_to_read():
    """'all solid' is no way out where all solid is what is wanted."""
    _, part = ball()
    judged = torch.where(part.judged == LIQUID, IGNORED, part.judged).to(torch.uint8)
    with pytest.raises(JobError, match="nothing around the part is judged") as error:
        Across.of(dataclasses.replace(part, judged=judged))
    assert "all solid" not in str(error.value)


def test_so_far_off_that_the_dose_there_is_no_threshold_a_size_gives_no_value():
    """With a dose that falls to a hundredth within a voxel no threshold can be read from a distance."""
    dose, part = ball()
    doses = doses_in(dose**8 / 80**7, part)
    bound = bound_of(read_came_out("too thin by 0.5 mm"), doses, 60.0)
    assert math.isnan(bound.value)
    assert bound.low < bound.high


# most around the part 36, least in it 44, so right from 36 to 44 at 10 s; half of the part gets 50
WINDOW = Doses(
    10.0, 0.1, (-0.1, 0.1), (48.0, 32.0), (44.0, 20.0), (60.0, 36.0), core=46.0, half_in=50.0, some_out=34.0,
    most_out=36.0, least_in=44.0, some_in=60.0,
)  # fmt: skip


def next_of(*prints, stated=ANY, doses=WINDOW, planned=40.0):
    vials = [Vial(seconds, read_all(words)) for seconds, words in prints]
    found = threshold_from(vials, doses)
    following = onto_threshold(vials, found, with_job(found, stated), doses, planned)
    assert following is not None
    return following


def test_the_safe_exposures_by_hand():
    """Thresholds from 38 to 41: least in the part 4.4 a second, so 41 / 4.4 s or more; most around it 3.6, 38 / 3.6."""
    assert safe_exposures(Allowed(38.0, 41.0, "job"), WINDOW) == (
        pytest.approx(41 / 4.4),
        pytest.approx(38 / 3.6),
    )
    assert safe_exposures(Allowed(30.0, 41.0, "job"), WINDOW) is None
    shut = dataclasses.replace(WINDOW, most_out=44.0)
    assert safe_exposures(Allowed(38.0, 41.0, "job"), shut) is None


@pytest.mark.parametrize(
    ("words", "times"),
    [
        ("too thin", 44 / 36),  # its threshold is above 44, so nothing around the part turns solid before 44 / 3.6 s
        ("too fat", 36 / 44),
        ("holes closed", 36 / 44),
        ("nothing", LEAP),
        ("all solid", 1 / LEAP),
    ],
)
def test_a_first_step_by_hand(words, times):
    exposure, gel, guess = next_of((10.0, words))
    assert exposure == pytest.approx(10 * times)
    assert math.isnan(gel)
    assert guess


def test_steps_go_on_from_the_furthest_print_and_lie_between_prints_that_bracket():
    assert next_of((12.0, "too thin"), (10.0, "too thin"))[0] == pytest.approx(12 * 44 / 36)
    # above 8 * 4.4 = 35.2, below 12 * 3.6 = 43.2: their middle, as the plan has 40 at 10 s
    exposure, gel, guess = next_of((8.0, "too thin"), (12.0, "too fat"))
    assert gel == pytest.approx(math.sqrt(35.2 * 43.2))
    assert exposure == pytest.approx(10 * gel / 40)
    assert not guess


def test_a_print_that_the_job_explains_leads_back_to_the_plan():
    """At 8 s the part got 35.2 at least: too thin agrees with a resin of 38 to 42, which 10 s is planned for."""
    assert next_of((8.0, "too thin"), stated=Stated(38.0, 42.0, 3.0))[:2] == (pytest.approx(10.0), 40.0)


def test_an_exposure_beyond_the_longest_is_named():
    said = to_try(1.5, 50.0, 5.0, math.nan, "So.", 60.0)
    assert said.turns == 15
    assert "The longest exposure allowed is 60 s: use more light, or allow more time" in said.text()
    assert json.loads(json.dumps(said.as_json(), allow_nan=False))["gel_mj_cm3"] is None
    assert isinstance(said, NextExposure)


def test_local_thickness_of_a_tube_by_hand():
    """A wall of 1 mm: all of it is thinner than 1.5 mm, none thinner than 0.7 mm."""
    grid = Grid((61, 61, 3), VOXEL)
    x, y = (grid.centres_mm(axis) for axis in (0, 1))
    r = torch.sqrt(x[:, None] ** 2 + y[None, :] ** 2)[..., None].expand(61, 61, 3)
    wall = (r <= 2.5) & (r > 1.5)
    part = Part(grid, wall.float(), torch.where(wall, SOLID, LIQUID).to(torch.uint8))
    assert share_thinner(part, 1.5) == 1.0
    assert share_thinner(part, 0.7) < 0.01
    assert extents_mm(part) == (pytest.approx(5.1, abs=0.11), pytest.approx(5.1, abs=0.11), pytest.approx(0.3))


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("too thin by 2.6 mm", "the part is 2.3 mm across where it is widest"),
        ("too fat by 9 mm", "the part is 2.3 mm across"),
        ("2 mm instead of 25 mm", "a size of 25 mm was wanted"),
        ("too fat by 1.6 mm", "outside what this part holds"),
    ],
)
def test_sizes_that_cannot_be(words, message):
    dose, part = ball()
    with pytest.raises(JobError, match=message):
        require_plausible(Vial(60.0, read_all(words)), part, doses_in(dose, part))


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
