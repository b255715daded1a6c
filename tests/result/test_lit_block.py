"""Levels of a field that is lit in part: native shape for any reader, the lit block alone on the disk, all checked."""

import dataclasses

import h5py
import numpy as np
import pytest
import torch

from lightlathe.errors import ResultError
from lightlathe.quantities import Field
from lightlathe.result import read_result, write_result
from lightlathe.result.checksums import content
from sealing import sealed_anew, without_checksums

FIELD = Field(columns=1920, rows=1080, first_column=911, lit_columns=90, lit_rows=50)


@pytest.fixture
def lit(record):
    generator = torch.Generator().manual_seed(5)
    levels = torch.randint(1, 256, (6, 90, 50), generator=generator).to(torch.uint8)
    return dataclasses.replace(record, patterns=dataclasses.replace(record.patterns, levels=levels, lit=FIELD))


@pytest.fixture
def path(lit, tmp_path):
    return write_result(lit, tmp_path / "valve.h5")


def test_what_was_written_is_read(lit, path):
    again = read_result(path).patterns
    assert again.levels.equal(lit.patterns.levels)
    assert again.levels.dtype == torch.uint8
    assert again.field == FIELD


def test_sixteen_bits_and_odd_sizes_are_kept(lit, tmp_path):
    field = Field(101, 77, 0, 7, 3)
    levels = torch.randint(0, 65536, (6, 7, 3)).to(torch.uint16)
    patterns = dataclasses.replace(lit.patterns, levels=levels, lit=field, full_scale=65535)
    again = read_result(write_result(dataclasses.replace(lit, patterns=patterns), tmp_path / "a.h5")).patterns
    assert again.levels.equal(levels)
    assert again.field == field


def test_any_reader_sees_the_whole_field_and_the_disk_holds_the_block(lit, path):
    with h5py.File(path) as file:
        data = file["patterns/levels"]
        assert data.shape == (6, 1920, 1080)
        image = data[2]
        assert np.array_equal(image, FIELD.padded(lit.patterns.levels[2].numpy()))
        assert data.attrs["lit_first"].tolist() == [0, 911, 515]
        assert data.attrs["lit_shape"].tolist() == [6, 90, 50]
        assert data.attrs["sha256_of_pieces"] == content(lit.patterns.levels.numpy())
        assert data.id.get_storage_size() < 2 * 6 * 90 * 50
    assert path.stat().st_size < 1e5  # 12 million pixels, 27 thousand of them lit


def test_a_field_that_is_lit_all_over_is_written_as_before(lit, tmp_path):
    whole = dataclasses.replace(lit.patterns, lit=Field.whole(90, 50))
    with h5py.File(write_result(dataclasses.replace(lit, patterns=whole), tmp_path / "a.h5")) as file:
        assert "lit_first" not in file["patterns/levels"].attrs
        assert file["patterns/levels"].shape == (6, 90, 50)


def beside(data):
    """A pixel in a chunk that holds lit ones too."""
    data[3, 910, 600] = 1


def far_away(data):
    data[3, 10, 10] = 1


def within(data):
    data[3, 950, 540] = data[3, 950, 540] - 1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (beside, "patterns/levels has light outside of its lit block"),
        (far_away, "patterns/levels has light outside of its lit block"),
        (within, "the values of patterns/levels are not those that were written"),
        (lambda data: data.attrs.update({"lit_first": [0, 910, 515]}), "attributes, type or shape of patterns/levels"),
        (lambda data: data.attrs.pop("lit_first"), "expected a block"),
        (lambda data: data.attrs.update({"lit_first": [0.0, 911.0, 515.0]}), "expected a block"),
        (lambda data: data.attrs.update({"lit_shape": [6, 1920, 50]}), "does not lie in its"),
        (lambda data: data.attrs.update({"lit_first": [0, 2**62, 2**62]}), "does not lie in its"),
    ],
)
def test_damage_is_found_wherever_it_is(path, change, words):
    with h5py.File(path, "r+") as file:
        change(file["patterns/levels"])
    with pytest.raises(ResultError, match=f"damaged result file: .*{words}"):
        read_result(path)


@pytest.mark.parametrize("change", [beside, far_away])
def test_light_beside_the_block_is_found_without_checksums_too(path, change):
    with h5py.File(path, "r+") as file:
        without_checksums(file)
        change(file["patterns/levels"])
    with pytest.raises(ResultError, match="has light outside of its lit block"):
        read_result(path)


@pytest.mark.parametrize(
    ("attrs", "words"),
    [
        ({"lit_first": [1, 911, 515], "lit_shape": [5, 90, 50]}, "holds some of the images"),
        ({"lit_first": [0, 911, 514], "lit_shape": [6, 90, 52]}, None),
        ({"lit_first": [0, 911, 513], "lit_shape": [6, 90, 52]}, "expected 514, in the middle"),
        ({"lit_first": [0, 911, 513], "lit_shape": [6, 90, 53]}, "an even number of dark rows"),
    ],
)
def test_blocks_that_no_field_has_are_refused(path, attrs, words):
    """Sealed anew, so that no checksum tells."""
    with sealed_anew(path) as file:
        file["patterns/levels"][0, 911:1001] = 0  # so that no light lies outside of a block without this image
        file["patterns/levels"].attrs.update(attrs)
    if words is None:
        assert read_result(path).patterns.field.lit_rows == 52
        return
    with pytest.raises(ResultError, match=words):
        read_result(path)


def copied(path, **how):
    """The levels written anew, all of their chunks, as h5repack or a copy through an array would."""
    with h5py.File(path, "r+") as file:
        values, attrs = file["patterns/levels"][()], dict(file["patterns/levels"].attrs)
        del file["patterns/levels"]
        file.create_dataset("patterns/levels", data=values, **how).attrs.update(attrs)


@pytest.mark.parametrize("how", [{"chunks": (1, 500, 400), "compression": "gzip"}, {}], ids=["chunks", "contiguous"])
def test_packing_is_no_damage_and_light_is_still_found(lit, path, how):
    copied(path, **how)
    assert read_result(path).patterns.levels.equal(lit.patterns.levels)
    with h5py.File(path, "r+") as file:
        far_away(file["patterns/levels"])
    with pytest.raises(ResultError, match="has light outside of its lit block"):
        read_result(path)


def test_a_fill_value_that_is_not_dark_is_refused(path):
    copied(path, chunks=(1, 500, 400), fillvalue=7)
    with pytest.raises(ResultError, match="reads as 7; expected 0"):
        read_result(path)


def test_a_block_that_the_file_cannot_hold_is_refused(path):
    """Chunks that are not there read as 0, but a block takes memory."""
    with h5py.File(path, "r+") as file:
        attrs = dict(file["patterns/levels"].attrs)
        del file["patterns/levels"]
        data = file.create_dataset("patterns/levels", (6, 10**6, 10**6), "u1", chunks=(1, 500, 400), fillvalue=0)
        data.attrs.update({**attrs, "lit_first": [0, 0, 0], "lit_shape": [6, 10**6, 10**6]})
    with pytest.raises(ResultError, match=r"claims 6000000000000 bytes and holds 0"):
        read_result(path)
