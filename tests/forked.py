"""The program in processes of their own that cost no start: forked off a server which holds the libraries already."""

import multiprocessing
import os
import socket
import sys
import time
from collections.abc import Callable
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

SERVER = multiprocessing.get_context("forkserver" if hasattr(os, "fork") else "spawn")
SERVER.set_forkserver_preload(["lightlathe.cli.main", "lightlathe.pipeline", "lightlathe.dose.kernels.cpu", "h5py"])
PATIENCE_S = 300.0


def begun(folder: Path, *argv: str, processes: int = 1, before: Callable[[], None] | None = None) -> list[BaseProcess]:
    """`lightlathe argv` in a folder, in several processes as torchrun starts them; what they say goes to said.N there.

    before   a function of a module, called in each process first
    """
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    shared = {"WORLD_SIZE": str(processes), "MASTER_ADDR": "127.0.0.1", "MASTER_PORT": str(port)}
    own = [shared | {"RANK": str(rank), "LOCAL_RANK": str(rank)} if processes > 1 else {} for rank in range(processes)]
    runs = [SERVER.Process(target=_run, args=(folder, argv, each, before)) for each in own]
    for run in runs:
        run.start()
    return runs


def ran(folder: Path, *argv: str, processes: int = 1, before: Callable[[], None] | None = None) -> tuple[int, str]:
    """The same to its end: the exit code of the first process that failed, 0 if none did, and what all said."""
    runs = begun(folder, *argv, processes=processes, before=before)
    for run in runs:
        run.join(PATIENCE_S)
        if run.exitcode is None:
            run.kill()
    said = "".join((folder / f"said.{rank}").read_text() for rank in range(processes))
    return next((run.exitcode for run in runs if run.exitcode), 0), said


def stopped(at: int = 0) -> None:
    """The state is written after each iteration, from iteration `at` on; then the run ends as Ctrl-C would end it."""
    from lightlathe.cli import progress

    def once(keeper: progress.Keeper) -> None:
        write(keeper)
        if keeper.last is not None and keeper.last[0]["iteration"] >= at:
            raise KeyboardInterrupt

    progress.OFTEN_S = progress.SHARE = 0
    write, progress.Keeper.write = progress.Keeper.write, once


def slow() -> None:
    """The state is written after each iteration, and a pause follows: a kill falls in the middle of something."""
    from lightlathe.cli import progress

    def paused(keeper: progress.Keeper, *of: Any) -> None:
        call(keeper, *of)
        time.sleep(0.01)

    progress.OFTEN_S = progress.SHARE = 0
    call, progress.Keeper.__call__ = progress.Keeper.__call__, paused


def _run(folder: Path, argv: tuple[str, ...], own: dict[str, str], before: Callable[[], None] | None) -> None:
    os.environ.update(own | {"CUDA_VISIBLE_DEVICES": "", "OMP_NUM_THREADS": "1"})
    os.chdir(folder)
    said = os.open(f"said.{own.get('RANK', 0)}", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    for number in (1, 2):
        os.dup2(said, number)
    if before is not None:
        before()
    from lightlathe.cli.main import main

    sys.exit(main(list(argv)))
