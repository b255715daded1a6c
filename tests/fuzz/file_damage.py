"""Seeded damage to any file: what disks, networks and editors do to bytes."""

import random
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path

WORDS = (
    b"-1", b"0", b"1e400", b"nan", b"inf", b"-0.0", b"1e-400", b"9" * 400, b"1_0", b"4294967295", b"9" * 20, b"\x00",
    b"\xff\xff\xff\xff", b"\xff\xff\xff\x7f", b"\x00\x00\xc0\x7f", b"\x00\x00\x80\x7f", b"\n", b'"', b"<", b",", b"-",
)  # fmt: skip


def flipped(data: bytes, _: bytes, rng: random.Random) -> bytes:
    """One to four bits."""
    changed = bytearray(data)
    for _flip in range(rng.choice((1, 1, 2, 4))):
        changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def cut(data: bytes, _: bytes, rng: random.Random) -> bytes:
    """Ended early, or begun late."""
    at = rng.randrange(len(data))
    return data[:at] if rng.random() < 0.8 else data[at:]


def inserted(data: bytes, _: bytes, rng: random.Random) -> bytes:
    """Bytes put in: of chance, zeros, or a word that upsets readers."""
    at = rng.randrange(len(data) + 1)
    return (
        data[:at]
        + rng.choice((rng.randbytes(rng.choice((1, 2, 7, 64))), bytes(rng.randrange(1, 64)), rng.choice(WORDS)))
        + data[at:]
    )


def replaced(data: bytes, _: bytes, rng: random.Random) -> bytes:
    """Bytes overwritten."""
    at = rng.randrange(len(data))
    new = rng.choice((rng.choice(WORDS), rng.randbytes(rng.choice((1, 4, 50))), b"\xff" * 4, bytes(50)))
    return data[:at] + new + data[at + len(new) :]


def left_out(data: bytes, _: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + data[at + rng.choice((1, 2, 4, 50, 200)) :]


def repeated(data: bytes, _: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data))
    piece = data[at : at + rng.choice((1, 4, 50, 500))]
    return data[:at] + piece * rng.choice((2, 3, 20)) + data[at + len(piece) :]


def spliced(data: bytes, other: bytes, rng: random.Random) -> bytes:
    """The beginning of one file and the end of another, or a stretch of it in the middle."""
    at, there = rng.randrange(len(data)), rng.randrange(len(other))
    if rng.random() < 0.5:
        return data[:at] + other[there:]
    piece = other[there : there + rng.randrange(1, 400)]
    return data[:at] + piece + data[at + len(piece) :]


def assert_bearable(said: str, path: Path, longest: int) -> None:
    """An error message for a person: it names the file, has an end, and steers no terminal."""
    assert path.name in said, f"the file is not named: {said}"
    assert len(said) < longest + len(str(path)), "a message without end"
    assert said.replace("\n", "").isprintable(), "a message that would steer a terminal"


WAYS: dict[str, Callable[[bytes, bytes, random.Random], bytes]] = {
    way.__name__: way for way in (flipped, cut, inserted, replaced, left_out, repeated, spliced)
}


def damaged(samples: Sequence[bytes], way: str, count: int, seed: int) -> Iterator[bytes]:
    """`count` damaged copies of the samples in turn, the same for the same seed."""
    rng = random.Random(f"{way} {seed}")
    for n in range(count):
        changed = WAYS[way](samples[n % len(samples)], rng.choice(samples), rng)
        yield changed or b"\0"


def tried(title: str, path: Path, files: Iterable[bytes], outcome: Callable[[Path], str]) -> Counter[str]:
    """How many files ended how; whatever else happens fails, a warning too: it is a fault that came out by chance."""
    ends: Counter[str] = Counter()
    failures, begun = [], time.perf_counter()
    for number, data in enumerate(files):
        path.write_bytes(data)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                ends[outcome(path)] += 1
        except Exception as error:
            failures.append((number, f"{type(error).__name__}: {error}", data[:200]))
    print(f"{title:26} {dict(ends)}, {len(failures)} failed, {time.perf_counter() - begun:.1f} s")
    assert not failures, failures[:5]
    return ends
