"""The bound of a whole print: where it binds, and what would help."""

import math
from pathlib import Path

import pytest
import torch

from lightlathe import pipeline
from lightlathe.errors import SolveError
from lightlathe.flow import certificate
from lightlathe.flow.certificate import Certificate, certificate_of, wall_bounds
from lightlathe.flow.formulation import problem_of, start_of
from lightlathe.flow.prepare import prepare
from lightlathe.flow.remedies import Remedy, closer, remedies_of
from lightlathe.flow.slice_doses import SliceDoses
from lightlathe.job import parse_job
from lightlathe.quantities import Target
from lightlathe.report.advice import advice, unproven, window_words
from lightlathe.report.exposure import exposure_lines


def proven(text, folder, iterations=60):
    setup = prepare(parse_job(text, name="test", folder=folder))
    problem = problem_of(setup)
    dose = setup.turning.scaled(problem.operator.gain)(start_of(setup, problem))
    return setup, certificate_of(setup, SliceDoses.held(dose, setup.part.judged), iterations=iterations)


def test_a_disc_is_held_back_at_its_rim(small_job, tmp_path):
    """A disc of 2 mm radius: dose falls off outward, so the rim and what lies just beyond it decide."""
    _, proof = proven(small_job(), tmp_path)
    assert 1.4 < math.hypot(*proof.part_mm) <= 2.0
    assert 2.0 < math.hypot(*proof.surroundings_mm) < 2.6
    assert abs(proof.slice_z_mm) <= 0.5  # the part is 1 mm high
    figures = proof.figures()
    assert figures["window_binding_part_x_mm"] == proof.part_mm[0]
    assert figures["window_proven_at_most"] == proof.upper_bound >= proof.reached


def test_too_dark_a_resin_is_said_to_be_unprintable_and_what_would_help(small_job, tmp_path):
    """mu R = 4, disc of 0.4 R: the closed form 1 - a c^2 cosh(a) / (2 sinh(a c)) is -2.7; at mu R = 2 it is 0.32."""
    setup, proof = proven(small_job(absorption=0.8), tmp_path)
    assert proof.upper_bound < 0
    remedies = remedies_of(setup, proof)
    assert remedies[0].words == "half the absorption"
    assert 0.1 < remedies[0].reached <= remedies[0].upper_bound
    assert next(r for r in remedies if r.words == "as it is").upper_bound < -1
    said = advice(proof, remedies, 60)
    assert said.startswith("Proven: no patterns whatever print this part in this resin and vial, in 60 images a turn.")
    assert "iterations" not in said  # they cannot help
    assert f"at z = {proof.slice_z_mm:.2f} mm" in said
    assert said.index("half the absorption") < said.index("as it is")  # best first


def test_what_is_proven_of_one_slice_holds_for_the_whole():
    proof = Certificate(-0.1, 0.5, 0.0, (0.0, 0.0), (1.0, 0.0))
    as_it_is, half = Remedy("as it is", -0.1, 0.14), Remedy("half the absorption", 0.1, 0.05)
    assert closer(proof, [half, as_it_is])[0].upper_bound == 0.14
    assert closer(proof, [half])[0].upper_bound == 0.5  # of another resin


def test_what_is_proven_twice_of_one_slice_is_said_once():
    """The looser of the two bounds of the slice as it is gives way; those of other resins stay."""
    proof, half = Certificate(-3.0, -0.38, 0.0, (0.0, 0.0), (1.0, 0.0)), Remedy("half the absorption", 0.1, 0.5)
    tight, (as_it_is, other) = closer(proof, [Remedy("as it is", -2.0, 0.21), half])
    assert tight.upper_bound == as_it_is.upper_bound == -0.38
    assert other is half


def test_light_along_the_wall_proves_something(small_job, tmp_path):
    """In a dark resin; nothing where no resin lies along the wall."""
    setup, proof = proven(small_job(absorption=0.45), tmp_path, iterations=1)
    target, middle = setup.part.target(setup.device), torch.tensor([setup.part.grid.shape[2] // 2])
    (limit,) = wall_bounds(setup, target, middle).tolist()
    assert proof.upper_bound <= limit < 0.5
    inside = setup.part.grid.inside(setup.job.vial.radius_mm - 3 * setup.part.grid.voxel_mm)[:, :, None]
    (nothing,) = wall_bounds(setup, Target(target.solid, target.liquid & inside), middle).tolist()
    assert nothing == 1


def test_no_design_reaches_more_than_is_proven_where_pixels_are_finer_than_voxels(small_job, tmp_path):
    """Rays between the voxels' centres along the wall cost a design nothing: the proof is of the same voxels. (An
    earlier proof by the closed form, for resin everywhere, said less than was reached.)"""
    text = small_job(absorption=0.6, iterations=40).replace("pixel_mm = 0.25", "pixel_mm = 0.0625")
    text = text.replace("columns = 40\nrows = 20", "columns = 160\nrows = 80").replace("angles = 60", "angles = 180")
    text = text.replace('sense = "clockwise"', 'sense = "clockwise"\nmotion = "stepped"')
    q = pipeline.design(parse_job(text, name="t", folder=tmp_path)).quality
    assert q["window_gap"] >= -0.002  # rounded levels


def designed(small_job, absorption, more=""):
    """A resin of 0.8 / mm is too dark for any design; one of 0.1 / mm is not."""
    text = small_job(absorption=absorption, iterations=5) + more
    text = text.replace("[light]", "doses_known_to_percent = 3\n[light]")
    return pipeline.design(parse_job(text, name="t", folder=Path()))


@pytest.fixture(scope="module")
def dark(small_job):
    return designed(small_job, 0.8)


@pytest.fixture(scope="module")
def clear(small_job):
    return designed(small_job, 0.1)


def test_a_design_without_a_window_names_no_best_exposure(dark, clear):
    said = "\n".join(exposure_lines(dark))
    assert "no exposure prints every voxel" in said
    assert "best exposure" not in said
    assert "best exposure lies between" in "\n".join(exposure_lines(clear))


def test_a_design_that_fails_says_what_would_help(dark, clear, small_job):
    """With a proof that excludes every design no iterations are asked for; without one the advice is general."""
    warnings = dark.warnings
    assert sum("half the absorption" in text for text in warnings) == 1
    assert sum("Proven: no patterns whatever" in text for text in warnings) == 1
    assert not any("terations" in text for text in warnings)
    warnings = designed(small_job, 0.8, "bound_iterations = 0\n").warnings
    assert sum("More iterations" in text for text in warnings) == 1
    assert sum("terations" in text for text in warnings) == 1
    assert not any("absorption" in text for text in clear.warnings)


def test_a_design_is_kept_where_nothing_can_be_certified(small_job, tmp_path, monkeypatch, caplog):
    def less(*_, **__):
        raise SolveError("the transpose takes weights of 0 or more below 0")

    monkeypatch.setattr(certificate, "certify", less)  # of the quick bound
    record = pipeline.design(parse_job(small_job(iterations=5), name="t", folder=tmp_path))
    assert "window_proven_at_most" not in record.quality
    assert "no bound on the window: the transpose takes weights" in caplog.text


def test_too_few_angles_are_told(small_job, tmp_path):
    """Gains of 0.029 and 0.16, measured: above the 0.01 by which a start disturbed at random moves a window."""
    setup, proof = proven(small_job().replace("angles = 60", 'angles = 6\nmotion = "stepped"'), tmp_path)
    remedies = {r.words: r for r in remedies_of(setup, proof)}
    as_it_is, more, band = (
        remedies[w] for w in ("as it is", "twice the angles", next(w for w in remedies if "mm" in w))
    )
    assert more.reached > as_it_is.reached + 0.015
    assert band.reached > as_it_is.reached + 0.05
    assert all(r.reached <= r.upper_bound for r in remedies.values())


def test_doses_do_not_matter_for_the_truth_of_the_proof(small_job, tmp_path):
    """From any dose the search ends at a bound that holds; better doses only lead it to a tighter one."""
    setup, proof = proven(small_job(), tmp_path)
    noise = torch.rand(setup.operator.dose_shape, generator=torch.Generator().manual_seed(2))
    wild = certificate_of(setup, SliceDoses.held(noise, setup.part.judged), iterations=10)
    reached = next(r for r in remedies_of(setup, proof) if r.words == "as it is").reached
    assert reached <= proof.upper_bound
    assert reached <= wild.upper_bound


def test_what_may_help_hangs_on_what_is_known():
    """No proof: the general advice. A window lost in rounding: more bits. Not ruled out: more iterations."""
    assert unproven(math.nan, 8).startswith("More iterations")
    assert unproven(0.1, 8).endswith("a window of 10 %: more bits, or levels that are dimmed less, keep it.")
    one = unproven(0.1, 1)  # the warning on bits asks for more already, and one bit is never dimmed
    assert one == "Before its levels were rounded to 1 bit this light had a window of 10 %."
    open_ = advice(Certificate(-0.1, 0.045, 0.0, (0.0, 0.0), (1.0, 0.0)), [Remedy("as it is", -math.inf, 0.045)], 60)
    assert "the bound does not rule out a window of 4.5 % on these voxels: more iterations may find one" in open_
    assert "as it is far below 0 (at most 4 %)" in open_
    assert window_words(math.nan) == "no light in part of it"
