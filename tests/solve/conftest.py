"""Fixtures of the small flat problems."""

import pytest
import torch

from flat_problems import make
from lightlathe.losses import GapHinge
from lightlathe.solve import Problem


@pytest.fixture
def hook():
    return make("hook")


@pytest.fixture
def hinge_problem(hook):
    return Problem(hook.operator, GapHinge(), hook.target)


@pytest.fixture(autouse=True, scope="module")
def one_thread():
    """These problems are so small that threads only wait for each other."""
    threads = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(threads)
