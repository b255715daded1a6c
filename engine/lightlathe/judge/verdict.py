"""The check's verdict, from all its reasons."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

from lightlathe.support.plain import finite

Level = Literal["will work", "marginal", "does not fit this machine", "cannot work"]
LEVELS: tuple[Level, ...] = ("will work", "marginal", "does not fit this machine", "cannot work")
STOPS: tuple[Level, ...] = ("does not fit this machine", "cannot work")  # nothing is designed unless asked for
# 1 and 2 are errors of the program and of its use
EXIT_CODES = {"will work": 0, "marginal": 3, "cannot work": 4, "does not fit this machine": 5}
TOLD = ("light", "effort", "insert")  # how long it takes, and what an insert takes of the part, is told in any case
BRIEFLY = "light, resin and heat can injure, and figures are computed, not measured: without --brief all of it"
MARKS = {"will work": "ok", "marginal": "watch", "does not fit this machine": "too big", "cannot work": "stop"}


@dataclass(frozen=True)
class Reason:
    """The answer to one question of the check.

    topic    a short name that stays the same: absorption, threshold, field, ...
    level    the verdict from this question alone
    text     a sentence for the user
    number, limit, unit    what was found and what it is held against; None where there is no such number
    change   the change that helps most; empty where nothing needs changing
    known    False where the job lacks the number to judge by; such a reason does not worsen the verdict
    """

    topic: str
    level: Level
    text: str
    number: float | None = None
    limit: float | None = None
    unit: str = ""
    change: str = ""
    known: bool = True


@dataclass(frozen=True)
class Verdict:
    """What `check` says. `level` is the worst of the reasons': what cannot work is worse than what a larger machine
    could do."""

    reasons: tuple[Reason, ...]
    cautions: tuple[str, ...]
    assumptions: tuple[str, ...] = ()

    @property
    def level(self) -> Level:
        return LEVELS[max(LEVELS.index(r.level) for r in self.reasons)]

    @property
    def exit_code(self) -> int:
        """0 will work, 3 marginal, 4 cannot work, 5 does not fit this machine."""
        return EXIT_CODES[self.level]

    def of(self, topic: str) -> Sequence[Reason]:
        return [r for r in self.reasons if r.topic == topic]

    def text(self, *, brief: bool = False) -> str:
        """The verdict first, then the reasons, worst first, then what is taken for granted, then the cautions.

        What helps against several is told once. What lacks a number is not told of a print that cannot work.

        brief   of what is in order the topics alone, no assumptions, and the cautions in a line
        """
        open_ = ", ".join(r.topic for r in self.reasons if not r.known)
        also = f" (not judged, a number is missing: {open_})" if open_ and self.level not in STOPS else ""
        lines = [f"verdict: {self.level}{also}"]
        fine = [r.topic for r in self.reasons if brief and r.known and r.level == "will work" and r.topic not in TOLD]
        told = [r for r in self.reasons if r.topic not in fine and (r.known or self.level != "cannot work")]
        helped: dict[str, str] = {}
        for r in sorted(told, key=lambda r: -LEVELS.index(r.level)):
            lines.append(f"  {MARKS[r.level] if r.known else '?':8}{r.topic}: {r.text}")
            if r.change and r.level != "will work":
                same = helped.setdefault(r.change, r.topic)
                helps = r.change if same == r.topic else f"what helps with {same}, above."
                lines.append(f"          helps most: {helps}")
        lines += [f"  ok      {', '.join(fine)}"] if fine else []
        lines += [] if brief else [f"  assumed {text}" for text in self.assumptions]
        cautions = (BRIEFLY,) if brief and self.cautions else self.cautions
        return "\n".join([*lines, *(f"  caution {text}" for text in cautions)])

    def as_json(self) -> dict[str, Any]:
        """Plain values; None where a number is undefined or infinite."""
        return {
            "verdict": self.level,
            "exit_code": self.exit_code,
            "reasons": [finite(asdict(r)) for r in self.reasons],
            "assumptions": list(self.assumptions),
            "cautions": list(self.cautions),
        }
