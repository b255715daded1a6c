"""One dataset of a result, with its units and the names of its axes."""

from typing import Any

import numpy as np

from lightlathe.quantities import Packed
from lightlathe.result.checksums import CONTENT, content
from lightlathe.result.chunks import written, written_packed


def put(
    group: Any,
    name: str,
    values: Any,
    units: str,
    dims: tuple[str, ...],
    *,
    pays: float = 0.9,
    sha256: str | None = None,
    **attrs: Any,
) -> None:
    """One dataset with its units, the names of its axes and its checksum.

    pays     see `written`
    sha256   `content(values)`, where it is known
    """
    if isinstance(values, Packed):
        data = written_packed(group, name, values)
    else:
        values = np.asarray(values, order="C")
        data = written(group, name, values, pays)
    data.attrs.update({"units": units, "dims": list(dims), CONTENT: sha256 or content(values), **attrs})
