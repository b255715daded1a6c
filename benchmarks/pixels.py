"""What square pixels and a lens's blur do to designs that do not know of them, and to designs that do.

    python benchmarks/pixels.py [configs/quickstart.toml ...] [--blur 0 1 2] [--iterations 40]

Each job is designed as it stands (linear pixels, no blur), and for square pixels with each blur (full width at half
maximum, in pixels); both are printed with the light of the latter, at the exposure planned for each. Overlap with the
part on the job's voxels and on the finer grid, wrong voxels, window.
"""

import argparse
import tomllib
from pathlib import Path

import torch

from lightlathe import pipeline
from lightlathe.bench.machine import machine
from lightlathe.job import job_from


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("jobs", nargs="*", type=Path, default=[Path("configs/quickstart.toml")])
    reader.add_argument("--blur", nargs="+", type=float, default=[0.0, 1.0, 2.0])
    reader.add_argument("--iterations", type=int)
    options = reader.parse_args()
    print(machine(torch.device("cuda" if torch.cuda.is_available() else "cpu")))
    for path in options.jobs:
        tables = tomllib.loads(path.read_text())
        tables["design"]["bound_iterations"] = 0
        if options.iterations:
            tables["design"]["iterations"] = options.iterations
        plain = pipeline.design(job_from(tables, name=path.stem, folder=path.parent))
        show(path.stem, "as it stands", "as it stands", plain.quality)
        for blur in options.blur:
            light = {"pixel_shape": "square", "blur_mm": blur * tables["light"]["pixel_mm"]}
            words = f"square pixels, blurred by {blur:g}"
            show(path.stem, "as it stands", words, pipeline.predict(plain, light=light).quality)
            aware = job_from({**tables, "light": {**tables["light"], **light}}, name=path.stem, folder=path.parent)
            show(path.stem, words, words, pipeline.design(aware).quality)


def show(name: str, designed: str, printed: str, q: dict[str, float]) -> None:
    fine = q.get("iou_fine", float("nan"))
    figures = f"{q['iou']:.4f} {fine:.4f} {q['wrong_voxels']:7.0f} {q['window_relative']:+.3f}"
    print(f"{name:12} designed {designed:30} printed {printed:30} {figures}", flush=True)


if __name__ == "__main__":
    main()
