"""How often the state of a run is written: at most 3 % of its time, whatever a write takes."""

import pytest
import torch

from lightlathe.cli.progress import OFTEN_S, Keeper
from lightlathe.errors import ResultError
from lightlathe.result import partial


class Run:
    """A run on a clock of its own: iterations, writes and the look at what a write takes last as long as is said."""

    def __init__(self, write_s: float, *, told_s: float | None = None, look_s: float = 0.0) -> None:
        self.now, self.write_s, self.look_s, self.written, self.worst = 1000.0, write_s, look_s, [], 0.0
        self.told_s, self.spent_s = write_s if told_s is None else told_s, 0.0
        self.keeper = Keeper(self.write, self.cost, lambda: self.now)

    def spend(self, seconds: float) -> None:
        self.now += seconds
        self.spent_s += seconds
        self.worst = max(self.worst, self.spent_s / (self.now - 1000.0))

    def cost(self, state: dict) -> float:
        self.spend(self.look_s)
        return self.told_s

    def write(self, state: dict, log: dict) -> None:
        self.spend(self.write_s)
        self.written.append((state["iteration"], log["loss"]))

    def iterate(self, count: int, iteration_s: float) -> None:
        for number in range(count):
            self.now += iteration_s
            self.keeper({"iteration": number}, {"loss": [float(number)]})


@pytest.mark.parametrize("write_s", [0.001, 0.5, 3.0, 40.0])
@pytest.mark.parametrize("iteration_s", [0.01, 1.0, 200.0])
def test_states_take_3_percent_of_the_time(write_s, iteration_s):
    """At the end and at every moment before, the look at what a write takes counted."""
    run = Run(write_s, look_s=min(write_s / 10, 0.3))
    run.iterate(20_000, iteration_s)
    assert run.worst <= 0.03
    wanted_s = max(OFTEN_S, 33 * write_s)  # and no seldomer than that asks for
    assert len(run.written) >= (run.now - 1000) / (wanted_s + write_s + iteration_s) - 2


def test_the_first_comes_by_what_it_takes():
    small, large = Run(0.1), Run(10.0)
    for run in (small, large):
        run.iterate(300, 1.0)
    assert small.written[0] == (30, [30.0])  # 30 s after the first iteration
    assert not large.written
    large.iterate(40, 1.0)
    assert len(large.written) == 1


def test_slow_writes_become_seldomer_and_quick_ones_do_not_crowd():
    run = Run(20.0, told_s=0.0)  # a disk that has become slow since
    run.iterate(600, 1.0)
    assert [number for number, _ in run.written] == [30]
    run.iterate(400, 1.0)
    assert len(run.written) == 2
    quick = Run(0.25)
    quick.iterate(130, 1.0)
    assert [number for number, _ in quick.written] == [30, 60, 90, 120]


def test_when_asked_the_last_state_is_written_once():
    run = Run(20.0)
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
    run = Run(1.0)
    whole, run.keeper._write = run.keeper._write, lambda *_: 1 / 0
    run.iterate(3, 1.0)
    with pytest.raises(ZeroDivisionError):
        run.keeper.write()
    run.keeper._write = whole
    run.keeper.write()
    assert run.written == [(2, [2.0])]


def test_what_a_write_takes_is_found_by_a_piece_of_the_state(tmp_path, monkeypatch):
    """Of noise, of which a twelfth is written: no more is packed than that, and as many times as long is said. Nothing
    of it is left; a folder that is full is said as when writing."""
    noise = torch.rand(48, 64, 64, generator=torch.Generator().manual_seed(0))
    state = {"run": {"best": noise, "turned": noise.permute(2, 0, 1) + 1, "iteration": 3}, "stage": "design"}
    monkeypatch.setattr(partial, "PIECE", partial.state_bytes(state) // 12)
    put, given = partial.put, []
    now = [0.0]

    def counted(group, name, values, *args, **more):
        given.append(values.nbytes)
        now[0] += values.nbytes * 1e-6  # 1 MB/s
        put(group, name, values, *args, **more)

    monkeypatch.setattr(partial, "put", counted)
    monkeypatch.setattr(partial.time, "perf_counter", lambda: now[0])
    found = partial.seconds_to_write(tmp_path / "a.partial.h5", state)
    assert sum(given) < 0.15 * partial.state_bytes(state)
    assert found == pytest.approx(partial.state_bytes(state) * 1e-6, rel=0.2)
    assert list(tmp_path.iterdir()) == []
    monkeypatch.setattr(partial, "put", lambda *_, **__: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    with pytest.raises(ResultError, match="No space left"):
        partial.seconds_to_write(tmp_path / "a.partial.h5", state)
    assert list(tmp_path.iterdir()) == []
