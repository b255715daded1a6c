"""Whether this process is the first of those that torchrun started; apart from ranks.py, which loads torch."""

import os


def leads() -> bool:
    """True for the first, and for a process that torchrun did not start. It alone shows progress."""
    return "MASTER_ADDR" not in os.environ or os.environ.get("RANK", "0") == "0"
