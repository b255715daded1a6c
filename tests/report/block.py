"""A scene that the tests of figures share."""

import numpy as np
import torch

from lightlathe.quantities import FineShape, Grid, Part, Prediction
from lightlathe.report.figures.scene import Scene

GRID = Grid((12, 14, 9), 0.5)
FINE = GRID.finer(2)


def block() -> Scene:
    """A block in a dose that grows along x and z; on the finer grid some of it is wrong, at random."""
    random = np.random.default_rng(4)
    coverage = torch.zeros(GRID.shape)
    coverage[4:9, 3:11, 2:7] = 1
    judged = torch.where(coverage > 0, 2, 1).to(torch.uint8)
    judged[0] = 0
    dose = 20 + 30 * coverage + torch.linspace(0, 8, 12)[:, None, None] + torch.linspace(0, 4, 9)
    fine = judged.repeat_interleave(2, 0).repeat_interleave(2, 1).repeat_interleave(2, 2)
    solid = (fine == 2) ^ torch.from_numpy(random.random(FINE.shape) < 0.1)
    part, prediction = Part(GRID, coverage, judged), Prediction(dose, dose > 45, {}, solid)
    return Scene("block", part, prediction, FineShape(FINE, fine), 2.9, 40.0, 45.0, 50.0)
