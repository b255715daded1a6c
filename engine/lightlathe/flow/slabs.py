"""Slabs: how many slices of a job are worked on at a time, so that its arrays fit the memory there is.

Where memory allows, all of them. Else what is designed, lit and judged at a time is a slab of the grid; whole volumes
(the part, its dose) are then held packed in main memory, patterns in half precision, whatever device computes.
"""

import math
from dataclasses import dataclass, replace

import torch

from lightlathe.errors import JobError
from lightlathe.job import Job
from lightlathe.quantities import Field, Grid
from lightlathe.solve import copies
from lightlathe.support.memory import PROGRAM_BYTES, free_bytes
from lightlathe.support.ranks import ranks
from lightlathe.support.words import amount, size

MEMORY_SHARE = 0.8  # of the free memory; the rest is for other processes (no source)
COUNTED, COUNTED_BYTES, TABLES_BYTES = 1 << 24, 18, 0.05e9  # voxels at a time while figures are counted: judge/order.py
TOGETHER = 16  # slabs hold a multiple of so many slices, where they hold more: kernels work on as many at a time
# bytes a voxel of a slab, beside the views: dose and a copy of it, coverage while it is counted, judged, solid, masks
JUDGING = {"cpu": 16, "cuda": 36}
WHOLE = 4 + 1 + 4 + 1  # a voxel of the whole grid that is held at once: coverage, judged, dose, solid
WHOLE_FINE, WHOLE_PATTERNS = (
    1 + 1,
    4 + 4 + 1,
)  # of the finer grid: judged, solid; a lit pixel: patterns, fractions, levels
# the same of slabs: volumes packed, patterns in half precision, levels twice while they are chosen; benchmarks/JOBS.md
HELD, HELD_FINE, HELD_PATTERNS = 2.0, 0.2, 2 + 1 + 1
CODES = 0.25  # a voxel of the whole grid, on the job's device: what is judged, looked at pass after pass


@dataclass(frozen=True)
class Slabs:
    """How many slices are in memory at a time.

    design      of the job's grid, in a design of slices that have patterns of their own; None: all
    dose, fine  of the job's grid and of the finer one, while their dose is computed and judged; None: all
    limit_bytes     what arrays on the job's device may take
    """

    design: int | None = None
    dose: int | None = None
    fine: int | None = None
    limit_bytes: float = math.inf

    def at_most(self, slices: int | None, processes: int, nz: int, finer: int) -> "Slabs":
        """The same, of no more slices than a job asks for; where it does not say, so few of the `nz` that each process
        has a slab."""
        if slices is None and processes == 1:
            return self
        design = min(self.design or nz, nz, slices or -(-nz // processes))
        fine = self.fine if finer == 1 or self.fine is not None else min(nz * finer, design * finer)
        return replace(self, design=design, dose=min(self.dose or nz, design), fine=fine)

    def where(self, device: torch.device) -> torch.device:
        """The device on which whole volumes lie."""
        return device if self.design is None else torch.device("cpu")


@dataclass(frozen=True)
class Need:
    """Bytes that the arrays of a job take.

    design      a slice of the job's grid, while it is designed
    dose, fine  a slice of the job's grid, of the finer one, while its dose is computed and judged
    held        in main memory all along, where it goes in slabs
    whole       in main memory, where it does not
    """

    design: float
    dose: float
    fine: float
    held: float
    whole: float

    def main(self, slabs: Slabs) -> float:
        """Bytes of main memory that the record of a design takes all along."""
        return self.whole if slabs.design is None else self.held


def need_of(
    grid: Grid, patterns: tuple[int, int, int], *, solver: object, loss: object, device: str, finer: int,
    scenarios: int = 0, parts: int = 1, bins: float = 1.0,
) -> Need:  # fmt: skip
    """What a design of these (angle, column, row) lit patterns needs.

    scenarios   designed for together, 0 for a plain design
    parts       that the design cuts an image's step into
    bins        of a view for each column and image, where light is sorted into views or onto finer bins
    """
    (nx, ny, _), (angles, columns, _) = grid.shape, patterns
    arrays, volumes = copies(solver, loss, device)
    volumes *= max(1, scenarios)
    if parts > 1:  # the sum of the parts, and the part that is added
        arrays, volumes = arrays + 1, volumes + 1
    rows = max(1.0, patterns[2] / grid.shape[2])  # that light a slice
    image, views = 4.0 * angles * columns * rows, 4.0 * angles * columns * (bins if bins > 1 else 0)
    layer = float(nx * ny)
    fine = grid.finer(finer)
    finely, pixels = fine.voxels if finer > 1 else 0, math.prod(patterns)
    return Need(
        design=image * arrays + views + 4 * volumes * layer,
        dose=2 * image + views + JUDGING[device] * layer,
        fine=2 * image + views + JUDGING[device] * layer * finer**2,
        held=HELD * grid.voxels + HELD_PATTERNS * pixels + HELD_FINE * finely,
        whole=WHOLE * grid.voxels + WHOLE_PATTERNS * pixels + WHOLE_FINE * finely,
    )


def slabs_of(job: Job, grid: Grid, field: Field, device: torch.device, *, parts: int = 1, bins: float = 1.0) -> Slabs:
    """The slabs of a job: within `memory_limit_gb` of [design], or within what is available.

    JobError where not even one slice fits.
    """
    design = job.design
    need = need_of(
        grid, (job.turn.angles, field.lit_columns, field.lit_rows), solver=design.solver, loss=design.loss,
        device=device.type, finer=job.grid.finer, scenarios=design.scenarios, parts=parts, bins=bins,
    )  # fmt: skip
    limit = limit_of(design.memory_limit_gb, free_bytes(device), device.type)
    if job.light.rows_spread:
        if design.slab_slices is not None or ranks().size > 1:
            raise JobError(
                "the rows of this beam spread over all slices, so they cannot be designed slab by slab, nor by several "
                "processes.\n  One process without slab_slices in [design] would do, or a telecentric beam."
            )
        whole = need.whole + max(need.design, need.fine * job.grid.finer) * grid.shape[2]
        if design.memory_limit_gb is not None and whole > limit:
            raise JobError(
                f"memory_limit_gb in [design] leaves {size(max(limit, 0.0))} for arrays on {device}; the rows of this "
                f"beam spread over all slices, which take {size(whole)} together.\n  Larger voxels or finer = 1 in "
                "[grid], or a larger memory_limit_gb would do."
            )
        return Slabs(limit_bytes=limit)
    found = slabs_within(limit, need, grid, job.grid.finer, device.type)
    if isinstance(found, Slabs):
        main = MEMORY_SHARE * free_bytes(torch.device("cpu"))
        if device.type != "cpu" and found.design is None and need.whole > main >= need.held:
            found = found.at_most(grid.shape[2], 1, grid.shape[2], job.grid.finer)  # all at a time, the record packed
        _require_main(need, main, found, device)
        return found.at_most(design.slab_slices, ranks().size, grid.shape[2], job.grid.finer)
    what = "the available memory" if design.memory_limit_gb is None else "memory_limit_gb in [design]"
    least_gb = (found + (PROGRAM_BYTES if device.type == "cpu" else 0.0)) / 1e9
    raise JobError(
        f"{what} leaves {size(max(limit, 0.0))} for arrays on {device}; one slice at a time takes {size(found)}."
        f"\n  memory_limit_gb = {amount(math.ceil(least_gb * 100) / 100)} would do where so much is available; larger "
        "voxels in [grid], fewer angles in [turn] or finer = 1 in [grid] take less."
    )


def _require_main(need: Need, free: float, slabs: Slabs, device: torch.device) -> None:
    """JobError where main memory does not hold what is not on a card."""
    held = need.main(slabs)
    if device.type != "cpu" and held > free:
        raise JobError(
            f"the part, its patterns and its dose take about {size(held)} of main memory, and {size(free)} of it can "
            "be taken.\n  Larger voxels in [grid] or fewer angles in [turn] take less."
        )


def limit_of(asked_gb: float | None, free: float, device: str) -> float:
    """Bytes that arrays may take: of a limit for the whole program, on a CPU, its own are left out."""
    if asked_gb is None:
        return MEMORY_SHARE * free
    return 1e9 * asked_gb - (PROGRAM_BYTES if device == "cpu" else 0.0)


def slabs_within(limit: float, need: Need, grid: Grid, finer: int, device: str) -> Slabs | float:
    """The slabs that take no more than `limit` bytes; where not even one slice fits, what that would take."""
    nz, scratch = grid.shape[2], TABLES_BYTES + COUNTED_BYTES * min(COUNTED, grid.voxels * finer**3)
    whole = WHOLE * grid.voxels
    if whole + need.design * nz <= limit:
        fine = int((limit - whole - scratch) // need.fine)
        if fine >= nz * finer or finer == 1:
            return Slabs(limit_bytes=limit)
        if fine >= 1:
            return Slabs(fine=_rounded(fine, nz * finer), limit_bytes=limit)
    left = limit - CODES * grid.voxels - (need.held if device == "cpu" else 0)
    designed, judged = int(left // need.design), int((left - scratch) // need.dose)
    fine = int((left - scratch) // need.fine)
    if min(designed, judged, fine) < 1:
        in_slabs = limit - left + max(need.design, scratch + max(need.dose, need.fine))
        return min(in_slabs, whole + max(need.design * nz, scratch + need.fine))
    return Slabs(_rounded(designed, nz), _rounded(judged, nz), _rounded(fine, nz * finer), limit)


def shared_evenly(slices: int, most: int, processes: int) -> int:
    """Slices of a slab, `most` at most, so that processes that each take one in a round have about as much to do, in as
    few rounds as can be; a multiple of TOGETHER where there are several."""
    rounds = -(-slices // (most * processes))
    even = -(-slices // (rounds * processes))
    return even if rounds == 1 or even < TOGETHER else min(most, -(-even // TOGETHER) * TOGETHER)


def _rounded(count: int, most: int) -> int:
    """Slices of each of the fewest slabs of at most `count`, about equal; a multiple of TOGETHER where it is larger."""
    if count >= most:
        return most
    even = -(-most // -(-most // count))
    return min(count // TOGETHER * TOGETHER, -(-even // TOGETHER) * TOGETHER) if count >= TOGETHER else even
