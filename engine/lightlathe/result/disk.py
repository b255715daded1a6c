"""A file that HDF5 writes to through Python, so that a full disk is an error and not the end of the program.

HDF5 does not survive a failed write: it keeps what it could not write, tries again on closing, and crashes with a
segmentation fault (HDF5 2.0, a limit on the size of files). So errors are hidden from it, and `finish` raises the
first one.
"""

import io
import os
from pathlib import Path

SMALL = 1 << 20  # bytes; HDF5 reads back its own records, never values, and its records are smaller


class Disk(io.RawIOBase):
    """A new file for `h5py.File(disk, "w")`; `finish` raises the first error met.

    After an error small pieces go to memory, where HDF5 may read them back; large ones are dropped.
    """

    def __init__(self, path: Path) -> None:
        self.raw = open(path, "w+b", buffering=0)  # noqa: SIM115
        self.problem: OSError | None = None
        self.at = 0
        self.kept: list[tuple[int, bytes]] = []

    def readable(self) -> bool:
        return True

    def writable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        end = max([os.fstat(self.raw.fileno()).st_size, *(at + len(piece) for at, piece in self.kept)])
        self.at = offset + {os.SEEK_SET: 0, os.SEEK_CUR: self.at, os.SEEK_END: end}[whence]
        return self.at

    def tell(self) -> int:
        return self.at

    def write(self, values) -> int:  # pyright: ignore[reportIncompatibleMethodOverride]
        values = memoryview(values).cast("B")
        if self.problem is None:
            try:
                done = 0
                while done < len(values):  # a system writes as much as it has room for, 2 GB at most
                    done += os.pwrite(self.raw.fileno(), values[done:], self.at + done)
            except OSError as problem:
                self.problem = problem
        if self.problem is not None and len(values) <= SMALL:
            self.kept.append((self.at, bytes(values)))
        self.at += len(values)
        return len(values)

    def readinto(self, into) -> int:  # pyright: ignore[reportIncompatibleMethodOverride]
        into = memoryview(into).cast("B")
        found = os.pread(self.raw.fileno(), len(into), self.at)
        into[:] = found + bytes(len(into) - len(found))
        for at, piece in self.kept:
            low, high = max(at, self.at), min(at + len(piece), self.at + len(into))
            if low < high:
                into[low - self.at : high - self.at] = piece[low - at : high - at]
        self.at += len(into)
        return len(into)

    def truncate(self, size: int | None = None) -> int:
        size = self.at if size is None else size
        if self.problem is None:
            try:
                os.ftruncate(self.raw.fileno(), size)
            except OSError as problem:
                self.problem = problem
        return size

    def finish(self) -> None:
        """See that all of it is on the disk; OSError of the first thing that went wrong."""
        if self.problem is not None:
            raise self.problem
        os.fsync(self.raw.fileno())

    def close(self) -> None:
        self.raw.close()
        super().close()
