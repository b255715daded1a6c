"""Checks of an HDF5 file for damage on which the library itself hangs or crashes (HDF5 2.0 and before).

Texts of varied length lie in global heaps, lists of objects that carry no checksum. HDF5 reads such a list object by
object, and where one of free space says that it has no bytes, it reads that one for ever; so it does where the size of
one is so large that its own sum of 64 bits turns over. And an attribute whose type has turned into a list of varied
length ends the program with a segmentation fault.

Source: HDF5 File Format Specification 3.0, III.E "Disk Format: Level 1E - Global Heap".
"""

import math
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

BEGINS = b"GCOL\x01\0\0\0"  # signature, version, reserved; then the size of the whole, 8 bytes as in all files of today
OBJECT = struct.Struct("<HHxxxxQ")  # number (0: free space), uses, size
LONGEST = 10_000  # values of an attribute; those of this project hold 3
BLOCK = 1 << 20  # bytes looked through at once


def require_sound_heaps(path: Path) -> None:
    """ValueError where a global heap of the file would make HDF5 hang. Takes 0.7 s a GB."""
    with path.open("rb") as file:
        for heap in list(_places(file)):
            file.seek(heap + len(BEGINS))
            size = int.from_bytes(file.read(8), "little")
            if heap + size > path.stat().st_size:
                continue  # HDF5 refuses it itself
            file.seek(heap)
            _require_end(file.read(size), heap)


def attribute(item: Any, name: str) -> Any:
    """An attribute of an open file, group or dataset, as h5py gives it. ValueError unless it is of numbers or texts;
    KeyError where there is none of that name."""
    from h5py import h5t  # loaded only where there is such a file

    kind = item.attrs.get_id(name)
    if kind.get_type().get_class() not in (h5t.INTEGER, h5t.FLOAT, h5t.STRING, h5t.ENUM):
        raise ValueError(f"attribute {name} of {item.name.strip('/') or 'the file'} is neither numbers nor texts")
    if math.prod(kind.shape or ()) > LONGEST:
        raise ValueError(
            f"attribute {name} of {item.name.strip('/') or 'the file'} holds {math.prod(kind.shape)} values"
        )
    return item.attrs[name]


def _places(file: BinaryIO) -> Iterator[int]:
    before, rest = 0, b""
    while block := file.read(BLOCK):
        data = rest + block
        at = data.find(BEGINS)
        while at >= 0:
            yield before + at
            at = data.find(BEGINS, at + 1)
        rest = data[1 - len(BEGINS) :]
        before += len(data) - len(rest)


def _require_end(heap: bytes, where: int) -> None:
    at = len(BEGINS) + 8
    while at + OBJECT.size <= len(heap):
        number, _, size = OBJECT.unpack_from(heap, at)
        needed = OBJECT.size + (size + 7) // 8 * 8 if number else size
        if needed == 0 or at + needed > len(heap):
            raise ValueError(f"its list of texts at byte {where} has no end")
        at += needed
