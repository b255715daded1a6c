"""Whole designs of five real meshes: read, designed, predicted, exported; figures, times and pictures.

    python benchmarks/parts.py MESHES OUT [--voxels 96] [--device auto] [--iterations 60] [--figures-only]

MESHES is the folder of test meshes; pictures, result files and frames go to OUT. Every part sits in a vial about 1.5
times as wide as the part's reach; `--voxels` is the number of voxels across the vial. The resin takes mu R = 0.5.
"""

import argparse
import platform
import time
from pathlib import Path

import torch

from lightlathe import pipeline
from lightlathe.job import parse_job
from lightlathe.part import place, read_surface
from lightlathe.result import write_result

PARTS = {
    "ball_in_cage": ("ball_in_cage.stl", "mm", None),
    "tooth_crown": ("tooth_crown.stl", "mm", None),
    "gyroid_scaffold": ("gyroid_scaffold.stl", "mm", None),
    "scaphoid": ("scaphoid_metres.stl", "m", "along"),
    "text_embossed": ("text_embossed.stl", "mm", None),
}
JOB = """
[part]
mesh = "{mesh}"
unit = "{unit}"
{lay}
[vial]
inner_diameter_mm = {diameter}
resin_height_mm = {height}
[resin]
absorption_per_mm = {absorption}
liquid_below_mj_cm3 = 34
solid_above_mj_cm3 = 38
[light]
pixel_mm = {pixel}
columns = {columns}
rows = {rows}
irradiance_mw_cm2 = 20
[turn]
angles = {angles}
seconds_per_turn = 12
motion = "stepped"
[grid]
voxel_mm = {voxel}
finer = {finer}
[design]
iterations = {iterations}
device = "{device}"
kernel = "{kernel}"
"""


def job_text(mesh: Path, unit: str, lay: str | None, options: argparse.Namespace) -> str:
    """A job that fits the mesh: vial, field and resin from the part's own size."""
    placed = place(read_surface(mesh, unit), lay=lay)
    diameter = round(3.0 * placed.reach_mm, 1)
    height = float(placed.size_mm[2])
    voxel = diameter / options.voxels
    return JOB.format(
        mesh=mesh.resolve(),
        unit=unit,
        lay=f'lay = "{lay}"' if lay else "",
        diameter=diameter,
        height=round(height + 5, 1),
        absorption=0.5 / (diameter / 2),
        pixel=voxel * options.pixel,
        columns=int(options.voxels / options.pixel) + 1,
        rows=int(height / voxel / options.pixel) + 5,
        angles=options.angles or 2 * (int(options.voxels * 1.5 / options.pixel) // 2),
        voxel=voxel,
        finer=options.finer,
        iterations=options.iterations,
        device=options.device,
        kernel=options.kernel,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("meshes", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--voxels", type=int, default=96)
    parser.add_argument("--pixel", type=float, default=1.0, help="pixel pitch in voxels")
    parser.add_argument("--angles", type=int, help="images a turn (default: 1.5 times the columns)")
    parser.add_argument("--finer", type=int, default=2)
    parser.add_argument("--iterations", type=int, default=60)
    parser.add_argument("--device", default="auto")
    parser.add_argument("--kernel", default="auto")
    parser.add_argument("--only", choices=PARTS)
    parser.add_argument("--figures-only", action="store_true", help="write no files")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    card = torch.cuda.get_device_name() if torch.cuda.is_available() else f"{torch.get_num_threads()} CPU threads"
    print(f"{platform.machine()}, {card}, torch {torch.__version__}, Python {platform.python_version()}")
    heads = ("grid", "wrong", "window", "proven", "IoU", "IoU fine", "exposure s", "prepare s", "design s")
    print(f"{'part':16}" + "".join(f"{head:>14}" for head in heads))
    for name, (mesh, unit, lay) in PARTS.items():
        if options.only in (None, name):
            run(name, options.meshes / mesh, unit, lay, options)


def run(name: str, mesh: Path, unit: str, lay: str | None, options: argparse.Namespace) -> None:
    job = parse_job(job_text(mesh, unit, lay, options), name=name, folder=options.out, file=f"{name}.toml")
    began = time.perf_counter()
    setup = pipeline.prepare(job)
    ready = time.perf_counter()
    record = pipeline.design(job, setup=setup)
    done = time.perf_counter()
    q = record.quality
    grid = "x".join(str(n) for n in record.part.grid.shape)
    names = ("window_relative", "window_proven_at_most", "iou", "iou_fine")
    figures = (grid, f"{q['wrong_voxels']:.0f}", *(f"{q[k]:.4f}" for k in names))
    times = (f"{t:.1f}" for t in (record.patterns.exposure_s, ready - began, done - ready))
    print(f"{name:16}" + "".join(f"{value:>14}" for value in (*figures, *times)), flush=True)
    if options.figures_only:
        return
    write_result(record, options.out / f"{name}.lathe.h5")
    pipeline.picture(record, options.out / f"{name}.png")
    pipeline.frames(record, options.out / f"{name}_frames_{time.time_ns()}")


if __name__ == "__main__":
    main()
