"""Ways to damage an HDF5 file: bits, bytes and lengths as disks and networks do, structure as people do."""

import random
from collections.abc import Iterator
from pathlib import Path

import h5py
import numpy as np

VALUES = (  # what an attribute may turn into
    -1, 0, 2**62, 1e300, -0.0, float("nan"), float("inf"), True, "", "text", "[1, 2", "{}", "null", "\x00", "9" * 5000,
    "[" * 3000, np.zeros(0), np.arange(3), np.array([["a", "b"]], dtype=object), np.bytes_(b"\xff\xfe"), np.float16(2),
    np.complex128(1j), h5py.Empty("f8"),
)  # fmt: skip


def flipped(data: bytes, rng: random.Random) -> tuple[bytes, str]:
    """One bit."""
    at, bit = rng.randrange(len(data)), rng.randrange(8)
    damaged = bytearray(data)
    damaged[at] ^= 1 << bit
    return bytes(damaged), f"bit {bit} of byte {at}"


def cut(data: bytes, rng: random.Random) -> tuple[bytes, str]:
    """Ended early."""
    length = rng.randrange(len(data))
    return data[:length], f"the first {length} of {len(data)} bytes"


def mangled(data: bytes, rng: random.Random) -> tuple[bytes, str]:
    """A few bytes overwritten, swapped for others of the file, put in or left out."""
    at, size = rng.randrange(len(data)), rng.choice((1, 2, 4, 8, 64, 512))
    way = rng.choice(("random", "zeros", "ones", "moved", "inserted", "left out"))
    new = {
        "random": rng.randbytes(size),
        "zeros": bytes(size),
        "ones": b"\xff" * size,
        "moved": data[(other := rng.randrange(len(data))) : other + size],
        "inserted": rng.randbytes(size),
        "left out": b"",
    }[way]
    end = at if way == "inserted" else at + size
    return data[:at] + new + data[end:], f"{size} bytes at {at} {way}"


def edited(path: Path, elsewhere: Path, rng: random.Random) -> str:
    """One change of structure or of values through h5py; what it was. `elsewhere` is another HDF5 file."""
    with h5py.File(path, "r+") as file:
        names: list[str] = []
        file.visit(names.append)
        at = rng.choice(names)
        way = rng.choice((_remove, _attribute, _attribute, _retype, _reshape, _values, _link, _kind))
        return f"{at}: {way(file, at, elsewhere, rng)}"


def edits(path: Path, elsewhere: Path, whole: bytes, rng: random.Random, count: int) -> Iterator[str]:
    """The file damaged in `count` ways, one after the other; what h5py itself will not do is drawn again."""
    done = 0
    while done < count:
        path.write_bytes(whole)
        try:
            what = edited(path, elsewhere, rng)
        except (TypeError, ValueError, OSError, RuntimeError, KeyError):
            continue
        done += 1
        yield what


def _remove(file, at, elsewhere, rng) -> str:
    if rng.random() < 0.3:
        file.move(at, at + "x")
        return "renamed"
    del file[at]
    return "removed"


def _attribute(file, at, elsewhere, rng) -> str:
    item = file[rng.choice((at, "/"))]
    if not len(item.attrs):
        item = file
    name = rng.choice(list(item.attrs))
    if rng.random() < 0.2:
        del item.attrs[name]
        return f"attribute {name} removed"
    value = rng.choice(VALUES)
    item.attrs[name] = value
    return f"attribute {name} of {item.name} = {value!r:.40}"


def _replaced(file, at, **new) -> None:
    attrs = dict(file[at].attrs)
    del file[at]
    file.create_dataset(at, **new).attrs.update(attrs)


def _dataset(file, at, rng) -> str:
    if isinstance(file[at], h5py.Dataset):
        return at
    found: list[str] = []
    file.visititems(lambda name, item: found.append(name) if isinstance(item, h5py.Dataset) else None)
    return rng.choice(found)


def _retype(file, at, elsewhere, rng) -> str:
    at = _dataset(file, at, rng)
    dtype = rng.choice(("i1", "u1", "u2", "i8", "u8", "f2", "f4", ">f8", "c16", "S5", [("a", "f4"), ("b", "u1")]))
    shape = file[at].shape
    _replaced(file, at, data=np.zeros(shape, dtype))
    return f"zeros of type {dtype}"


def _reshape(file, at, elsewhere, rng) -> str:
    at = _dataset(file, at, rng)
    value = np.asarray(file[at][()])
    if value.ndim == 0:
        _replaced(file, at, data=[file[at].asstr()[()]] * 2, dtype=h5py.string_dtype())
        return "two texts"
    way = rng.choice(("shorter", "empty", "axis more", "flat", "huge"))
    if way == "huge":
        _replaced(file, at, shape=tuple(10**6 for _ in value.shape), dtype=value.dtype, chunks=(1,) * value.ndim)
        return "a claim of 10^6 along each axis, nothing written"
    _replaced(
        file, at, data={"shorter": value[:-1], "empty": value[:0], "axis more": value[None], "flat": value.ravel()}[way]
    )
    return way


def _values(file, at, elsewhere, rng) -> str:
    at = _dataset(file, at, rng)
    data = file[at]
    value = data[()]
    if not isinstance(value, np.ndarray):
        text = rng.choice(("", "{}", "[]", "7", "null", "[" * 3000, '{"rank_by": 3}', '{"resin": {}}', "\ud800"))
        _replaced(file, at, data=text.encode("utf-8", "surrogatepass"), dtype=h5py.string_dtype())
        return f"text {text!r:.40}"
    if value.size:
        value.flat[rng.randrange(value.size)] = (
            rng.choice((np.nan, np.inf, -1.0, 1e300)) if value.dtype.kind == "f" else np.iinfo(value.dtype).max
        )
        data[...] = value
    return "one value changed"


def _link(file, at, elsewhere, rng) -> str:
    way = rng.choice(("soft", "external", "to itself", "twice", "raw", "virtual", "dangling"))
    if way in ("raw", "virtual"):
        at = _dataset(file, at, rng)
        shape, dtype = file[at].shape, file[at].dtype
        if not shape:
            return way + " (not for a text)"
        attrs = dict(file[at].attrs)
        del file[at]
        if way == "raw":
            new = file.create_dataset(at, shape, dtype, external=[(str(elsewhere), 0, h5py.h5f.UNLIMITED)])
        else:
            layout = h5py.VirtualLayout(shape, dtype)
            layout[...] = h5py.VirtualSource(str(elsewhere), at, shape)
            new = file.create_virtual_dataset(at, layout)
        new.attrs.update(attrs)
        return f"{way} storage in another file"
    other = rng.choice([name for name in file if not at.startswith(name)] or ["/"])
    if way == "soft":
        file.move(at, "aside")
        file[at] = h5py.SoftLink("/aside")
    elif way == "external":
        del file[at]
        file[at] = h5py.ExternalLink(str(elsewhere), at)
    elif way == "dangling":
        del file[at]
        file[at] = h5py.SoftLink("/nothing/here")
    elif way == "to itself":
        parent = file[at].parent
        del file[at]
        file[at] = parent
    else:
        del file[at]
        file[at] = file[other]
    return f"{way} link"


def _kind(file, at, elsewhere, rng) -> str:
    was = file[at]
    attrs = dict(was.attrs)
    group = isinstance(was, h5py.Dataset)
    del file[at]
    way = rng.choice(("other kind", "type"))
    if way == "type":
        file[at] = np.dtype("f4")
    elif group:
        file.create_group(at).attrs.update(attrs)
    else:
        file.create_dataset(at, data=3.0).attrs.update(attrs)
    return f"became another kind of object ({way})"
