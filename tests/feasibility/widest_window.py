"""The widest window that any patterns reach on one slice, by a linear program on the whole matrix of the operator."""

import torch

from lightlathe.beams import Telecentric
from lightlathe.beams.telecentric import full_turn
from lightlathe.dose import Backend, DoseOperator
from lightlathe.quantities import Grid, Optics


def slice_operator(n, rows, a, angles):
    """A vial of radius 1 in n voxels, pixels as large; every row is a slice of its own."""
    chords = Telecentric().chords(angle_rad=full_turn(angles), columns=n, rows=rows, pixel_mm=2 / n)
    return DoseOperator(Optics(chords, 1.0, a), Grid((n, n, rows), 2 / n), Backend("reference", dtype=torch.float64))


def best_window(solid, a, angles):
    """By scipy's HiGHS. Every column of the matrix is one row of one call."""
    from scipy.optimize import linprog
    from scipy.sparse import csr_matrix, hstack, vstack

    n = solid.shape[0]
    operator = slice_operator(n, angles * n, a, angles)
    matrix = operator(torch.eye(angles * n, dtype=torch.float64).reshape(angles, n, angles * n))
    inside = operator.views.inside()
    part, void = (csr_matrix(matrix[m].numpy()) for m in (solid & inside, ~solid & inside))
    rows = vstack(
        [hstack([void, csr_matrix((void.shape[0], 1))]), hstack([-part, csr_matrix([[1.0]] * part.shape[0])])]
    )
    right = [1.0] * void.shape[0] + [0.0] * part.shape[0]
    found = linprog([0.0] * (angles * n) + [-1.0], A_ub=rows, b_ub=right, method="highs-ipm")
    assert found.status == 0, found.message
    return 1 - 1 / found.x[-1]


def radius(n):
    x = (torch.arange(n, dtype=torch.float64) - (n - 1) / 2) * 2 / n
    return torch.hypot(x[:, None], x[None, :])
