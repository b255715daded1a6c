"""The runs of a study, as values."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


def key_of(job: str, variant: Mapping[str, Any], repeat: int) -> str:
    """What tells a run from the others of its study."""
    return json.dumps([job, variant, repeat], sort_keys=True, default=str)


@dataclass(frozen=True)
class Run:
    """One design of a study.

    job        name of its job
    variant    what was varied: dotted job keys and their plain values
    repeat     0 from the start of the job, else from that start disturbed at random with this seed
    settings   every setting after defaults
    figures    plain numbers by name, as in the result file, and some of the log's (see study/run.py)
    log        one list per column, one value per logged iteration
    facts      what ran where and when, why it stopped; `failed`, the error in words, of a design that gave nothing
    """

    job: str
    variant: dict[str, Any]
    repeat: int
    settings: dict[str, Any]
    figures: dict[str, float]
    log: dict[str, list[float]]
    facts: dict[str, Any] = field(default_factory=dict)

    @property
    def key(self) -> str:
        return key_of(self.job, self.variant, self.repeat)

    @property
    def failed(self) -> bool:
        return "failed" in self.facts


@dataclass(frozen=True)
class Study:
    """Runs in the order they were made; `plan` is what asked for them, the fields of plan.py's Plan as JSON."""

    name: str
    plan: str
    runs: tuple[Run, ...] = ()

    @property
    def rank_by(self) -> str:
        return json.loads(self.plan)["rank_by"]

    @property
    def metrics(self) -> tuple[str, ...]:
        """Figures that the plan asks for beside the usual ones; none in files from before they could be asked for."""
        return tuple(json.loads(self.plan).get("metrics", ()))
