"""Early stopping of a design."""

from typing import Protocol


class Stop(Protocol):
    def reason(self, row: dict[str, float]) -> str | None:
        """Why to stop now, in words, or None. `row` holds the figures of one logged iteration, as /log of a result."""
        ...
