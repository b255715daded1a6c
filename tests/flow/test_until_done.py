"""Designs that go on until they are done: why they end, slices that are left out, resumption."""

import dataclasses
import itertools

import pytest
import torch

from flat_problems import Mixing, make
from kept_states import design_with_states, same_design
from lightlathe import pipeline
from lightlathe.dose import DoseOperator
from lightlathe.flow import until_done
from lightlathe.flow.distinct import distinct
from lightlathe.flow.until_done import NothingWon, next_round, solve_until_done
from lightlathe.job import parse_job
from lightlathe.losses import GapHinge, SoftWindow
from lightlathe.quantities import Shadows, Target
from lightlathe.solve import Auto, BoundedLBFGS, Filtered, Problem, Scenarios, SlicewiseLBFGS, StopRule, narrowed, solve
from odd_jobs import disc

SHAPES = ("disc", "hook", "two_pins")


@pytest.fixture
def short(monkeypatch):
    """Rounds of few iterations."""
    for name, value in {"RAMP": 40, "ROUND": 20, "PLAIN": 20, "TOGETHER": 1}.items():
        monkeypatch.setattr(until_done, name, value)


def problem_of(shapes=SHAPES, voxels=24, angles=36):
    alone = [make(shape, voxels=voxels, angles=angles, dtype=torch.float32) for shape in shapes]
    whole = make("disc", voxels=voxels, angles=angles, dtype=torch.float32, slices=len(shapes))
    solid, liquid = (torch.cat([getattr(case.target, name) for case in alone], 2) for name in ("solid", "liquid"))
    return Problem(whole.raw.scaled(2.0 / angles), SoftWindow(), Target(solid, liquid))


def done(problem, solver=Auto(), **more):  # noqa: B008, frozen
    rows: list[dict[str, float]] = []
    given = {"stop": None, "state": None, "past": {}, "on_iteration": rows.append, **more}
    return solve_until_done(problem, solver, Filtered(), **given), rows


def test_a_design_ends_where_its_rounds_win_nothing(short, monkeypatch):
    monkeypatch.setattr(until_done, "GAP", -1.0)  # however close
    outcome, rows = done(problem_of())
    best = {int(row["iteration"]) + 1: row["best_window"] for row in rows}
    ends = [40 + 20 * n for n in range(100) if 40 + 20 * n <= max(best)]
    won = [best[after] - best[before] for before, after in itertools.pairwise(ends)]
    assert outcome.stopped_because.startswith("no more than 0.002 of window won")
    assert max(best) == ends[-1]
    assert won[-1] <= until_done.WON
    assert all(more > until_done.WON for more in won[:-1])


def test_a_design_ends_where_it_comes_close_to_its_bound(short, monkeypatch):
    monkeypatch.setattr(until_done, "GAP", 0.5)
    outcome, rows = done(problem_of())
    assert "within 0.5 of an estimated bound" in outcome.stopped_because
    assert len(rows) == 40


def test_a_part_that_no_light_prints_ends_with_the_ramp(short):
    """A ring so dark inside that the bound rules a window out."""
    case = make("disc", voxels=24, angles=36, dtype=torch.float32, absorption=6.0)
    problem = Problem(case.operator, SoftWindow(), case.target)
    outcome, rows = done(problem)
    assert outcome.stopped_because.startswith("an estimated bound (not proven) leaves no window")
    assert len(rows) == 40


def test_a_rule_of_the_job_ends_it_first(short):
    outcome, rows = done(problem_of(), stop=StopRule(stall=1))
    assert outcome.stopped_because == "no better design in 1 iterations"
    outcome, rows = done(problem_of(), stop=StopRule(seconds=1e-9))
    assert len(rows) == 1


def test_slices_that_are_done_change_nothing_for_the_others():
    """Bit for bit: the run of two slices of three, from the state of all, is that of all."""
    problem = problem_of()
    first = solve(problem, SlicewiseLBFGS(), Filtered(), iterations=30, ramp=30)
    state = {k: v.clone() if isinstance(v, torch.Tensor) else v for k, v in first.state.items()}
    state["solver"] = {k: v.clone() for k, v in first.state["solver"].items()}
    state["figures"] = {k: v.clone() for k, v in first.state["figures"].items()}
    lanes = torch.tensor([0, 2])
    few = narrowed(state, SlicewiseLBFGS(), lanes)
    whole = solve(problem, SlicewiseLBFGS(), Filtered(), iterations=50, ramp=30, state=first.state)
    part = solve(problem, SlicewiseLBFGS(), Filtered(), iterations=50, ramp=30, state=few)
    assert torch.equal(part.last, whole.last[:, :, lanes])
    assert torch.equal(part.state["quality"][lanes], whole.state["quality"][lanes])
    assert torch.equal(part.state["best"][:, :, lanes], whole.state["best"][:, :, lanes])
    assert torch.equal(part.state["best"][:, :, 1], state["best"][:, :, 1])


def test_only_slices_below_the_bound_go_on(short):
    """The window of the whole is that of its narrowest slice; none that is wider than its bound can matter."""
    problem = problem_of()
    first = solve(problem, SlicewiseLBFGS(), Filtered(), iterations=40)
    quality = torch.tensor([0.1, 0.5, 0.3], dtype=torch.float64)
    run = {**first.state, "quality": quality, "upper": torch.tensor(0.4), "narrowest": torch.tensor(-1.0)}
    reason, going = next_round(problem, SlicewiseLBFGS(), run)
    assert reason is None
    assert going["lanes"].tolist() == [0, 2]
    assert going["solver"]["trial"].shape[2] == 2


def test_stopped_and_resumed_is_the_same_design(small_job, tmp_path, short):
    text = small_job().replace("iterations = 30", 'iterations = "auto"\nbound_iterations = 0')
    job = parse_job(text, name="t", folder=tmp_path)
    assert job.design.iterations == "auto"
    whole, states = design_with_states(job, tmp_path, (1, 39, 40, 45, 60), lambda state, _: state["iteration"])
    for state in states.values():
        again = pipeline.design(job, resume=state)
        assert same_design(again, whole)
        assert again.facts["stopped_because"] == whole.facts["stopped_because"]


def test_slices_that_share_rows_are_designed_together_until_nothing_is_won(short):
    case = make("hook", voxels=24, angles=36, dtype=torch.float32, slices=2)
    problem = Problem(Mixing(case.operator), SoftWindow(), case.target)
    outcome, rows = done(problem)
    assert isinstance(Auto().for_problem(problem), BoundedLBFGS)
    assert outcome.stopped_because.startswith("no more than 0.002")
    last, before = rows[-1], rows[-1 - until_done.ROUND]
    assert last["best_window"] <= before["best_window"] + until_done.WON


def test_a_loss_without_values_of_slices_is_designed_as_a_whole(short):
    problem = dataclasses.replace(problem_of(), loss=GapHinge())
    assert isinstance(Auto().for_problem(problem), BoundedLBFGS)
    outcome, _ = done(problem)
    assert outcome.stopped_because.startswith("no more than 0.002")


def test_fewer_wrong_voxels_are_something_won():
    rule = NothingWon(1, {})
    rows = [{"iteration": n, "best_wrong": 200 - n, "best_window": 0.1, "loss": 1.0} for n in range(150)]
    assert not any(rule.reason(row) for row in rows)
    still = [{"iteration": 150 + n, "best_wrong": 51, "best_window": 0.1, "loss": 1.0} for n in range(101)]
    assert [n for n, row in enumerate(still) if rule.reason(row)] == [99, 100]


def test_a_graded_part_goes_on_while_its_loss_falls():
    """Whatever the window does, which it is not designed for."""
    rows = [{"iteration": n, "best_wrong": 3, "best_window": 0.1, "loss": 2 - min(n, 150) / 100} for n in range(300)]
    by_loss, by_window = NothingWon(1, {}, by_loss=True), NothingWon(1, {})
    assert next(n for n, row in enumerate(rows) if by_window.reason(row)) == 100
    assert next(n for n, row in enumerate(rows) if by_loss.reason(row)) == 250
    assert by_loss.reason(rows[-1]) == "the loss fell by no more than 1% in the last 100 iterations"


def test_no_bound_is_looked_for_behind_a_response(short):
    """It would be one of doses, and the windows are of what the response makes of them."""
    problem = dataclasses.replace(problem_of(), response=torch.square)
    outcome, _ = done(problem, SlicewiseLBFGS())
    assert outcome.stopped_because.startswith("no more than 0.002")


def test_equal_slices_are_designed_once_and_counted_as_often(short):
    """An extruded part: its figures are those of all its slices, its light the same in each."""
    problem = problem_of(("hook", "disc", "hook", "hook"))
    slices = distinct(problem, Auto())
    assert slices.first.tolist() == [0, 1]
    assert slices.which.tolist() == [0, 1, 0, 0]
    assert slices.rows.tolist() == [0, 1, 2, 3]
    assert slices.problem.target.repeats.tolist() == [3, 1]
    start = Filtered()(problem)
    once = solve(slices.problem, SlicewiseLBFGS(), slices.taken(start), iterations=30)
    each = solve(problem, SlicewiseLBFGS(), start, iterations=30)
    assert torch.equal(slices.spread(once.patterns), each.patterns)
    for name in ("iou", "under_cure_fraction", "over_cure_fraction", "window_relative", "best_window"):
        assert once.log.get(name) == each.log.get(name)


def test_equal_slices_under_unlike_light_are_two(short):
    """An insert casts its shadow in the second and the fourth of four equal slices: they are designed apart, and each
    as the whole problem designs it."""
    problem = problem_of(("disc", "disc", "disc", "disc"))
    operator = problem.operator
    grid, covered = operator.grid, torch.zeros(operator.grid.shape)
    middle = grid.shape[0] // 2
    covered[middle : middle + 2, middle + 6 : middle + 8, [1, 3]] = 1
    shadows = Shadows.of(covered, grid, operator.optics.vial_radius_mm)
    shaded = DoseOperator(dataclasses.replace(operator.optics, shadows=shadows), grid, gain=operator.gain)
    problem = dataclasses.replace(problem, operator=shaded)
    assert shaded.class_of_slice.tolist() == [-1, 0, -1, 0]
    slices = distinct(problem, Auto())
    assert slices.first.tolist() == [0, 1]
    assert slices.which.tolist() == [0, 1, 0, 1]
    assert slices.problem.operator.class_of_slice.tolist() == [-1, 0]
    two = Scenarios([(shaded, 1.0), (shaded.scaled(shaded.gain), 1.1)])
    assert two.class_of_slice.unique(return_inverse=True)[1].tolist() == [0, 1, 0, 1]
    assert Scenarios([(operator, 1.0)]).class_of_slice is None
    start = Filtered()(problem)
    once = solve(slices.problem, SlicewiseLBFGS(), slices.taken(start), iterations=20)
    each = solve(problem, SlicewiseLBFGS(), start, iterations=20)
    assert torch.equal(slices.spread(once.patterns), each.patterns)
    assert not torch.equal(each.patterns[..., 0], each.patterns[..., 1])


def test_slices_that_differ_in_one_voxel_are_two():
    problem = problem_of(("hook", "hook"))
    problem.target.solid[12, 3, 1] ^= True
    assert distinct(problem, Auto()).which.tolist() == [0, 1]
    assert distinct(problem_of(("hook", "hook")), BoundedLBFGS()).which is None  # which designs all as one


@pytest.mark.parametrize("rows", [4, 5, 6, 8])
def test_rows_beyond_the_slices_and_slices_without_part_stay_dark(rows):
    """Four slices, the middle two of which hold part, lit by a field of another height: where rows lie on slices each
    has a row to itself, and the light is that of a field of four rows; where they lie between, slices share rows."""
    case = make("hook", voxels=24, angles=36, dtype=torch.float32, slices=4)
    case.target.solid[..., [0, 3]] = False
    optics = case.operator.optics.replace(rows=rows)
    problem = Problem(DoseOperator(optics, case.grid, gain=case.operator.gain), SoftWindow(), case.target)
    slices = distinct(problem, Auto())
    if rows % 2:
        assert slices.problem is problem
        return
    skipped = (rows - 4) // 2
    assert slices.rows.tolist() == [skipped + 1, skipped + 2]
    assert slices.problem.operator.pattern_shape[2] == 1
    light = torch.rand(36, 24, 1, generator=torch.Generator().manual_seed(1))
    whole = slices.spread(light)
    assert whole.shape == (36, 24, rows)
    torch.testing.assert_close(problem.operator(whole)[..., 1:2], slices.problem.operator(light))
    assert float(problem.operator(whole)[..., [0, 3]].abs().max()) == 0
    assert torch.equal(slices.taken(whole), light)


def test_part_above_the_field_is_designed_as_a_whole():
    """Its slices have no rows: they stay dark, and the figures say so."""
    case = make("hook", voxels=24, angles=36, dtype=torch.float32, slices=4)
    optics = case.operator.optics.replace(rows=2)
    problem = Problem(DoseOperator(optics, case.grid, gain=case.operator.gain), SoftWindow(), case.target)
    assert distinct(problem, Auto()).problem is problem


def test_a_slice_that_is_all_part_reaches_its_optimum_and_the_others_go_on():
    """Its gradient falls to rounding errors, whose pairs would make any number."""
    problem = problem_of(("hook", "disc"))
    whole = problem.target.solid[..., 1] | problem.target.liquid[..., 1]
    problem.target.solid[..., 1], problem.target.liquid[..., 1] = whole, False
    outcome = solve(problem, SlicewiseLBFGS(), Filtered(), iterations=300)
    alone = solve(problem.of_slices(torch.tensor([0])), SlicewiseLBFGS(), Filtered()(problem)[..., :1], iterations=300)
    assert bool(outcome.patterns.isfinite().all())
    assert torch.equal(outcome.last[..., :1], alone.last)


def test_a_job_with_slices_of_nothing_but_part_designs_to_its_end(tmp_path):
    """A cylinder as wide as the vial; with the iterations that a job takes where it names none."""
    text = disc(("radius_mm = 2.0", "radius_mm = 5.0"), ("[grid]", "[grid]\nmargin_voxels = 0"))
    text = text.replace("iterations = 12", 'iterations = "auto"', 1)
    record = pipeline.design(parse_job(text, name="t", folder=tmp_path))
    assert record.quality["iou"] == 1
