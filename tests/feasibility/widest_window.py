"""The widest window that any patterns reach on one slice, by a linear program on the whole matrix of the operator."""

import torch

from operators import operator


def slice_operator(n, rows, a, angles):
    """A vial of radius 1 in n voxels, pixels as large; every row is a slice of its own."""
    return operator(
        (n, n, rows), 2 / n, angles=angles, columns=n, rows=rows, pixel=2 / n, radius=1.0, absorption=a, first_rad=0.0,
        kernel="reference",
    )  # fmt: skip


def best_window(solid, a, angles):
    """By scipy's HiGHS. Every column of the matrix is one row of one call."""
    from scipy.optimize import linprog
    from scipy.sparse import csr_matrix, hstack, vstack

    n = solid.shape[0]
    whole = slice_operator(n, angles * n, a, angles)
    matrix = whole(torch.eye(angles * n, dtype=torch.float64).reshape(angles, n, angles * n))
    inside = whole.views.inside()
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
