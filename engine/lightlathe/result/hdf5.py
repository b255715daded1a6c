"""The result file: HDF5 that anyone with h5py alone can check. Names: `lightlathe help hdf5`.

Groups and datasets that are written are typed Any: h5py's own types admit every kind of link at every step.
"""

import json
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import torch

from lightlathe.quantities import (
    Field,
    Grid,
    Packed,
    Part,
    Patterns,
    Prediction,
    slices_of,
)
from lightlathe.result.as_bytes import (
    MEANING,
    absorbing_in,
    as_bytes,
    codes_in,
    fine_in,
    flags_in,
    in_255ths,
    put_fine,
    share_in,
)
from lightlathe.result.block import put_block
from lightlathe.result.checksums import CONTENT, SEAL, content
from lightlathe.result.chunks import in_slabs
from lightlathe.result.older import upgraded
from lightlathe.result.optics import optics_in, put_optics
from lightlathe.result.put import put
from lightlathe.result.record import Record
from lightlathe.result.short_floats import RELATIVE_ERROR, shortened
from lightlathe.result.storage import FORMAT_VERSION, opened, whole_file
from lightlathe.result.tree import Node
from lightlathe.result.wanted import put_wanted, wanted_in
from lightlathe.support.files import RESULT
from lightlathe.support.watching import doing

FORMAT = RESULT
OF_THE_FILE = ("format", "format_version", "name", "warnings", SEAL)  # attributes that are not provenance
LOG_UNITS = {"seconds": "s", "memory_bytes": "byte"}


def put_log(file: Any, log: dict[str, list[float]], group: str = "log") -> None:
    for column, values in log.items():
        put(file.require_group(group), column, np.asarray(values, float), LOG_UNITS.get(column, "1"), ("iteration",))


def put_job(file: Any, toml: str, settings: dict[str, Any]) -> None:
    text = h5py.string_dtype()
    for name, value in (("toml", toml), ("resolved", json.dumps(settings, indent=1))):
        file.require_group("job").create_dataset(name, data=value, dtype=text).attrs.update({"units": "1", "dims": []})


@doing("writing the result")
def write_result(record: Record, path: Path, *, replace: bool = True) -> Path:
    """Write a complete result file and return its path; see `whole_file` for `replace`."""
    grid, patterns = record.part.grid, record.patterns
    xyz = ("x", "y", "z")
    with whole_file(path, FORMAT, replace=replace) as file:
        file.attrs.update({"format": FORMAT, "format_version": FORMAT_VERSION, "name": record.name, **record.facts})
        file.attrs["warnings"] = json.dumps(list(record.warnings))
        put_job(file, record.job_toml, record.settings)
        file.create_group("grid").attrs.update(
            {"voxel_mm": grid.voxel_mm, "shape": grid.shape, "vial_radius_mm": record.vial_radius_mm}
        )
        part = file.create_group("part")
        put(part, "coverage", in_255ths(record.part.coverage), "1", xyz, full=255)
        if record.part.insert is not None:
            put(part, "insert", in_255ths(record.part.insert), "1", xyz, full=255)
        if record.part.opaque is not None:
            put(part, "opaque", in_255ths(record.part.opaque), "1", xyz, full=255)
        for number, each in enumerate(record.part.absorbing):
            group, own = part.require_group("absorbing"), in_255ths(each.covered)
            put(group, str(number), own, "1", xyz, full=255, absorption_per_mm=each.absorption_per_mm)
        put(part, "judged", as_bytes(record.part.judged), "1", xyz, meaning=MEANING)
        if record.part.whole is not None:
            put(part, "whole", as_bytes(record.part.whole), "1", xyz, meaning=MEANING)
        if record.wanted is not None:
            put_wanted(part.create_group("surface"), record.wanted)
        if record.fine is not None:
            put_fine(file.create_group("fine"), record.fine, record.prediction.fine_solid)
        shown = file.create_group("patterns")
        put_levels(shown, patterns)
        put(shown, "angle_rad", patterns.angle_rad.cpu().numpy(), "rad", ("angle",))
        if record.optics is not None:
            put_optics(file.create_group("optics"), record.optics)
        predicted = file.create_group("prediction")
        dose = record.prediction.dose
        if not isinstance(dose, Packed):  # else it is short already
            dose = in_slabs(shortened, dose.float().cpu().numpy(), np.float32)
        put(predicted, "dose", dose, "mJ cm-3", xyz, relative_error=RELATIVE_ERROR)
        del dose
        put(predicted, "solid", as_bytes(record.prediction.solid), "1", xyz)
        file.create_group("quality").attrs.update(record.quality)
        put_log(file, record.log)
        for stage, log in record.log_before.items():
            put_log(file, log, f"log_before/{stage}")
    return Path(path)


def put_levels(group: Any, patterns: Patterns) -> None:
    """The levels in the projector's whole field; where only some of it is lit, no more than that is stored."""
    levels, field, axes = patterns.levels.cpu().numpy(), patterns.field, ("angle", "column", "row")
    names = ("full_scale", "pixel_mm", "irradiance_mw_cm2", "dwell_s", "turns")
    attrs = {name: getattr(patterns, name) for name in names}
    if field.is_whole:
        put(group, "levels", levels, "1", axes, **attrs)
        return
    shape, first = (len(levels), field.columns, field.rows), (0, field.first_column, field.first_row)
    data = put_block(group, "levels", levels, shape, first)
    data.attrs.update({"units": "1", "dims": list(axes), CONTENT: content(levels), **attrs})


def lit_in(shown: Node) -> Field | None:
    """The lit columns and rows of the dataset of levels; None where all are. ValueError for what is no such field."""
    if shown.block is None:
        return None
    angles, columns, rows = shown.block
    if angles.stop - angles.start != shown.shape[0]:
        raise ValueError(f"the lit block of {shown.path} holds some of the images; expected all of them")
    _, wide, tall = shown.shape
    lit = Field(wide, tall, columns.start, columns.stop - columns.start, rows.stop - rows.start)
    if lit.first_row != rows.start:
        raise ValueError(f"the lit rows of {shown.path} begin at {rows.start}; expected {lit.first_row}, in the middle")
    return lit


def log_in(root: Node, at: str = "log") -> dict[str, list[float]]:
    """The columns of a log, /log of a file."""
    columns = {} if root.find(at) is None else root[at].children
    log = {name: root[at].array(name, "f8", data.shape[:1] or (None,)).tolist() for name, data in columns.items()}
    if len({len(values) for values in log.values()}) > 1:
        raise ValueError("the columns of its log are of several lengths")
    return log


def _stages(root: Node) -> list[str]:
    """The names of the stages before the design itself."""
    return [] if root.find("log_before") is None else list(root["log_before"].children)


@doing("reading the result")
def read_result(path: str | Path) -> Record:
    """The record in a result file; one of an older version as `upgraded` takes it. Raises ResultError."""
    with opened(path, FORMAT) as root:
        grid, shown = root["grid"], root["patterns/levels"]
        shape = tuple(grid.attribute("shape", list))
        voxels = Grid(shape, grid.length("voxel_mm"))  # pyright: ignore[reportArgumentType]
        full_scale = shown.count("full_scale", maximum=65535)
        levels = root.array("patterns/levels", "u1 u2", (None, None, None))
        if levels.max() > full_scale:
            raise ValueError(f"patterns/levels go up to {levels.max()}; expected {full_scale} at most")
        angle_rad = root.array("patterns/angle_rad", "f8", shown.shape[:1])
        dose = root.volume("prediction/dose", "f4", shape)
        ends = [extreme for _, (piece,) in slices_of(dose) for extreme in piece.aminmax()]
        if not (np.isfinite(angle_rad).all() and np.isfinite(ends).all()):
            raise ValueError("patterns/angle_rad or prediction/dose holds what is no finite number")
        warnings = json.loads(root.attribute("warnings", str))
        if not isinstance(warnings, list) or not all(isinstance(line, str) for line in warnings):
            raise ValueError("warnings are no list of texts")
        fine, fine_solid = fine_in(root)
        record = Record(
            name=root.attribute("name", str),
            job_toml=root.text("job/toml"),
            settings=root.table("job/resolved"),
            part=Part(
                voxels,
                share_in(root, "part/coverage", shape),
                codes_in(root, "part/judged", shape),
                None if root.find("part/insert") is None else share_in(root, "part/insert", shape),
                None if root.find("part/whole") is None else codes_in(root, "part/whole", shape),
                None if root.find("part/opaque") is None else share_in(root, "part/opaque", shape),
                absorbing_in(root, shape),
            ),
            patterns=Patterns(
                torch.from_numpy(levels),
                torch.from_numpy(angle_rad),
                full_scale=full_scale,
                pixel_mm=shown.length("pixel_mm"),
                irradiance_mw_cm2=shown.length("irradiance_mw_cm2"),
                dwell_s=shown.length("dwell_s"),
                turns=shown.count("turns"),
                lit=lit_in(shown),
            ),
            prediction=Prediction(
                dose,
                flags_in(root, "prediction/solid", shape),
                {k: root["quality"].attribute(k, float) for k in root["quality"].attrs},
                fine_solid,
            ),
            vial_radius_mm=grid.length("vial_radius_mm"),
            facts={k: v for k, v in root.attrs.items() if k not in OF_THE_FILE},
            log=log_in(root),
            warnings=tuple(warnings),
            fine=fine,
            wanted=wanted_in(root),
            optics=optics_in(root, shown.shape, angle_rad),
            log_before={stage: log_in(root["log_before"], stage) for stage in _stages(root)},
        )
        return upgraded(record, root.count("format_version"))
