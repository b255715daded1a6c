"""Settings of [design] that change what is solved: penalties, stop rules, scenarios, earlier starts, the bound."""

import dataclasses
import math

import numpy as np
import pytest

from lightlathe import pipeline
from lightlathe.errors import JobError
from lightlathe.flow import one_stage, prepare
from lightlathe.flow.counting import voxels
from lightlathe.flow.formulation import problem_of, start_of
from lightlathe.job import parse_job
from lightlathe.report.summary import _proven
from lightlathe.result import write_result
from lightlathe.solve import BoundedLBFGS, solve


def designed(text, folder, more=""):
    return pipeline.design(parse_job(text + more, name="test", folder=folder))


def test_the_bound_stands_above_what_is_reached_and_below_the_closed_form(small_job, tmp_path):
    """A disc of c = 0.4 R at mu R = 0.5: no design passes 1 - a c^2 cosh(a) / (2 sinh(a c)) = 0.777, a closed form."""
    q = designed(small_job(), tmp_path).quality
    assert q["window_relative"] - 0.01 <= q["window_proven_at_most"]  # 8-bit levels move a window by less than this
    assert q["window_proven_at_most"] <= 0.80  # 0.777, and the voxels' disc is up to half a voxel smaller
    for limit in (0.3, 1.5):  # levels held below what the gel dose would take: the lamp shines longer instead
        held = designed(small_job(), tmp_path, f"level_limit = {limit}\n").quality
        assert held["window_gap"] == held["window_proven_at_most"] - held["window_relative"]
        assert held["window_gap"] >= -0.01  # 8-bit levels, as above
        assert held["light_at_level_limit"] > 0.3
    assert q["window_gap"] >= 0
    assert q["light_at_level_limit"] < 0.05
    assert "window_gap" not in designed(small_job(), tmp_path, "bound_iterations = 0\n").quality


@pytest.mark.parametrize(("gap", "held", "said"), [(0.14, 0.11, True), (0.14, 0.01, False), (0.05, 0.11, False)])
def test_a_limit_on_levels_that_costs_window_is_named(gap, held, said):
    """An embossed text: 14 % of gap and 11 % of the light at the limit; a limit of 40 for 10 left 4 % of gap."""
    q = {"window_proven_at_most": 0.42, "window_binding_slice_z_mm": 0.0, "window_gap": gap}
    text = "\n".join(_proven(q | {"light_at_level_limit": held}))
    assert ("11 % of the light comes from pixels at level_limit" in text) is said
    assert "level_limit" not in "\n".join(_proven(q))  # a result of before this figure


def test_designing_for_scenarios_widens_the_worst_case(small_job, tmp_path):
    """Absorption off by 20 %, an axis off by 0.1 mm: the worst case gains, the plain case pays.

    0.01 is what levels of 8 bits may move a window by: the gain is more than that, and a price may be hidden by it.
    """
    more = "bound_iterations = 0\nrobust = { absorption_percent = [-20, 20], axis_offset_mm = [-0.1, 0.1] }\n"
    q = designed(small_job(iterations=40), tmp_path, more).quality
    assert q["window_all_scenarios_robust"] > q["window_all_scenarios_plain"] + 0.01
    assert q["window_no_scenario_robust"] <= q["window_no_scenario_plain"] + 0.01


def test_stop_rules_and_penalties(small_job, tmp_path):
    more = "bound_iterations = 0\nstop = { wrong_voxels = 0 }\n"
    stopped = designed(small_job(), tmp_path, more)
    assert len(stopped.log["iteration"]) < 30
    assert "wrong voxels" in stopped.facts["stopped_because"]
    plain = designed(small_job(), tmp_path, "bound_iterations = 0\n")
    calm = designed(
        small_job(),
        tmp_path,
        'bound_iterations = 0\npenalties = [{ kind = "roughness", columns = 0.2, angles = 0.2 }]\n',
    )

    def steps(record):
        levels = record.patterns.fractions()
        return float(levels.diff(dim=1).square().mean() / levels.square().mean())

    assert steps(calm) < 0.8 * steps(plain)


def test_a_design_starts_from_an_earlier_one(small_job, tmp_path):
    """On another resin the earlier levels begin with a wider window than the filtered start, by more than chance.

    A start disturbed at random moves windows by 0.01 (README, "For researchers").
    """
    write_result(designed(small_job(), tmp_path, "bound_iterations = 0\n"), tmp_path / "earlier.h5")
    more = 'bound_iterations = 0\nloss = "gap_hinge"\nsolver = "free_set_ramp"\n'
    other = small_job(absorption=0.12, iterations=2)
    cold = designed(other, tmp_path, more)
    warm = designed(other, tmp_path, more + 'start = { kind = "earlier", result = "earlier.h5" }\n')
    assert warm.log["window_relative"][0] > cold.log["window_relative"][0] + 0.05


def test_a_loss_of_the_users_own(small_job, tmp_path):
    (tmp_path / "mine.py").write_text(
        "import torch\n"
        "def shortfall(dose, target):\n"
        "    return (torch.relu(1.05 - dose) * target.solid + torch.relu(dose - 0.9) * target.liquid).square().mean()\n"
    )
    more = 'bound_iterations = 0\nsolver = "free_set_ramp"\nloss = "mine.py:shortfall"\n'
    record = designed(small_job(), tmp_path, more)
    assert record.quality["wrong_voxels"] == 0
    assert record.settings["design"]["loss"] == "mine.py:shortfall"
    with pytest.raises(JobError, match="there is no file"):
        designed(small_job(), tmp_path, 'loss = "none.py:loss"\n')


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("stop = { windows = 0.1 }\n", ["[design.stop]", "windows", "window"]),
        ("robust = { absorption_percent = [] }\n", ["[design.robust]", "empty list"]),
        ('penalties = [{ kind = "rough" }]\n', ["[design.penalties]", "rough", "roughness"]),
        ("bound_iterations = -1\n", ["bound_iterations is -1"]),
    ],
)
def test_mistakes_in_them_are_named(small_job, tmp_path, more, words):
    with pytest.raises(JobError) as caught:
        designed(small_job(), tmp_path, more)
    for word in words:
        assert word in str(caught.value)


def test_a_design_that_is_done_stays_done(small_job, tmp_path):
    """Once the hinge is 0 everywhere, to rounding, hundreds of further steps change nothing and stay finite."""
    more = 'bound_iterations = 0\nloss = "gap_hinge"\nsolver = "free_set_ramp"\n'
    record = designed(small_job(iterations=300), tmp_path, more)
    assert record.log["loss"][-1] < 1e-12  # 0 on one processor, 1e-18 on another
    assert record.quality["wrong_voxels"] == 0


def test_a_ladder_starts_the_job_from_a_coarse_design(small_job, tmp_path, monkeypatch):
    """The light found on voxels twice as large goes over unchanged: it leaves the part the same mean dose."""
    rung = "ladder = [{ coarser = 2, iterations = 20 }]\n"
    job = parse_job(
        small_job(iterations=4) + 'solver = "bounded_lbfgs"\nbound_iterations = 0\n' + rung,
        name="test",
        folder=tmp_path,
    )
    setup = pipeline.prepare(job)
    problem = problem_of(setup)
    real, starts = one_stage.solve, []
    monkeypatch.setattr(one_stage, "solve", lambda p, s, start, **how: starts.append(start) or real(p, s, start, **how))
    assert pipeline.design(job, setup=setup).facts["coarse_seconds"] > 0  # by construction
    assert len(starts) == 2
    light = starts[1]
    coarse = setup.part.grid.coarser(2)
    assert coarse.shape[0] == math.ceil(setup.part.grid.shape[0] / 2)
    part = voxels(job, setup.solids, coarse, setup.device)
    mean = setup.operator.on(coarse)(light)[part.target().solid].mean()
    assert setup.operator(light)[problem.target.solid].mean() == pytest.approx(float(mean), rel=0.1)  # edges differ
    on_coarse = problem_of(dataclasses.replace(setup, part=part, in_design=setup.in_design.on(coarse)))
    dose = on_coarse.operator(light * (problem.operator.gain / on_coarse.operator.gain))
    assert dose[on_coarse.target.solid].min() > dose[on_coarse.target.liquid].max()  # what was designed there prints
    assert designed(small_job(iterations=4), tmp_path, "bound_iterations = 0\n").facts["coarse_seconds"] == 0
    with pytest.raises(JobError, match=r"coarser is 0\.5; expected how many times larger"):
        designed(small_job(), tmp_path, "ladder = [{ coarser = 0.5, iterations = 20 }]\n")


GRADED = """
[[part]]
shape = { kind = "cylinder", radius_mm = 2.0, height_mm = 1.0 }
wanted_dose = 1.2

[[part]]
shape = { kind = "cylinder", radius_mm = 0.8, height_mm = 1.0 }
wanted_dose = 1.5
"""


def test_a_graded_part_gets_its_doses(small_job, tmp_path):
    """A core that wants 1.5 gel doses in a rim that wants 1.2: each gets its own, in mJ/cm3, after quantising."""
    text = small_job(iterations=60).split("[vial]", 1)[1]
    more = 'bound_iterations = 0\nloss = { kind = "dose_corridor", tolerance = 0.05 }\n'
    record = designed(GRADED + "[vial]" + text, tmp_path, more)
    dose, radius = record.prediction.dose / 42, record.part.grid.radius_mm()  # 42 is the middle of 40 and 44 mJ/cm3
    part = record.part.coverage > 0.99
    core, rim = (dose[part & where[:, :, None]] for where in (radius < 0.5, (radius > 1.1) & (radius < 1.8)))
    assert core.mean() == pytest.approx(1.5, abs=0.06)  # the corridor's half width, and 0.01 for levels
    assert rim.mean() == pytest.approx(1.2, abs=0.06)
    assert record.quality["wanted_dose_rms"] < 0.1
    with pytest.raises(JobError, match="expected one of the two"):
        designed(GRADED + "[vial]" + text, tmp_path, more + "rounding_iterations = 5\n")
    with pytest.raises(JobError, match="takes a loss that aims at doses"):
        designed(GRADED + "[vial]" + text, tmp_path)


def test_a_band_in_voxels_is_a_band_in_mm(small_job, tmp_path):
    by_voxels = pipeline.prepare(parse_job(small_job() + "tolerance_voxels = 1\n", name="t", folder=tmp_path)).part
    by_mm = pipeline.prepare(parse_job(small_job() + "tolerance_mm = 0.25\n", name="t", folder=tmp_path)).part
    none = pipeline.prepare(parse_job(small_job(), name="t", folder=tmp_path)).part
    assert (by_voxels.judged == by_mm.judged).all()
    assert (by_voxels.judged != none.judged).any()
    with pytest.raises(JobError, match="both given"):
        designed(small_job(), tmp_path, "tolerance_mm = 0.1\ntolerance_voxels = 1\n")


@pytest.mark.parametrize("loss", ["squared_error", "logistic", "gap_hinge"])
def test_a_part_that_counts_more_gets_more_dose(small_job, tmp_path, loss):
    """Where a print cannot be right (too dark a resin), the weight moves mistakes from the part to its surroundings."""
    doses = []
    for weight in (1, 20):
        text = small_job(absorption=1.2) + f'loss = "{loss}"\npart_weight = {weight}\n'
        setup = pipeline.prepare(parse_job(text, name="t", folder=tmp_path))
        problem = problem_of(setup)
        outcome = solve(problem, BoundedLBFGS(), start_of(setup, problem), iterations=20)
        doses.append(problem.operator(outcome.last)[problem.target.solid].mean())
    assert doses[1] > 1.25 * doses[0]  # least of the three losses: 1.7 times


def test_a_graded_part_keeps_the_design_of_least_error(small_job, tmp_path):
    """squared_error may cost voxels while doses come nearer to those wanted: the last designs count, not the first."""
    text = small_job(iterations=60).split("[vial]", 1)[1]
    record = designed(GRADED + "[vial]" + text, tmp_path, 'bound_iterations = 0\nloss = "squared_error"\n')
    assert record.log["best_iteration"][-1] == np.argmin(record.log["loss"])
    far = any("from the dose it wants" in said for said in record.warnings)
    assert far == (record.quality["wanted_dose_90"] > 0.15)
    with pytest.raises(JobError, match="above 1"):
        designed(GRADED.replace("1.5", "0.5") + "[vial]" + text, tmp_path)


def test_the_plain_case_is_always_among_the_scenarios(small_job, tmp_path):
    more = "robust = { absorption_percent = [-20, 20] }\n"
    setup = pipeline.prepare(parse_job(small_job() + more, name="t", folder=tmp_path))
    assert setup.scenarios[0] == (setup.operator, 1.0)
    assert len(setup.scenarios) == 3
    with_zero = dataclasses.replace(setup.job.design.robust, absorption_percent=(-20.0, 0.0, 20.0))
    job = dataclasses.replace(setup.job, design=dataclasses.replace(setup.job.design, robust=with_zero))
    assert len(dataclasses.replace(setup, job=job).scenarios) == 3


def test_the_operators_of_the_scenarios_are_made_once(small_job, tmp_path, monkeypatch):
    """Exposure trials and rounding ask for the worst case again and again; a part on another grid has its own."""
    made, plain = [], prepare.DoseOperator

    def counted(*a, **k):
        made.append(1)
        return plain(*a, **k)

    monkeypatch.setattr(prepare, "DoseOperator", counted)
    more = "bound_iterations = 0\nrobust = { axis_offset_mm = [-0.1, 0, 0.1], dose_percent = [-5, 0, 5] }\n"
    designed(small_job(iterations=3), tmp_path, more)
    assert len(made) == 3  # the plain one and two that are off


def test_scenarios_that_no_print_survives_end_in_figures_not_in_a_crash(small_job, tmp_path):
    more = "bound_iterations = 0\nrobust = { axis_offset_mm = [0, 8] }\n"
    assert designed(small_job(iterations=2), tmp_path, more).quality["window_all_scenarios_robust"] < 0


@pytest.mark.parametrize("bits", [4, 5, 6])
@pytest.mark.parametrize(
    "scenarios", ["axis_offset_mm = [-0.3, 0.3], dose_percent = [-5, 5]", "absorption_percent = [-20, 20]"]
)
def test_rounding_never_narrows_the_window_over_all_scenarios(small_job, tmp_path, bits, scenarios):
    """It looks at the plain case: what it chooses counts only if the worst case gains as well."""
    text = small_job(iterations=25).replace("irradiance_mw_cm2 = 20", f"irradiance_mw_cm2 = 20\nbits = {bits}")
    plans = []
    for rounding in ("rounding_iterations = 0\n", ""):
        more = f"bound_iterations = 0\nrobust = {{ {scenarios} }}\n{rounding}"
        plans.append(pipeline.design(parse_job(text + more, name="t", folder=tmp_path)).quality)
    nearest, chosen = plans
    # over all scenarios; 1e-9 for the rounding of the products that are compared
    ratios = [q["high_mj_cm3"] / q["low_mj_cm3"] for q in (chosen, nearest)]
    assert ratios[0] >= ratios[1] * (1 - 1e-9)  # by construction
    inside = [q["shortest_s"] <= q["exposure_s"] <= q["longest_s"] for q in plans]
    assert inside[1] or not inside[0]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("part_weight = 1e300", "part_weight is 1e\\+300"),
        ("stop = { stall = 0 }", "stall is 0"),
        ("stop = { wrong_voxels = -1 }", "wrong_voxels is -1"),
        ("robust = { absorption_percent = [1e6] }", "absorption_percent"),
        ("ladder = [{ coarser = 2, iterations = 2 }, { coarser = 3, iterations = 2 }]", "the coarsest first"),
        ('loss = { kind = "soft_window", sharpest = 1e6 }', "sharpest <= 1e5"),
        ('loss = { kind = "soft_window", sharpest = 1e30 }', "sharpest is 1e\\+30"),
    ],
)
def test_settings_that_make_no_sense_are_refused(small_job, tmp_path, more, said):
    with pytest.raises(JobError, match=said):
        designed(small_job(iterations=2), tmp_path, more + "\n")
