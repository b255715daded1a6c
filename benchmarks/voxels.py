"""Covered fractions of meshes: seconds, memory, and the error of the volume, on the CPU and on a CUDA card.

    python benchmarks/voxels.py [--sizes 128 256 512] [--devices cpu cuda] [--mesh FILE --unit mm] [--peer]
                                [--json FILE]

`ball` is a sphere of 140 624 triangles, slivers at its poles; `gyroid` and `check_valve` are the examples in
configs/meshes. The size is the number of voxels over the part's longest side. A count whose volume is wrong gets no
time. Peak memory is the card's for this count, or the whole process's so far on the CPU. --peer adds trimesh's own
filled voxels (yes or no, no fractions) up to size 128: it needs minutes beyond.
"""

import argparse
import json
import platform
import resource
import statistics
import time
from pathlib import Path

import numba
import numpy as np
import torch

from lightlathe.part import Surface, coverage, grid_for, place, read_surface, surface_from_triangles

CONFIGS = Path(__file__).resolve().parents[1] / "configs" / "meshes"
ALLOWED = 2e-5  # relative error of the volume: fractions are rounded to 2^-20


def ball(radius_mm: float = 5.0, rings: int = 188) -> Surface:
    """A sphere of circles of latitude: 2 * 2 rings * (rings - 1) facets."""
    t = np.linspace(0, np.pi, rings + 1)[:, None]
    p = np.linspace(0, 2 * np.pi, 2 * rings + 1)[None, :].copy()
    p[0, -1] = 0.0
    s = np.sin(t)
    s[[0, -1]] = 0.0
    points = radius_mm * np.stack([s * np.cos(p), s * np.sin(p), np.cos(t) + 0 * p], axis=-1)
    a, b, c, d = points[:-1, :-1], points[1:, :-1], points[1:, 1:], points[:-1, 1:]
    upper = np.stack([a, b, c], axis=2)[:-1].reshape(-1, 3, 3)
    lower = np.stack([a, c, d], axis=2)[1:].reshape(-1, 3, 3)
    return surface_from_triangles(np.concatenate([upper, lower]), "ball")


def median_seconds(work, device: str, least: int = 3) -> float:
    """Median of a few runs after one that is not counted (compilation, caches)."""
    seconds = []
    for run in range(least + 1):
        if device != "cpu":
            torch.cuda.synchronize()
        start = time.perf_counter()
        work()
        if device != "cpu":
            torch.cuda.synchronize()
        if run:
            seconds.append(time.perf_counter() - start)
    return statistics.median(seconds)


def row(name: str, part: Surface, size: int, device: str) -> dict:
    """One line of the table."""
    grid = grid_for([part], part.reach_mm, float(part.size_mm.max()) / size)
    if device != "cpu":
        torch.cuda.reset_peak_memory_stats()
    fractions = coverage(part, grid, device=device)
    volume = float(fractions.sum(dtype=torch.float64)) * grid.voxel_mm**3
    error = volume / part.volume_mm3 - 1
    if device != "cpu":
        peak = torch.cuda.max_memory_allocated()
    else:
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024  # kilobytes on Linux
    del fractions
    right = abs(error) <= ALLOWED
    return {
        "mesh": name,
        "triangles": len(part.faces),
        "grid": list(grid.shape),
        "device": device,
        "seconds": median_seconds(lambda: coverage(part, grid, device=device), device) if right else None,
        "volume_error": error,
        "peak_mb": peak / 1e6,
    }


def peer(part: Surface, size: int) -> float:
    """Seconds of trimesh for filled voxels of the same pitch."""
    import trimesh

    mesh = trimesh.Trimesh(part.vertices_mm, part.faces, process=False)
    start = time.perf_counter()
    mesh.voxelized(float(part.size_mm.max()) / size).fill()
    return time.perf_counter() - start


def hardware() -> dict:
    cards = [torch.cuda.get_device_name(i) for i in range(torch.cuda.device_count())]
    cpu = next(
        (line.split(":")[1].strip() for line in _cpuinfo() if line.startswith("model name")), platform.processor()
    )
    return {
        "cpu": f"{cpu}, {torch.get_num_threads()} threads",
        "cards": cards,
        "torch": torch.__version__,
        "numba": numba.__version__,
        "python": platform.python_version(),
    }


def _cpuinfo() -> list[str]:
    path = Path("/proc/cpuinfo")
    return path.read_text().splitlines() if path.exists() else []


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", type=int, nargs="+", default=[128, 256, 512])
    parser.add_argument("--devices", nargs="+", default=["cpu", *(["cuda"] if torch.cuda.is_available() else [])])
    parser.add_argument("--mesh", type=Path)
    parser.add_argument("--unit")
    parser.add_argument("--peer", action="store_true")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()

    machine = hardware()
    print(json.dumps(machine, indent=1))
    if options.mesh:
        parts = {options.mesh.stem: place(read_surface(options.mesh, options.unit))}
    else:
        parts = {"ball": ball()}
        parts |= {n: place(read_surface(CONFIGS / f"{n}.stl", "mm")) for n in ("gyroid", "check_valve")}
    rows = []
    titles = ("mesh", "triangles", "grid", "device", "seconds", "volume error", "peak MB")
    print("{:12} {:>9} {:>16} {:>6} {:>8} {:>12} {:>8}".format(*titles))
    for name, part in parts.items():
        for size in options.sizes:
            for device in options.devices:
                r = row(name, part, size, device)
                rows.append(r)
                grid = " x ".join(map(str, r["grid"]))
                seconds = "wrong" if r["seconds"] is None else f"{r['seconds']:.3f}"
                print(
                    f"{name:12} {r['triangles']:9} {grid:>16} {device:>6} {seconds:>8} {r['volume_error']:12.1e} "
                    f"{r['peak_mb']:8.0f}",
                    flush=True,
                )
            if options.peer and size <= 128:
                print(
                    f"{name:12} {'trimesh, filled voxels':>27} {size:5} {'cpu':>6} {peer(part, size):8.3f}", flush=True
                )
    if options.json:
        options.json.write_text(json.dumps({"machine": machine, "rows": rows}, indent=1))


if __name__ == "__main__":
    main()
