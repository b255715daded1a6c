"""Jobs and studies broken at random: whatever comes, the program says what is wrong in a LightlatheError, or takes it.

The ordinary suite tries a few hundred with a fixed seed. `pytest -m slow tests/fuzz/test_broken_jobs.py -s` tries
10,000 jobs and 3,000 studies and prints how they ended.
"""

import collections
import sys
import time
from pathlib import Path

import pytest
from hostile_jobs import broken_jobs, broken_studies, lay_files, try_job, try_study, write
from hypothesis import HealthCheck, Phase, given, seed, settings

SLOWEST_S = 60.0  # of the processor, for one job: the check of 1000 solids at most, and the compiler at first use
CHECK_VOXELS = 1e5  # that the check looks at, 2e7 otherwise: the same work, a hundred times as often
GROWTH_BYTES = 1e9  # of the process: torch, compiled loops and the largest grids here take less than half


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # paths of no folder, too, are looked for here
    monkeypatch.setattr("lightlathe.feasibility.quick_check.CHECK_VOXELS", CHECK_VOXELS)
    lay_files(tmp_path)
    return tmp_path


def peak_bytes() -> float:
    """The largest resident size of this process so far; 0 where that cannot be told."""
    try:
        import resource
    except ImportError:  # Windows
        return 0.0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1.0 if sys.platform == "darwin" else 1024.0)


def tried(strategy, trial, path: Path, count: int, number: int) -> collections.Counter[str]:
    """How `count` broken files ended; any error but a LightlatheError, a hang or memory without bound fails."""
    ends: collections.Counter[str] = collections.Counter()
    before, began, slowest = peak_bytes(), time.perf_counter(), 0.0

    @seed(number)
    @settings(
        max_examples=count,
        database=None,
        deadline=None,
        derandomize=False,
        suppress_health_check=list(HealthCheck),
        phases=(Phase.explicit, Phase.generate, Phase.shrink),
    )
    @given(strategy)
    def one(tree):
        nonlocal slowest
        start = time.process_time()  # whatever else the machine does
        ends[trial(write(tree, path))] += 1
        slowest = max(slowest, time.process_time() - start)

    one()
    assert slowest < SLOWEST_S
    assert peak_bytes() - before < GROWTH_BYTES
    print(
        f"\n{path.stem}, seed {number}: {ends.total()} tried, none failed, in {time.perf_counter() - began:.0f} s, "
        f"the slowest {slowest:.1f} s: {dict(ends)}"
    )
    return ends


@pytest.mark.parametrize(
    ("number", "count"), [(1, 150), *(pytest.param(n, 2500, marks=pytest.mark.slow) for n in (2, 3, 4, 5))]
)
def test_a_broken_job_is_refused_or_judged(folder, number, count):
    ends = tried(broken_jobs, try_job, folder / "job.toml", count, number)
    assert ends["refused"] > 0.5 * count
    assert ends["marginal"] > 0.01 * count  # some get through to the check, or the trial would see only the reader


@pytest.mark.parametrize(
    ("number", "count"), [(1, 100), *(pytest.param(n, 1500, marks=pytest.mark.slow) for n in (2, 3))]
)
def test_a_broken_study_is_refused_or_taken(folder, number, count):
    ends = tried(broken_studies, try_study, folder / "study.toml", count, number)
    assert ends["refused"] > 0.5 * count
    assert ends["taken"] > 0.01 * count


def test_the_trial_can_fail(folder, monkeypatch):
    """A fault that is no LightlatheError is not swallowed on the way."""
    from lightlathe.job import reading

    monkeypatch.setattr(reading, "tables_of", lambda text, file: {}["part"])
    with pytest.raises(KeyError):
        tried(broken_jobs, try_job, folder / "job.toml", 5, 1)
