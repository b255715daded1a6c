"""Solvers, starts and stop rules of the user's own, tried on a linear map of 18 voxels that has optics too."""

import math
from typing import Any

import torch
from torch import Tensor

from lightlathe.errors import JobError
from lightlathe.families.linear_map import LinearMap
from lightlathe.quantities import Chords, Grid, Optics, Target
from lightlathe.solve.metrics import NAMES
from lightlathe.solve.problem import Problem
from lightlathe.support.own import OwnMember

SHAPE, VOXELS, LIMIT = (4, 3, 2), (3, 3, 2), 10.0


class _Small(LinearMap):
    """Every pattern lights every voxel, some more."""

    def __init__(self, gain: float = 1.0) -> None:
        self.device, self.dtype, self.gain = torch.device("cpu"), torch.float32, gain
        self.pattern_shape, self.dose_shape = SHAPE, VOXELS
        self.grid = Grid(VOXELS, 1.0)
        offset = torch.tensor([-1.0, 0.0, 1.0], dtype=torch.float64)
        angle = torch.arange(4, dtype=torch.float64) * (math.pi / 2)
        self.optics = Optics(Chords(angle, offset, torch.zeros(3).double(), torch.ones(3).double(), 2, 1.0), 2.0, 0.1)
        drawn = torch.rand(18, 24, generator=torch.Generator().manual_seed(0))
        self._matrix = gain * drawn / drawn.sum(1, keepdim=True)

    def __call__(self, patterns: Tensor) -> Tensor:
        return (self._matrix @ patterns.reshape(24)).reshape(VOXELS)

    def transpose(self, dose: Tensor) -> Tensor:
        return (self._matrix.T @ dose.reshape(18)).reshape(SHAPE)

    def scaled(self, gain: float) -> "_Small":
        return _Small(gain)


def _small_problem() -> Problem:
    solid = torch.zeros(VOXELS, dtype=torch.bool)
    solid[1] = True

    def loss(dose: Tensor, target: Target) -> Tensor:
        return ((dose - 1).square() * target.solid + dose.square() * target.liquid).sum()

    return Problem(_Small(), loss, Target(solid=solid, liquid=~solid), limit=LIMIT)


class OwnStart(OwnMember):
    """A start from a user's file: a function of a Problem that gives patterns."""

    family, trial = "start", "on a problem of 18 voxels"

    def __call__(self, problem: Problem) -> Tensor:
        return self._patterns(self.load(), problem)

    def try_out(self, found: Any) -> None:
        """Raise JobError unless `found` gives patterns of 0 or more."""
        self._patterns(found, _small_problem())

    def _patterns(self, found: Any, problem: Problem) -> Tensor:
        patterns, operator = self.guarded(found)(problem), problem.operator
        require_light(self.where, "gives", patterns, operator)
        return patterns


class OwnSolver(OwnMember):
    """A solver from a user's file: see Solver in solve/design.py."""

    family, method, trial = "solver", "begin", "for three iterations on a problem of 18 voxels"

    def try_out(self, found: Any) -> None:
        """Raise JobError unless three steps give patterns within the limit of the light."""
        for name in ("begin", "advance", "restage"):
            if not callable(getattr(found, name, None)):
                raise JobError(f"{self.where}: has no {name}(...); expected begin, advance and restage.")
        problem = _small_problem()
        state = self._state(found.begin(torch.ones(SHAPE), problem), problem, "begin")
        for _ in range(3):
            own = getattr(found, "loss_for", None)
            loss = problem.loss if own is None else own(state, problem.loss)
            at = problem.evaluate(state["trial"], loss)
            state = self._state(found.advance(state, at, problem), problem, "advance")
        self._state(found.restage(state), problem, "restage")

    def _state(self, state: Any, problem: Problem, given_by: str) -> dict[str, Tensor]:
        if not isinstance(state, dict) or not all(isinstance(v, Tensor) for v in state.values()):
            raise JobError(f"{self.where}: {given_by} gives {type(state).__name__}; expected a flat dict of tensors.")
        if "trial" not in state:
            raise JobError(f"{self.where}: {given_by} gives no 'trial'; expected the patterns to evaluate next.")
        require_light(self.where, f"{given_by} gives a trial that is", state["trial"], problem.operator, problem.limit)
        return state


class OwnStop(OwnMember):
    """A stop rule from a user's file: a function of an iteration's figures that gives a reason or None."""

    family, method, trial = "stop", "reason", "on the figures of an iteration"

    def try_out(self, found: Any) -> None:
        """Raise JobError unless `found` gives words or None."""
        row = dict.fromkeys(("iteration", "loss", *NAMES, "seconds", "memory_bytes", "best_iteration"), 0.0)
        said = self.guarded(found.reason)(row)
        if not isinstance(said, str | None):
            raise JobError(f"{self.where}: gives {said!r}; expected why to stop, in words, or None.")


def require_light(where: str, said: str, x: Any, operator: LinearMap, limit: float = math.inf) -> None:
    """JobError unless x is patterns of the operator with levels of 0 to `limit`."""
    if not isinstance(x, Tensor) or tuple(x.shape) != tuple(operator.pattern_shape) or x.dtype != operator.dtype:
        got = f"{x.dtype} {tuple(x.shape)}" if isinstance(x, Tensor) else type(x).__name__
        raise JobError(f"{where}: {said} {got}; expected {operator.dtype} {tuple(operator.pattern_shape)}.")
    low, high = float(x.amin()), float(x.amax())
    if not (0 <= low <= high <= limit * (1 + 1e-5)):  # NaN too
        most = "0 or more, finite" if math.isinf(limit) else f"0 to {limit:g}"
        raise JobError(f"{where}: {said} light of {low:g} to {high:g}; expected levels of {most}.")
