"""Reads damaged result, state and study files in a process of its own, so that one that hangs or falls is seen.

Run as `python hdf5_reading.py SETTINGS.json`: one JSON line [kind, path] in, one JSON line [outcome, words] out.
"""

import hashlib
import json
import pickle
import queue
import subprocess
import sys
import threading
from collections import Counter
from pathlib import Path

SECONDS = 60  # a file that takes longer hangs: these are read in milliseconds, on a machine that is busy too


class Reader:
    """Hands files to the reading process, and starts another one where it hangs or falls."""

    def __init__(self, settings: Path) -> None:
        self.settings, self.process, self.lines = settings, None, queue.Queue()

    def __call__(self, kind: str, path: Path) -> tuple[str, str]:
        """Outcome and words: ("read", digest of all that was read), ("refused", message), ("escaped", exception),
        ("hung", ""), ("fell", exit status)."""
        if self.process is None:
            self._start()
        self.process.stdin.write(json.dumps([kind, str(path)]) + "\n")
        self.process.stdin.flush()
        try:
            line = self.lines.get(timeout=SECONDS)
        except queue.Empty:
            self.close()
            return "hung", ""
        if not line:
            status = self.process.wait()
            self.process = None
            return "fell", str(status)
        return tuple(json.loads(line))

    def _start(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, __file__, self.settings],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        self.lines = queue.Queue()
        threading.Thread(target=_pass_on, args=(self.process.stdout, self.lines), daemon=True).start()
        if self.lines.get(timeout=600) != "ready\n":
            raise RuntimeError("the reading process did not start")

    def close(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process.stdin.close()
            self.process = None

    def __enter__(self) -> "Reader":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _pass_on(stream, lines) -> None:
    with stream:
        for line in stream:
            lines.put(line)
    lines.put("")


class Tally(Counter):
    """Outcomes by kind; a file that reads as the whole one is 'same', one that reads as something else 'silent'."""

    def __init__(self, whole: dict[str, str]) -> None:
        super().__init__()
        self.whole, self.examples = whole, {}

    def add(self, kind: str, outcome: str, words: str, what: str) -> None:
        if outcome == "read":
            outcome = "same" if words == self.whole[kind] else "silent"
        self[kind, outcome] += 1
        if outcome not in ("same", "refused"):
            self.examples.setdefault((kind, outcome), []).append(f"{what}: {words[:200]}")

    @property
    def failed(self) -> dict[str, list[str]]:
        return {f"{kind} {outcome}": found for (kind, outcome), found in self.examples.items()}

    def __str__(self) -> str:
        return ", ".join(f"{kind} {outcome} {n}" for (kind, outcome), n in sorted(self.items()))


def digest(value) -> str:
    """Of all that a reader gave, tensors by their bytes."""
    return hashlib.sha256(pickle.dumps(_plain(value))).hexdigest()


def _plain(value):
    import dataclasses

    import torch

    if isinstance(value, torch.Tensor):
        return str(value.dtype), tuple(value.shape), value.contiguous().numpy().tobytes()
    if dataclasses.is_dataclass(value):
        return [_plain(getattr(value, field.name)) for field in dataclasses.fields(value)]
    if isinstance(value, dict):
        return [(name, _plain(inner)) for name, inner in sorted(value.items())]
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    return repr(value)  # of NaN as well


def read(kind: str, path: str, settings: dict) -> str:
    """Read a file and do with it what the commands do first; a digest of what was read."""
    from lightlathe.flow.recorded import job_of
    from lightlathe.projector import Codebook
    from lightlathe.result import read_partial, read_result
    from lightlathe.study.file import read_study
    from lightlathe.study.table import table

    if kind == "result":
        record = read_result(path)
        light = job_of(record).light
        Codebook.of(light.bits, light.response).codes_of(record.patterns.levels.numpy())
        repr(record)
        return digest(record)
    if kind == "state":
        return digest(read_partial(Path(path), settings))
    study = read_study(path)
    table(study, study.rank_by)
    return digest(study)


def main() -> None:
    from lightlathe.errors import LightlatheError
    from lightlathe.flow.recorded import job_of  # noqa: F401  # what takes seconds to import, before the first file

    settings = json.loads(Path(sys.argv[1]).read_text())
    print("ready", flush=True)
    for line in sys.stdin:
        try:
            outcome = "read", read(*json.loads(line), settings)
        except LightlatheError as problem:
            outcome = "refused", str(problem)
        except Exception as problem:  # what a user would meet as a traceback
            outcome = "escaped", f"{type(problem).__name__}: {problem}"
        print(json.dumps(outcome), flush=True)


if __name__ == "__main__":
    main()
