"""A small record that was not designed: the file is tested, not the design."""

import pytest
import torch

from lightlathe.quantities import Grid, Part, Patterns, Prediction
from lightlathe.result import Record


@pytest.fixture
def record() -> Record:
    generator = torch.Generator().manual_seed(3)
    grid = Grid((4, 5, 3), 0.25)
    coverage = torch.randint(0, 256, grid.shape, generator=generator).float() / 255
    dose = torch.rand(grid.shape, generator=generator) * 60
    return Record(
        name="valve",
        job_toml="# a job\n",
        settings={"resin": {"kind": "threshold", "absorption_per_mm": 0.1}, "design": {"iterations": 5}},
        part=Part(grid, coverage, torch.randint(0, 3, grid.shape, generator=generator).to(torch.uint8)),
        patterns=Patterns(
            torch.randint(0, 256, (6, 7, 2), generator=generator).to(torch.uint8),
            torch.arange(6, dtype=torch.float64),
            full_scale=255,
            pixel_mm=0.25,
            irradiance_mw_cm2=20.0,
            dwell_s=0.5,
            turns=3,
        ),
        prediction=Prediction(dose, dose > 45, {"iou": 0.9, "window_relative": float("nan")}),
        vial_radius_mm=0.6,
        facts={
            "created_utc": "2026-01-01T00:00:00+00:00",
            "program_version": "0",
            "torch_version": "2",
            "device": "cpu",
            "seed": 0,
        },
        log={"iteration": [1.0, 2.0], "loss": [0.5, 0.25], "seconds": [0.1, 0.2]},
        warnings=("thin walls",),
    )
