"""Plain values for JSON."""

import math
from collections.abc import Mapping
from typing import Any


def finite(values: Mapping[str, Any]) -> dict[str, Any]:
    """The values, with None for NaN and infinity, which JSON does not know."""
    return {name: None if isinstance(v, float) and not math.isfinite(v) else v for name, v in values.items()}
