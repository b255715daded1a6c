"""Checksums as `lightlathe help hdf5` states them, recomputed with h5py and hashlib alone; every change is found."""

import hashlib
import json
import logging
from pathlib import Path

import h5py
import numpy as np
import pytest

from lightlathe.errors import ResultError
from lightlathe.result import read_result, write_result
from lightlathe.result.checksums import content
from lightlathe.result.storage import note_on
from sealing import without_checksums


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def sha256_of_pieces(data: bytes) -> str:
    pieces = [data[first : first + 2**22] for first in range(0, len(data), 2**22)]
    return sha256(b"".join(hashlib.sha256(piece).digest() for piece in pieces))


def items(file) -> dict:
    """Every object by path, the checksums themselves left out."""
    found = {"/": file}
    file.visititems(found.__setitem__)
    del found["checksums"]
    return found


def plain(value):
    return value.tolist() if hasattr(value, "tolist") else value


def test_anyone_can_recompute_them(record, tmp_path):
    with h5py.File(write_result(record, tmp_path / "valve.h5")) as file:
        text = file["checksums"].asstr()[()]
        assert file.attrs["checksums_sha256"] == sha256(text.encode())
        stated = json.loads(text)
        assert stated.keys() == items(file).keys()
        for path, item in items(file).items():
            known = {"attributes": {k: plain(v) for k, v in item.attrs.items() if k != "checksums_sha256"}}
            if isinstance(item, h5py.Dataset):
                words = h5py.check_string_dtype(item.dtype) is not None
                content = item.asstr()[()].encode() if words else item[()].tobytes()
                assert item.attrs["sha256_of_pieces"] == sha256_of_pieces(content), path
                known |= {"dtype": "text" if words else item.dtype.str, "shape": list(item.shape)}
            assert stated[path] == sha256(json.dumps(known, sort_keys=True).encode()), path


def test_every_value_and_attribute_is_covered(record, tmp_path):
    whole = write_result(record, tmp_path / "valve.h5").read_bytes()
    path = tmp_path / "changed.h5"
    path.write_bytes(whole)
    with h5py.File(path) as file:
        changes = [(name, None) for name, item in items(file).items() if isinstance(item, h5py.Dataset)]
        changes += [(name, attribute) for name, item in items(file).items() for attribute in item.attrs]
    assert len(changes) > 60
    for name, attribute in changes:
        if attribute in ("format", "format_version"):  # named before anything is read
            continue
        path.write_bytes(whole)
        with h5py.File(path, "r+") as file:
            if attribute is not None:
                file[name].attrs[attribute] = "something else"
            elif h5py.check_string_dtype(file[name].dtype):
                file[name][()] = file[name].asstr()[()] + " "
            else:
                values = file[name][()]
                values.flat[-1] = 0 if values.flat[-1] else 1
                file[name][...] = values
        where = "its checksums" if attribute == "checksums_sha256" else name
        with pytest.raises(ResultError, match=f"damaged result file: .*{where}"):
            read_result(path)


def test_what_was_added_or_taken_away_is_named(record, tmp_path):
    path = write_result(record, tmp_path / "valve.h5")
    whole = path.read_bytes()
    for change, words in (
        (lambda file: file.__delitem__("log/seconds"), "incomplete result file: there is no log/seconds"),
        (lambda file: file.create_dataset("log/more", data=[1.0, 2.0]), "log/more was not in it"),
        (lambda file: file.__delitem__("checksums"), "its checksums are damaged or gone"),
        (lambda file: file.attrs.__delitem__("checksums_sha256"), "its checksums are damaged or gone"),
    ):
        path.write_bytes(whole)
        with h5py.File(path, "r+") as file:
            change(file)
        with pytest.raises(ResultError, match=words):
            read_result(path)


def test_packing_and_chunks_are_no_damage(record, tmp_path):
    """As h5repack leaves a file: same values, laid out in another way."""
    path = write_result(record, tmp_path / "valve.h5")
    with h5py.File(path, "r+") as file:
        dose, attrs = file["prediction/dose"][()], dict(file["prediction/dose"].attrs)
        del file["prediction/dose"]
        packed = file.create_dataset("prediction/dose", data=dose, chunks=(2, 2, 2), compression="gzip", shuffle=True)
        packed.attrs.update(attrs)
    assert np.array_equal(read_result(path).prediction.dose, dose)


def test_several_pieces(tmp_path):
    """9 MB: two whole pieces and a rest; each of them counts."""
    values = np.random.default_rng(0).integers(0, 256, 9_000_000, np.uint8)
    assert content(values) == sha256_of_pieces(values.tobytes())
    for at in (0, 5_000_000, -1):
        other = values.copy()
        other[at] ^= 1
        assert content(other) != content(values)


def test_a_file_of_version_2_has_its_checksums_of_all_bytes_at_once(tmp_path):
    """version_2.h5, written by a program of format version 2; one changed number is found as then."""
    old = Path(__file__).with_name("version_2.h5")
    with h5py.File(old) as file:
        assert file.attrs["format_version"] == 2
        dose = file["prediction/dose"]
        assert dose.attrs["sha256"] == sha256(dose[()].tobytes())
        assert np.array_equal(read_result(old).prediction.dose, dose[()])
    assert note_on(old) is None
    path = tmp_path / "changed.h5"
    path.write_bytes(old.read_bytes())
    with h5py.File(path, "r+") as file:
        file["prediction/dose"][3, 4, 5] += 0.1
    with pytest.raises(ResultError, match="the values of prediction/dose are not those that were written"):
        read_result(path)


def test_files_of_before_are_read_with_a_note(record, tmp_path, caplog):
    path = write_result(record, tmp_path / "valve.h5")
    assert note_on(path) is None
    with caplog.at_level(logging.WARNING):
        read_result(path)
        assert not caplog.records
        with h5py.File(path, "r+") as file:
            without_checksums(file)
        again = read_result(path)
    assert again.patterns.levels.equal(record.patterns.levels)
    assert again.facts == record.facts
    assert "valve.h5 carries no checksums" in caplog.text
    assert "carries no checksums" in (note_on(path) or "")
