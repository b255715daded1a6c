"""An HDF5 file as plain Python; each link, type and size is checked before the data is read.

Features that this project's files never use are refused, so that a foreign file can read nothing but itself: links to
other files or places, storage in other files, datasets put together from others, filters and types of no use here.
"""

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import h5py
import numpy as np
import torch
from h5py import h5d, h5l, h5o, h5z  # pyright: ignore[reportAttributeAccessIssue]

from lightlathe.quantities import Packed, Volume
from lightlathe.result.block import Block, block_of, claimed_bytes, require_dark
from lightlathe.result.chunks import read, read_packed
from lightlathe.support.hdf5_guards import attribute

LARGE = 1 << 31  # bytes of a volume that stays packed in memory
DEEPEST = 16  # groups inside each other; the files hold 4
MAX_PACKED = 1100  # bytes that gzip makes of one: 1032 by its format (RFC 1951)
TEXT = "text"  # in place of a dtype
FILTERS = {h5z.FILTER_DEFLATE, h5z.FILTER_SHUFFLE, h5z.FILTER_FLETCHER32}


@dataclass
class Node:
    """A group or a dataset.

    path       from the root, "" for the root itself
    attrs      plain values by name: str, bool, int, float, or lists of them
    dtype      of a dataset, as numpy writes it, or TEXT; "" for a group
    value      an array or a text, of a dataset with a lit block that block; of a large volume its packed chunks;
               None for a group
    block      of a dataset of which one block alone is lit: see block.py; None for others
    children   of a group, by name
    """

    path: str
    attrs: dict[str, Any]
    dtype: str = ""
    shape: tuple[int, ...] = ()
    value: Any = None
    block: Block | None = None
    children: dict[str, "Node"] = field(default_factory=dict)

    def find(self, path: str) -> "Node | None":
        """What lies at a path below, if anything."""
        found: Node | None = self
        for name in path.split("/"):
            found = None if found is None else found.children.get(name)
        return found

    def __getitem__(self, path: str) -> "Node":
        """What lies at a path below; KeyError where nothing does."""
        found = self.find(path)
        if found is None:
            raise KeyError(f"there is no {self._named(path)}")
        return found

    def _named(self, path: str) -> str:
        return f"{self.path}/{path}".lstrip("/")

    def array(self, path: str, kinds: str, shape: tuple[int | None, ...]) -> np.ndarray:
        """The values at a path: of a dtype in `kinds` ("f8", "u1 u2"), None in `shape` for any length above 0."""
        value = self._fitting(path, kinds, shape)
        return value.numpy() if isinstance(value, Packed) else value

    def volume(self, path: str, kinds: str, shape: tuple[int | None, ...]) -> Volume:
        """The same as a tensor; of a large volume packed."""
        value = self._fitting(path, kinds, shape)
        return value if isinstance(value, Packed) else torch.from_numpy(value)

    def _fitting(self, path: str, kinds: str, shape: tuple[int | None, ...]) -> Any:
        data = self[path]
        fits = len(data.shape) == len(shape) and all(
            n == m or (m is None and n) for n, m in zip(data.shape, shape, strict=True)
        )
        if not isinstance(data.value, np.ndarray | Packed) or data.dtype[1:] not in kinds.split() or not fits:
            was = f"{data.dtype or 'a group'} of shape {data.shape}"
            raise ValueError(f"{self._named(path)} is {was}; expected {kinds} of shape {shape}")
        return data.value

    def text(self, path: str) -> str:
        value = self[path].value
        if not isinstance(value, str):
            raise TypeError(f"{self._named(path)} is no text")
        return value

    def table(self, path: str) -> dict[str, Any]:
        """A JSON table in a text."""
        return json_table(self.text(path), self._named(path))

    def attribute(self, name: str, kind: type) -> Any:
        """An attribute that must be a str, int, float or list; whole numbers pass as floats."""
        if name not in self.attrs:
            raise KeyError(f"{self.path or 'the file'} has no attribute {name}")
        value = self.attrs[name]
        wanted = (int, float) if kind is float else kind
        if not isinstance(value, wanted) or isinstance(value, bool):
            raise TypeError(f"{name} of {self.path or 'the file'} is {str(value)[:60]!r}; expected {kind.__name__}")
        return kind(value)

    def length(self, name: str) -> float:
        """An attribute that must be finite and above 0."""
        value = self.attribute(name, float)
        if not (math.isfinite(value) and value > 0):
            raise ValueError(f"{name} of {self.path} is {value}; expected a finite number above 0")
        return value

    def count(self, name: str, minimum: int = 1, maximum: int = 2**31) -> int:
        value = self.attribute(name, int)
        if not minimum <= value <= maximum:
            raise ValueError(f"{name} of {self.path or 'the file'} is {value}; expected {minimum} to {maximum}")
        return value

    def everything(self) -> Iterator["Node"]:
        yield self
        for child in self.children.values():
            yield from child.everything()


def json_table(text: str, name: str) -> dict[str, Any]:
    found = json.loads(text)
    if not isinstance(found, dict):
        raise TypeError(f"{name} is a {type(found).__name__}; expected a table in JSON")
    return found


def outline(file: Any) -> Node:
    """Groups, attributes, types and shapes of an open file, no dataset read yet. ValueError for what is refused."""
    return _outlined(file, "", set())


def values_of(file: Any, node: Node) -> Any:
    """The array or text of a dataset in an outline, in this machine's byte order; of one with a lit block, the block,
    of a large volume its packed chunks. ValueError where anything else of it is lit."""
    data = file[node.path]
    if node.dtype == TEXT:
        return data.asstr()[()]
    if node.block is not None:
        require_dark(data, node.block, node.path)
        return np.asarray(data[node.block], data.dtype.newbyteorder("="))
    volume = read_packed(data) if data.nbytes > LARGE else None
    return read(data) if volume is None else volume


def _outlined(item: Any, path: str, met: set[int]) -> Node:
    where = path or "the file"
    address = h5o.get_info(item.id).addr
    if address in met:
        raise ValueError(f"{where} is linked twice")
    met.add(address)
    if path.count("/") >= DEEPEST:
        raise ValueError(f"{path[:60]} ... lies more than {DEEPEST} groups deep")
    if isinstance(item, h5py.Group):
        node = Node(path, _attributes(item, where))
        for name in _names(item, where):
            inner = f"{path}/{name}".lstrip("/")
            kind = item.id.links.get_info(name.encode()).type
            if kind != h5l.TYPE_HARD:
                what = {h5l.TYPE_SOFT: "another place", h5l.TYPE_EXTERNAL: "another file"}
                raise ValueError(f"{inner} is a link to {what.get(kind, 'something else')}, which is not followed")
            node.children[name] = _outlined(item[name], inner, met)
        return node
    if not isinstance(item, h5py.Dataset):
        raise TypeError(f"{where} is neither a group nor a dataset")
    attrs = _attributes(item, where)
    block = block_of(attrs, item.shape or (), where)
    _require_own(item, where, block)
    return Node(path, attrs, TEXT if _is_text(item.dtype) else item.dtype.str, item.shape, block=block)


def _require_own(data: Any, where: str, block: Block | None) -> None:
    """ValueError unless the values lie in this file, in a plain form, and are no more than it can hold."""
    if data.shape is None or not (data.dtype.kind in "buif" or (_is_text(data.dtype) and data.shape == ())):
        raise ValueError(f"{where} is of type {data.dtype}; expected numbers or one text")
    made = data.id.get_create_plist()
    if made.get_external_count():
        raise ValueError(f"{where} keeps its values in another file, which is not read")
    if made.get_layout() == h5d.VIRTUAL:
        raise ValueError(f"{where} is put together from other datasets, which are not read")
    if {made.get_filter(n)[0] for n in range(made.get_nfilters())} - FILTERS:
        raise ValueError(f"{where} is packed in a way that is not read; expected gzip")
    claimed, held = claimed_bytes(data, block), data.id.get_storage_size()
    if claimed > held * (MAX_PACKED if made.get_nfilters() else 1):
        raise ValueError(f"{where} claims {claimed} bytes and holds {held}")


def _is_text(dtype: np.dtype) -> bool:
    return h5py.check_string_dtype(dtype) is not None


def _attributes(item: Any, where: str) -> dict[str, Any]:
    names = _names(item.attrs, where)
    return {name: _plain(attribute(item, name), f"attribute {name} of {where}") for name in names}


def _names(held: Any, where: str) -> list[str]:
    """The names in a group or of attributes; ValueError where one is no UTF-8, which h5py gives as bytes."""
    names = list(held)
    if not all(isinstance(name, str) for name in names):
        raise ValueError(f"{where} holds something whose name is no text")
    return names


def _plain(value: Any, where: str) -> Any:
    if isinstance(value, np.generic | np.ndarray) and value.dtype.kind in "biuf":
        return value.tolist()
    if isinstance(value, np.ndarray) and value.dtype.kind == "O" and all(isinstance(v, str) for v in value.flat):
        return value.tolist()
    if isinstance(value, str):
        return value
    raise ValueError(f"{where} is {str(value)[:60]!r}; expected numbers or texts")
