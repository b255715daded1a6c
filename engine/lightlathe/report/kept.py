"""That prints are kept of a result, for its summary."""

import shlex
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from lightlathe.result.outcomes import Kept
from lightlathe.support.words import count


def kept_line(kept: Sequence[Kept], result: Path) -> list[str]:
    """A line of the summary; none where nothing is kept."""
    if not kept:
        return []
    return [f"  prints      {count(len(kept), 'print')} kept: lightlathe predict {shlex.quote(str(result))} --kept"]


def kept_json(kept: Sequence[Kept]) -> list[dict[str, Any]]:
    return [asdict(one) for one in kept]
