"""The program `lightlathe`: commands, options, and the only place that prints."""

import argparse
import json
import logging
import math
import shlex
import sys
from pathlib import Path
from typing import Any

import lightlathe
from lightlathe.errors import LightlatheError, MeasurementError, PartError, ResultError

EXIT_ERROR = 1
EXIT_INTERRUPTED = 130


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns the exit code. Errors that are the user's to solve are printed in a few lines."""
    arguments = parser().parse_args(argv)
    logging.basicConfig(
        level=logging.INFO if arguments.verbose else logging.WARNING, format="%(name)s: %(message)s", stream=sys.stderr
    )
    try:
        return arguments.run(arguments) or 0
    except LightlatheError as problem:
        print(f"{type(problem).__name__}: {problem}", file=sys.stderr)
        return EXIT_ERROR
    except (MemoryError, RuntimeError) as problem:
        if isinstance(problem, RuntimeError) and "memory" not in str(problem):
            raise
        first = str(problem).splitlines()[0] if str(problem) else "no more memory"
        print(f"OutOfMemory: {first}\n  Larger voxels, `finer = 1`, or a bigger machine help.", file=sys.stderr)
        return EXIT_ERROR
    except BrokenPipeError:
        return EXIT_ERROR
    except KeyboardInterrupt:
        print("\nstopped", file=sys.stderr)
        return EXIT_INTERRUPTED


def parser() -> argparse.ArgumentParser:
    top = argparse.ArgumentParser(
        prog="lightlathe", description="Design the light that prints a whole object at once in a turning vial of resin."
    )
    top.add_argument("--version", action="version", version=f"lightlathe {lightlathe.__version__}")
    top.add_argument("-v", "--verbose", action="store_true", help="say which kernel runs where, and why")
    commands = top.add_subparsers(required=True, metavar="COMMAND")

    def command(name: str, run: Any, words: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=words, description=words)
        sub.set_defaults(run=run)
        return sub

    sub = command("check", check, "say in seconds whether a job can work, what limits it and what would help")
    sub.add_argument("job", type=Path, metavar="JOB", help="job file (TOML)")
    sub.add_argument("--json", action="store_true", help="as JSON; exit code 0 will work, 3 marginal, 4 cannot work")

    sub = command("design", design, "find the patterns, predict the print, write the result file")
    sub.add_argument("job", type=Path, metavar="JOB", help="job file (TOML)")
    sub.add_argument("-o", "--output", type=Path, metavar="RESULT", help="result file (default: the job's name, here)")
    sub.add_argument("--resume", action="store_true", help="go on from the state of an unfinished run")
    sub.add_argument("--force", action="store_true", help="replace a result file that is there already")
    sub.add_argument("--anyway", action="store_true", help="design even where the check says it cannot work")

    sub = command("predict", predict, "what the patterns of a result print under other assumptions")
    sub.add_argument("result", type=Path, metavar="RESULT")
    sub.add_argument("--absorption", type=float, metavar="PER_MM", help="another absorption of the resin, base e, 1/mm")
    sub.add_argument("--exposure", type=float, metavar="SECONDS", help="another exposure than the planned one")
    sub.add_argument(
        "--axis-offset", type=float, default=0.0, metavar="MM", help="projector's middle column off the axis"
    )
    sub.add_argument("--sense", choices=("clockwise", "counterclockwise"), help="how the vial really turns, from above")
    sub.add_argument(
        "--came-out",
        metavar="WORDS",
        help="what the print was like: 'too thin by 0.1 mm' (from side to side), 'nothing', ...",
    )
    sub.add_argument("--json", action="store_true", help="figures as JSON")

    sub = command("export", export, "files for the projector and for people")
    sub.add_argument("result", type=Path, metavar="RESULT")
    sub.add_argument("--frames", type=Path, metavar="FOLDER", help="numbered PNG images and a manifest")
    sub.add_argument("--picture", type=Path, metavar="FILE", help="middle slices: wanted, dose, predicted (PNG or SVG)")

    sub = command("resin", resin, "absorption and threshold doses from your own measurements")
    sub.add_argument("tables", type=Path, nargs="*", metavar="DATA.csv", help="measurements, units in the column heads")
    sub.add_argument("--absorption", type=float, metavar="PER_MM", help="absorption, base e, where no table gives it")
    sub.add_argument("--picture", type=Path, metavar="FILE", help="draw the fits and their residuals (PNG or SVG)")
    sub.add_argument("--known", action="store_true", help="a few published values, with their sources")
    sub.add_argument("--json", action="store_true", help="as JSON")

    sub = command("bench", bench, "this machine's speed, against its own limits")
    sub.add_argument("--quick", action="store_true", help="smaller sizes: under a minute on 2 cores")
    sub.add_argument("--device", help="cpu, cuda, cuda:0 (default: a CUDA card where there is one)")
    sub.add_argument("--verify", action="store_true", help="every kernel of the device against the reference as well")
    sub.add_argument("-o", "--output", type=Path, metavar="FILE", help="JSON (default: bench-DEVICE.json, here)")
    sub.add_argument("--against", type=Path, metavar="OTHER.json", help="lay an earlier bench of any machine beside it")
    return top


def bench(arguments: argparse.Namespace) -> int:
    import torch

    from lightlathe.bench import against, run, table

    other = read_json(arguments.against) if arguments.against is not None else None
    device = arguments.device or ("cuda" if torch.cuda.is_available() else "cpu")
    path = arguments.output or Path(f"bench-{device.replace(':', '')}.json")
    result = run(quick=arguments.quick, device=device, verify=arguments.verify)
    path.write_text(json.dumps(result, indent=1), encoding="utf-8")
    print(table(result))
    if other is not None:
        print(against(result, other))
    print(f"written to {path}")
    return 0


def read_json(path: Path) -> dict[str, Any]:
    """A bench file; ResultError where it is none."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as problem:
        raise ResultError(f"{path}: not a readable bench file ({problem}). `lightlathe bench` writes one.") from None
    if not isinstance(found, dict) or found.get("format") != "lightlathe-bench":
        raise ResultError(
            f"{path}: not a bench file; expected format 'lightlathe-bench'. `lightlathe bench` writes one."
        )
    return found


def check(arguments: argparse.Namespace) -> int:
    from lightlathe import outlook
    from lightlathe.job import load_job
    from lightlathe.prepare import load_solids

    job = load_job(arguments.job)
    solids, said = load_solids(job)
    verdict, parts = outlook.check(job, solids), outlook.parts_lines(job, solids, said)
    if arguments.json:
        print(json.dumps({**verdict.as_json(), "parts": parts}, indent=1))
    else:
        print("\n".join([verdict.text(), *parts]))
    return verdict.exit_code


def resin(arguments: argparse.Namespace) -> int:
    from lightlathe.resins.known import known_text
    from lightlathe.resins.measured import measure
    from lightlathe.resins.measurements import accepted

    if arguments.known:
        print(known_text())
    elif not arguments.tables:
        raise MeasurementError(f"no table was named; expected one or more CSV files.\n{accepted()}")
    if not arguments.tables:
        return 0
    measured = measure(arguments.tables, absorption_per_mm=arguments.absorption)
    print(json.dumps(measured.as_json(), indent=1) if arguments.json else measured.text())
    if arguments.picture is not None:
        from lightlathe.resins.residuals import draw_residuals

        print(f"picture: {draw_residuals(measured, arguments.picture)}", file=sys.stderr)
    return 0


def design(arguments: argparse.Namespace) -> int:
    from lightlathe import outlook, pipeline
    from lightlathe.job import load_job
    from lightlathe.prepare import load_solids, settings_of
    from lightlathe.progress import Bar, Keeper
    from lightlathe.result import partial_path, read_partial, write_partial

    job = load_job(arguments.job)
    named = job.path(job.output.result) if job.output.result else Path(f"{job.name}.lathe.h5")
    path = arguments.output or named
    require_writable(path)
    if path.exists() and not arguments.force:
        raise LightlatheError(f"{path}: is there already. Give another name with -o, or --force to replace it.")
    partial, settings = partial_path(path), settings_of(job)
    resume = read_partial(partial, settings) if arguments.resume else None
    if partial.exists() and not arguments.resume:
        print(f"note: {partial} holds an unfinished run; --resume goes on from it, this run replaces it.")
    solids, said = load_solids(job)
    verdict = outlook.check(job, solids)
    if verdict.level != "will work":
        print(verdict.text())
    if verdict.level == "cannot work" and not arguments.anyway:
        raise PartError("the check says that this cannot work; nothing was designed. --anyway designs it all the same.")
    setup = pipeline.prepare(job, (solids, said))
    for line in setup.warnings:
        print(f"warning: {line}")
    keeper = Keeper(lambda state, log: write_partial(partial, job.text, settings, state, log))
    try:
        with Bar(job.design.iterations, resume[1] if resume else {}) as bar:
            record = pipeline.design(job, setup=setup, resume=resume, on_iteration=bar, checkpoint=keeper)
        record.save(path)
    except BaseException:
        keeper.write()
        if partial.exists():
            again = f"lightlathe design {shlex.quote(str(arguments.job))} -o {shlex.quote(str(path))} --resume"
            print(f"\nThe state is in {partial}. Go on with: {again}", file=sys.stderr)
        raise
    partial.unlink(missing_ok=True)
    print(pipeline.summary(record, path))
    return 0


def predict(arguments: argparse.Namespace) -> int:
    import dataclasses

    from lightlathe import outlook, pipeline
    from lightlathe.result import read_result
    from lightlathe.summary import comparison

    record = read_result(arguments.result)
    if arguments.came_out is not None:
        if arguments.absorption is not None or arguments.axis_offset or arguments.sense is not None:
            raise LightlatheError("--came-out goes with --exposure alone; expected no other assumption beside it.")
        advice = outlook.next_exposure(record, arguments.came_out, arguments.exposure)
        print(json.dumps(advice.as_json(), indent=1) if arguments.json else advice.text())
        return 0
    resin = pipeline.job_of(record).resin
    if arguments.absorption is not None:
        resin = dataclasses.replace(resin, absorption_per_mm=arguments.absorption)
    prediction = pipeline.predict(
        record,
        resin=resin,
        exposure_s=arguments.exposure,
        axis_offset_mm=arguments.axis_offset,
        sense=arguments.sense,
    )
    print(json.dumps(finite(prediction.quality), indent=1) if arguments.json else comparison(record, prediction))
    return 0


def finite(figures: dict[str, float]) -> dict[str, float | None]:
    """Figures for JSON, which knows no NaN."""
    return {name: value if math.isfinite(value) else None for name, value in figures.items()}


def require_writable(path: Path) -> None:
    """ResultError before any work, where a result could not be written after it."""
    from lightlathe.result.hdf5 import whole_file

    if path.is_dir():
        raise ResultError(f"{path}: is a folder; expected the name of a file.")
    probe = path.with_name(f".{path.name}.probe")
    try:
        with whole_file(probe):
            pass
    except ResultError:
        raise ResultError(f"{path}: cannot be written. Does the folder exist, and may you write there?") from None
    probe.unlink()


def export(arguments: argparse.Namespace) -> int:
    from lightlathe import pipeline
    from lightlathe.result import read_result

    if arguments.frames is None and arguments.picture is None:
        raise LightlatheError("nothing to export; name at least one of --frames FOLDER, --picture FILE.")
    record = read_result(arguments.result)
    if arguments.frames is not None:
        print(f"frames: {pipeline.frames(record, arguments.frames)}")
    if arguments.picture is not None:
        print(f"picture: {pipeline.picture(record, arguments.picture)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
