"""What a job will need on a card is compiled while its part is read."""

from pathlib import Path

import torch

from lightlathe.dose import Backend
from lightlathe.flow.rehearsal import rehearse, tiny_design
from lightlathe.job import parse_job
from lightlathe.solve import SlicewiseLBFGS
from odd_jobs import disc


def test_the_tiny_design_runs_and_touches_no_random_numbers():
    before = torch.get_rng_state()
    tiny_design(Backend(), SlicewiseLBFGS())
    assert torch.equal(torch.get_rng_state(), before)


def test_nothing_is_rehearsed_on_a_cpu():
    assert rehearse(parse_job(disc(), name="disc", folder=Path())) is None
