"""Work that is shared out among threads: errors, and sharing out within it."""

import time

import pytest
import torch

from lightlathe.support.threads import share_out


@pytest.fixture(autouse=True)
def two_threads():
    before = torch.get_num_threads()
    torch.set_num_threads(2)
    yield
    torch.set_num_threads(before)


def test_every_item_is_worked_on_once():
    seen = []
    share_out(lambda first, last: seen.extend(range(first, last)), 37, 5)
    assert sorted(seen) == list(range(37))


def test_after_an_error_what_has_not_begun_is_left_out():
    begun = []

    def work(first: int, last: int) -> None:
        begun.append(first)
        time.sleep(0.01)
        raise ValueError("broken")

    with pytest.raises(ValueError, match="broken"):
        share_out(work, 1000, 1)
    assert len(begun) < 100


def test_what_is_shared_out_within_runs_where_it_is():
    seen = []
    share_out(lambda first, last: share_out(lambda a, b: seen.append((first + a, last)), 4, 1), 8, 1)
    assert len(seen) == 32
