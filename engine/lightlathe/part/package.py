"""A 3MF package as an archive: its parts in a bounded stream. Nothing is written to disk, no name leaves the archive.

Source: ECMA-376 part 2 (Open Packaging Conventions), annex C: parts are stored or deflated, none is encrypted, and no
two names differ in case only.
"""

import io
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager

from lightlathe.errors import MeshError, shown
from lightlathe.part.limits import HARMLESS, MAX_PARTS, MAX_RATIO, MAX_UNPACKED

CHUNK = 1 << 16
ENCRYPTED = 0x1  # flag bit of a zip entry


class Package:
    """The parts of one archive by name, with or without the leading slash, upper and lower case alike."""

    def __init__(self, name: str, data: bytes) -> None:
        self.name = name
        self.unpacked = 0
        entries = data.count(b"PK\x01\x02")  # before the directory is read: each entry of it takes memory
        if entries > MAX_PARTS:
            raise MeshError(f"{name} holds {entries} files; a 3MF package is read up to {MAX_PARTS}.")
        with self._said("the archive"):
            self.archive = zipfile.ZipFile(io.BytesIO(data))
            self.entries: dict[str, list[zipfile.ZipInfo]] = {}
            for info in self.archive.infolist():
                self.entries.setdefault(info.filename.lstrip("/").lower(), []).append(info)

    def stream(self, part: str) -> Iterator[bytes]:
        """The bytes of one part, piece by piece. Raises MeshError at the limits, and where the part is damaged."""
        found = self.entries.get(part.lstrip("/").lower(), [])
        where = shown(part)
        if len(found) != 1:
            what = "which it does not hold" if not found else f"which it holds {len(found)} times"
            raise MeshError(f"{self.name} names the part {where}, {what}. Is the file damaged or cut off?")
        (info,) = found
        if info.flag_bits & ENCRYPTED:
            raise MeshError(f"{self.name}: {where} is encrypted; expected a 3MF without a password.")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise MeshError(
                f"{self.name}: {where} is packed by method {info.compress_type}; 3MF packages are stored (0) or "
                "deflated (8)."
            )
        with self._said(where):
            file = self.archive.open(info)
        size = 0
        while True:
            with self._said(where):
                piece = file.read(CHUNK)
            if not piece:
                return
            size += len(piece)
            self.unpacked += len(piece)
            if self.unpacked > MAX_UNPACKED:
                raise MeshError(
                    f"{self.name} unpacks to more than {MAX_UNPACKED / 1e9:g} GB of XML; more is not read. Export a "
                    "coarser mesh, or binary STL."
                )
            if size > max(HARMLESS, MAX_RATIO * info.compress_size):
                raise MeshError(
                    f"{self.name}: {where} unpacks to more than {MAX_RATIO} times its {info.compress_size} bytes; "
                    "no mesh does. Is it a zip bomb?"
                )
            yield piece

    @contextmanager
    def _said(self, what: str) -> Iterator[None]:
        try:
            yield
        except MemoryError:
            raise
        except Exception as error:  # zipfile and zlib raise whatever they meet
            raise MeshError(
                f"{self.name} cannot be read as 3MF: {what}: {type(error).__name__}: {shown(str(error))}. Is the file "
                "damaged or cut off?"
            ) from error
