"""How far the tests of designs stay from failing, against what chance does to them.

    python benchmarks/test_margins.py [--seeds 5] [--least 5] [--at-once 1] [tests ...]

Runs the tests once as they are and once for each seed with every start of a design disturbed by 1e-6 of itself, which
does what another processor or version of torch does (threads change nothing, tests/solve/test_threads.py). Of each
comparison that is asserted after a design: the spread, which is the standard deviation of left less right over the
runs, against the margin, which is the nearest that any run came to failing. A margin of less than `least` times the
spread is listed, and so is a test that failed in any run. Comparisons that never changed, such as "no voxel is wrong",
have no margin: for them the runs themselves speak. So do those that no design can fail, however near it comes, because
the code sees to it: their lines are marked `# by construction`.

Exit code 1 where a run failed or a margin is too small. Needs the extras `test` and `peers`.
"""

import argparse
import itertools
import json
import math
import os
import statistics
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
NO_TESTS = 5  # pytest: all of a file are marked slow


def files_of(tests: list[str]) -> list[str]:
    """The files of tests in what was named: files, or folders with all that they hold."""
    named = [ROOT / test for test in tests]
    return [str(file) for path in named for file in (sorted(path.rglob("test_*.py")) if path.is_dir() else [path])]


def run(seed: int | None, test: str, folder: Path) -> tuple[dict, list[str]]:
    """What a file of tests compared, and its tests that failed, with starts disturbed by a seed."""
    folder = Path(tempfile.mkdtemp(dir=folder))
    file = folder / "compared.json"
    command = [sys.executable, "-m", "pytest", "-q", "-rfE", "-p", "no:cacheprovider", "-o"]
    command += ["enable_assertion_pass_hook=true", "--margins", str(file), test]
    command += [] if seed is None else ["--disturb", str(seed)]
    apart = {"PYTHONPYCACHEPREFIX": str(folder / "python")}  # asserts are compiled anew, to tell what they compare
    done = subprocess.run(command, cwd=ROOT, env=os.environ | apart, capture_output=True, text=True)
    failed = [line for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
    if not file.exists() or (done.returncode not in (0, NO_TESTS) and not failed):
        sys.exit(done.stdout + done.stderr)
    return json.loads(file.read_text()), failed


def room(left: float, sign: str, right: float, allowance: float) -> float:
    """How far a comparison that holds is from failing."""
    return allowance - abs(left - right) if sign == "==" else abs(left - right)


def rows(runs: list[dict]) -> list[tuple[float, float, float, str, str]]:
    """(margin over spread, margin, spread, place, text) of every comparison that all runs made and that moved."""
    found = []
    for place in set.intersection(*(set(one) for one in runs)):
        for together in zip(*(one[place]["compared"] for one in runs), strict=False):
            gaps = [left - right for left, _, right, _ in together]
            margin, spread = (
                min(room(*one) for one in together),
                statistics.stdev(gaps) if all(map(math.isfinite, gaps)) else 0,
            )
            if spread > 0 and not by_construction(place):
                found.append((margin / spread, margin, spread, place, runs[0][place]["text"]))
    return sorted(found)


def by_construction(place: str) -> bool:
    """Whether the line of a place such as "tests/a.py::test[b]:12 #1" is marked so."""
    file, line = place.split("::")[0], int(place.rsplit(" #")[0].rsplit(":", 1)[1])
    return "by construction" in (ROOT / file).read_text().splitlines()[line - 1]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("tests", nargs="*", default=["tests"], help="files or folders; all where left out")
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--least", type=float, default=5.0, help="margin over spread that is asked for")
    parser.add_argument("--at-once", type=int, default=1, help="runs side by side")
    given = parser.parse_args()
    runs, failed = [], []
    seeds, files = (None, *range(1, given.seeds + 1)), files_of(given.tests)
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(given.at_once) as pool:
        done = pool.map(lambda one: run(*one, Path(folder)), itertools.product(seeds, files))
        for seed in seeds:
            of_files = [next(done) for _ in files]
            found = {place: what for one, _ in of_files for place, what in one.items()}
            bad = [line for _, lines in of_files for line in lines]
            print("as it is" if seed is None else f"seed {seed}", f"{len(found)} assertions,", *(bad or ["all passed"]))
            runs.append(found)
            failed += bad
    table = rows(runs)
    narrow = [row for row in table if row[0] < given.least]
    print(f"{len(table)} comparisons moved; {len(narrow)} have a margin below {given.least:g} times their spread")
    for ratio, margin, spread, place, text in narrow:
        print(f"  {ratio:8.2g} times: margin {margin:.3g}, spread {spread:.3g}  {place}  {text}")
    return 1 if failed or narrow else 0


if __name__ == "__main__":
    sys.exit(main())
