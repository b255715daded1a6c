"""Where GPU functions are tested: on the card where there is one, else on the CPU, through Triton's interpreter.

Triton chooses when it is imported and again where a function is marked, so conftest.py imports it, and every module
named test_gpu_*.py, with the interpreter on; other tests see a machine without GPU functions.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager

import torch

ON_CARD = torch.cuda.is_available()
DEVICE = torch.device("cuda" if ON_CARD else "cpu")
SWITCH = "TRITON_INTERPRET"


@contextmanager
def interpreter() -> Iterator[None]:
    """GPU functions run on the CPU within it; changes nothing where there is a card."""
    before = os.environ.get(SWITCH)
    if not ON_CARD:
        os.environ[SWITCH] = "1"
    try:
        yield
    finally:
        os.environ.pop(SWITCH, None)
        if before is not None:
            os.environ[SWITCH] = before
