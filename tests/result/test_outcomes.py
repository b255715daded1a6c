"""The prints kept of a result: a file beside it, written as a whole, of this very result."""

import json
import os
from concurrent.futures import ThreadPoolExecutor

import pytest
from filelock import FileLock

import lightlathe as ll
from lightlathe.errors import ResultError
from lightlathe.result.outcomes import Kept, keep_outcomes, outcomes_path, photo_of, read_outcomes


@pytest.fixture(scope="module")
def designed(small_job, tmp_path_factory):
    folder = tmp_path_factory.mktemp("kept")
    (folder / "a.toml").write_text(small_job(iterations=2) + "bound_iterations = 0\n")
    return ll.design(folder / "a.toml")


@pytest.fixture
def result(designed, tmp_path):
    return ll.write_result(designed, tmp_path / "a.lathe.h5")


def test_prints_are_added_one_after_the_other_and_the_result_stays_as_it_is(result):
    before = result.read_bytes()
    assert read_outcomes(result) == ()
    path = keep_outcomes(result, [Kept(36.0, "too thin by 0.1 mm")])
    keep_outcomes(result, [Kept(40.0, "right", "photo.jpg", "00"), Kept(44.0, "holes closed")])
    assert path == outcomes_path(result) == result.with_name("a.lathe.outcomes.json")
    kept = read_outcomes(result)
    assert [(one.exposure_s, one.came_out, one.photo) for one in kept] == [
        (36.0, "too thin by 0.1 mm", None),
        (40.0, "right", "photo.jpg"),
        (44.0, "holes closed", None),
    ]
    assert all(one.kept_utc for one in kept)
    assert result.read_bytes() == before
    assert sorted(os.listdir(result.parent)) == ["a.lathe.h5", "a.lathe.outcomes.json"]


def test_a_write_that_fails_leaves_what_was_kept(result, monkeypatch):
    keep_outcomes(result, [Kept(36.0, "nothing")])
    monkeypatch.setattr("lightlathe.result.outcomes.os.fsync", lambda _: (_ for _ in ()).throw(OSError(28, "no space")))
    with pytest.raises(ResultError, match="cannot be written"):
        keep_outcomes(result, [Kept(40.0, "right")])
    assert [one.came_out for one in read_outcomes(result)] == ["nothing"]
    assert sorted(os.listdir(result.parent)) == ["a.lathe.h5", "a.lathe.outcomes.json"]


def test_those_of_another_design_are_not_taken(designed, result):
    path = keep_outcomes(result, [Kept(36.0, "nothing")])
    table = json.loads(path.read_text())
    path.write_text(json.dumps({**table, "result": {**table["result"], "checksums_sha256": "0"}}))
    with pytest.raises(ResultError, match=r"the prints of another design than a\.lathe\.h5"):
        read_outcomes(result)
    with pytest.raises(ResultError, match="another design"):
        keep_outcomes(result, [Kept(36.0, "nothing")])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"format": "else"}, "format is 'else'"),
        ({"format_version": 2}, "version 2"),
        ({"vials": {}}, "expected a list of prints"),
        ({"vials": [3]}, "print 1 is 3"),
        ({"vials": [{"exposure_s": -1, "came_out": "right", "kept_utc": ""}]}, "print 1: exposure_s is -1"),
        ({"vials": [{"exposure_s": True, "came_out": "right", "kept_utc": ""}]}, "print 1: exposure_s is True"),
        ({"vials": [{"exposure_s": 1, "came_out": None, "kept_utc": ""}]}, "print 1: came_out is None"),
        ({"vials": [{"exposure_s": 1, "came_out": "right", "kept_utc": "", "what": 1}]}, "print 1 is"),
    ],
)
def test_damage_is_named(result, change, message):
    path = keep_outcomes(result, [Kept(36.0, "nothing")])
    path.write_text(json.dumps(json.loads(path.read_text()) | change))
    with pytest.raises(ResultError, match=message):
        read_outcomes(result)


@pytest.mark.parametrize("text", ["", "{", "[]", "[" * 100_000])
def test_what_is_no_list_of_prints_is_an_error(result, text):
    outcomes_path(result).write_text(text)
    with pytest.raises(ResultError, match=r"expected a list of prints|cannot be read as a list"):
        read_outcomes(result)


def test_a_file_of_another_kind_is_not_replaced(result):
    outcomes_path(result).write_text('{"mine": 1}')
    with pytest.raises(ResultError, match="not a list of prints kept of a result"):
        keep_outcomes(result, [Kept(36.0, "nothing")])
    assert outcomes_path(result).read_text() == '{"mine": 1}'


def test_a_photo_is_kept_by_its_path_from_the_result_where_it_lies_beside_it(result, tmp_path_factory):
    (result.parent / "photos").mkdir()
    near, far = result.parent / "photos" / "one.jpg", tmp_path_factory.mktemp("far") / "two.jpg"
    for photo in (near, far):
        photo.write_bytes(b"a picture")
    assert photo_of(near, result)[0] == "photos/one.jpg"
    assert photo_of(far, result)[0] == str(far.resolve())
    assert photo_of(near, result)[1] == photo_of(far, result)[1]
    with pytest.raises(ResultError, match="the photo cannot be read"):
        photo_of(result.parent / "none.jpg", result)


def test_who_waits_in_vain_leaves_the_lock_to_its_holder(result, monkeypatch):
    monkeypatch.setattr("lightlathe.result.outcomes.WAIT_S", 0.1)
    lock = result.with_name(".a.lathe.outcomes.json.lock")
    with FileLock(lock):
        for _ in range(2):  # the second one would get in if the first had removed the lock
            with pytest.raises(ResultError, match="another process is writing it"):
                keep_outcomes(result, [Kept(36.0, "nothing")])
        assert lock.exists()
    assert read_outcomes(result) == ()
    keep_outcomes(result, [Kept(36.0, "nothing")])
    assert len(read_outcomes(result)) == 1


def test_of_writers_at_once_none_loses_a_print(result):
    """Each reads the list, adds a print and replaces the file: two that held the lock at once would lose one."""
    exposures = [float(n) for n in range(1, 25)]
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda seconds: keep_outcomes(result, [Kept(seconds, "nothing")]), exposures))
    assert sorted(one.exposure_s for one in read_outcomes(result)) == exposures
    assert sorted(os.listdir(result.parent)) == ["a.lathe.h5", "a.lathe.outcomes.json"]
