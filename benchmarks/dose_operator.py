"""The dose operator alone: every kernel of a device, its share of the machine's limits, and what changes its speed.

    python benchmarks/dose_operator.py [--device cuda] [--sizes thumb,hand] [--rounds 5]

Rows of one size take turns, round after round, so that a busy moment of a shared host does not fall on one of them.
GUPS count voxels x angles of the whole square. Of the limits: FMA counts two multiply-adds an update against a loop of
multiply-adds in registers (kernels on matrix units: 16 against float16 products); memory counts inputs and outputs
once against a copy. Variants: half the slices dark, pixels half a voxel wide
(rows onto slices included), the axis off, chords as a bare vial bends them, one thread.
"""

import argparse
import statistics
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import torch

from lightlathe.beams import Telecentric, full_turn
from lightlathe.bench.ceilings import ceilings
from lightlathe.bench.machine import machine
from lightlathe.bench.measure import ON_SCALAR_UNITS, WORK
from lightlathe.bench.timing import timed
from lightlathe.bench.verify import errors
from lightlathe.bench.workloads import WORKLOADS, Workload
from lightlathe.dose import Backend, DoseOperator
from lightlathe.dose.kernels import KERNELS
from lightlathe.errors import KernelUnavailable
from lightlathe.quantities import Optics


@dataclass
class Row:
    """One thing that is timed, round after round."""

    name: str
    work: Workload
    kernel: str
    call: Callable[[], object]
    threads: int | None = None
    seconds: list[float] = field(default_factory=list)

    def once(self, device: torch.device) -> None:
        before = torch.get_num_threads()
        torch.set_num_threads(self.threads or before)
        self.seconds.append(timed(self.call, device, for_s=0, min_runs=1).fastest)
        torch.set_num_threads(before)


def finer_pixels(work: Workload, device: torch.device) -> DoseOperator:
    """The same vial and voxels, pixels half as wide."""
    pixel, columns = work.grid.voxel_mm / 2, 2 * work.voxels
    chords = Telecentric().chords(angle_rad=full_turn(work.angles), columns=columns, rows=columns, pixel_mm=pixel)
    return DoseOperator(Optics(chords, work.radius_mm, 0.5 / work.radius_mm), work.grid, Backend(device=device))


def off_axis(work: Workload, device: torch.device, bent: bool) -> DoseOperator:
    """The same vial and voxels, a third of a pixel off; bent: as n = 1.5 does in air, over 0.7 of the vial's width."""
    pixel = work.grid.voxel_mm
    chords = Telecentric().chords(
        angle_rad=full_turn(work.angles),
        columns=work.voxels,
        rows=work.voxels,
        pixel_mm=pixel,
        axis_offset_mm=pixel / 3,
    )
    if bent:
        s = 0.7 * chords.offset_mm
        turn = torch.asin(s / work.radius_mm) - torch.asin(s / (1.5 * work.radius_mm))
        chords = replace(chords, offset_mm=s / 1.5, deflection_rad=turn)
    return DoseOperator(Optics(chords, work.radius_mm, 0.5 / work.radius_mm), work.grid, Backend(device=device))


def both(
    name: str, work: Workload, operator: DoseOperator, dark: bool = False, threads: int | None = None
) -> list[Row]:
    patterns = torch.rand(operator.pattern_shape, device=operator.device)
    dose = torch.rand(operator.dose_shape, device=operator.device)
    if dark:
        patterns[:, :, : patterns.shape[2] // 2] = 0
        dose[:, :, : dose.shape[2] // 2] = 0
    return [
        Row(f"{name}, forward", work, operator.kernel, lambda: operator(patterns), threads),
        Row(f"{name}, adjoint", work, operator.kernel, lambda: operator.transpose(dose), threads),
    ]


def rows_of(work: Workload, device: torch.device) -> list[Row]:
    rows: list[Row] = []
    for kernel in KERNELS:
        for precision in ("half", "single") if device.type == "cuda" else ("single",):
            if kernel == "reference" and work.voxels > 128 and device.type == "cpu":
                continue  # minutes
            try:
                operator = work.operator(device, kernel=kernel, precision=precision)
                small = work.operator(device, kernel=kernel, precision=precision, slices=4)
            except KernelUnavailable as reason:
                print(f"{work.name}: {reason}")
                continue
            if device.type == "cuda" or work.voxels <= 128:
                found = errors(small, work)
                print(f"{work.name}, {kernel} {precision}: off by {found['error_forward']:.1e} and "
                      f"{found['error_adjoint']:.1e} of the norm")  # fmt: skip
                if not found["right"]:
                    print("  WRONG: it gets no time")
                    continue
            rows += both(f"{kernel} {precision}", work, operator)
    best = work.operator(device)
    rows += both("half the slices dark", work, best, dark=True)
    rows += both("pixels half a voxel wide", work, finer_pixels(work, device))
    rows += both("axis off", work, off_axis(work, device, bent=False))
    rows += both("bare vial", work, off_axis(work, device, bent=True))
    if device.type == "cpu" and torch.get_num_threads() > 1:
        rows += both("one thread", work, best, threads=1)
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--sizes", default="thumb,hand", help="names out of " + ", ".join(c.name for c in WORKLOADS))
    parser.add_argument("--rounds", type=int, default=5)
    arguments = parser.parse_args()
    device = torch.device(arguments.device)
    for key, value in machine(device).items():
        print(f"{key}: {value}")
    top = ceilings(device)
    print(f"at most: {', '.join(f'{key} {value:.0f}' for key, value in top.items())}")
    for work in [c for c in WORKLOADS if c.name in arguments.sizes.split(",")]:
        rows = rows_of(work, device)
        for _ in range(arguments.rounds):
            for row in rows:
                row.once(device)
        print(f"\n{work.name}: {work.voxels}^3 voxels, {work.angles} angles; fastest of {arguments.rounds} rounds")
        for row in rows:
            fastest, gups = min(row.seconds), work.updates / min(row.seconds) / 1e9
            kind = "scalar" if row.kernel in ON_SCALAR_UNITS else "matrix"
            fma = WORK[kind] * gups / top[f"{kind}_gmac_s"]
            memory = sum(work.bytes()) / fastest / 1e9 / top["copy_gb_s"]
            noise = statistics.median(row.seconds) / fastest - 1
            print(f"  {row.name:36s} {1000 * fastest:9.2f} ms {gups:9.2f} GUPS  {100 * fma:4.0f} % of FMA "
                  f"{100 * memory:4.0f} % of memory  median {100 * noise:+.0f} %")  # fmt: skip


if __name__ == "__main__":
    main()
