"""How often the state of a run is written: at most 3 % of its time, whatever a write takes."""

import pytest

from lightlathe.cli.progress import ASSUMED_SPEED, OFTEN_S, Keeper


class Run:
    """A run on a clock of its own: iterations and writes take the seconds that they are said to."""

    def __init__(self, write_s: float, size: int) -> None:
        self.now, self.write_s, self.written = 1000.0, write_s, []
        self.keeper = Keeper(self.write, lambda state: size, lambda: self.now)

    def write(self, state: dict, log: dict) -> None:
        self.now += self.write_s
        self.written.append((state["iteration"], log["loss"]))

    def iterate(self, count: int, iteration_s: float) -> None:
        for number in range(count):
            self.now += iteration_s
            self.keeper({"iteration": number}, {"loss": [float(number)]})


@pytest.mark.parametrize("write_s", [0.001, 0.5, 3.0, 40.0])
@pytest.mark.parametrize("iteration_s", [0.01, 1.0, 200.0])
def test_states_take_3_percent_of_the_time(write_s, iteration_s):
    run = Run(write_s, int(write_s * ASSUMED_SPEED))
    run.iterate(20_000, iteration_s)
    spent_s = write_s * len(run.written)
    assert spent_s <= 0.03 * (run.now - 1000)
    wanted_s = max(OFTEN_S, 33 * write_s)  # and no seldomer than that asks for
    assert len(run.written) >= (run.now - 1000) / (wanted_s + write_s + iteration_s) - 1


def test_the_first_comes_by_its_size():
    small, large = Run(0.1, 1000), Run(0.1, int(10 * ASSUMED_SPEED))
    for run in (small, large):
        run.iterate(300, 1.0)
    assert small.written[0] == (1, [1.0])
    assert not large.written
    large.iterate(40, 1.0)
    assert len(large.written) == 1


def test_slow_writes_become_seldomer_and_quick_ones_do_not_crowd():
    run = Run(20.0, 1000)
    run.iterate(600, 1.0)
    assert [number for number, _ in run.written] == [1]
    run.iterate(400, 1.0)
    assert len(run.written) == 2
    quick = Run(0.25, 1000)
    quick.iterate(100, 1.0)
    assert [number for number, _ in quick.written] == [1, 31, 61, 91]


def test_when_asked_the_last_state_is_written_once():
    run = Run(20.0, int(1e3 * ASSUMED_SPEED))
    run.keeper.write()
    assert not run.written
    run.iterate(5, 1.0)
    run.keeper.write()
    run.keeper.write()
    assert run.written == [(4, [4.0])]
    run.iterate(2, 1.0)
    run.keeper.write()
    assert run.written[1:] == [(1, [1.0])]


def test_a_write_that_failed_is_tried_again():
    run = Run(1.0, int(1e3 * ASSUMED_SPEED))
    whole, run.keeper._write = run.keeper._write, lambda *_: 1 / 0
    run.iterate(3, 1.0)
    with pytest.raises(ZeroDivisionError):
        run.keeper.write()
    run.keeper._write = whole
    run.keeper.write()
    assert run.written == [(2, [2.0])]
