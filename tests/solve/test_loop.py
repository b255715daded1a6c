"""The loop: what it logs, when it stops, that it resumes bit for bit, and that bounds hold at every trial."""

import gc
import math

import numpy as np
import pytest
import torch

from flat_problems import dense, make
from lightlathe.errors import JobError, SolveError
from lightlathe.families.linear_map import LinearMap
from lightlathe.losses import GapHinge, SoftWindow, SquaredError
from lightlathe.quantities import Target
from lightlathe.solve import SOLVERS, BoundedLBFGS, Filtered, FreeSetRamp, Problem, StopRule, Uniform, solve


def copied(state):
    return {k: copied(v) if isinstance(v, dict) else v.clone() if torch.is_tensor(v) else v for k, v in state.items()}


LOSSES = {"plain": GapHinge(), "staged": SoftWindow(10, 100, stages=3)}


@pytest.mark.parametrize(  # slices designed on their own take a loss with a value for each
    ("name", "loss"),
    [(name, loss) for name in SOLVERS for loss in LOSSES if (name, loss) != ("slicewise_lbfgs", "plain")],
)
def test_a_run_stopped_and_resumed_equals_one_left_alone(hook, name, loss):
    problem, solver = Problem(hook.operator, LOSSES[loss], hook.target), SOLVERS[name]()
    whole = solve(problem, solver, Filtered(), iterations=24)
    for stop_at in (1, 7, 20):
        half = solve(
            problem,
            solver,
            Filtered(),
            iterations=24,
            on_iteration=lambda row, at=stop_at: "interrupted" if row["iteration"] + 1 == at else None,
        )
        assert half.stopped_because == "interrupted"
        assert half.state["iteration"] == stop_at
        rest = solve(problem, solver, Filtered(), iterations=24, state=copied(half.state))
        assert torch.equal(rest.last, whole.last)
        assert torch.equal(rest.patterns, whole.patterns)
        assert half.log["loss"] + rest.log["loss"] == whole.log["loss"]


def test_a_step_may_be_done_again_from_its_state(hook):
    """An interrupt in the middle of a step leaves the state of the step before, whose memory may be half rewritten."""
    problem = Problem(hook.operator, GapHinge(), hook.target)
    solver = BoundedLBFGS(memory=3)
    whole = solve(problem, solver, Filtered(), iterations=12)
    half = solve(
        problem, solver, Filtered(), iterations=12, on_iteration=lambda r: "stop" if r["iteration"] == 7 else None
    )
    at = problem.evaluate(half.state["solver"]["trial"], problem.loss)
    solver.advance(half.state["solver"], at, problem)  # lost, but for what it wrote into the memory in place
    rest = solve(problem, solver, Filtered(), iterations=12, state=half.state)
    assert torch.equal(rest.last, whole.last)


def test_how_many_pairs():
    with pytest.raises(JobError, match="memory is 11; expected 1 to 10 pairs"):
        BoundedLBFGS(memory=11)
    with pytest.raises(JobError, match="memory is 0; expected 1 to 10 pairs"):
        BoundedLBFGS(memory=0)


@pytest.mark.parametrize("name", SOLVERS)
@pytest.mark.parametrize("limit", [0.8, 3.0])
def test_levels_stay_between_dark_and_the_limit(hook, name, limit):
    problem = Problem(hook.operator, SoftWindow(), hook.target, limit=limit)
    seen = []
    solve(problem, SOLVERS[name](), Uniform(), iterations=20, checkpoint=lambda s: seen.append(s["solver"]["trial"]))
    assert len(seen) == 20
    for trial in seen:
        assert float(trial.min()) >= 0  # by construction
        assert float(trial.max()) <= limit  # by construction
    if limit < 1:
        assert float(seen[-1].max()) == limit  # the part asks for more light than there is


@pytest.mark.parametrize("name", SOLVERS)
def test_every_solver_improves_the_design(hook, name):
    problem = Problem(hook.operator, SoftWindow(), hook.target)
    outcome = solve(problem, SOLVERS[name](), Uniform(), iterations=60)
    window = np.array(outcome.log["window_relative"])
    assert window[0] < 0
    assert window.max() > 0.1  # this shape allows 0.30 (test_against_programs_outside.py)


def test_the_log_says_what_a_count_by_hand_says(hook, hinge_problem):
    outcome = solve(hinge_problem, FreeSetRamp(), Uniform(), iterations=3)
    dose = hook.operator(outcome.last).numpy()
    solid, liquid = hook.target.solid.numpy(), hook.target.liquid.numpy()
    cured = dose >= 1
    assert outcome.log["under_cure_fraction"][-1] == pytest.approx((solid & ~cured).sum() / solid.sum())
    assert outcome.log["over_cure_fraction"][-1] == pytest.approx((liquid & cured).sum() / liquid.sum())
    assert outcome.log["iou"][-1] == pytest.approx((solid & cured).sum() / (solid | (liquid & cured)).sum())
    assert outcome.log["window_relative"][-1] == pytest.approx(1 - dose[liquid].max() / dose[solid].min())
    assert outcome.log["iteration"] == [0, 1, 2]
    assert outcome.log["seconds"] == sorted(outcome.log["seconds"])
    assert min(outcome.log["memory_bytes"]) > 0
    assert {len(values) for values in outcome.log.values()} == {3}


def test_logging_less_often_changes_nothing_else(hinge_problem):
    often = solve(hinge_problem, FreeSetRamp(), Filtered(), iterations=11)
    seldom = solve(hinge_problem, FreeSetRamp(), Filtered(), iterations=11, log_every=4)
    assert seldom.log["iteration"] == [0, 4, 8, 10]
    assert torch.equal(often.patterns, seldom.patterns)
    assert torch.equal(often.last, seldom.last)


def test_the_best_design_is_given_not_the_last(hook, hinge_problem):
    """Least squares spoils a design that has no wrong voxels: its optimum has some."""
    good = solve(hinge_problem, FreeSetRamp(), Filtered(), iterations=20).patterns
    outcome = solve(Problem(hook.operator, SquaredError(), hook.target), FreeSetRamp(), good, iterations=30)
    wrong = np.array(outcome.log["under_cure_fraction"]) + np.array(outcome.log["over_cure_fraction"])
    assert wrong[0] == 0
    assert wrong[-1] > 0
    dose = hook.operator(outcome.patterns)
    assert not bool(((dose < 1) & hook.target.solid | (dose >= 1) & hook.target.liquid).any())


@pytest.mark.parametrize(
    ("stop", "says"),
    [
        (StopRule(window=0.05), "process window"),
        (StopRule(wrong_voxels=0), "wrong voxels"),
        (StopRule(seconds=1e-6), "1e-06 s spent"),
        (StopRule(stall=5), "no better design in 5 iterations"),
    ],
)
def test_stop_rules(hinge_problem, stop, says):
    outcome = solve(hinge_problem, FreeSetRamp(), Filtered(), iterations=200, stop=stop)
    assert says in outcome.stopped_because
    assert len(outcome.log["loss"]) < 200


def test_a_run_without_a_rule_does_all_its_iterations(hinge_problem):
    outcome = solve(hinge_problem, FreeSetRamp(), Filtered(), iterations=9)
    assert outcome.stopped_because == "all iterations done"
    assert outcome.state["iteration"] == 9


class TurnsSour:
    """A loss that is not a number from its fifth call on."""

    def __init__(self):
        self.calls = 0

    def __call__(self, dose, target):
        self.calls += 1
        value = GapHinge()(dose, target)
        return value * math.nan if self.calls > 5 else value


@pytest.mark.parametrize("log_every", [1, 4])
def test_a_loss_that_is_not_a_number_ends_the_run_and_keeps_the_design(hook, log_every):
    problem = Problem(hook.operator, TurnsSour(), hook.target)
    with pytest.raises(SolveError, match="became NaN or infinite at step 5") as caught:
        solve(problem, FreeSetRamp(), Filtered(), iterations=20, log_every=log_every)
    kept = caught.value.outcome.patterns
    assert bool(kept.isfinite().all())
    assert float(kept.max()) > 0


def test_a_loss_without_the_dose_is_refused(hook):
    problem = Problem(hook.operator, lambda dose, target: torch.tensor(1.0), hook.target)
    with pytest.raises(SolveError, match="does not depend on the dose"):
        solve(problem, FreeSetRamp(), Uniform(), iterations=1)


class Enough(Exception):
    pass


class OnCard(LinearMap):
    """A whole matrix on the card, in float32, that ends the run after some products."""

    device, dtype = torch.device("cuda"), torch.float32

    def __init__(self, operator, products=10**6):
        self.pattern_shape, self.dose_shape, self.gain = operator.pattern_shape, operator.dose_shape, operator.gain
        self.matrix = torch.tensor(dense(operator), dtype=torch.float32, device="cuda")
        self.left = products

    def __call__(self, patterns):
        self.left -= 1
        if self.left < 0:
            raise Enough
        return (self.matrix @ patterns.flatten()).reshape(self.dose_shape)

    def transpose(self, dose):
        return (self.matrix.T @ dose.flatten()).reshape(self.pattern_shape)


@pytest.mark.card
@pytest.mark.filterwarnings("ignore:Synchronization debug mode")  # torch says that it may miss some waits
@pytest.mark.parametrize("name", SOLVERS)
def test_an_iteration_does_not_wait_for_the_device(name):
    case = make("hook")
    operator = OnCard(case.operator)  # the reference kernel waits; the kernels for cards have tests of their own
    target = Target(case.target.solid.cuda(), case.target.liquid.cuda())
    state = solve(
        Problem(operator, SoftWindow(), target),
        SOLVERS[name](),
        Filtered(),
        iterations=20,
        on_iteration=lambda row: "begun",  # kernels are loaded now
    ).state
    problem = Problem(OnCard(case.operator, products=10), SoftWindow(), target)
    torch.cuda.set_sync_debug_mode("error")  # whatever waits for the device raises RuntimeError
    try:
        with pytest.raises(Enough):
            solve(problem, SOLVERS[name](), Filtered(), iterations=20, log_every=10**6, state=state)
    finally:
        torch.cuda.set_sync_debug_mode("default")


def test_memory_stays_flat():
    """200 steps may not leave a single tensor behind, once the loop is under way."""
    small = make("disc", voxels=8, angles=6)
    problem, living = Problem(small.operator, SoftWindow(), small.target), []

    def count(row):
        if row["iteration"] % 20 == 0:
            gc.collect()
            living.append(sum(issubclass(type(thing), torch.Tensor) for thing in gc.get_objects()))

    solve(problem, BoundedLBFGS(memory=3), Filtered(), iterations=240, on_iteration=count)
    assert max(living[2:]) == min(living[2:])


def test_a_response_stands_between_the_dose_and_the_loss(hook):
    """A resin that answers by the square of its dose: the gradient by the chain rule, and figures of what it makes."""
    problem = Problem(hook.operator, SoftWindow(), hook.target, response=torch.square)
    patterns = torch.rand(hook.operator.pattern_shape, dtype=torch.float64, generator=torch.Generator().manual_seed(0))
    at = problem.evaluate(patterns, problem.loss)
    leaf = patterns.clone().requires_grad_()
    value = problem.loss(hook.operator(leaf).square(), hook.target)
    assert float(at.value) == pytest.approx(float(value.detach()), rel=1e-12)
    torch.testing.assert_close(at.gradient, torch.autograd.grad(value, leaf)[0])
    plain = solve(
        Problem(hook.operator, SoftWindow(), hook.target), SOLVERS["bounded_lbfgs"](), Filtered(), iterations=30
    )
    squared = solve(problem, SOLVERS["bounded_lbfgs"](), Filtered(), iterations=30)
    seen = hook.operator(squared.patterns).square()
    window = 1 - float(seen[hook.target.liquid].max() / seen[hook.target.solid].min())
    assert max(squared.log["window_relative"]) == pytest.approx(window)
    assert window > max(plain.log["window_relative"])  # squares stand further apart
