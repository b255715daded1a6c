"""Patterns, doses or whole results of a study's runs, in a folder beside the study file."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from lightlathe.errors import JobError, ResultError
from lightlathe.result.hdf5 import write_result
from lightlathe.result.record import Record

KEEPS = ("patterns", "dose", "result")


def folder_of(study: Path) -> Path:
    """NAME.study.h5 -> NAME.study.runs beside it."""
    return study.with_name(f"{study.name.removesuffix('.h5')}.runs")


def require_new(study: Path, keep: Sequence[str]) -> None:
    """JobError where a study that begins would write into the runs of another."""
    folder = folder_of(study)
    if keep and folder.exists():
        raise JobError(
            f"{folder}: is there already, with runs of another study. Move it away, or name another with -o."
        )


def keep_run(record: Record, keep: Sequence[str], study: Path, number: int) -> str:
    """Write what a plan keeps of a run; returns the path of its files without their endings, from the study's folder.

    patterns   NNNN.patterns.npy   levels [angle, column, row] of the projector's whole field, uint8 or uint16
    dose       NNNN.dose.npy       mJ/cm3 [x, y, z], float32, at the planned exposure
    result     NNNN.lathe.h5       everything, for every command that takes a result
    """
    folder, name = folder_of(study), f"{number:04d}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if "patterns" in keep:
            _put_levels(folder / f"{name}.patterns.npy", record)
        if "dose" in keep:
            np.save(folder / f"{name}.dose.npy", record.prediction.dose.float().cpu().numpy())
        if "result" in keep:
            write_result(record, folder / f"{name}.lathe.h5")
    except OSError as problem:
        raise ResultError(
            f"{folder}: cannot write what the study keeps of a run ({problem.strerror or problem}). Is the disk full?"
        ) from None
    return f"{folder.name}/{name}"


def _put_levels(path: Path, record: Record) -> None:
    """The lit block of the levels in the projector's whole field; what is dark takes no room on most file systems."""
    patterns = record.patterns
    levels, field = patterns.levels.cpu().numpy(), patterns.field
    shape = (len(levels), field.columns, field.rows)
    whole = np.lib.format.open_memmap(path, mode="w+", dtype=levels.dtype, shape=shape)
    columns = slice(field.first_column, field.first_column + levels.shape[1])
    whole[:, columns, field.first_row : field.first_row + levels.shape[2]] = levels
    whole.flush()
