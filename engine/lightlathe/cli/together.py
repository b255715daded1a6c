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
    """Within, a connection that is lost to another process is an error of that one, in one line."""
    from lightlathe.support.ranks import ranks

    try:
        yield
    except RuntimeError as problem:
        said = str(problem)
        if ranks().size == 1 or not ("onnection" in said or "gloo" in said):
            raise
        raise LightlatheError(
            "another process of this run ended: what it said is the reason, or it was killed."
        ) from None
