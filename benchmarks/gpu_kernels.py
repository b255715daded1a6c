"""The dose kernels on one NVIDIA card: speed against the card's ceilings and against torch, errors, a whole iteration.

    python benchmarks/gpu_kernels.py [--quick] [--slab] [--solvers [VOXELS/ANGLES ...]]

GUPS = nx * ny * nz * angles / time / 1e9, every voxel of the square grid counted, whatever a method skips. "in vial":
the vial's circle fits the grid; "full": it covers the grid. Times are medians of device events and hold everything
between float32 in and float32 out. A kernel that is wrong at 256 voxels gets no time.
"""

import argparse
import math
import statistics
from collections.abc import Callable

import torch
import triton
import triton.language as tl

from gpu_solvers import report, wavy
from lightlathe.dose import Views
from lightlathe.dose.kernels import KERNELS, choose, reference
from lightlathe.errors import KernelUnavailable
from lightlathe.gpu.forms import value_and_gradient
from lightlathe.gpu.packed import LaidOut
from lightlathe.gpu.triton_helpers import BLOCK, clip, launch, offsets
from lightlathe.losses import GapHinge

CARD = torch.device("cuda:0")
SIZES = ((256, 180), (512, 360), (1024, 720))
ALLOWED = {"half": 1e-3, "single": 5e-6}


def milliseconds(work: Callable[[], object], repeats: int = 7) -> float:
    work()
    torch.cuda.synchronize()
    times = []
    for _ in range(repeats):
        begin, end = torch.cuda.Event(enable_timing=True), torch.cuda.Event(enable_timing=True)
        begin.record()
        work()
        end.record()
        end.synchronize()
        times.append(begin.elapsed_time(end))
    return statistics.median(times)


def views_of(voxels: int, angles: int, precision: str, vial: float = 1.0) -> Views:
    """A full turn about a grid of unit voxels; light falls to 1/e over half the grid."""
    angle = torch.arange(angles, dtype=torch.float64) * (math.tau / angles)
    return Views(angle, voxels, 1.0, voxels, voxels, 1.0, vial * voxels / 2, 2.0 / voxels, precision)


def ceilings() -> None:
    x = torch.rand(2**29, device=CARD)
    y = torch.empty_like(x)
    print(f"copy, read + write       {2 * 4 * 2**29 / milliseconds(lambda: y.copy_(x)) / 1e6:8.0f} GB/s")
    a, b = (torch.randn(8192, 8192, device=CARD, dtype=torch.float16) for _ in range(2))
    print(f"float16 matrix product   {2 * 8192**3 / milliseconds(lambda: a @ b) / 1e9:8.0f} TFLOP/s")


def off(got: torch.Tensor, wanted: torch.Tensor) -> float:
    return float((got.double() - wanted).norm() / wanted.norm())


def errors(name: str, precision: str) -> bool:
    """Errors at 256 voxels, 180 angles, 64 slices against the reference in float64; True where they are allowed."""
    views = views_of(256, 180, precision)
    module = choose(name, views, CARD, torch.float32)[1]
    good, row = True, []
    for random in (torch.rand, torch.randn):
        light, dose = random(views.view_shape(64), device=CARD), random(views.dose_shape(64), device=CARD)
        deposited, collected = module.deposit(light, views), module.collect(dose, views)
        row += [off(deposited, reference.deposit(light.double(), views))]
        row += [off(collected, reference.collect(dose.double(), views))]
        gap = (deposited.double() * dose).sum() - (light.double() * collected).sum()
        row += [float(abs(gap) / (deposited.double().norm() * dose.double().norm()))]
        good &= max(row[-3:-1]) < ALLOWED[precision]
        good &= torch.equal(deposited, module.deposit(light, views))
        good &= torch.equal(collected, module.collect(dose, views))
    print(f"| {name} | {precision} | " + " | ".join(f"{e:.1e}" for e in row) + f" | {'yes' if good else 'NO'} |")
    return good


def gups(voxels: int, angles: int, slices: int, ms: float) -> str:
    return f"{voxels**2 * slices * angles / ms / 1e6:.0f} ({ms:.2f} ms)"


def speed(name: str, precision: str, voxels: int, angles: int, vial: float) -> None:
    views = views_of(voxels, angles, precision, vial)
    module = choose(name, views, CARD, torch.float32)[1]
    light, dose = torch.rand(views.view_shape(voxels), device=CARD), torch.rand(views.dose_shape(voxels), device=CARD)
    forward = milliseconds(lambda: module.deposit(light, views))
    back = milliseconds(lambda: module.collect(dose, views))
    where = "in vial" if vial == 1 else "full"
    print(
        f"| {name} | {precision} | {voxels}/{angles} {where} | {gups(voxels, angles, voxels, forward)} | "
        f"{gups(voxels, angles, voxels, back)} |"
    )


def torch_gather(voxels: int, angles: int) -> None:
    """The reference kernel: two gathers an angle forward, index_add back; a part of the angles, scaled."""
    part = 12
    views = views_of(voxels, part, "single")
    light, dose = torch.rand(views.view_shape(voxels), device=CARD), torch.rand(views.dose_shape(voxels), device=CARD)
    forward = milliseconds(lambda: reference.deposit(light, views), 3) * angles / part
    back = milliseconds(lambda: reference.collect(dose, views), 3) * angles / part
    row = f"{gups(voxels, angles, voxels, forward)} s | {gups(voxels, angles, voxels, back)} s"
    print(f"| torch gather | float32 | {voxels}/{angles} in vial | {row} |")


def torch_sparse(voxels: int, angles: int) -> None:
    """The same weights as one sparse matrix (CSR) and its transpose, multiplied by all slices at once."""
    views = views_of(voxels, angles, "single")
    rows, columns, values = [], [], []
    pixel = torch.arange(voxels * voxels, device=CARD)
    for number, (low, near, far) in enumerate(reference._weights(views, 1, CARD, torch.float32)):
        for bin_, weight in ((low - 1, near[:, 0]), (low, far[:, 0])):
            kept = (weight != 0) & (bin_ >= 0) & (bin_ < voxels)
            rows.append(pixel[kept].int())
            columns.append((bin_[kept] + number * voxels).int())
            values.append(weight[kept])
    r, c, w = torch.cat(rows), torch.cat(columns), torch.cat(values)
    del rows, columns, values
    shape = (voxels * voxels, voxels * angles)
    light, dose = torch.rand(shape[1], voxels, device=CARD), torch.rand(shape[0], voxels, device=CARD)

    def csr(row: torch.Tensor, column: torch.Tensor, size: tuple[int, int]) -> torch.Tensor:
        order = torch.argsort(row, stable=True)
        starts = torch.zeros(size[0] + 1, dtype=torch.int32, device=CARD)
        starts[1:] = torch.bincount(row, minlength=size[0]).cumsum(0)
        return torch.sparse_csr_tensor(starts, column[order], w[order], size, check_invariants=False)

    a = csr(r, c, shape)
    forward = milliseconds(lambda: a @ light, 3)
    del a
    a = csr(c, r, shape[::-1])
    back = milliseconds(lambda: a @ dose, 3)
    row = f"{gups(voxels, angles, voxels, forward)} | {gups(voxels, angles, voxels, back)}"
    print(f"| torch sparse CSR | float32 | {voxels}/{angles} in vial | {row} |")


@triton.jit
def _clipped_step(x, gradient, n, BLOCK: tl.constexpr):
    at = offsets(BLOCK)
    to = tl.load(x + at, mask=at < n) - tl.load(gradient + at, mask=at < n)
    tl.store(x + at, clip(to, 10.0), mask=at < n)


def clipped_step(x: torch.Tensor, gradient: torch.Tensor) -> None:
    """The least step there is: x = clip(x - gradient), in one pass."""
    n = x.numel()
    launch(_clipped_step, (triton.cdiv(n, BLOCK),), x, gradient, n, BLOCK=BLOCK)


def iteration(voxels: int, angles: int, slices: int | None = None) -> None:
    """Dose, gap hinge with its slope, gradient, step clipped to 0..10: a design's least iteration.

    slices   of a slab, where the whole volume does not fit the card; slabs are designs of their own
    """
    slices = slices or voxels
    operator, target = wavy(voxels, angles, slices, CARD)
    operator = operator.within(10)
    patterns = torch.ones(operator.pattern_shape, device=CARD)
    torch.cuda.reset_peak_memory_stats()

    def dose_of() -> torch.Tensor:
        return operator(patterns)

    def slope_of(dose: torch.Tensor) -> torch.Tensor | LaidOut:
        return value_and_gradient(GapHinge(), dose, target, operator.workspace()).gradient

    def step(gradient: torch.Tensor) -> None:
        clipped_step(patterns, gradient)

    def whole() -> None:
        step(operator.transpose(slope_of(dose_of())))

    total = milliseconds(whole, 15)
    peak = torch.cuda.max_memory_allocated() / 2**30
    dose = dose_of()
    slope = slope_of(dose)
    gradient = operator.transpose(slope)
    parts = [
        milliseconds(dose_of),
        milliseconds(lambda: slope_of(dose)),
        milliseconds(lambda: operator.transpose(slope)),
    ]
    parts.append(milliseconds(lambda: step(gradient)))
    columns = [str(operator.kernel), *(f"{ms:.2f}" for ms in (total, *parts)), f"{peak:.1f}"]
    print(f"| {voxels}/{angles}, {slices} slices | " + " | ".join(columns) + " |")


def far_offsets() -> None:
    """A grid of more than 2^31 voxels and views beyond 2^31 values: some slices against the same slices alone."""
    voxels, angles, slices = 1024, 1440, 2304
    for name in ("hopper", "triton"):
        views = views_of(voxels, angles, "half")
        try:
            module = choose(name, views, CARD, torch.float32)[1]
        except KernelUnavailable:
            continue
        light = torch.rand(views.view_shape(slices), device=CARD)
        few = light[:, :, -16:].contiguous()
        dose = module.deposit(light, views)
        del light
        same = off(dose[:, :, -16:], module.deposit(few, views).double())
        few = dose[:, :, -16:].contiguous()
        back = module.collect(dose, views)
        del dose
        print(
            f"{name}, {voxels}^2 x {slices} voxels, {angles} angles: last slices off by {same:.1e} in the dose,", end=""
        )
        print(f" {off(back[:, :, -16:], module.collect(few, views).double()):.1e} in the adjoint")
        del back
        torch.cuda.empty_cache()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="256 and 512 voxels, no peers")
    parser.add_argument("--slab", action="store_true", help="only the iteration on a slab of 2048 x 2048 x 256 voxels")
    parser.add_argument(
        "--solvers", nargs="*", metavar="VOXELS/ANGLES", help="only the real loop, every solver; 512/360 1024/720"
    )
    options = parser.parse_args()
    quick = options.quick
    if options.solvers is None and not torch.cuda.is_available():
        parser.error("it measures an NVIDIA card; torch finds none here. Only --solvers runs without one, as a trial.")
    name = torch.cuda.get_device_name(CARD) if torch.cuda.is_available() else "no card: a trial of the script"
    print(f"{name}, torch {torch.__version__}, triton {triton.__version__}")
    torch.manual_seed(0)
    if options.solvers is not None:
        sizes = tuple(tuple(int(n) for n in size.split("/")) for size in options.solvers)
        report(sizes or SIZES[1:], CARD if torch.cuda.is_available() else torch.device("cpu"))
        return
    if options.slab:
        iteration(2048, 1440, slices=256)
        return
    ceilings()
    found = []
    print("\n| kernel | precision | A, positive | A' | gap | A, zero mean | A' | gap | right, repeats |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for name in KERNELS:
        for precision in ("half", "single") if name not in ("reference", "cpu") else ():
            try:
                if errors(name, precision):
                    found.append((name, precision))
            except KernelUnavailable as error:
                print(f"| {name} | {precision} | {str(error).splitlines()[0]} |")
    print("\n| kernel | precision | case | A, GUPS | A', GUPS |\n| --- | --- | --- | --- | --- |")
    for voxels, angles in SIZES[: 2 if quick else 3]:
        for name, precision in found:
            for vial in (1.0, 1.5):
                speed(name, precision, voxels, angles, vial)
        torch.cuda.empty_cache()
        if not quick and voxels <= 512:
            torch_gather(voxels, angles)
            torch_sparse(voxels, angles)
            torch.cuda.empty_cache()
    print("\n| iteration | kernel | ms | A | hinge and slope | A' | step | GiB |\n" + "| --- " * 8 + "|")
    for voxels, angles in SIZES[: 2 if quick else 3]:
        iteration(voxels, angles)
        torch.cuda.empty_cache()
    print()
    if not quick:
        far_offsets()


if __name__ == "__main__":
    main()
