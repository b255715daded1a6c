"""Several processes on paper, and counted: what each of them computes, holds, sends and writes.

    python benchmarks/scaling.py MESHES [2048/1440 1024/720] [--limit-gb 64] [--processes 1 2 4 8 16 32 64]
    python benchmarks/scaling.py --count [--processes 1 2 4]     # on this machine, through gloo; needs unshare and ip

The jobs are those of benchmarks/slices.py (telecentric light, one row of pixels a slice, every slice with part taken to
be unlike the others), 400 iterations: a pass of 300, and one of 100 over all slices. Slabs come from flow/slabs.py and
are shared out as solve/slabs.py does it. Seconds are those that benchmarks/JOBS.md has of one H200; nothing here was
measured on several cards.

`--count` designs a ball with so many processes in a network of their own (`unshare -n`), and compares the bytes that
went through its loopback with those on paper.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import torch

from lightlathe.flow.distinct import distinct
from lightlathe.flow.formulation import problem_of
from lightlathe.flow.lit import field_of
from lightlathe.flow.prepare import prepare
from lightlathe.flow.slabs import Slabs, need_of, shared_evenly, slabs_within
from lightlathe.flow.solids import lay_out, load_solids
from lightlathe.job import Job, parse_job
from slices import JOB, PARTS, RADIUS_MM

PASSES = (300, 100)  # iterations of a design that is done after 400: flow/until_done.py
# seconds of one H200 with 16 cores, benchmarks/JOBS.md: an iteration of the gyroid; what every process does before the
# first; what the first does after the last, in slabs, a proof left out (another process makes it meanwhile); what one
# process takes beside its iterations where memory holds all slices at once, without a proof
SECONDS = {
    "2048/1440": {
        "iteration": 86.1 / 60,
        "each": 47.6 + 24.8,
        "first": {"judging": 79.3, "file": 56.2, "exposures": 31.8, "levels": 29.6},
    },
    "1024/720": {
        "iteration": 35.1 / 500,
        "each": 11.7,
        "first": {"judging": 17.7, "exposures": 6.1, "levels": 7.1, "file": 3.2},
        "all at once": 3.4 + 2.8 + 5.6 + 3.2,
    },
}
BLOCK = 256  # slices that the fast kernels of an H200 take at a time, 128 or as many: benchmarks/JOBS.md
GB_S = 1.0  # of what a process receives from others: assumed, not measured


@dataclass(frozen=True)
class Shared:
    """A design shared out to some processes.

    slab      slices at a time;   rounds   of slabs in a pass;   waits   slices that the slowest designs in a pass
    blocks  the same, with every slab rounded up to whole BLOCKs
    lanes     slices that are designed
    device    bytes of a slab on a card;   main   of each process's main memory: part packed, all patterns
    writes    of the first besides: levels
    sent      by one process to each other in a pass;   received   by one from all others in a pass
    """

    slab: int
    rounds: int
    waits: int
    blocks: int
    lanes: int
    device: float
    main: float
    writes: float
    sent: float
    received: float

    def even(self, processes: int) -> float:
        """Work of a process over that of the slowest: 1 where all do as much."""
        return self.lanes / (processes * self.waits)


def shared(job: Job, processes: int, limit: float, lanes: int | None = None) -> Shared:
    """How a design of a job on cards with `limit` bytes for arrays is shared out; where `lanes` is left out, all slices
    between the ends of the part are designed."""
    solids, _ = load_solids(job)
    grid = lay_out(job, solids).grid
    field, design, angles = field_of(job, solids, grid), job.design, job.turn.angles
    part = [solid.form.bounds_mm for solid in solids if solid.role == "part"]
    low, high = (pick(float(box[end, 2]) for box in part) for pick, end in ((min, 0), (max, 1)))
    z = grid.centres_mm(2)
    lanes = lanes or int(((z > low) & (z < high)).sum())
    need = need_of(
        grid, (angles, field.lit_columns, field.lit_rows), solver=design.solver, loss=design.loss, device="cuda",
        finer=job.grid.finer,
    )  # fmt: skip
    found = slabs_within(limit, need, grid, job.grid.finer, "cuda")
    if not isinstance(found, Slabs):
        raise SystemExit(f"not one slice fits {limit / 1e9:g} GB")
    nz = grid.shape[2]
    slab = found.at_most(design.slab_slices, processes, nz, job.grid.finer).design or nz
    if processes > 1 and not design.slab_slices:
        slab = shared_evenly(lanes, slab, processes)
    groups = [len(here) for here in torch.arange(lanes).split(slab)]
    rounds = [groups[first : first + processes] for first in range(0, len(groups), processes)]
    of_slice = 2 * angles * field.lit_columns  # bytes: patterns in half precision
    own = sum(round_[0] for round_ in rounds)  # of the process that has the most
    return Shared(
        slab, len(rounds), sum(map(max, rounds)), BLOCK * sum(-(-max(round_) // BLOCK) for round_ in rounds), lanes,
        device=need.design * slab,
        main=2.0 * grid.voxels + of_slice * lanes,
        writes=angles * field.lit_columns * field.lit_rows,
        sent=own * (of_slice + 8.0),
        received=(lanes - own) * (of_slice + 8.0),
    )  # fmt: skip


def on_paper(meshes: Path, name: str, counts: list[int], limit_gb: float) -> None:
    across, angles = (int(number) for number in name.split("/"))
    mesh, scale = PARTS["gyroid"]
    text = JOB.format(
        mesh=(meshes / mesh).resolve(), scale=scale, voxel=2 * RADIUS_MM / across, across=across, angles=angles
    )
    job = parse_job(text, name="scaling", folder=Path())
    took = SECONDS[name]
    iterations_s, after_s = sum(PASSES) * took["iteration"], sum(took["first"].values())
    beside_s = took.get("all at once", took["each"] + after_s)
    alone_s, alone = iterations_s + beside_s, shared(job, 1, 1e9 * limit_gb)
    print(f"\n### gyroid {name}, {limit_gb:g} GB of a card for arrays, {sum(PASSES)} iterations\n")
    print(
        "| processes | slices a slab, rounds | even | a card, GB | main memory of each, GB | sent, received by one in "
        "a pass, GB | iterations by slices, by blocks, s | exchange at 1 GB/s, s | job by slices, s | times as fast: "
        "iterations by slices, by blocks, job |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for count in counts:
        plan = shared(job, count, 1e9 * limit_gb)
        design_s = iterations_s * plan.waits / plan.lanes
        in_blocks_s = iterations_s * plan.blocks / alone.blocks
        exchange_s = len(PASSES) * plan.received / 1e9 / GB_S if count > 1 else 0.0
        job_s = design_s + exchange_s + took["each"] + after_s if count > 1 else alone_s
        received = plan.received if count > 1 else 0.0
        print(
            f"| {count} | {plan.slab}, {plan.rounds} | {plan.even(count):.2f} | {plan.device / 1e9:.1f} | "
            f"{plan.main / 1e9:.1f} | {plan.sent / 1e9 if count > 1 else 0:.2f}, {received / 1e9:.2f} | "
            f"{design_s:.0f}, {in_blocks_s:.0f} | {exchange_s:.0f} | {job_s:.0f} | {iterations_s / design_s:.1f}, "
            f"{iterations_s / in_blocks_s:.1f}, {alone_s / job_s:.1f} |"
        )
    print(
        f"\n{plan.lanes} slices hold part. Levels: {plan.writes / 1e9:.1f} GB in the first process alone. After the "
        f"iterations, first process: {', '.join(f'{what} {s:g} s' for what, s in took['first'].items())}; each process "
        f"before them: {took['each']:.0f} s."
    )


BALL = """
[part]
shape = { kind = "sphere", radius_mm = 4.0, at_mm = [0, 0, 0.03] }
[vial]
inner_diameter_mm = 10
resin_height_mm = 12
[resin]
absorption_per_mm = 0.1
liquid_below_mj_cm3 = 40
solid_above_mj_cm3 = 44
[light]
pixel_mm = 0.1
columns = 100
rows = 100
irradiance_mw_cm2 = 20
[turn]
angles = 180
seconds_per_turn = 12
motion = "stepped"
[grid]
voxel_mm = 0.1
finer = 1
[design]
iterations = 3
bound_iterations = 0
device = "cpu"
"""
# what each process hands to gloo, as it is asked to
DRIVER = """
import json, os, sys, torch
told = 0
plain = torch.distributed.broadcast
def broadcast(tensor, src=None, *args, **more):
    global told
    told += tensor.nbytes * (torch.distributed.get_rank() == src)
    return plain(tensor, src, *args, **more)
torch.distributed.broadcast = broadcast
from lightlathe.cli.main import main
code = main(["design", "ball.toml", "-o", "a.h5", "--force"])
open("told" + os.environ.get("RANK", "0"), "w").write(json.dumps(told))
sys.exit(code if os.environ.get("WORLD_SIZE", "1") != "1" else 0)
"""


def counted(processes: int) -> None:
    """What went through the loopback of a design by some processes, and what does on paper; prints a line."""
    job = parse_job(BALL, name="ball", folder=Path())
    problem = distinct(problem_of(prepare(job)), job.design.solver).problem
    plan = shared(job, processes, 1e12, problem.operator.dose_shape[2])
    run = [sys.executable, "-m", "torch.distributed.run", "--standalone", "--nproc-per-node", str(processes)]
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "ball.toml").write_text(BALL)
        (Path(folder) / "driver.py").write_text(DRIVER)
        inner = " ".join([*(run if processes > 1 else [sys.executable]), "driver.py"])
        script = f"ip link set lo up && {inner} >said 2>&1; echo $? >code; cat /proc/net/dev >net"
        env = os.environ | {"CUDA_VISIBLE_DEVICES": "", "OMP_NUM_THREADS": "1", "GLOO_SOCKET_IFNAME": "lo"}
        subprocess.run(["unshare", "-n", "sh", "-c", script], cwd=folder, env=env, check=True)
        if int((Path(folder) / "code").read_text()):
            raise SystemExit((Path(folder) / "said").read_text()[-2000:])
        (line,) = (row for row in (Path(folder) / "net").read_text().splitlines() if row.strip().startswith("lo:"))
        through = int(line.split(":")[1].split()[0])
        told = [json.loads((Path(folder) / f"told{rank}").read_text()) for rank in range(processes)]
    paper, handed = plan.sent + plan.received, sum(told)
    print(
        f"{processes} processes: {plan.lanes} slices, {plan.slab} a slab, {plan.rounds} rounds. On paper "
        f"{paper / 1e6:.4f} MB of patterns, {paper * (processes - 1) / 1e6:.4f} to all others. Handed to gloo "
        f"{handed / 1e6:.4f} MB; through the loopback {through / 1e6:.4f} MB",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("meshes", type=Path, nargs="?")
    parser.add_argument("sizes", nargs="*", default=list(SECONDS))
    parser.add_argument("--limit-gb", type=float, default=64.0)
    parser.add_argument("--processes", type=int, nargs="+")
    parser.add_argument("--count", action="store_true")
    arguments = parser.parse_args()
    if arguments.count:
        for processes in arguments.processes or (1, 2, 4):
            counted(processes)
        return
    for name in arguments.sizes:
        on_paper(arguments.meshes, name, arguments.processes or [1, 2, 4, 8, 16, 32, 64], arguments.limit_gb)


if __name__ == "__main__":
    main()
