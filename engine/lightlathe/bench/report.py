"""The measurement as text: one machine, or two side by side."""

import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from lightlathe.bench.together import together_words
from lightlathe.errors import ResultError
from lightlathe.support.files import BENCH, require_replaceable

Result = dict[str, Any]


def read_bench(path: Path) -> Result:
    """A bench file; ResultError where it is none."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as problem:
        raise ResultError(f"{path}: not a readable bench file ({problem}). `lightlathe bench` writes one.") from None
    if not isinstance(found, dict) or found.get("format") != BENCH:
        raise ResultError(f"{path}: not a bench file; expected format '{BENCH}'. `lightlathe bench` writes one.")
    return found


def require_place(path: Path, others: Sequence[Path] = ()) -> None:
    """ResultError before any measuring, where the bench file could not be written after it.

    others   files that it will be compared with, and must not replace
    """
    require_replaceable(path, BENCH)
    if any(path.exists() and other.exists() and path.samefile(other) for other in others):
        raise ResultError(f"{path}: would replace the bench that it is compared with; name another file with -o.")
    if not path.parent.is_dir() or not os.access(path.parent, os.W_OK):
        raise ResultError(f"{path}: cannot be written. Does the folder exist, and may you write there?")


def write_bench(result: Result, path: Path) -> None:
    """Write a bench file as JSON; it takes the place of an earlier bench, and of nothing else."""
    require_place(path)
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.writing")
    try:
        unfinished.write_text(json.dumps(result, indent=1), encoding="utf-8")
        os.replace(unfinished, path)
    except OSError as problem:
        raise ResultError(f"{path}: cannot write the file ({problem}). Is the disk full?") from None
    finally:
        unfinished.unlink(missing_ok=True)


def table(result: Result) -> str:
    """One machine's measurement for a person to read."""
    machine, top = result["machine"], result["ceilings"]
    versions = ", ".join(f"{k} {machine[k]}" for k in ("torch", "numba", "triton", "cuda") if machine.get(k))
    lines = [
        f"Lightlathe {result['program_version']}, {result['created_utc']}",
        f"{_device(result)}; python {machine['python']}, {versions}; {machine['system']}",
        f"at most: copies {top['copy_gb_s']:.0f} GB/s, matrix products {top['matrix_gmac_s']:.0f} GMAC/s, "
        f"plain multiply-adds {top['scalar_gmac_s']:.0f} GMAC/s",
        "",
        *_columns(
            ["size", "voxels", "angles", "kernel", "forward", "GUPS", "limit", "adjoint", "GUPS", "limit",
             "iteration", "other", "memory", "error"],
            [_row(row) for row in result["rows"]],
        ),
        "",
        "GUPS: 1e9 voxels x angles a second, the whole square counted. limit: share of the least time that the counted "
        "multiply-adds",
        "or the memory allow. other: what an iteration spends beside the two products. error: of the norm, against "
        "float64.",
        _design(result["design"]),
    ]  # fmt: skip
    if "together" in result:
        lines += ["", *together_words(result["together"])]
    if result["left_out"]:
        lines.append(f"Left out, too large for the available memory or for --quick: {', '.join(result['left_out'])}.")
    if "verify" in result:
        lines += ["", *_verified(result["verify"])]
    return "\n".join(lines)


def against(a: Result, b: Result) -> str:
    """Two machines side by side; a ratio above 1 means that the first is faster."""
    lines = [f"A: {_device(a)}, {a['created_utc']}", f"B: {_device(b)}, {b['created_utc']}", ""]
    names = {"copy_gb_s": "copies GB/s", "matrix_gmac_s": "matrix GMAC/s", "scalar_gmac_s": "scalar GMAC/s"}
    rows = [[words, "", *_pair(a["ceilings"][key], b["ceilings"][key], True)] for key, words in names.items()]
    others = {(row["case"], row["precision"]): row for row in b["rows"]}
    for row in a["rows"]:
        other = others.get((row["case"], row["precision"]))
        if other is None:
            continue
        name = f"{row['case']} {row['precision']}"
        rows.append([name, "forward GUPS", *_pair(row.get("forward_gups"), other.get("forward_gups"), True)])
        rows.append([name, "adjoint GUPS", *_pair(row.get("adjoint_gups"), other.get("adjoint_gups"), True)])
        rows.append([name, "iteration s", *_pair(row.get("iteration_s"), other.get("iteration_s"), False)])
    if a["design"]["case"] == b["design"]["case"]:
        rows.append(["design", "s to quality", *_pair(a["design"]["seconds"], b["design"]["seconds"], False)])
    return "\n".join(lines + _columns(["what", "", "A", "B", "A / B"], rows))


def _pair(a: float | None, b: float | None, more_is_faster: bool) -> list[str]:
    if a is None or b is None:
        return ["-" if v is None else f"{v:.4g}" for v in (a, b)] + ["-"]
    return [f"{a:.4g}", f"{b:.4g}", f"{a / b if more_is_faster else b / a:.2f}"]


def _device(result: Result) -> str:
    machine = result["machine"]
    card = f"{machine['card']} ({machine['card_memory_bytes'] / 2**30:.0f} GiB), " if "card" in machine else ""
    return f"{card}{machine['processor']}, {machine['threads']} threads, {machine['memory_bytes'] / 2**30:.0f} GiB"


def _row(row: dict[str, Any]) -> list[str]:
    error = max((row[k] for k in ("error_forward", "error_adjoint") if row[k] is not None), default=None)
    words = [row["case"], str(row["voxels"]), str(row["angles"]), f"{row['kernel']} {row['precision']}"]
    if row["forward_s"] is None:
        return [*words, "WRONG", *["-"] * 8, f"{error:.0e}"]
    for name in ("forward", "adjoint"):
        words += [_time(row[f"{name}_s"]), f"{row[f'{name}_gups']:.1f}", f"{100 * row[f'{name}_of_limit']:.0f} %"]
    if "iteration_s" in row:
        words += [_time(row["iteration_s"]), f"{100 * row['iteration_other_share']:.0f} %"]
    else:
        words += ["-", "-"]
    memory = row.get("iteration_memory_bytes", row["memory_bytes"])
    return [*words, f"{memory / 2**30:.2f} GiB", "-" if error is None else f"{error:.0e}"]


def _design(design: dict[str, Any]) -> str:
    verdict = "reached" if design["reached"] else f"NOT reached (window {design['window_relative']:.3f})"
    return (
        f"Design of the reference {design['part']} at size {design['case']}: no voxel wrong and a process window of "
        f"{design['window_wanted']:.2f} {verdict} in {design['seconds']:.2f} s, {design['iterations']} iterations."
    )


def _verified(rows: list[dict[str, Any]]) -> list[str]:
    said = []
    for row in rows:
        what = f"{row['kernel']} {row['precision']} {row['dtype']}"
        if "why_not" in row:
            said.append([what, "-", "-", "-", "-", row["why_not"]])
            continue
        numbers = [f"{row[k]:.1e}" for k in ("error_forward", "error_adjoint", "adjoint_gap")]
        said.append([what, row["case"], *numbers, "right" if row["right"] else f"WRONG, {row['allowed']:.0e} allowed"])
    return _columns(["kernel", "size", "dose", "adjoint", "<Ag,v>-<g,A'v>", ""], said)


def _time(seconds: float) -> str:
    return f"{seconds:.2f} s" if seconds >= 1 else f"{1000 * seconds:.3g} ms"


def _columns(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(line[k]) for line in (heads, *rows)) for k in range(len(heads))]
    return [
        "  ".join(word.ljust(width) for word, width in zip(line, widths, strict=True)).rstrip()
        for line in (heads, *rows)
    ]
