"""What the shadow of an insert costs: designs with it, and designs for a transparent insert printed with an opaque one.

    python benchmarks/inserts.py                 # the jobs of configs/ that have an insert
    python benchmarks/inserts.py --absorption 0.3   # of inserts that absorb so much per mm
    python benchmarks/inserts.py --products      # the time of a product and its transpose with a rod, against none

A table for each: the process window and the overlap on the finer grid of the true shape, at the planned exposure.
"""

import argparse
import dataclasses
import os
import platform
import time
from pathlib import Path

import torch

import lightlathe
from lightlathe import pipeline
from lightlathe.beams import Diverging
from lightlathe.dose import Backend, DoseOperator
from lightlathe.job import job_from, load_job
from lightlathe.job.toml import tables_of
from lightlathe.quantities import Absorber, Absorbing, Chords, Grid, Optics, Shadows

CONFIGS = Path(__file__).resolve().parents[1] / "configs"
JOBS = ("needle_hub", "rod_collar")
FIGURES = ("window_relative", "iou", "iou_fine", "under_cure_fraction_fine", "over_cure_of_part_fine")


def with_inserts(path: Path, **light):
    """The job with inserts that are no longer opaque: opaque = False, or absorption_per_mm."""
    job = load_job(path)
    tables = tables_of(job.text, path.name)
    for part in tables["part"]:
        if part.get("role") == "insert":
            part.pop("opaque", None)
            part.update(light)
    return job_from(tables, name=job.name, folder=job.folder, file=path.name)


def print_jobs(names, absorption_per_mm: float | None = None) -> None:
    """absorption_per_mm   of the real insert; None: it is opaque"""
    mu = absorption_per_mm
    kind = "opaque" if mu is None else f"absorbing {mu:g} / mm"
    for name in names:
        path = CONFIGS / f"{name}.toml"
        start = time.perf_counter()
        clear = pipeline.design(with_inserts(path, opaque=False))
        middle = time.perf_counter()
        insert = clear.part.insert
        assert insert is not None
        truly = {"opaque": insert} if mu is None else {"absorbing": (Absorbing(insert, mu),)}
        real = dataclasses.replace(clear, part=dataclasses.replace(clear.part, **truly))
        printed = pipeline.predict(real).quality
        aware_start = time.perf_counter()
        aware = pipeline.design(path if mu is None else with_inserts(path, absorption_per_mm=mu))
        seconds = middle - start, time.perf_counter() - aware_start
        print(f"\n{name}: {' x '.join(map(str, clear.part.grid.shape))} voxels, {len(clear.patterns.angle_rad)} images")
        rows = (
            ("transparent, printed so", clear.quality, seconds[0]),
            (f"transparent, printed {kind}", printed, None),
            (f"{kind}, printed so", aware.quality, seconds[1]),
        )
        print(f"  {'designed as':40}" + "".join(f"{figure:>26}" for figure in FIGURES) + f"{'wrong':>8}{'s':>8}")
        for words, quality, took in rows:
            cells = "".join(f"{quality[figure]:26.4f}" for figure in FIGURES)
            print(f"  {words:40}{cells}{quality['wrong_voxels']:8.0f}{'' if took is None else f'{took:8.1f}':>8}")
        print(f"  proven for the last: a window of {aware.quality['window_proven_at_most']:.4f} at most")


def case(
    voxels: int, slices: int, angles: int, radius: float, unlike: bool, dims: bool = False, lens: bool = False
) -> DoseOperator:
    """Light into a vial of `voxels` across; on its axis a rod of so many voxels, or none where 0.

    unlike   the rod's radius grows from slice to slice, so that no two are alike
    dims     the rod absorbs ten times what the resin does; else it is opaque
    lens     the light comes from a lens four times the vial's width away; else it is parallel
    """
    grid = Grid((voxels, voxels, slices), 1.0)
    offset = grid.centres_mm(0)
    turn = torch.arange(angles, dtype=torch.float64) * (2 * torch.pi / angles)
    chords = Chords(turn, offset, torch.zeros(voxels).double(), torch.ones(voxels).double(), slices, 1.0)
    covered = torch.zeros(grid.shape)
    if radius:
        radii = radius * (1 + torch.arange(slices) / slices) if unlike else torch.full((slices,), radius)
        covered = (radii - grid.radius_mm()[:, :, None] + 0.5).clamp(0, 1).float()
    radius_mm, per_mm = voxels / 2, 0.5 / (voxels / 2)
    if lens:
        size = {"angle_rad": turn, "columns": voxels, "rows": slices, "pixel_mm": 1.0}
        chords = Diverging(distance_mm=4.0 * voxels).chords(**size, vial=None, resin=None)
    shadows = None if dims else Shadows.of(covered, grid, radius_mm)
    absorber = Absorber.of(covered, grid, radius_mm, 10 * per_mm) if dims else None
    absorbers = () if absorber is None else (absorber,)
    return DoseOperator(Optics(chords, radius_mm, per_mm, shadows=shadows, absorbers=absorbers), grid, Backend("cpu"))


def seconds_of(linear, x) -> float:
    linear(x)
    times = []
    for _ in range(5):
        start = time.process_time()  # of the processor: other programs may run beside
        linear(x)
        times.append(time.process_time() - start)
    return min(times)


def print_products(voxels: int, slices: int, angles: int) -> None:
    print(
        f"\n{voxels} x {voxels} x {slices} voxels, {angles} images, float32, best of 5; "
        "seconds of the processor (times that of none)"
    )
    before: tuple[float, float] | None = None
    thin, wide = voxels / 40, voxels / 6
    for words, radius, unlike, dims, lens in (
        ("no insert", 0, False, False, False),
        ("a rod, 5 % of the vial's width", thin, False, False, False),
        ("the same, absorbing", thin, False, True, False),
        ("a rod, a third of the vial's width", wide, False, False, False),
        ("the same, absorbing", wide, False, True, False),
        ("as many cross-sections as slices", voxels / 12, True, False, False),
        ("the same, absorbing", voxels / 12, True, True, False),
        ("light of a lens, no insert", 0, False, False, True),
        ("a rod, a third of the vial's width", wide, False, False, True),
        ("the same, absorbing", wide, False, True, True),
    ):
        a = case(voxels, slices, angles, radius, unlike, dims, lens)
        before = None if not radius else before
        generator = torch.Generator().manual_seed(1)
        light, dose = (torch.rand(shape, generator=generator) for shape in (a.pattern_shape, a.dose_shape))
        start = time.perf_counter()
        if a.views.ends is not None:
            a.views.ends.t_mm  # noqa: B018, found at first use
        if a.views.depths is not None:
            a.views.depths.lists  # noqa: B018
        ends = time.perf_counter() - start
        times = seconds_of(a, light), seconds_of(a.transpose, dose)
        before = before or times
        cells = "".join(f"{t:10.3f} ({t / b:4.2f})" for t, b in zip(times, before, strict=True))
        print(f"  {words:36}{cells}   ends {ends:.3f} s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("jobs", nargs="*", default=JOBS)
    parser.add_argument("--absorption", type=float, help="of the inserts, 1/mm, in place of opaque ones")
    parser.add_argument("--products", action="store_true")
    parser.add_argument("--size", type=int, nargs=3, default=(256, 128, 180), metavar=("VOXELS", "SLICES", "IMAGES"))
    arguments = parser.parse_args()
    print(
        f"lightlathe {lightlathe.__version__}, torch {torch.__version__}, {platform.machine()}, "
        f"{torch.get_num_threads()} threads of {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}"
    )
    if arguments.products:
        print_products(*arguments.size)
    else:
        print_jobs(arguments.jobs, arguments.absorption)


if __name__ == "__main__":
    main()
