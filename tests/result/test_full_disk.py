"""A disk without room, stood in for by a limit on the size of files (`ulimit -f`): an error in words, nothing lost.

HDF5 alone ends with a segmentation fault here, so every case runs in a process of its own.
"""

import errno
import os
import signal
import subprocess
import sys
import textwrap

import h5py
import pytest

from lightlathe.result import write_partial
from lightlathe.result.disk import Disk
from lightlathe.result.storage import whole_file
from lightlathe.support.files import RESULT

LIMITED = """
    import resource, sys
    from pathlib import Path
    import torch
    from lightlathe.errors import ResultError
    from lightlathe.result import write_partial
    path, limit = Path(sys.argv[1]), int(sys.argv[2])
    packed = torch.randn(2_000_000).round()  # to 1 MB, in chunks
    solver = {str(n): torch.rand(500) for n in range(20)}
    state = {"packed": packed, "best": torch.randn(50_000), "solver": solver, "iteration": 2}
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    try:
        write_partial(path, "", {}, state, {"loss": [1.0] * 1000})
    except ResultError as problem:
        sys.exit(str(problem))
"""


@pytest.mark.parametrize("limit", [0, 5000, 100_000, 340_000, 1_000_000])
def test_a_file_that_does_not_fit_is_an_error_and_the_old_one_stays(record, tmp_path, limit):
    path = tmp_path / "valve.partial.h5"
    write_partial(path, record.job_toml, record.settings, {"iteration": 1}, record.log)
    whole = path.read_bytes()
    code = textwrap.dedent(LIMITED)
    done = subprocess.run(
        [sys.executable, "-c", code, str(path), str(limit)], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 1, done.stderr[-500:]
    assert f"valve.partial.h5: cannot write the file ({os.strerror(errno.EFBIG)})" in done.stderr
    assert "Traceback" not in done.stderr
    assert path.read_bytes() == whole
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_what_is_written_after_an_error_reads_back(tmp_path, monkeypatch):
    """Small pieces, as HDF5's own records are, in any order and overlapping; the file itself holds what fitted."""
    disk = Disk(tmp_path / "file")
    disk.write(b"abcdef")
    real = os.pwrite
    monkeypatch.setattr(os, "pwrite", lambda *_: (_ for _ in ()).throw(OSError(errno.ENOSPC, "No space left")))
    for at, piece in ((4, b"12345"), (0, b"xy"), (6, b"--")):
        disk.seek(at)
        assert disk.write(piece) == len(piece)
    monkeypatch.setattr(os, "pwrite", real)
    disk.seek(1)
    assert disk.write(b"Z") == 1  # room again, but the file has a hole by now
    assert disk.seek(0, os.SEEK_END) == 9
    disk.seek(0)
    assert disk.read(20) == b"xZcd12--5" + bytes(11)
    with pytest.raises(OSError, match="No space left"):
        disk.finish()
    disk.close()
    assert (tmp_path / "file").read_bytes() == b"abcdef"


def test_a_disk_with_room_is_a_file(tmp_path):
    disk = Disk(tmp_path / "file.h5")
    with h5py.File(disk, "w") as file:
        file["x"] = range(1000)
    disk.finish()
    disk.close()
    with h5py.File(tmp_path / "file.h5") as file:
        assert list(file["x"]) == list(range(1000))


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_an_interrupt_waits_until_the_file_is_whole(record, tmp_path, number):
    """In the middle of a write it would be an error that HDF5 does not survive."""
    path = tmp_path / "valve.h5"

    class Interrupt(Exception):
        pass

    def interrupt(*_):
        raise Interrupt

    def write():
        with whole_file(path, RESULT) as file:
            signal.raise_signal(number)
            file.attrs["format"] = "lightlathe-result"

    before = signal.signal(number, interrupt)
    try:
        with pytest.raises(Interrupt):
            write()
        assert signal.getsignal(number) is interrupt
    finally:
        signal.signal(number, before)
    with h5py.File(path) as file:
        assert file.attrs["format"] == "lightlathe-result"
        assert "checksums_sha256" in file.attrs
