"""The real loop of `solve` on one card, solver by solver: milliseconds an iteration, and the share beside A and A'.

Called by `python benchmarks/gpu_kernels.py --solvers`. "alone" is what A and A' take by themselves from float32 to
float32, right before the loop; "inside" what they take in it, where they are told the most light and may be handed the
slope in halves. The share is of what an iteration takes more than A and A' alone. "passes" times each function of one
pass alone and divides the bytes it must touch by that time.
"""

import math
import statistics
import time
from collections.abc import Callable

import torch
from torch import Tensor

from lightlathe.beams import Telecentric
from lightlathe.dose import Backend, DoseOperator
from lightlathe.gpu.forms import form_for, keep_if, value_and_gradient
from lightlathe.gpu.packed import LaidOut
from lightlathe.losses import GapHinge, SoftWindow
from lightlathe.quantities import Grid, Optics, Target
from lightlathe.solve import AcceleratedGradient, Adam, BoundedLBFGS, Filtered, FreeSetRamp, Problem, normalised, solve
from lightlathe.solve.metrics import Figures
from lightlathe.solve.moves import Coded, Move, Point

TILES = (
    (128, 64, 32, 4, 3, 168), (128, 64, 64, 8, 3, 255), (128, 32, 64, 8, 3, 255), (64, 32, 64, 4, 3, 168),
    (64, 64, 32, 4, 3, 96), (64, 64, 32, 4, 3, 168), (256, 64, 32, 8, 3, 255), (128, 64, 32, 4, 4, 168),
    (128, 128, 32, 4, 2, 168), (128, 32, 32, 4, 4, 168),
)  # fmt: skip


def wavy(
    voxels: int, angles: int, slices: int, device: torch.device, kernel: str = "auto"
) -> tuple[DoseOperator, Target]:
    """A vial filled by a sponge of sine waves, light falling to 1/e over the vial's radius."""
    angle = torch.arange(angles, dtype=torch.float64) * (math.tau / angles)
    chords = Telecentric().chords(angle_rad=angle, columns=voxels, rows=slices, pixel_mm=0.1)
    grid = Grid((voxels, voxels, slices), voxel_mm=0.1)
    operator = DoseOperator(Optics(chords, voxels * 0.05, 20 / voxels), grid, Backend(kernel, device))
    x = torch.linspace(-1, 1, voxels, device=device)
    inside = (x[:, None, None] ** 2 + x[None, :, None] ** 2 < 1).expand(operator.dose_shape)
    wave, along = torch.sin(9 * x), torch.sin(9 * torch.linspace(-1, 1, slices, device=device))
    solid = (wave[:, None, None] + wave[None, :, None] + along[None, None, :] > 0) & inside
    return operator, Target(solid, inside & ~solid)


class Clock:
    """Moments on the device's own clock, which marking does not wait for."""

    def __init__(self, device: torch.device) -> None:
        self.device = device

    def mark(self):
        if self.device.type != "cuda":
            return time.perf_counter()
        event = torch.cuda.Event(enable_timing=True)
        event.record()
        return event

    def ms(self, begin, end) -> float:
        """Waits for `end`."""
        if self.device.type != "cuda":
            return 1e3 * (end - begin)
        end.synchronize()
        return begin.elapsed_time(end)

    def of(self, work: Callable[[], object], repeats: int = 9) -> float:
        work()
        marks = []
        for _ in range(repeats):
            begin = self.mark()
            work()
            marks.append((begin, self.mark()))
        return statistics.median(self.ms(*pair) for pair in marks)


class Timed:
    """An operator that marks the time before and after each product."""

    def __init__(self, operator: DoseOperator, clock: Clock) -> None:
        self.operator, self.clock, self.spent = operator, clock, {"A": [], "A'": []}

    def __getattr__(self, name: str):
        return getattr(self.operator, name)

    def within(self, light: float) -> "Timed":
        twin = Timed(self.operator.within(light), self.clock)
        twin.spent = self.spent
        return twin

    def gradient_of(self, loss: Callable, dose: Tensor, target: Target) -> tuple[Tensor, Tensor]:
        value, slope = value_and_gradient(loss, dose, target, self.operator.workspace())
        return value, self.transpose(slope)

    def _run(self, name: str, product: Callable[[Tensor], Tensor], x: Tensor) -> Tensor:
        begin = self.clock.mark()
        made = product(x)
        self.spent[name].append((begin, self.clock.mark()))
        return made

    def __call__(self, patterns: Tensor) -> Tensor:
        return self._run("A", self.operator, patterns)

    def transpose(self, dose: Tensor) -> Tensor:
        return self._run("A'", self.operator.transpose, dose)

    def mean_ms(self, name: str) -> float:
        return statistics.mean(self.clock.ms(*pair) for pair in self.spent[name])


MEMBERS: tuple[tuple[object, object], ...] = (
    (FreeSetRamp(), GapHinge()),
    (Adam(), GapHinge()),
    (AcceleratedGradient(), GapHinge()),
    (BoundedLBFGS(), GapHinge()),
    (BoundedLBFGS(), SoftWindow(stages=1)),
    (BoundedLBFGS(memory=10), SoftWindow(stages=1)),
)


def loops(voxels: int, angles: int, device: torch.device, kernel: str = "auto", iterations: int = 20) -> None:
    """One row a solver: `iterations` of the real loop with its log, after some that compile and claim memory."""
    clock, every = Clock(device), 5  # as solve.logged_every says of a card
    raw, target = wavy(voxels, angles, voxels, device, kernel)
    operator = normalised(raw, target)
    start = Filtered()(Problem(operator, GapHinge(), target))
    for solver, loss in MEMBERS:
        name = type(solver).__name__
        if isinstance(solver, BoundedLBFGS):
            name += f" ({solver.memory} pairs)"
        if device.type == "cuda":
            torch.cuda.empty_cache()
            torch.cuda.reset_peak_memory_stats()
        timed, begun = Timed(operator, clock), []
        dose = operator(start)
        alone = clock.of(lambda: operator(start)), clock.of(lambda dose=dose: operator.transpose(dose))
        del dose

        def begin_after_the_first(row: dict[str, float], timed: Timed = timed, begun: list = begun) -> None:
            if row["iteration"] == every:
                for marks in timed.spent.values():
                    marks.clear()
                begun.append(clock.mark())

        try:
            problem = Problem(timed, loss, target)
            count = every + 1 + iterations
            solve(problem, solver, start, iterations=count, log_every=every, on_iteration=begin_after_the_first)
            ms = clock.ms(begun[0], clock.mark()) / iterations
        except torch.OutOfMemoryError:
            print(f"| {voxels}/{angles} | {raw.kernel} | {name} | {type(loss).__name__} | does not fit |")
            continue
        a, back = timed.mean_ms("A"), timed.mean_ms("A'")
        both = sum(alone)
        peak = torch.cuda.max_memory_allocated() / 2**30 if device.type == "cuda" else math.nan
        numbers = (
            f"{ms:.2f} | {alone[0]:.2f} | {alone[1]:.2f} | {a:.2f} | {back:.2f} | {ms - both:.2f} | "
            f"{100 * (1 - both / ms):.1f} % | {peak:.1f}"
        )
        print(f"| {voxels}/{angles} | {raw.kernel} | {name} | {type(loss).__name__} | {numbers} |", flush=True)


def row(clock: Clock, name: str, count: float, nbytes: int, work: Callable[[], object]) -> None:
    """One row; count: arrays of nbytes that the function must read or write."""
    ms = clock.of(work)
    print(f"| {name} | {count} | {ms:.2f} | {count * nbytes / ms / 1e6:.0f} |", flush=True)


def step_passes(voxels: int, angles: int, device: torch.device) -> None:
    """Each function of one pass over arrays as large as the patterns, alone."""
    clock, shape = Clock(device), (angles, voxels, voxels)
    x, y, g, h, v = (torch.rand(shape, device=device) for _ in range(5))
    yes, no = torch.ones((), dtype=torch.bool, device=device), torch.zeros((), dtype=torch.bool, device=device)
    one, limit = torch.ones((), dtype=torch.float64, device=device), 10.0
    adam, fast, ramp, pairs = (form_for(name, x) for name in ("adam", "accelerated", "free_set", "lbfgs"))
    scales = torch.stack([one, one])
    solver = BoundedLBFGS()
    memory = solver.begin(x, None)  # pyright: ignore
    pair, change = Coded(memory["pairs"], memory["scales"]), Coded(memory["change"], memory["change_scales"])
    move = Move(yes, Point(x, g), Point(y, h))
    m, slot = solver.memory, torch.zeros(1, device=device, dtype=torch.int64)
    factors = torch.ones(2 * m + 1, device=device, dtype=torch.float64)
    loose = ramp.looked(yes, x, y, g, limit=limit)[1]
    works: list[tuple[str, float, Callable[[], object]]] = [
        ("keep_if, better", 2, lambda: keep_if(yes, x, y)),
        ("keep_if, not better", 0, lambda: keep_if(no, x, y)),
        ("adam.step", 7, lambda: adam.step(x, g, h, v, scales, keeps=(0.9, 0.999), limit=limit)),
        ("accelerated.turned", 4, lambda: fast.turned(x, y, g, h)),
        ("accelerated.carried", 5, lambda: fast.carried(y, g, x, one, one, limit=limit)),
        ("free_set.looked", 3.5, lambda: ramp.looked(yes, x, y, g, limit=limit)),
        ("free_set.stepped", 2.5, lambda: ramp.stepped(x, loose, one, no, change=1.0, limit=limit)),
        ("free_set.stepped, first", 4, lambda: ramp.stepped(x, loose, one, yes, change=1.0, limit=limit)),
        (f"lbfgs.learnt, {m} pairs", 3.75 + m / 2,
         lambda: pairs.learnt(move, yes, slot, change, pair, limit=limit)),
        (f"lbfgs.combined, {m} pairs", 3.25 + m / 2,
         lambda: pairs.combined(move, pair, factors, one, limit=limit)),
    ]  # fmt: skip
    for name, count, work in works:
        row(clock, name, count, x.nbytes, work)
    if x.is_cuda:
        tiles(clock, x, loose)


def dose_passes(voxels: int, device: torch.device) -> None:
    """The same of the dose; two masks count as half of it. Only the figures run without a card."""
    clock, dose = Clock(device), torch.rand(voxels, voxels, voxels, device=device)
    solid = dose > 0.5
    target = Target(solid, ~solid)
    if dose.is_cuda:
        room = LaidOut.empty((voxels, voxels, voxels), 2**25, device, dose_at_most=1.0)
        for name, place in (("float32", None), ("laid out", room)):
            for loss, count in ((GapHinge(), 2.5), (SoftWindow(), 4)):
                called = f"{type(loss).__name__} fused, {name} (dose)"
                row(clock, called, count, dose.nbytes, lambda a=loss, b=place: value_and_gradient(a, dose, target, b))
    row(clock, "figures alone (dose)", 1.5, dose.nbytes, lambda: Figures.of(dose, target))


def tiles(clock: Clock, x: Tensor, loose: Tensor) -> None:
    """The ramp's tile shapes: columns made, columns taken at a time, rows, warps, loads ahead, registers."""
    from lightlathe.solve.gpu import free_set as ramp

    names = "OUT", "IN", "ROWS", "WARPS", "STAGES", "REGISTERS"
    no, one = torch.zeros((), dtype=torch.bool, device=x.device), torch.ones((), dtype=torch.float64, device=x.device)
    for shape in (*TILES, tuple(getattr(ramp, name) for name in names)):
        for name, value in zip(names, shape, strict=True):
            setattr(ramp, name, value)
        ramp.halves.cache_clear()
        stepped = clock.of(lambda: ramp.stepped(x, loose, one, no, change=1.0, limit=10.0), 5)
        print(f"| ramp tile {shape} | | {stepped:.2f} | |", flush=True)


def report(sizes: tuple[tuple[int, int], ...], device: torch.device) -> None:
    print(
        "\n| size | kernel | solver | loss | ms | A alone | A' alone | A inside | A' inside | more | share | GiB |\n"
        + "| --- " * 12 + "|"
    )  # fmt: skip
    for voxels, angles in sizes:
        loops(voxels, angles, device)
    if device.type == "cuda":
        loops(*sizes[0], device, "triton")
    print("\n| pass | passes | ms | GB/s |\n" + "| --- " * 4 + "|")
    for voxels, angles in sizes[:1]:
        step_passes(voxels, angles, device)
        dose_passes(voxels, device)
