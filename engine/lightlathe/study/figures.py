"""The figures of a study's run."""

import math

import numpy as np

from lightlathe.flow.coupled_certificate import certificate_for
from lightlathe.flow.prepare import Setup
from lightlathe.flow.slice_doses import SliceDoses
from lightlathe.quantities import unpacked_from
from lightlathe.result.record import Record
from lightlathe.support.sums import exact_total


def bound_of(setup: Setup, record: Record, iterations: int) -> dict[str, float]:
    """The certified upper bound of the window for this part, grid and light."""
    dose = unpacked_from(record.prediction.dose).to(setup.device) / setup.job.resin.gel_mj_cm3
    certificate = certificate_for(setup, SliceDoses.held(dose, unpacked_from(setup.part.judged)), iterations=iterations)
    return {} if certificate is None else bound_in(certificate.figures())


def bound_in(figures: dict[str, float]) -> dict[str, float]:
    return {k: v for k, v in figures.items() if k.startswith(("window_proven", "window_binding"))}


def figures_of(record: Record, log: dict[str, list[float]]) -> dict[str, float]:
    """The figures of the print, and of the way there."""
    right = np.asarray(log["best_wrong"]) == 0
    after = log["iteration"][int(np.argmax(right))] if right.any() else log["iteration"][-1]
    sound = right.any() or record.quality["wrong_voxels"] == 0  # the exposure may right what a threshold alone did not
    patterns = record.patterns
    mj = float(exact_total(patterns.fractions())) * (patterns.pixel_mm / 10) ** 2
    return {
        **record.quality,
        "seconds": log["seconds"][-1],
        "iterations": log["iteration"][-1] + 1,
        "iterations_to_none_wrong": 1 + after if sound else math.nan,
        "light_mj": mj * patterns.irradiance_mw_cm2 * patterns.dwell_s * patterns.turns,
    }
