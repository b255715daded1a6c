"""The result file: HDF5 that anyone with h5py alone can check. Names are those of DEVELOPERS.md, "Result file".

A file is written beside its name and renamed when complete, so a half-written file never carries the final name.
Groups and datasets are typed Any: h5py's own types admit every kind of link at every step.
"""

import contextlib
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import torch

from lightlathe.errors import ResultError
from lightlathe.files import RESULT, require_replaceable
from lightlathe.quantities import Grid, Part, Patterns, Prediction
from lightlathe.result.record import Record

FORMAT = RESULT
FORMAT_VERSION = 1
OTHER = {  # what to do with a file of another kind
    "lightlathe-state": " It is an unfinished design: `lightlathe design JOB --resume` goes on from it.",
    "lightlathe-study": " It is a study: `lightlathe compare` shows it.",
}
LOG_UNITS = {"seconds": "s", "memory_bytes": "byte"}


@contextlib.contextmanager
def whole_file(path: Path, kind: str) -> Iterator[Any]:
    """A new HDF5 file that takes the name `path` only when the block ends well.

    kind   of files.py; ResultError where a file of another kind has that name
    """
    path = Path(path)
    require_replaceable(path, kind)
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.writing")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with h5py.File(unfinished, "w") as file:
            yield file
        os.replace(unfinished, path)
    except OSError as problem:
        raise ResultError(
            f"{path}: cannot write the file ({problem}). Is the folder writable, the disk full?"
        ) from None
    finally:
        with contextlib.suppress(OSError):  # a folder that cannot be written to
            unfinished.unlink(missing_ok=True)


def require_writable(path: Path, kind: str = FORMAT) -> None:
    """ResultError before any work, where a file of this kind could not be written after it."""
    if path.is_dir():
        raise ResultError(f"{path}: is a folder; expected the name of a file.")
    require_replaceable(path, kind)
    probe = path.with_name(f".{path.name}.probe")
    try:
        with whole_file(probe, kind):
            pass
    except ResultError:
        raise ResultError(f"{path}: cannot be written. Does the folder exist, and may you write there?") from None
    probe.unlink()


def put(group: Any, name: str, values: Any, units: str, dims: tuple[str, ...], **attrs: Any) -> None:
    """One dataset with its units and the names of its axes; whole numbers are packed."""
    values = np.asarray(values)
    packing: dict[str, Any] = (
        {"compression": "gzip", "compression_opts": 1} if values.dtype.kind == "u" and values.size > 4096 else {}
    )
    data = group.create_dataset(name, data=values, **packing)
    data.attrs.update({"units": units, "dims": list(dims), **attrs})


def put_log(file: Any, log: dict[str, list[float]]) -> None:
    for column, values in log.items():
        put(file.require_group("log"), column, np.asarray(values, float), LOG_UNITS.get(column, "1"), ("iteration",))


def put_job(file: Any, toml: str, settings: dict[str, Any]) -> None:
    text = h5py.string_dtype()
    for name, value in (("toml", toml), ("resolved", json.dumps(settings, indent=1))):
        file.require_group("job").create_dataset(name, data=value, dtype=text).attrs.update({"units": "1", "dims": []})


def write_result(record: Record, path: Path) -> Path:
    """Write a complete result file and return its path."""
    grid, patterns = record.part.grid, record.patterns
    xyz = ("x", "y", "z")
    with whole_file(path, FORMAT) as file:
        file.attrs.update({"format": FORMAT, "format_version": FORMAT_VERSION, "name": record.name, **record.facts})
        file.attrs["warnings"] = json.dumps(list(record.warnings))
        put_job(file, record.job_toml, record.settings)
        file.create_group("grid").attrs.update(
            {"voxel_mm": grid.voxel_mm, "shape": grid.shape, "vial_radius_mm": record.vial_radius_mm}
        )
        coverage = (record.part.coverage * 255).round().to(torch.uint8).cpu().numpy()
        part = file.create_group("part")
        put(part, "coverage", coverage, "1", xyz, full=255)
        if record.part.insert is not None:
            insert = (record.part.insert * 255).round().to(torch.uint8).cpu().numpy()
            put(part, "insert", insert, "1", xyz, full=255)
        put(part, "judged", record.part.judged.cpu().numpy(), "1", xyz, meaning="0 ignored, 1 liquid, 2 solid")
        shown = file.create_group("patterns")
        put(
            shown,
            "levels",
            patterns.levels.cpu().numpy(),
            "1",
            ("angle", "column", "row"),
            full_scale=patterns.full_scale,
            pixel_mm=patterns.pixel_mm,
            irradiance_mw_cm2=patterns.irradiance_mw_cm2,
            dwell_s=patterns.dwell_s,
            turns=patterns.turns,
        )
        put(shown, "angle_rad", patterns.angle_rad.cpu().numpy(), "rad", ("angle",))
        predicted = file.create_group("prediction")
        put(predicted, "dose", record.prediction.dose.float().cpu().numpy(), "mJ cm-3", xyz)
        put(predicted, "solid", record.prediction.solid.to(torch.uint8).cpu().numpy(), "1", xyz)
        file.create_group("quality").attrs.update(record.quality)
        put_log(file, record.log)
    return Path(path)


@contextlib.contextmanager
def opened(path: str | Path, expected: str) -> Iterator[Any]:
    """An HDF5 file of the kind `expected`, else ResultError saying what it is instead."""
    path = Path(path)
    if not path.is_file():
        writes = "compare STUDY" if expected == "lightlathe-study" else "design JOB"
        raise ResultError(f"{path}: no such file. `lightlathe {writes}` writes one.")
    try:
        file: Any = h5py.File(path, "r")
    except OSError as problem:
        hint = (
            f"It looks like a job: `lightlathe design {path}` makes the result file."
            if path.suffix == ".toml"
            else "Was it cut off while being copied?"
        )
        raise ResultError(f"{path}: not a readable HDF5 file ({problem}). {hint}") from None
    with file:
        kind = file.attrs.get("format", "no format given")
        if kind != expected:
            raise ResultError(f"{path}: its format is '{kind}'; expected '{expected}'.{OTHER.get(str(kind), '')}")
        try:
            if int(file.attrs["format_version"]) > FORMAT_VERSION:
                raise ResultError(
                    f"{path}: format version {file.attrs['format_version']}; this program reads up to "
                    f"{FORMAT_VERSION}. Update lightlathe."
                )
            yield file
        except KeyError as problem:
            raise ResultError(f"{path}: incomplete result file: {problem}.") from None
        except (ValueError, TypeError, AttributeError, OSError) as problem:  # of JSON, of h5py, of a wrong kind of item
            raise ResultError(f"{path}: damaged result file: {problem}.") from problem


def settings_in(file: Any) -> dict[str, Any]:
    """The job's settings after defaults; TypeError or ValueError where they are no JSON table."""
    settings = json.loads(file["job/resolved"].asstr()[()])
    if not isinstance(settings, dict):
        raise TypeError(f"job/resolved is a {type(settings).__name__}; expected a table of settings in JSON")
    return settings


def read_result(path: str | Path) -> Record:
    """The record in a result file. Raises ResultError."""
    with opened(path, FORMAT) as file:
        facts = {
            k: _plain(v) for k, v in file.attrs.items() if k not in ("format", "format_version", "warnings", "name")
        }
        nx, ny, nz = (int(n) for n in file["grid"].attrs["shape"])
        grid = Grid((nx, ny, nz), float(file["grid"].attrs["voxel_mm"]))
        levels = file["patterns/levels"]
        shown = {
            k: _plain(levels.attrs[k]) for k in ("full_scale", "pixel_mm", "irradiance_mw_cm2", "dwell_s", "turns")
        }
        return Record(
            name=str(file.attrs["name"]),
            job_toml=file["job/toml"].asstr()[()],
            settings=settings_in(file),
            part=Part(
                grid,
                torch.from_numpy(file["part/coverage"][()]).float() / 255,
                torch.from_numpy(file["part/judged"][()]),
                torch.from_numpy(file["part/insert"][()]).float() / 255 if "insert" in file["part"] else None,
            ),
            patterns=Patterns(torch.from_numpy(levels[()]), torch.from_numpy(file["patterns/angle_rad"][()]), **shown),
            prediction=Prediction(
                torch.from_numpy(file["prediction/dose"][()]),
                torch.from_numpy(file["prediction/solid"][()]).bool(),
                {k: float(v) for k, v in file["quality"].attrs.items()},
            ),
            vial_radius_mm=float(file["grid"].attrs["vial_radius_mm"]),
            facts=facts,
            log={k: v[()].tolist() for k, v in file.get("log", {}).items()},
            warnings=tuple(json.loads(file.attrs["warnings"])),
        )


def _plain(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else value
