"""One run at a time for one output, and what dead runs leave behind."""

import json
import os
import socket
import subprocess
import sys
import textwrap

import pytest

from lightlathe.errors import ResultError
from lightlathe.result import write_result
from lightlathe.result.claim import claimed, unfinished_name
from lightlathe.result.storage import whole_file
from lightlathe.support.files import RESULT

HOLD = """
    import sys, time
    from pathlib import Path
    from lightlathe.result.claim import claimed
    with claimed(Path(sys.argv[1])):
        print("held", flush=True)
        time.sleep(600)
"""


@pytest.fixture
def holder(tmp_path):
    """A process that holds the output a.lathe.h5."""
    command = [sys.executable, "-c", textwrap.dedent(HOLD), str(tmp_path / "a.lathe.h5")]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    yield process
    process.kill()
    process.wait()
    process.stdout.close()


def test_the_second_run_is_told_who_holds_an_output(tmp_path, holder):
    who = (
        rf"process {holder.pid} on {socket.gethostname()}, since 2\d\d\d-\d\d-\d\d \d\d:\d\d:\d\d\S*, is writing it now"
    )
    for name in ("a.lathe.h5", "a.lathe"):  # their states would have one name
        with pytest.raises(ResultError, match=f"{name}: {who}"), claimed(tmp_path / name):
            pass
    with claimed(tmp_path / "b.lathe.h5"):
        pass


def test_the_lock_of_a_dead_process_is_taken_over(tmp_path, holder):
    holder.kill()
    holder.wait()
    assert (tmp_path / ".a.lathe.lock").exists()
    for name in ("a.lathe.h5", "a.lathe.partial.h5"):
        (tmp_path / unfinished_name(name).replace(f".{os.getpid()}.", f".{holder.pid}.")).write_text("half")
    with claimed(tmp_path / "a.lathe.h5"):
        assert json.loads((tmp_path / ".a.lathe.lock").read_text())["pid"] == os.getpid()
        assert [p.name for p in tmp_path.iterdir()] == [".a.lathe.lock"]
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_takes_no_lock_is_an_error(tmp_path):
    (tmp_path / ".a.lock").mkdir()
    with pytest.raises(ResultError, match="cannot be made or locked"), claimed(tmp_path / "a.h5"):
        pass


def test_what_dead_processes_left_is_removed_and_nothing_else(record, tmp_path):
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    mine = unfinished_name("a.h5")
    left = mine.replace(f".{os.getpid()}.", f".{dead.pid}.")
    others = [
        mine.replace(f".{os.getpid()}.", f".{os.getppid()}."),  # a process that lives
        mine.replace(socket.gethostname(), "elsewhere").replace(f".{os.getpid()}.", f".{dead.pid}."),
        left.replace(".a.h5.", ".b.h5."),
        ".a.h5.writing",
        "a.h5.notes",
    ]
    for name in (left, *others):
        (tmp_path / name).write_text("half")
    write_result(record, tmp_path / "a.h5")
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([*others, "a.h5"])


def test_a_file_that_came_meanwhile_stays(tmp_path):
    path = tmp_path / "a.h5"
    with pytest.raises(ResultError, match=r"a\.h5: came there while this ran"), whole_file(path, RESULT, replace=False):
        path.write_text("another's")
    assert path.read_text() == "another's"
    assert [p.name for p in tmp_path.iterdir()] == ["a.h5"]
