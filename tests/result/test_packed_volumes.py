"""Volumes that are held packed, and patterns that are made by row: the same numbers as tensors, in files as well."""

import re

import h5py
import numpy as np
import pytest
import torch
from hypothesis import given, settings
from hypothesis import strategies as st

from lightlathe import pipeline
from lightlathe.errors import ShapeError
from lightlathe.job import parse_job
from lightlathe.quantities import (
    LIQUID,
    SOLID,
    ByRow,
    Codes,
    Grid,
    Packed,
    Packing,
    Part,
    Target,
    Where,
    any_in_slices,
    at_hand,
    in_slices,
    let_go,
    rows_of,
    slices_of,
    unpacked_from,
)
from lightlathe.result import read_result, tree, write_result
from lightlathe.result.checksums import content
from lightlathe.result.chunks import read, read_packed, written_packed
from lightlathe.result.put import put
from lightlathe.result.short_floats import shortened, shortened_tensor

SHAPE = (70, 41, 37)  # no chunk divides it


def numbers(dtype, shape=SHAPE, seed=0):
    drawn = torch.rand(shape, generator=torch.Generator().manual_seed(seed))
    drawn[20:50] = 0  # whole chunks without anything
    return (drawn * 3).to(dtype) if dtype != torch.bool else drawn > 0.5


@pytest.mark.parametrize("dtype", [torch.uint8, torch.bool, torch.float32, torch.float64])
@pytest.mark.parametrize("slices", [1, 5, 16, 20, 37])
def test_numbers_come_back_bit_for_bit(dtype, slices):
    wanted, made = numbers(dtype), Packing(SHAPE, dtype)
    for start in range(0, SHAPE[2], slices):
        made.append(wanted[:, :, start : start + slices])
    assert torch.equal(made.packed.unpacked(), wanted)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_it_is_indexed_like_a_tensor(data):
    wanted = numbers(torch.float32)
    packed = Packing.of(wanted)
    index = []
    for n in SHAPE:
        ends = data.draw(st.tuples(st.integers(-n, n), st.integers(-n, n)))
        kinds = [slice(*ends), slice(None), slice(*ends, 3), data.draw(st.integers(-n, n - 1))]
        index.append(data.draw(st.sampled_from(kinds)))
    places = st.lists(st.integers(0, SHAPE[2] - 1), min_size=1, max_size=8)
    if data.draw(st.booleans()):  # a list of slices comes with whole axes or ranges before it
        index[2] = torch.tensor(data.draw(places))
        index[:2] = [slice(None), slice(None)]
    assert torch.equal(packed[tuple(index)], wanted[tuple(index)])
    last = torch.tensor(data.draw(places))
    assert torch.equal(packed[..., last], wanted[..., last])
    at = tuple(torch.randint(0, n, (9,)) for n in SHAPE)
    assert torch.equal(packed[at], wanted[at])


def test_layers_and_slices_one_after_another(monkeypatch):
    monkeypatch.setattr(in_slices, "LAYER_VOXELS", 20 * SHAPE[0] * SHAPE[1])
    wanted = numbers(torch.float32)
    packed = Packing.of(wanted)
    assert torch.equal(torch.stack(list(packed)), wanted)
    assert torch.equal(torch.stack([packed[i] for i in range(SHAPE[0])]), wanted)
    pieces = list(slices_of(packed, wanted))
    assert [taken.stop for taken, _ in pieces] == [16, 32, 37]
    assert all(torch.equal(a, b) for _, (a, b) in pieces)
    assert torch.equal(any_in_slices(packed, lambda piece: piece > 2.99), (wanted > 2.99).any(0).any(0))


def test_zeros_take_no_memory():
    assert Packing.of(torch.zeros(SHAPE)).nbytes == 0
    assert 0 < Packing.of(numbers(torch.float32)).nbytes < 0.7 * numbers(torch.float32).numel() * 4


def test_comparing_a_whole_packed_volume_is_refused():
    """It would be False in silence."""
    with pytest.raises(ShapeError, match="some slices"):
        Packing.of(numbers(torch.uint8)) == 2  # noqa: B015


def test_a_target_of_packed_codes_gives_the_target_of_some_slices():
    codes = numbers(torch.uint8)
    grid = Grid(SHAPE, 0.1)
    part = Part(grid, Packing.of((codes == SOLID).float()), Packing.of(codes))
    dense = Target(codes == SOLID, codes == LIQUID)
    target = part.target()
    assert isinstance(target.solid, Where)
    assert torch.equal(target.with_part, dense.with_part)
    assert torch.equal(target.with_surroundings, dense.with_surroundings)
    first, second = torch.tensor([30, 2, 17, 18]), torch.tensor([3, 1])
    twice = target.of_slices(first).of_slices(second, torch.device("cpu"))
    assert torch.equal(twice.solid, dense.solid[..., first[second]])
    assert torch.equal(twice.liquid, dense.liquid[..., first[second]])
    near = part.target(near=torch.device("cpu"))  # codes close at hand
    assert torch.equal(near.with_part, dense.with_part)
    assert torch.equal(near.of_slices(first).of_slices(second, torch.device("cpu")).liquid, twice.liquid)
    assert torch.equal(near.unpacked().solid, dense.solid)
    assert part.reach_mm == Part(grid, (codes == SOLID).float(), codes).reach_mm
    assert part.volume_mm3 == Part(grid, (codes == SOLID).float(), codes).volume_mm3


@settings(max_examples=30, deadline=None)
@given(data=st.data(), nz=st.integers(1, 40))
def test_codes_at_hand_are_those_of_the_volume(data, nz):
    wanted = torch.randint(0, 4, (5, 3, nz), dtype=torch.uint8)
    packed = Packing.of(wanted)
    codes = at_hand(packed, torch.device("cpu"))
    assert at_hand(packed, torch.device("cpu")) is codes  # made once
    taken = slice(*data.draw(st.tuples(st.integers(-nz, nz), st.integers(-nz, nz))))
    few = torch.tensor(data.draw(st.lists(st.integers(-nz, nz - 1), max_size=8)), dtype=torch.int64)
    mask = torch.tensor(data.draw(st.lists(st.booleans(), min_size=nz, max_size=nz)))
    assert torch.equal(codes[..., mask], wanted[..., mask])
    assert torch.equal(codes[:, :, taken], wanted[:, :, taken])
    assert torch.equal(codes[..., few], wanted[..., few])
    assert codes.octets.numel() == 15 * -(-nz // 4)
    assert at_hand(wanted, torch.device("cpu")) is wanted
    let_go(packed)
    assert at_hand(packed, torch.device("cpu")) is not codes


def test_codes_refuse_what_two_bits_do_not_hold():
    with pytest.raises(ShapeError, match="4; two bits"):
        Codes.of(Packing.of(torch.full((2, 2, 2), 4, dtype=torch.uint8)), torch.device("cpu"))
    codes = Codes.of(Packing.of(torch.ones(2, 2, 2, dtype=torch.uint8)), torch.device("cpu"))
    for index in ((0, slice(None), slice(None)), (Ellipsis, slice(0, 2, 2))):
        with pytest.raises(ShapeError, match=r"by slices alone|steps of 2"):
            codes[index]


def test_patterns_by_row():
    wanted = torch.rand(5, 6, 40)
    light = ByRow((5, 6, 40), torch.float32, torch.device("cpu"), lambda rows: wanted[:, :, rows])
    assert torch.equal(light[:, :, 3:9], wanted[:, :, 3:9])
    assert torch.equal(light[..., torch.tensor([8, 1])], wanted[..., [8, 1]])
    assert torch.equal(light.map(lambda rows: 2 * rows).to("cpu"), 2 * wanted)
    assert torch.equal(torch.cat([piece for _, piece in rows_of(light)], 2), wanted)
    with pytest.raises(ShapeError, match="row by row"):
        light[0:2, :, 3:9]


@pytest.mark.parametrize("dtype", [torch.uint8, torch.bool, torch.float32])
def test_h5py_alone_reads_a_packed_volume(tmp_path, dtype):
    """And its checksum is that of the numbers in C order, as of any dataset."""
    wanted = numbers(dtype)
    packed = Packing.of(wanted)
    with h5py.File(tmp_path / "v.h5", "w") as file:
        data = written_packed(file, "v", packed)
        put(file, "w", packed, "1", ("x", "y", "z"))
        assert np.array_equal(data[()], wanted.numpy())
        assert np.array_equal(read(data), wanted.numpy())
        again = read_packed(data)
        assert again is not None
        assert torch.equal(again.unpacked().to(dtype), wanted)
        assert file["w"].attrs["sha256_of_pieces"] == content(wanted.numpy())
        assert read_packed(file.create_dataset("plain", data=wanted.numpy())) is None


def test_pieces_of_a_checksum_do_not_follow_chunks():
    """4 MiB are no whole number of layers."""
    wanted = numbers(torch.float32, (100, 130, 170))
    assert content(Packing.of(wanted)) == content(wanted.numpy())


def test_doses_are_shortened_alike_as_tensors():
    values = torch.cat([torch.rand(1000) * 10.0 ** torch.randint(-30, 30, (1000,)), torch.tensor([0.0, 3.4e38])])
    assert np.array_equal(shortened_tensor(values).numpy(), shortened(values.numpy()))


@pytest.fixture
def result(small_job, tmp_path):
    """Of a design in slabs, with an insert that is judged beside a tolerance band."""
    parts = '[[part]]\nshape = { kind = "sphere", radius_mm = 2.0 }\n'
    parts += '[[part]]\nrole = "insert"\nshape = { kind = "cylinder", radius_mm = 0.5, height_mm = 9.0 }\n'
    text = small_job(iterations=12) + "slab_slices = 5\ntolerance_voxels = 1\n"
    record = pipeline.design(parse_job(parts + text[text.index("[vial]") :], name="t", folder=tmp_path))
    assert isinstance(record.prediction.dose, Packed)
    return write_result(record, tmp_path / "t.lathe.h5")


def pictures(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.suffix in (".png", ".csv")}


def test_a_large_result_is_read_packed_and_shown_predicted_and_exported_alike(result, tmp_path, monkeypatch):
    dense = read_result(result)
    monkeypatch.setattr(tree, "LARGE", 1000)
    packed = read_result(result)
    assert isinstance(packed.prediction.dose, Packed)
    assert isinstance(packed.part.insert, Packed)
    made = []
    for name, record in (("dense", dense), ("packed", packed)):
        (folder := tmp_path / name).mkdir()
        pipeline.report([record], [result], folder / "r.html")
        pipeline.surface(record, folder / "r.ply")
        pipeline.volume(record, folder / "r.nrrd")
        pipeline.picture(record, folder / "r.png")
        pipeline.figures(record, folder / "figures")
        write_result(record, folder / "again.h5")
        page = re.sub(rb"\d\d:\d\d UTC", b"", (folder / "r.html").read_bytes())  # when it was written
        files = [
            page,
            (folder / "r.ply").read_bytes(),
            (folder / "r.nrrd").read_bytes(),
            (folder / "r.png").read_bytes(),
        ]
        made.append((files, pictures(folder / "figures"), pipeline.summary(record, result), pipeline.predict(record)))
    (files, figures, summary, predicted), others = made
    assert [len(file) for file in files] == [len(file) for file in others[0]]
    assert files == others[0]
    assert figures == others[1]
    assert summary == others[2]
    assert torch.equal(shortened_tensor(predicted.dose), unpacked_from(others[3].dose))
    for name, value in predicted.quality.items():
        assert others[3].quality[name] == pytest.approx(value, rel=1e-6, abs=1e-9, nan_ok=True), name
    one, other = (read_result(tmp_path / name / "again.h5") for name in ("dense", "packed"))
    assert torch.equal(unpacked_from(one.prediction.dose), unpacked_from(other.prediction.dose))
    assert torch.equal(unpacked_from(one.part.coverage), unpacked_from(other.part.coverage))
