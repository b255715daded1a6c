"""From the files a projector gets to the dose they leave, by code that shares nothing with the package.

Only the PNG images, manifest.json and the job's own numbers are read. The vial is turned point by point in the lab, the
projector's curve is undone by its exponent, light is looked up by plain linear interpolation.
"""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from lightlathe import pipeline
from lightlathe.job import parse_job

F = """
[[part]]
shape = { kind = "box", x_mm = 1.0, y_mm = 4.5, z_mm = 1.0, at_mm = [-1.0, 0.0, 0.0] }
[[part]]
shape = { kind = "box", x_mm = 3.0, y_mm = 1.0, z_mm = 1.0, at_mm = [0.5, 1.75, 0.0] }
[[part]]
shape = { kind = "box", x_mm = 2.0, y_mm = 1.0, z_mm = 0.5, at_mm = [0.0, -0.25, 0.25] }
"""
EXPONENT, ABSORPTION, RADIUS = 2.2, 0.1, 5.0  # those of the job below
# of the rms dose. Stepped: levels of a curved response are stated to 1/65535, sums run in float32; found 8e-6.
# Continuous: the mean over a step is taken in parts of a quarter of a pixel, at the part's edge; found 1.9e-3
SAME = {"stepped": 1e-4, "continuous": 3e-3}
PARTS = 60  # of a step, here


def dose_by_hand(
    folder: Path,
    x: np.ndarray,
    y: np.ndarray,
    z: np.ndarray,
    flat: np.ndarray | float = 1.0,
    exponent: float = EXPONENT,
    axis_pixels: float = 0.0,
    parts: int = PARTS,
) -> np.ndarray:
    """mJ/cm3 at the points x, y of the vial at the start, in every height of z; the projector stands at -t.

    flat          (row, column) what the projector makes of a white picture, as it sees it, of the irradiance stated
    axis_pixels   how far right of the field's middle the axis lies, as the projector sees it
    parts         of the time of each frame at which its light is looked at
    """
    manifest = json.loads((folder / "manifest.json").read_text())
    pixel, full = manifest["pixel_mm"], manifest["full_code"]
    columns, rows, period = manifest["columns"], manifest["rows"], manifest["seconds_per_turn"]
    clockwise = manifest["vial_turns_seen_from_above"] == "clockwise"
    moments = (np.arange(parts) + 0.5) / parts if manifest["motion"] == "continuous" else [0.5]
    dose = np.zeros((len(x), len(z)))
    for frame in manifest["frames"]:
        code = np.asarray(Image.open(folder / frame["file"]), dtype=float)
        assert code.shape == (rows, columns)
        light = (code / full) ** exponent * manifest["irradiance_mw_cm2_at_full_code"] * flat  # mW/cm2; top row first
        for moment in moments:
            # seen from above: x to the right (s), y away from the projector (t); a scan angle turns y towards x
            scan_deg = frame["scan_angle_deg"]
            if manifest["motion"] == "continuous":
                now_s = frame["starts_s"] + moment * manifest["dwell_s"]
                scan_deg = manifest["scan_angle_at_start_deg"] + (1 if clockwise else -1) * 360 * now_s / period
            turned = -math.radians(scan_deg)  # right-handed about +z, which points at the viewer
            s = math.cos(turned) * x - math.sin(turned) * y
            t = math.sin(turned) * x + math.cos(turned) * y
            place = s / pixel + (columns - 1) / 2 + axis_pixels
            left = np.floor(place).astype(int)
            share = place - left
            dark = np.pad(light, ((0, 0), (1, 1)))  # a dark column beyond each edge
            column = np.clip(left + 1, 0, columns)
            across = dark[:, column] * (1 - share) + dark[:, column + 1] * share  # (row, point)
            height = z / pixel + (rows - 1) / 2  # voxels are as large as pixels, so rows meet slices
            assert np.allclose(height, np.rint(height))
            row = rows - 1 - np.rint(height).astype(int)
            arriving = across[row].T * np.exp(-ABSORPTION * (np.sqrt(RADIUS**2 - s**2) + t))[:, None]
            dose += (
                (10 * ABSORPTION) * arriving * manifest["dwell_s"] * manifest["turns"] / len(moments)
            )  # 1/cm, mW/cm2, s: mJ/cm3
    return dose


@pytest.fixture(
    scope="module", params=[("clockwise", "continuous"), ("counterclockwise", "continuous"), ("clockwise", "stepped")]
)
def printed(request, small_job, tmp_path_factory):
    (sense, motion), folder = request.param, tmp_path_factory.mktemp("printed")
    text = small_job(absorption=ABSORPTION, sense=sense, iterations=10)
    text = text.replace("angles = 60", f'angles = 60\nmotion = "{motion}"')
    curve = f'response = {{ kind = "power", exponent = {EXPONENT} }}\n[turn]'
    text = F + text[text.index("[vial]") :].replace("[turn]", curve)
    record = pipeline.design(parse_job(text, name="f", folder=folder))
    pipeline.frames(record, folder / "frames")
    nx, ny, nz = record.part.grid.shape
    i, j = np.mgrid[:nx, :ny]
    x, y, z = ((n - (size - 1) / 2) * 0.25 for n, size in ((i, nx), (j, ny), (np.arange(nz), nz)))
    inside = np.hypot(x, y) <= RADIUS
    return folder / "frames", x[inside], y[inside], z, record.prediction.dose.numpy()[inside], SAME[motion]


def off(one, other):
    return math.sqrt(np.square(one - other).mean() / np.square(other).mean())


def test_the_files_leave_the_dose_that_was_predicted(printed):
    folder, x, y, z, predicted, same = printed
    assert off(dose_by_hand(folder, x, y, z), predicted) < same


def test_the_comparison_can_fail(printed):
    """Mirrored, turned by a tenth of the step between images, upside down or unlike in scale is another dose."""
    folder, x, y, z, predicted, same = printed
    assert off(dose_by_hand(folder, -x, y, z), predicted) > 0.1
    assert off(dose_by_hand(folder, x, y, -z), predicted) > 0.1
    small = math.radians(0.6)
    turned = dose_by_hand(
        folder, x * math.cos(small) - y * math.sin(small), y * math.cos(small) + x * math.sin(small), z
    )
    assert off(turned, predicted) > same
    assert off(1.01 * dose_by_hand(folder, x, y, z), predicted) > same
