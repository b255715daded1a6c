"""The program `lightlathe`: what its commands do, and the only place that prints."""

import argparse
import contextlib
import json
import logging
import math
import os
import shlex
import signal
import sys
import threading
from pathlib import Path
from typing import Any

from lightlathe.errors import LightlatheError, MeasurementError
from lightlathe.options import assumptions, parser
from lightlathe.progress import Bar
from lightlathe.watching import watched

EXIT_ERROR = 1
EXIT_INTERRUPTED = 130
# Threads that wait sleep instead of spinning: beside any other load spinning costs several times the whole run.
WAIT_QUIETLY = {"OMP_WAIT_POLICY": "PASSIVE", "KMP_BLOCKTIME": "0", "GOMP_SPINCOUNT": "0"}


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns the exit code. Errors that are the user's to solve are printed in a few lines."""
    for name, value in WAIT_QUIETLY.items():
        os.environ.setdefault(name, value)
    arguments = parser().parse_args(argv)
    logging.basicConfig(
        level=logging.INFO if arguments.verbose else logging.ERROR, format="%(name)s: %(message)s", stream=sys.stderr
    )
    if threading.current_thread() is threading.main_thread():
        for number in _polite_kills():
            if signal.getsignal(number) is not signal.SIG_IGN:  # as nohup leaves it
                signal.signal(number, _as_interrupt)
    try:
        with Bar() as bar, watched(bar):
            return COMMANDS[arguments.command](arguments) or 0
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
    except OSError as problem:
        print(
            f"{type(problem).__name__}: {problem.filename or 'the output'}: {problem.strerror}. Name another place.",
            file=sys.stderr,
        )
        return EXIT_ERROR
    except KeyboardInterrupt:
        tell("\nstopped")
        return EXIT_INTERRUPTED


def _polite_kills() -> list[signal.Signals]:
    """Signals that ask a program to end: a kill, and a terminal that is closed (which Windows does not tell)."""
    return [signal.Signals[name] for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]


def _as_interrupt(*_: object) -> None:
    """A polite kill is an interrupt: the state of a design is written, undisturbed by a second one."""
    for number in _polite_kills():
        signal.signal(number, lambda *_: None)
    raise KeyboardInterrupt


def tell(words: str) -> None:
    """A line on standard error, if there still is one: a closed terminal must not keep a state from being written."""
    with contextlib.suppress(OSError):
        print(words, file=sys.stderr, flush=True)


def note(path: Path) -> None:
    """Say what a person should know of a file that was just read."""
    from lightlathe.result.storage import note_on

    if words := note_on(path):
        tell(f"note: {words}")


def bench(arguments: argparse.Namespace) -> int:
    from lightlathe.bench import against, read_bench, require_place, run, table, write_bench
    from lightlathe.prepare import device_named

    others = [read_bench(path) for path in arguments.against]
    device = device_named(arguments.device or "auto", "--device")
    path = arguments.output or Path(f"bench-{str(device).replace(':', '')}.json")
    require_place(path, arguments.against)
    if path.exists():
        print(f"note: {path} holds an earlier bench; this one replaces it. -o gives it another name.")
    result = run(quick=arguments.quick, device=str(device), verify=arguments.verify)
    write_bench(result, path)
    print(table(result))
    for other in others:
        print(f"\n{against(result, other)}")
    print(f"written to {path}")
    return 0


def check(arguments: argparse.Namespace) -> int:
    from lightlathe import outlook
    from lightlathe.job import load_job
    from lightlathe.prepare import load_solids

    job, machine = load_job(arguments.job), machine_named(arguments)
    solids, said = load_solids(job)
    thin = outlook.thinnest(job, solids)
    verdict, parts = outlook.check(job, solids, machine, thin), outlook.parts_lines(job, solids, said, thin)
    if arguments.json:
        own = [str(member.source.file) for member in job.own]
        print(json.dumps({**verdict.as_json(), "parts": parts, "design_would_run": own}, indent=1))
    else:
        own = [f"note: {m.name} is Python of the job's own; `design` runs {m.source.file}" for m in job.own]
        print("\n".join([verdict.text(), *parts, *own]))
    return verdict.exit_code


def machine_named(arguments: argparse.Namespace) -> Any:
    """The machine that `check` was asked to judge for; None for this one."""
    from lightlathe.judge import Machine

    if arguments.machine is not None:
        from lightlathe.bench import machine_from

        if arguments.device is not None:
            raise LightlatheError("--device goes with --memory; a bench file (--machine) names its own device.")
        return machine_from(arguments.machine)
    if arguments.memory is None:
        if arguments.device is not None:
            raise LightlatheError("--device goes with --memory GB, the memory of that machine or card.")
        return None
    if arguments.device is None:
        raise LightlatheError("--memory goes with --device: expected --device cpu or --device cuda beside it.")
    name = f"a {'card' if arguments.device == 'cuda' else 'machine'} with {arguments.memory:g} GB"
    return Machine(arguments.device, 1e9 * arguments.memory, name=name)


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
    measured = measure(arguments.tables, absorption_per_mm=arguments.absorption, sure=arguments.sure)
    print(json.dumps(measured.as_json(), indent=1) if arguments.json else measured.text())
    if arguments.picture is not None:
        from lightlathe.resins.residuals import draw_residuals

        print(f"picture: {draw_residuals(measured, arguments.picture)}", file=sys.stderr)
    return 0


def design(arguments: argparse.Namespace) -> int:
    from lightlathe.job import load_job
    from lightlathe.result.claim import claimed
    from lightlathe.result.storage import require_writable

    job = load_job(arguments.job)
    named = job.path(job.output.result) if job.output.result else Path(f"{job.name}.lathe.h5")
    path = arguments.output or named
    require_writable(path)
    with claimed(path):
        return design_into(path, job, arguments)


def design_into(path: Path, job: Any, arguments: argparse.Namespace) -> int:
    """Design a job; the result is written to `path`, which no other run writes meanwhile."""
    from lightlathe import outlook, pipeline
    from lightlathe.files import STATE
    from lightlathe.judge import STOPS, outcome_of
    from lightlathe.prepare import load_solids, settings_of
    from lightlathe.progress import Keeper
    from lightlathe.result import partial_path, read_partial, write_partial
    from lightlathe.result.storage import require_writable

    if path.exists() and not arguments.force:
        raise LightlatheError(f"{path}: is there already. Give another name with -o, or --force to replace it.")
    solids, said = load_solids(job)
    partial, settings = partial_path(path), settings_of(job, solids)
    require_writable(partial, STATE)
    resume = read_partial(partial, settings) if arguments.resume else None
    if resume is not None:
        note(partial)
    if partial.exists() and not arguments.resume:
        print(f"note: {partial} holds an unfinished run; --resume goes on from it, this run replaces it.")
    verdict = outlook.check(job, solids)
    if verdict.level != "will work":
        print(verdict.text())
    if verdict.level in STOPS and not arguments.anyway:
        anyway = " --anyway designs it all the same." if outlook.can_start(job, verdict, solids) else ""
        tell(f"the check says: {verdict.level}; nothing was designed (exit code {verdict.exit_code}).{anyway}")
        return verdict.exit_code
    print_own(job)
    setup = pipeline.prepare(job, (solids, said))
    for line in setup.warnings:
        print(f"warning: {line}")
    keeper = Keeper(lambda state, log: write_partial(partial, job.text, settings, state, log))
    try:
        record = pipeline.design(job, setup=setup, resume=resume, checkpoint=keeper)
        record.save(path, replace=arguments.force)
    except BaseException:
        try:
            keeper.write()
        except (LightlatheError, KeyboardInterrupt) as problem:
            tell(f"\nThe state could not be written once more: {problem or 'interrupted'}")
        if partial.exists():
            again = f"lightlathe design {shlex.quote(str(arguments.job))} -o {shlex.quote(str(path))} --resume"
            tell(f"\nThe state is in {partial}. Go on with: {again}")
        raise
    partial.unlink(missing_ok=True)
    print(pipeline.summary(record, path))
    return told(outcome_of(record.quality))


def print_own(*jobs: Any) -> None:
    """Say which Python files of jobs are about to be run."""
    for name, file in dict.fromkeys((m.name, m.source.file) for job in jobs for m in job.own):
        print(f"note: {name} is Python of the job's own; running {file}", flush=True)


def compare(arguments: argparse.Namespace) -> int:
    from h5py import is_hdf5

    from lightlathe.export.convergence import draw_study, require_drawing
    from lightlathe.result.ranking import label, rank_figure
    from lightlathe.result.study import read_study
    from lightlathe.result.study_table import table

    if arguments.rank_by is not None:
        rank_figure(arguments.rank_by)
    if arguments.plots is not None:
        require_drawing(arguments.plots)  # its pictures are looked at once their names are known
    if is_hdf5(arguments.study) or arguments.study.suffix == ".h5":
        if arguments.output is not None or arguments.resume:
            raise LightlatheError("-o and --resume go with a study file (TOML); a study made earlier is only shown.")
        study = read_study(arguments.study)
        note(arguments.study)
    else:
        study = make_study(arguments)
    print(table(study, arguments.rank_by or study.rank_by))
    if arguments.plots is not None:
        print("\n".join(f"picture: {path}" for path in draw_study(study, arguments.plots, label)))
    return 0


def make_study(arguments: argparse.Namespace) -> Any:
    """The runs that a study file asks for and that are not there yet."""
    from lightlathe.files import STUDY
    from lightlathe.plan import load_plan
    from lightlathe.result.claim import claimed
    from lightlathe.result.storage import require_writable

    path = arguments.output or Path(f"{arguments.study.stem}.study.h5")
    plan = load_plan(arguments.study)
    require_writable(path, STUDY)
    with claimed(path):
        return study_into(path, plan, arguments)


def study_into(path: Path, plan: Any, arguments: argparse.Namespace) -> Any:
    """Make a study's runs; they are written to `path`, which no other run writes meanwhile."""
    from lightlathe.compare import begin, run
    from lightlathe.export.convergence import require_drawing
    from lightlathe.progress import StudyBar

    study, todo = begin(plan, path, resume=arguments.resume)
    if arguments.plots is not None:
        require_drawing(arguments.plots, study.name, {planned.job.name for planned in todo})
    print(f"{len(todo)} designs to make, {len(study.runs)} made already; all in {path}")
    print_own(*(planned.job for planned in todo))
    try:
        with StudyBar([planned.job.design.iterations for planned in todo]) as bar, watched(bar.watch):
            return run(study, todo, path, watch=bar)
    except BaseException:
        if path.exists():
            again = ["lightlathe", "compare", str(arguments.study), "-o", str(path), "--resume"]
            again += [] if arguments.plots is None else ["--plots", str(arguments.plots)]
            tell(f"\nThe runs that were finished are in {path}. Go on with: {shlex.join(again)}")
        raise


def predict(arguments: argparse.Namespace) -> int:
    import dataclasses

    from lightlathe import outlook, pipeline
    from lightlathe.judge import outcome_of
    from lightlathe.result import read_result
    from lightlathe.summary import comparison
    from lightlathe.words import count

    record = read_result(arguments.result)
    note(arguments.result)
    if arguments.came_out is not None:
        others = (arguments.absorption, arguments.axis_offset or None, arguments.sense, arguments.motion)
        if any(value is not None for value in others):
            raise LightlatheError("--came-out goes with --exposure alone; expected no other assumption beside it.")
        advice = outlook.next_exposure(record, arguments.came_out, arguments.exposure)
        if arguments.json:
            print(json.dumps(advice.as_json(), indent=1))
        else:
            turns, file = record.patterns.turns, shlex.quote(str(arguments.result))
            print(advice.text())
            each = f"of {advice.exposure_s / turns:.1f} s" + (" each" if turns > 1 else "")
            print(f"the same frames in {count(turns, 'turn')} {each} do it; for a manifest:")
            print(f"  lightlathe export {file} --frames FOLDER --exposure {advice.exposure_s:.1f}")
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
        motion=arguments.motion,
    )
    if arguments.json:
        print(json.dumps(finite(prediction.quality), indent=1))
    else:
        print(comparison(record, prediction, assumptions(arguments)))
    return told(outcome_of(prediction.quality), quietly=arguments.json)


def told(outcome: Any, *, quietly: bool = False) -> int:
    """The exit code of a print, and in words why it is not 0."""
    if outcome.exit_code and not quietly:
        print(outcome.text())
    return outcome.exit_code


def finite(figures: dict[str, float]) -> dict[str, float | None]:
    """Figures for JSON, which knows no NaN."""
    return {name: value if math.isfinite(value) else None for name, value in figures.items()}


def export(arguments: argparse.Namespace) -> int:
    from lightlathe import pipeline
    from lightlathe.result import read_result

    if arguments.frames is None and arguments.picture is None:
        raise LightlatheError("nothing to export; name at least one of --frames FOLDER, --picture FILE.")
    record = read_result(arguments.result)
    note(arguments.result)
    if arguments.frames is not None:
        print(f"frames: {pipeline.frames(record, arguments.frames, arguments.exposure)}")
    if arguments.picture is not None:
        print(f"picture: {pipeline.picture(record, arguments.picture)}")
    return 0


COMMANDS = {
    "check": check, "design": design, "compare": compare, "predict": predict, "export": export, "resin": resin,
    "bench": bench,
}  # fmt: skip

if __name__ == "__main__":
    sys.exit(main())
