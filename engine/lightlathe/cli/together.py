"""What a command does when torchrun started several of it: the first tells the others whether there is work."""

import contextlib
from collections.abc import Iterator

from lightlathe.errors import LightlatheError


class ToldOthers:
    """Tells the other processes, once, whether there is something to do."""

    def __init__(self) -> None:
        self.told = False

    def __call__(self, go: bool) -> None:
        from lightlathe.support.ranks import ranks

        if not self.told:
            self.told = True
            ranks().told_by(0, go)


@contextlib.contextmanager
def ends_with_others() -> Iterator[None]:
    """Within, a lost connection is an error of another process, in one line."""
    try:
        yield
    except RuntimeError as problem:
        if "onnection" not in str(problem):
            raise
        raise LightlatheError("another process of this run ended; what it said is the reason.") from None
