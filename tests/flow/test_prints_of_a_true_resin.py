"""Prints of a resin whose true threshold the job does not know: told one after another, they find it.

A laboratory is simulated here, with nothing of the program's inference in it: the dose of the design at an exposure is
cut at the true threshold, and the words follow from counting voxels and measuring the middle slice with callipers. The
intervals must hold the truth after every print, shrink, and the advised exposures must reach a right print.
"""

import math

import numpy as np
import pytest

from lightlathe import pipeline
from lightlathe.flow.after_print import Vial, after_print, surface_of
from lightlathe.job import parse_job
from lightlathe.judge.seen import read_all
from lightlathe.quantities import LIQUID, SOLID

TRUE = np.geomspace(0.7, 1.4, 15)  # times the job's gel dose of 42
PARTS = {
    "disc": 'cylinder", radius_mm = 2.0',
    "tube": 'tube", outer_radius_mm = 2.0, inner_radius_mm = 0.75',
}


@pytest.fixture(scope="module", params=PARTS)
def record(request, small_job, tmp_path_factory):
    text = small_job(iterations=30) + "bound_iterations = 0\n"
    text = text.replace(PARTS["disc"], PARTS[request.param]).replace("voxel_mm = 0.25", "voxel_mm = 0.25\nfiner = 1")
    record = pipeline.design(parse_job(text, name="d", folder=tmp_path_factory.mktemp("d")))
    assert record.quality["window_relative"] > 0.1  # by construction of this job: some exposure is right
    return record


def width_mm(dose, threshold, voxel):
    """Callipers along x over the middle slice: the outermost places where the dose passes the threshold, linear between
    voxels."""
    along = dose[..., dose.shape[2] // 2].max(1)
    solid = np.flatnonzero(along >= threshold)
    first, last = solid[0], solid[-1]
    left = first - (along[first] - threshold) / (along[first] - along[first - 1])
    right = last + (along[last] - threshold) / (along[last] - along[last + 1])
    return (right - left) * voxel


def words_of(record, exposure_s, threshold, measured, wanted_mm=4.0):
    """What a person says of that print; a width to a hundredth of a millimetre where `measured`."""
    judged = record.part.judged.numpy()
    dose = record.prediction.dose.numpy().astype(float) * (exposure_s / record.patterns.exposure_s)
    solid, part, rest = dose >= threshold, judged == SOLID, judged == LIQUID
    if not (solid & part).any():
        return "nothing"
    if (solid & part).sum() == part.sum() and not (solid & rest).any():
        return "right"
    if (solid & rest).sum() > 0.5 * rest.sum():
        return "a solid block"
    too_much = bool((solid & rest).any())
    if measured and (solid & part).sum() > 0.8 * part.sum():  # else there is nothing to lay callipers to
        by = width_mm(dose, threshold, record.part.grid.voxel_mm) - wanted_mm
        if 0.02 <= abs(by) < 0.8 and (by > 0) == too_much:  # more is a limb that is gone, no size
            return f"too {'fat' if by > 0 else 'thin'} by {abs(by):.2f} mm"
    return "too fat" if too_much else "too thin"


@pytest.mark.parametrize("measured", [True, False])
def test_the_interval_holds_the_truth_and_the_advice_reaches_a_right_print(record, measured):
    surface, needed = surface_of(record), []
    for factor in TRUE:
        threshold, exposure, vials, width = 42.0 * factor, record.patterns.exposure_s, [], math.inf
        for _ in range(6):
            words = words_of(record, exposure, threshold, measured)
            vials.append(Vial(exposure, read_all(words)))
            found = after_print(record, vials, absorption=False, named=1, surface=surface)
            case = f"{factor:.3f}: {[vial.words for vial in vials]}"
            assert not found.contradiction, case
            assert found.threshold.low <= threshold <= found.threshold.high, case
            now = found.threshold.high - found.threshold.low
            assert now <= width or math.isinf(now), case
            width = now
            if words == "right":
                assert found.next.factor == 1.0
                break
            assert found.next is not None, case
            assert found.next.factor == pytest.approx(found.next.exposure_s / exposure)
            assert (found.next.factor > 1) == (vials[-1].way > 0), case
            exposure = found.next.exposure_s
        else:
            pytest.fail(f"not right after six prints: {case}")
        needed.append(len(vials))
    assert max(needed) <= 3
    assert sum(needed) / len(needed) < 2.5
