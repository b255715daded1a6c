"""What each effect of real light costs: a product with the operator and one with its transpose, beside matched light.

    python benchmarks/effects.py [--voxels 256] [--angles 180] [--device cpu] [--only NAME ...]

As many voxels across as pixels, one row of pixels a slice, half as many slices; images that stand; a resin with mu R =
0.5 in a vial of 16 mm. The light of bare vials and lenses is sorted into one view an image and one bin a column here; a
design takes more, as flow/operators.py says. Median of five, after one that compiles.
"""

import argparse
import statistics
import time
from typing import Any

import torch

from lightlathe.beams import Diverging, Telecentric, full_turn
from lightlathe.bench.machine import machine
from lightlathe.dose import Backend, DoseOperator
from lightlathe.job.vial import Vial
from lightlathe.quantities import Defocus, Footprint, Grid, Optics, Shadows
from lightlathe.quantities.defocus import cone
from lightlathe.resins import Threshold

RADIUS = 8.0
BARE = Vial(2 * RADIUS, 40.0, "air", 1.0, 1.48)
EFFECTS: dict[str, dict[str, Any]] = {
    "matched": {},
    "square pixels": {"footprint": Footprint("square")},
    "square, blur of 1 pixel": {"footprint": Footprint("square", sigma=1 / 2.3548)},
    "square, blur of 2 pixels": {"footprint": Footprint("square", sigma=2 / 2.3548)},
    "the same, NA 0.02": {"footprint": Footprint("square", sigma=1 / 2.3548), "defocus": Defocus(cone(0.02, 1.5))},
    "a rod of 4 mm": {"rod": 2.0},
    "a cone of 2 to 6 mm": {"rod": 1.0, "to": 3.0},
    "bare vial": {"vial": BARE},
    "lens at 150 mm": {"beam": Diverging(distance_mm=150.0)},
    "lens, bare vial": {"beam": Diverging(distance_mm=150.0), "vial": BARE},
    "lens, bare vial, square, blur of 1 pixel": {
        "beam": Diverging(distance_mm=150.0), "vial": BARE, "footprint": Footprint("square", sigma=1 / 2.3548),
    },
}  # fmt: skip


def operator_of(effect: dict[str, Any], voxels: int, angles: int, device: torch.device) -> DoseOperator:
    voxel = 2 * RADIUS / voxels
    grid = Grid((voxels, voxels, voxels // 2), voxel)
    vial = effect.get("vial", Vial(2 * RADIUS, 40.0, "matched"))
    wide = voxels if vial.surroundings == "matched" else round(voxels * 1.2)
    chords = effect.get("beam", Telecentric()).chords(
        angle_rad=full_turn(angles), columns=wide, rows=voxels // 2, pixel_mm=voxel, axis_offset_mm=0.0, vial=vial,
        resin=Threshold(0.0625, 30.0, 40.0, refractive_index=1.5),
    )  # fmt: skip
    shadows = None
    if "rod" in effect:
        ends = torch.linspace(effect["rod"], effect.get("to", effect["rod"]), grid.shape[2])
        shadows = Shadows.of((grid.radius_mm()[:, :, None] < ends).float(), grid, RADIUS)
    optics = Optics(
        chords, RADIUS, 0.0625, effect.get("footprint", Footprint()), defocus=effect.get("defocus"), shadows=shadows
    )
    return DoseOperator(optics, grid, Backend(device=device, precision="half" if device.type == "cuda" else "single"))


def seconds(product: Any, given: torch.Tensor) -> float:
    times = []
    for _ in range(6):
        if given.is_cuda:
            torch.cuda.synchronize()
        began = time.perf_counter()
        product(given)
        if given.is_cuda:
            torch.cuda.synchronize()
        times.append(time.perf_counter() - began)
    return statistics.median(times[1:])


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--voxels", type=int, default=256)
    reader.add_argument("--angles", type=int, default=180)
    reader.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    reader.add_argument("--only", nargs="+", choices=list(EFFECTS))
    options = reader.parse_args()
    device = torch.device(options.device)
    print(machine(device))
    print(f"{options.voxels} voxels across, {options.angles} images, {torch.get_num_threads()} threads on a CPU")
    matched = 0.0
    for name, effect in EFFECTS.items():
        if options.only and name not in options.only and name != "matched":
            continue
        operator = operator_of(effect, options.voxels, options.angles, device)
        light = torch.rand(operator.pattern_shape, device=device)
        forward, back = seconds(operator, light), seconds(operator.transpose, operator(light))
        matched = matched or forward + back
        times = (forward + back) / matched
        print(
            f"{name:42} {operator.kernel:12} A {1e3 * forward:9.1f} ms  A' {1e3 * back:9.1f} ms  {times:6.2f} times",
            flush=True,
        )


if __name__ == "__main__":
    main()
