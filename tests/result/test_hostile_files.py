"""Result files from elsewhere: nothing but the file itself is read, and no more than it can hold."""

import subprocess
import sys

import h5py
import numpy as np
import pytest

from lightlathe.cli.main import main
from lightlathe.errors import ResultError
from lightlathe.result import read_result, write_result
from lightlathe.support.hdf5_guards import BEGINS
from sealing import without_checksums


@pytest.fixture
def path(record, tmp_path):
    """A result without checksums, as a stranger can always make one; beside it the file that it shall not reach."""
    path = write_result(record, tmp_path / "valve.h5")
    with h5py.File(path, "r+") as file:
        without_checksums(file)
    write_result(record, tmp_path / "secret.h5")
    (tmp_path / "secret.bin").write_bytes(bytes(range(256)) * 40)
    return path


def external(file, folder):
    del file["patterns/levels"]
    file["patterns/levels"] = h5py.ExternalLink(str(folder / "secret.h5"), "patterns/levels")


def external_group(file, folder):
    del file["prediction"]
    file["prediction"] = h5py.ExternalLink(str(folder / "secret.h5"), "prediction")


def soft(file, folder):
    file["aside"] = file["patterns/levels"]
    del file["patterns/levels"]
    file["patterns/levels"] = h5py.SoftLink("/aside")


def hard(file, folder):
    del file["prediction/solid"]
    file["prediction/solid"] = file["part/judged"]


def circle(file, folder):
    file["log/again"] = file["log"]


def replaced(file, make):
    old = file["patterns/levels"]
    shape, attrs = old.shape, dict(old.attrs)
    del file["patterns/levels"]
    make(shape).attrs.update(attrs)


def raw(file, folder):
    outside = [(str(folder / "secret.bin"), 0, h5py.h5f.UNLIMITED)]
    replaced(file, lambda shape: file.create_dataset("patterns/levels", shape, "u1", external=outside))


def virtual(file, folder):
    def make(shape):
        layout = h5py.VirtualLayout(shape, "u1")
        layout[...] = h5py.VirtualSource(str(folder / "secret.h5"), "patterns/levels", shape)
        return file.create_virtual_dataset("patterns/levels", layout)

    replaced(file, make)


def endless(file, folder):
    replaced(file, lambda shape: file.create_dataset("patterns/levels", (10**6,) * 3, "u1", chunks=(64,) * 3))


def packed_otherwise(file, folder):
    replaced(file, lambda shape: file.create_dataset("patterns/levels", shape, "u1", compression="lzf"))


def reference(file, folder):
    file["log"].attrs["to"] = file["part"].ref


def varied(file, folder):
    """HDF5 2.0 falls over some of these."""
    lists = np.empty(1, object)
    lists[0] = np.arange(2, dtype="i4")
    file.attrs.create("seed", lists, dtype=h5py.vlen_dtype("i4"))


def long(file, folder):
    file.attrs.create("seed", np.zeros(7000, "i1"))
    file.attrs.create("device", np.zeros(20_000, "i1"))


def nested(file, folder):
    file.create_group("/".join(["log", *"abcdefghijklmnopqrst"]))


WORDS = {
    external: "patterns/levels is a link to another file, which is not followed",
    external_group: "prediction is a link to another file",
    soft: "patterns/levels is a link to another place",
    hard: "is linked twice",
    circle: "log/again is linked twice",
    raw: "patterns/levels keeps its values in another file",
    virtual: "patterns/levels is put together from other datasets",
    endless: "patterns/levels claims 10{18} bytes and holds 0",
    packed_otherwise: "patterns/levels is packed in a way that is not read",
    reference: "attribute to of log is neither numbers nor texts",
    varied: "attribute seed of the file is neither numbers nor texts",
    long: "attribute device of the file holds 20000 values",
    nested: "more than 16 groups deep",
}


@pytest.mark.parametrize("change", WORDS, ids=lambda change: change.__name__)
def test_nothing_but_the_file_is_read(path, tmp_path, change):
    with h5py.File(path, "r+") as file:
        change(file, tmp_path)
    with pytest.raises(ResultError, match=rf"valve\.h5: damaged result file: .*{WORDS[change]}"):
        read_result(path)


def test_the_most_that_gzip_packs_is_read(path):
    """Zeros are what gzip packs best: 1032 to one by its format, and a real result may be dark all over."""
    with h5py.File(path, "r+") as file:
        attrs = dict(file["patterns/levels"].attrs)
        angles = file["patterns/angle_rad"].shape[0]
        del file["patterns/levels"]
        dark = np.zeros((angles, 2000, 1000), np.uint8)
        data = file.create_dataset("patterns/levels", data=dark, chunks=dark.shape, compression="gzip")
        data.attrs.update(attrs)
        assert data.size / data.id.get_storage_size() > 1000
    assert not read_result(path).patterns.levels.any()


@pytest.mark.parametrize("byte", [b"\0", b"\xff"], ids=["no bytes", "more bytes than can be counted"])
def test_a_list_of_texts_without_an_end_is_refused(path, byte):
    """HDF5 reads such a global heap for ever, so that is tried in another process."""
    data = bytearray(path.read_bytes())
    heap = data.index(BEGINS)
    size = int.from_bytes(data[heap + 8 : heap + 16], "little")
    data[heap + 16 : heap + size] = byte * (size - 16)
    path.write_bytes(data)
    with pytest.raises(ResultError, match="its list of texts at byte"):
        read_result(path)
    code = f"import h5py; h5py.File({str(path)!r}).attrs['name']"
    try:
        ended = subprocess.run([sys.executable, "-c", code], capture_output=True, timeout=6, check=False).returncode
    except subprocess.TimeoutExpired:
        ended = None
    assert ended != 0  # the check is not needed any more where this is an error (1) and not a hang


def test_a_name_that_is_no_text_is_refused(path):
    with h5py.File(path, "r+") as file:
        file.attrs[b"\xff\xfe"] = 1
    with pytest.raises(ResultError, match="the file holds something whose name is no text"):
        read_result(path)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ("{}", "has no table 'part'"),
        (
            '{"part": 3, "vial": 1, "resin": 1, "light": 1, "turn": 1, "grid": 1}',
            "the settings in the result are no job",
        ),
    ],
)
@pytest.mark.parametrize("command", [["predict"], ["export", "--frames", "frames"]])
def test_settings_that_are_no_job_are_one_error(path, tmp_path, monkeypatch, capsys, command, settings, words):
    monkeypatch.chdir(tmp_path)
    with h5py.File(path, "r+") as file:
        file["job/resolved"][()] = settings
    assert main([*command, str(path)]) == 1
    said = capsys.readouterr().err
    assert "note:" in said
    assert "carries no checksums" in said
    assert f"ResultError: the {'result' if 'table' in words else 'settings'}" in said
    assert words in said
    assert not (tmp_path / "frames").exists()
