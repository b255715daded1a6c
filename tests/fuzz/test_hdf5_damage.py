"""Damaged result, state and study files: refused in words, never read as something else, never a hang or a fall.

Every kind of damage is drawn from a seed of its own. The ordinary run makes 60 of each, `-m slow` as many as SLOW says;
`-rP` shows the counts. On two cores that others kept busy 60 of each took two minutes, and 3000 flipped bits of one
file four to five.
"""

import random

import pytest
from hdf5_damage import cut, edits, flipped, mangled
from hdf5_files import as_before, write_all
from hdf5_reading import Reader, Tally

KINDS = ("result", "state", "study")
SLOW = {flipped: 3000, mangled: 1000, cut: 300, edits: 1000}


@pytest.fixture(scope="module")
def whole(tmp_path_factory, small_job):
    folder = tmp_path_factory.mktemp("whole")
    files = write_all(small_job(), folder)
    return {"sealed": files, "before": {kind: as_before(path) for kind, path in files.items()}}


@pytest.fixture(scope="module")
def reader(whole):
    with Reader(whole["sealed"]["result"].with_name("settings.json")) as found:
        yield found


def tried(reader, whole, kind, way, count) -> Tally:
    """Outcomes of `count` damages of one way to the whole file of a kind."""
    path = whole[kind]
    victim = path.with_name(f"victim.{path.name}")
    outcome, digest = reader(kind, path)
    assert outcome == "read", digest
    tally, rng, data = Tally({kind: digest}), random.Random(f"{kind} {way.__name__}"), path.read_bytes()
    if way is edits:
        for what in edits(victim, path, data, rng, count):
            tally.add(kind, *reader(kind, victim), what)
    else:
        for _ in range(count):
            damaged, what = way(data, rng)
            victim.write_bytes(damaged)
            tally.add(kind, *reader(kind, victim), what)
    print(f"{way.__name__}, {count}: {tally}")
    return tally


@pytest.mark.parametrize("count", [60, pytest.param(None, marks=pytest.mark.slow)])
@pytest.mark.parametrize("way", SLOW, ids=lambda way: way.__name__)
@pytest.mark.parametrize("kind", KINDS)
def test_no_damage_is_read_as_something_else(reader, whole, kind, way, count):
    """What is read is what was written, to the bit, or it is refused."""
    assert not tried(reader, whole["sealed"], kind, way, count or SLOW[way]).failed


@pytest.mark.parametrize("count", [60, pytest.param(None, marks=pytest.mark.slow)])
@pytest.mark.parametrize("way", SLOW, ids=lambda way: way.__name__)
@pytest.mark.parametrize("kind", KINDS)
def test_files_of_before_are_refused_in_words(reader, whole, kind, way, count):
    """Without checksums a changed number may go unseen, but nothing hangs, falls or escapes as an exception."""
    failed = tried(reader, whole["before"], kind, way, count or SLOW[way]).failed
    assert not {words: found for words, found in failed.items() if not words.endswith("silent")}
