"""The table of a study for other programs: a list of dicts, a pandas DataFrame, CSV."""

import csv
import io
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

from lightlathe.errors import ResultError
from lightlathe.study.file import read_study
from lightlathe.study.ranking import rank_figure, ranking
from lightlathe.study.runs import Study
from lightlathe.support.files import what_is

FACTS = ("kept", "processor", "threads", "card", "program_version", "created_utc", "stopped_because", "failed")
BEGINS = "job,"  # a CSV that this module wrote, and may replace


def study_table(
    study: Study | str | Path,
    *,
    by: Literal["run", "variant"] = "run",
    rank_by: str | None = None,
    frame: bool = False,
) -> Any:
    """The runs of a study, or of a study file, as a list of dicts with the same keys: one row for each.

    by        run: every run with all its figures and facts; variant: the mean of each figure over the repeats, and its
              spread (largest less smallest) as FIGURE_spread, ranked
    rank_by   the figure that ranks variants; that of the study file where None
    frame     a pandas DataFrame instead; needs pandas
    Varied keys are columns under their dotted names; tables stand there as JSON. A figure that a run lacks is None.
    Raises ResultError.
    """
    study = study if isinstance(study, Study) else read_study(study)
    rows = (
        _runs(study) if by == "run" else _variants(study, rank_figure(rank_by or study.rank_by, metrics=study.metrics))
    )
    columns = dict.fromkeys(name for row in rows for name in row)
    whole = [{name: row.get(name) for name in columns} for row in rows]
    return _frame(whole, list(columns)) if frame else whole


def write_csv(study: Study, path: Path) -> Path:
    """Every run as a line of a CSV file (RFC 4180), UTF-8; returns the path.

    A CSV of an earlier study is replaced, any other file is not: ResultError.
    """
    require_csv(path)
    rows = study_table(study)
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, list(rows[0]) if rows else ["job"])
    writer.writeheader()
    writer.writerows(rows)
    try:
        path.write_text(text.getvalue(), encoding="utf-8", newline="")
    except OSError as problem:
        raise ResultError(f"{path}: cannot write the CSV ({problem.strerror}). Is the folder there?") from None
    return path


def require_csv(path: Path) -> None:
    """ResultError where a CSV of runs may not be written, before any long work."""
    if path.suffix.lower() != ".csv" or not path.absolute().parent.is_dir():
        raise ResultError(f"{path}: expected the name of a .csv file in a folder that there is.")
    if path.exists() and not _is_ours(path):
        raise ResultError(f"{path}: is {what_is(path)} of another kind; it is not replaced. Give another name.")


def _runs(study: Study) -> list[dict[str, Any]]:
    return [
        {
            "job": run.job,
            **{key: _cell(value) for key, value in run.variant.items()},
            "repeat": run.repeat,
            **run.figures,
            **{name: run.facts[name] for name in FACTS if name in run.facts},
        }
        for run in study.runs
    ]


def _variants(study: Study, rank_by: str) -> list[dict[str, Any]]:
    rows = []
    for line in ranking(study, rank_by):
        figures = {}
        for name, mean in line.figures.items():
            figures |= {name: mean, f"{name}_spread": line.spreads[name]}
        varied = {key: _cell(value) for key, value in line.variant.items()}
        rows.append({"job": line.job, **varied, "rank": line.rank, "runs": line.runs, **figures})
    return rows


def _cell(value: Any) -> Any:
    return json.dumps(value, default=str) if isinstance(value, dict | list) else value


def _frame(rows: list[dict[str, Any]], columns: Sequence[str]) -> Any:
    try:
        import pandas
    except ImportError:
        raise ResultError(
            "a DataFrame needs pandas, which is not installed. pip install 'pandas>=2.2' (the extra 'table')"
        ) from None
    return pandas.DataFrame(rows, columns=list(columns))


def _is_ours(path: Path) -> bool:
    try:
        with path.open(encoding="utf-8") as file:
            return file.read(len(BEGINS)) in (BEGINS, "job\n")
    except (OSError, ValueError):
        return False
