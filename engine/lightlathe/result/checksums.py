"""SHA-256 checksums over a file's whole content, so that corrupted data is never used.

Every dataset has the attribute `sha256_of_pieces`: its bytes (values in C order, low byte first; of a text, its UTF-8)
are taken in pieces of 4 MiB, so that threads share the work, and this is the SHA-256 of the pieces' SHA-256s, one after
the other in 32 bytes each. In files of format versions 1 and 2 it is `sha256`, of all the bytes at once. The text
/checksums is a JSON table, path -> SHA-256 of the object's attributes and, for a dataset, its type and shape (`about`).
The file's attribute `checksums_sha256` is the SHA-256 of that text, so this one number stands for the whole content.
Chunks and packing, which h5repack changes, enter none of them.
"""

import hashlib
import json
import sys
from collections.abc import Iterator
from typing import Any

import h5py
import numpy as np

from lightlathe.quantities import Packed
from lightlathe.result.tree import Node, outline, values_of
from lightlathe.support.threads import in_threads

TABLE, SEAL, CONTENT, WHOLE = "checksums", "checksums_sha256", "sha256_of_pieces", "sha256"
PIECE = 1 << 22  # bytes
LARGE = 1 << 28  # bytes of an array in another order than C that is not copied whole


def content(values: Any) -> str:
    """The checksum of an array or a text, CONTENT of its dataset."""
    if isinstance(values, Packed):
        return _sha256(b"".join(in_threads(_digest, _in_order(values, values.chunk[0]))))
    if isinstance(values, np.ndarray) and values.nbytes > LARGE and not values.flags.c_contiguous:
        layers = max(1, PIECE * len(values) // values.nbytes)
        return _sha256(b"".join(in_threads(_digest, _in_order(values, layers))))
    octets = _octets(values)
    pieces = (octets[first : first + PIECE] for first in range(0, len(octets), PIECE))
    if len(octets) <= PIECE:
        return _sha256(b"".join(map(_digest, pieces)))
    return _sha256(b"".join(in_threads(_digest, pieces)))


def _in_order(values: Packed | np.ndarray, layers: int) -> Iterator[np.ndarray]:
    """The octets of an array in C order, in pieces; some layers of it are put in order, or unpacked, at a time."""
    left = np.empty(0, np.uint8)
    for start in range(0, values.shape[0], layers):
        left = np.concatenate([left, _octets(values[start : start + layers])])
        ready = len(left) - len(left) % PIECE
        yield from (left[first : first + PIECE] for first in range(0, ready, PIECE))
        left = left[ready:].copy()
    if len(left):
        yield left


def _octets(values: Any) -> Any:
    if isinstance(values, str):
        return values.encode()
    values = np.ascontiguousarray(values)
    if sys.byteorder == "big" and values.dtype.itemsize > 1:
        values = values.byteswap()
    return values.reshape(-1).view(np.uint8)


def _digest(octets: Any) -> bytes:
    return hashlib.sha256(octets).digest()


def _sha256(octets: Any) -> str:
    return hashlib.sha256(octets).hexdigest()


def about(node: Node) -> str:
    """SHA-256 of an object's attributes, type and shape, as JSON with sorted names."""
    known = {"attributes": {k: v for k, v in node.attrs.items() if k != SEAL}}
    if node.dtype:
        known |= {"dtype": node.dtype, "shape": node.shape}
    return _sha256(json.dumps(known, sort_keys=True).encode())


def seal(file: Any) -> None:
    """Add the checksums to an otherwise complete file."""
    root = outline(file)
    for node in root.everything():
        if node.dtype and CONTENT not in node.attrs:
            node.attrs[CONTENT] = file[node.path].attrs[CONTENT] = content(values_of(file, node))
    table = json.dumps({node.path or "/": about(node) for node in root.everything()}, indent=0)
    file.create_dataset(TABLE, data=table, dtype=h5py.string_dtype()).attrs.update({"units": "1", "dims": []})
    file.attrs[SEAL] = _sha256(table.encode())


def read_checked(file: Any) -> Node:
    """The content of an open file. ValueError where it differs from what was written, or is not a file of ours.

    Files from earlier versions have no checksums; only their structure is checked.
    """
    root = outline(file)
    marked = [node.path for node in root.everything() if CONTENT in node.attrs or WHOLE in node.attrs]
    sealed = SEAL in root.attrs or TABLE in root.children or bool(marked)
    if sealed:
        _require_sealed(file, root)
    for node in root.everything():
        if not node.dtype:
            continue
        node.value = values_of(file, node)
        if sealed and not _as_stated(node):
            raise ValueError(f"the values of {node.path} are not those that were written (SHA-256 differs)")
    return root


def _as_stated(node: Node) -> bool:
    """Whether the values of a dataset have the checksum that it was written with, in the form of its version."""
    if CONTENT not in node.attrs:
        value = node.value.numpy() if isinstance(node.value, Packed) else node.value
        return _sha256(_octets(value)) == node.attrs[WHOLE]
    return content(node.value) == node.attrs[CONTENT]


def _require_sealed(file: Any, root: Node) -> None:
    """ValueError unless every object is there with the attributes, type and shape that it was written with."""
    table = root.children.pop(TABLE, None)
    text = "" if table is None or not table.dtype else values_of(file, table)
    if SEAL not in root.attrs or not isinstance(text, str) or _sha256(text.encode()) != root.attrs[SEAL]:
        raise ValueError("its checksums are damaged or gone")
    stated = json.loads(text)
    here = {node.path or "/": node for node in root.everything()}
    for path in stated:
        if path not in here:
            raise KeyError(f"there is no {path}")
    for path, node in here.items():
        if path not in stated:
            raise ValueError(f"{path} was not in it when it was written")
        if about(node) != stated[path]:
            raise ValueError(f"attributes, type or shape of {path} are not those that were written (SHA-256 differs)")
