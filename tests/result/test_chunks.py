"""Packed arrays: what HDF5 itself unpacks is what was written, and the other way round."""

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lightlathe.result.chunks import SMALL, _ours, _sides, in_slabs, read, written
from lightlathe.result.short_floats import RELATIVE_ERROR, shortened

SHAPES = [(5000,), (300_000,), (64, 64, 64), (65, 130, 3), (97, 1, 200), (9, 9, 9, 9)]


def packable(shape, dtype) -> np.ndarray:
    """Numbers with the structure of a real volume: a dark border, steps and noise in the low digits."""
    steps = np.random.default_rng(1).normal(size=shape).round(1) * 20
    steps[: shape[0] // 3] = 0
    return steps.clip(0).astype(dtype)


@pytest.mark.parametrize("dtype", ["u1", "i1", "u2", "f4", "f8", "i8"])
@pytest.mark.parametrize("shape", SHAPES, ids=str)
def test_hdf5_reads_what_is_packed_here(tmp_path, shape, dtype):
    values = packable(shape, dtype)
    with h5py.File(tmp_path / "a.h5", "w") as file:
        data = written(file, "a", values)
        assert data.compression == "gzip"
        assert data.id.get_storage_size() < 0.9 * values.nbytes
    with h5py.File(tmp_path / "a.h5") as file:
        assert file["a"].dtype == values.dtype
        assert np.array_equal(file["a"][()], values)
        assert np.array_equal(read(file["a"]), values)


@pytest.mark.parametrize(
    "options", [{"shuffle": True}, {}, {"fletcher32": True}, {"shuffle": True, "chunks": (7, 6, 5)}]
)
@pytest.mark.parametrize("dtype", ["<f4", ">f4", "u1", ">u2"])
def test_what_hdf5_packs_is_read_here(tmp_path, dtype, options):
    values = packable((30, 40, 50), dtype)
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file.create_dataset("a", data=values, compression="gzip", **options)
    with h5py.File(tmp_path / "a.h5") as file:
        found = read(file["a"])
    assert found.dtype.isnative
    assert np.array_equal(found, values)


def test_chunks_that_are_not_there_hold_the_fill_value(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        data = file.create_dataset("a", (20, 20), "f4", chunks=(10, 10), compression="gzip", fillvalue=3.0)
        data[:10, :10] = 1
    with h5py.File(tmp_path / "a.h5") as file:
        assert np.array_equal(read(file["a"]), file["a"][()])
        assert np.unique(read(file["a"])).tolist() == [1, 3]


@pytest.mark.parametrize(
    "packed",
    [b"", b"nothing of gzip's", "short", "long", "cut"],
)
def test_a_damaged_chunk_is_an_error(tmp_path, packed):
    import zlib

    whole = zlib.compress(bytes(100))
    packed = {"short": zlib.compress(bytes(99)), "long": zlib.compress(bytes(10**6)), "cut": whole[:-6]}.get(
        packed, packed
    )
    with h5py.File(tmp_path / "a.h5", "w") as file:
        data = file.create_dataset("a", (10, 10), "u1", chunks=(10, 10), compression="gzip")
        data.id.write_direct_chunk((0, 0), packed or b"\0")
    with h5py.File(tmp_path / "a.h5") as file, pytest.raises((ValueError, zlib.error)):
        read(file["a"])


def test_noise_and_little_are_left_as_they_are(tmp_path):
    rng = np.random.default_rng(0)
    with h5py.File(tmp_path / "a.h5", "w") as file:
        for name, values in {
            "noise": rng.integers(0, 256, 10 * SMALL, np.uint8),
            "little": np.zeros(SMALL, np.uint8),
            "none": np.zeros((0, 3)),
            "one": np.asarray(2.5),
        }.items():
            data = written(file, name, values)
            assert data.compression is None
            assert data.shape == values.shape
            assert np.array_equal(read(data), values)


def test_many_tiny_chunks_are_left_to_hdf5(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        data = file.create_dataset("a", (2000, 200), "u1", chunks=(1, 1), compression="gzip")
        assert not _ours(data)
        assert not read(data).any()


@pytest.mark.parametrize("dtype", ["u1", "u2", "f4", "f8"])
@pytest.mark.parametrize("shape", [(1024, 1024, 600), (720, 1000, 3), (500_000, 10), (10_000_000,)])
def test_a_chunk_of_any_array_is_about_a_megabyte(shape, dtype):
    values = np.broadcast_to(np.zeros((), dtype), shape)
    sides = _sides(values)
    assert all(side <= n for side, n in zip(sides, shape, strict=True))
    assert 2**19 < np.prod(sides) * values.itemsize <= 2**20


@settings(max_examples=300, deadline=None)
@given(st.lists(st.floats(width=32, allow_subnormal=False), min_size=1, max_size=20))
def test_shortened_numbers(values):
    values = np.sort(np.asarray(values, np.float32))
    short = shortened(values)
    real = np.isfinite(values)
    assert np.array_equal(short[~real], values[~real], equal_nan=True)
    assert (
        np.abs(short[real].astype(float) - values[real]) <= RELATIVE_ERROR * np.abs(values[real].astype(float))
    ).all()
    assert np.array_equal(shortened(short), short, equal_nan=True)
    assert (np.diff(short[real]) >= 0).all()
    small = np.abs(values) < 1e38
    assert not (short[small].view(np.uint32) & 0x7FF).any()


def test_every_kind_of_no_number_stays_one():
    """CUDA's has every bit set, so that adding to it would turn over."""
    kinds = np.asarray([0x7FFFFFFF, 0x7FC00000, 0xFFC00000, 0xFFFFFFFF], np.uint32).view(np.float32)
    assert np.isnan(shortened(kinds)).all()


def test_slabs_make_the_whole():
    values = np.random.default_rng(0).normal(size=(70, 60, 50)).astype("f4")
    assert np.array_equal(in_slabs(lambda slab: (100 * slab).round(), values, np.int16), (100 * values).round())
    assert in_slabs(np.sqrt, np.zeros((0, 4), "f4"), np.float32).shape == (0, 4)
