"""Threshold and absorption from several prints, held against prints whose truth is known.

The prints are made here: the dose of the design, at another exposure or in a resin of another absorption, is cut at a
true threshold, and what came out is read off by counting voxels.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
import torch
from scipy.ndimage import binary_fill_holes

from lightlathe import pipeline
from lightlathe.flow.after_print import TIMES, after_print
from lightlathe.flow.recorded import job_of
from lightlathe.job import parse_job
from lightlathe.judge.absorption import between as bounds_between
from lightlathe.judge.across import Across
from lightlathe.judge.evidence import doses_of
from lightlathe.judge.seen import CameOut
from lightlathe.judge.threshold import threshold_from
from lightlathe.judge.vials import Vial
from lightlathe.quantities import IGNORED, SOLID
from lightlathe.report.after_print import changes
from lightlathe.report.estimates import estimates
from lightlathe.report.mend_dose import absorption_for
from lightlathe.resins.own import absorbing
from lightlathe.support.words import amount


@pytest.fixture(scope="module")
def record(small_job, tmp_path_factory):
    """A disc in a resin dark enough (mu R = 1.5) that its middle gets less than its rim where the resin is darker."""
    text = small_job(absorption=0.3, iterations=30) + "bound_iterations = 0\n"
    job = parse_job(
        text.replace("voxel_mm = 0.25", "voxel_mm = 0.25\nfiner = 1"), name="d", folder=tmp_path_factory.mktemp("d")
    )
    return pipeline.design(job)


def width_mm(solid, voxel):
    """Diameter of the disc that has as large an area as what is solid in the middle slice: callipers see no holes."""
    filled = binary_fill_holes(solid[..., solid.shape[2] // 2].numpy())
    return 2 * math.sqrt(filled.sum() * voxel**2 / math.pi)


def seen_in(dose, part, threshold):
    """What a person with callipers would say of the print of a dose."""
    wanted, solid, voxel = part.judged == SOLID, dose > threshold, part.grid.voxel_mm
    if not bool((solid & wanted).any()):
        return CameOut("nothing")
    n = dose.shape[0] // 2
    if not bool(solid[n - 1 : n + 1, n - 1 : n + 1, dose.shape[2] // 2].any()):
        return CameOut("liquid centre")
    by = width_mm(solid, voxel) - width_mm(wanted, voxel)
    if by > 2:
        return CameOut("all solid")
    return CameOut("fat" if by > 0 else "thin", abs(by), 0.005) if abs(by) > 0.02 else CameOut("right")


@pytest.mark.parametrize("threshold", [36.0, 41.0, 47.0])
def test_the_true_threshold_lies_in_the_interval_and_the_next_print_is_nearer(record, threshold):
    planned, part = record.patterns.exposure_s, record.part
    doses = doses_of(record.prediction.dose, Across.of(part), record.quality, planned)
    exposures = [0.85 * planned, planned, 1.2 * planned]
    vials = [
        Vial(e, (seen_in(record.prediction.dose * e / planned, part, threshold),)) for e in exposures
    ]  # fmt: skip
    found = threshold_from(vials, doses)
    assert not found.against
    assert found.low <= threshold <= found.high
    assert found.high < 1.3 * found.low
    following = after_print(record, vials, absorption=False).next
    right = planned * threshold / doses.at(0.0)  # brings the threshold to the wanted surface
    assert following.exposure_s == pytest.approx(right, rel=0.1)
    assert abs(math.log(following.exposure_s / right)) <= max(abs(math.log(e / right)) for e in exposures)


def test_the_true_absorption_lies_in_the_interval(record):
    """Prints in a resin twice as dark as the job's: at one exposure the middle stays liquid, at a longer one it "
    "does not."""
    planned, part, job = record.patterns.exposure_s, record.part, job_of(record)
    true = 2 * job.resin.absorption_per_mm
    dose = pipeline.predict(record, resin=absorbing(job.resin, true), finer=False).dose
    n, k = dose.shape[0] // 2, dose.shape[2] // 2
    threshold = 42.0
    centre = float(dose[n - 1 : n + 1, n - 1 : n + 1, k].max())
    exposures = [0.93 * planned * threshold / centre, 1.1 * planned * threshold / centre]
    vials = [Vial(e, (seen_in(dose * e / planned, part, threshold),)) for e in exposures]
    assert vials[0].seen[0].kind == "liquid centre"
    assert vials[1].seen[0].kind != "liquid centre"
    found = after_print(record, vials).absorption
    assert found is not None
    assert not found.against
    assert found.low <= true <= found.high
    assert found.low > job.resin.absorption_per_mm  # the job's own is ruled out
    for said in (after_print(record, vials), after_print(record, vials[::-1], named=1)):
        told = " ".join([*changes(record, said), *estimates(record, said)])
        assert said.next is None or any(one.kind == "right" for one in said.vials[-1].seen)
        assert said.threshold is None
        assert "liquid_below" not in told  # doses that rest on the absorption that is ruled out
        assert "times the exposure" not in told
        if not any(one.kind == "right" for one in said.vials[-1].seen):
            assert f"absorption_per_mm = {amount(found.value, 3)}" in said.withheld or not found.closed


def test_between_the_absorptions_tried_doses_are_as_predicted(record):
    """The cubic through four predictions against a prediction of its own in between: doses agree to 1 %."""
    job, planned, across = job_of(record), record.patterns.exposure_s, Across.of(record.part)

    def doses_at(times):
        resin = absorbing(job.resin, times * job.resin.absorption_per_mm)
        other = pipeline.predict(record, resin=resin, finer=False)
        return doses_of(other.dose, across, other.quality, planned)

    tried, between = [times * job.resin.absorption_per_mm for times in TIMES], 1.5 * job.resin.absorption_per_mm
    found, truth = [doses_at(times) for times in TIMES], doses_at(1.5)
    for dose in (lambda d: d.core, lambda d: d.at(0.0), lambda d: d.at(-0.5)):
        value = bounds_between(np.array(tried), [dose(d) for d in found], np.array([between]))[0]
        assert value == pytest.approx(dose(truth), rel=0.01)  # it is within 0.2 %
        assert dose(truth) != pytest.approx(dose(found[1]), rel=0.05)  # and not what the job's absorption gives


def test_the_absorption_that_leaves_a_centre_liquid_is_where_the_axis_gets_too_little(record):
    """On the axis the dose is proportional to a exp(-a R) (Beer-Lambert), whatever the patterns: so `predict` has "
    "it."""
    job, n, k = job_of(record), record.part.grid.shape[0] // 2, record.part.grid.shape[2] // 2
    axis = record.prediction.dose[n - 1 : n + 1, n - 1 : n + 1, k].mean()
    found = absorption_for(0.6, job.resin.absorption_per_mm, record.vial_radius_mm)
    other = pipeline.predict(record, resin=absorbing(job.resin, found), finer=False).dose
    assert float(other[n - 1 : n + 1, n - 1 : n + 1, k].mean() / axis) == pytest.approx(0.6, rel=0.01)


def test_the_core_is_inside_and_near_the_axis(record):
    across, voxel = Across.of(record.part), record.part.grid.voxel_mm
    x, y = (record.part.grid.centres_mm(axis).numpy() for axis in (0, 1))
    radius = torch.tensor(x[:, None] ** 2 + y[None, :] ** 2).sqrt()
    core = torch.from_numpy(across.core)
    assert bool((record.part.judged[..., across.block] == SOLID)[core].all())
    assert float(radius[core.any(2)].max()) <= math.sqrt(0.1) * 2.0 + voxel  # a tenth of the disc's area, at 2 mm


def test_without_surroundings_prints_are_still_held_against_each_other(record):
    """There is no threshold to read, but too little at a longer exposure contradicts too much at a shorter one."""
    judged = torch.where(record.part.judged == SOLID, record.part.judged, torch.full_like(record.part.judged, IGNORED))
    alone = replace(record, part=replace(record.part, judged=judged))
    nothing, solid = (CameOut("nothing"),), (CameOut("all solid"),)
    assert after_print(alone, [Vial(5.0, nothing)]).next.factor == pytest.approx(1.5)
    assert after_print(alone, [Vial(5.0, nothing), Vial(6.0, (CameOut("mirrored"),))]).next is None  # at any exposure
    assert after_print(alone, [Vial(6.0, (CameOut("sank"),)), Vial(5.0, nothing)]).next is not None
    found = after_print(alone, [Vial(5.0, solid), Vial(9.0, nothing)])
    assert found.contradiction
    assert found.next is None
    assert found.threshold is None


def test_in_a_resin_whose_doses_change_with_time_only_the_order_of_exposures_contradicts(record, monkeypatch):
    """Too thin by the same at 1.6 times the exposure asks for another threshold, which such a resin may have."""
    planned = record.patterns.exposure_s
    vials = [Vial(planned, (CameOut("thin", 0.1, 0.005),)), Vial(1.6 * planned, (CameOut("thin", 0.1, 0.005),))]
    assert after_print(record, vials, absorption=False).contradiction
    monkeypatch.setattr("lightlathe.flow.after_print.is_steady", lambda *_: False)
    assert not after_print(record, vials, absorption=False).contradiction
    assert after_print(record, [*vials, Vial(planned / 2, (CameOut("fat"),))], absorption=False).contradiction
