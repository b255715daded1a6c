"""Settings of [design] that change what is solved: penalties, stop rules, scenarios, earlier starts, the bound."""

import pytest

from lightlathe import pipeline
from lightlathe.errors import JobError
from lightlathe.job import parse_job


def designed(text, folder, more=""):
    return pipeline.design(parse_job(text + more, name="test", folder=folder))


def test_the_bound_stands_above_what_is_reached_and_below_the_closed_form(small_job, tmp_path):
    """A disc of c = 0.4 R at mu R = 0.5: no design passes 1 - a c^2 cosh(a) / (2 sinh(a c)) = 0.777, a closed form."""
    q = designed(small_job(), tmp_path).quality
    assert q["window_relative"] - 0.01 <= q["window_proven_at_most"]  # 8-bit levels move a window by less than this
    assert q["window_proven_at_most_with_limit"] <= q["window_proven_at_most"] <= 0.80
    assert q["window_gap"] >= 0
    assert "window_gap" not in designed(small_job(), tmp_path, "bound_iterations = 0\n").quality


def test_designing_for_scenarios_widens_the_worst_case(small_job, tmp_path):
    """Absorption off by 20 %, an axis off by 0.1 mm: the worst case gains, the plain case pays."""
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
    """On another resin the earlier levels begin with a wider window than the filtered start."""
    designed(small_job(), tmp_path, "bound_iterations = 0\n").save(tmp_path / "earlier.h5")
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
    """Once the hinge is 0 everywhere, hundreds of further steps change nothing and stay finite."""
    more = 'bound_iterations = 0\nloss = "gap_hinge"\nsolver = "free_set_ramp"\n'
    record = designed(small_job(iterations=300), tmp_path, more)
    assert record.log["loss"][-1] == 0.0
    assert record.quality["wrong_voxels"] == 0
