"""`lightlathe design`: the main job."""

import argparse
import json
import shlex
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from lightlathe.cli.say import figures_alone, note, print_notes, print_own, say_folder, tell, told
from lightlathe.cli.together import ToldOthers, ends_with_others
from lightlathe.errors import LightlatheError

if TYPE_CHECKING:
    from lightlathe.flow.prepare import Setup
    from lightlathe.job import Job


def design(arguments: argparse.Namespace) -> int:
    with figures_alone(arguments.json) as out:
        return design_to(out, arguments)


def design_to(out: TextIO, arguments: argparse.Namespace) -> int:
    """Design; the summary, or JSON, goes to `out`."""
    from lightlathe.job import load_job
    from lightlathe.support.ranks import HelpedOut, joined

    job = load_job(arguments.job)
    with joined() as team, ends_with_others():
        if not team.first:
            try:
                help_out(job, arguments)
            except HelpedOut:
                return 0
        return design_here(job, arguments, out)


def output_of(job: "Job", arguments: argparse.Namespace) -> Path:
    """Where the result goes."""
    named = job.path(job.output.result) if job.output.result else Path(f"{job.name}.lathe.h5")
    return arguments.output or named


def design_here(job: "Job", arguments: argparse.Namespace, out: TextIO) -> int:
    """In a process of its own, or in the first of several."""
    from lightlathe.result.claim import claimed
    from lightlathe.result.storage import require_writable

    print_notes(job)
    path, told_others = output_of(job, arguments), ToldOthers()
    say_folder(path)
    try:
        require_writable(path)
        with claimed(path):
            return design_into(path, job, arguments, out, told_others)
    finally:
        told_others(False)


def little_disk(path: Path, setup: "Setup") -> list[str]:
    """A sentence where less disk is free than the result is likely to take; none where there is enough."""
    from lightlathe.feasibility.estimates import packed_bytes
    from lightlathe.support.words import size

    grid, finer, turn = setup.part.grid, setup.job.grid.finer, setup.job.turn
    fine = grid.voxels * finer**3 if finer > 1 else 0
    wanted, surface = packed_bytes(grid.voxels, turn.angles * setup.field.lit_pixels, fine), setup.wanted
    if surface is not None:
        wanted += 12 * (len(surface.vertices_mm) + len(surface.faces))
    free = shutil.disk_usage(path.absolute().parent).free
    if free >= wanted:
        return []
    return [
        f"{size(free)} of disk are free where {path} goes, and it takes about {size(wanted)}, its state beside it as "
        "much again or more: make room before it is done."
    ]


def help_out(job: "Job", arguments: argparse.Namespace) -> None:
    """Slabs of a design whose first process is another one; ends with HelpedOut."""
    from lightlathe import pipeline
    from lightlathe.flow.settings import settings_of
    from lightlathe.flow.solids import load_solids
    from lightlathe.result import partial_path, read_partial
    from lightlathe.support.ranks import HelpedOut, ranks

    if not ranks().told_by(0, None):  # the first has looked at everything
        raise HelpedOut
    solids, said = load_solids(job)
    resume = (
        read_partial(partial_path(output_of(job, arguments)), settings_of(job, solids)) if arguments.resume else None
    )
    pipeline.design(job, setup=pipeline.prepare(job, (solids, said)), resume=resume)


def design_into(
    path: Path, job: "Job", arguments: argparse.Namespace, out: TextIO, told_others: Callable[[bool], None]
) -> int:
    """Design a job; the result is written to `path`, which no other run writes meanwhile."""
    from lightlathe import feasibility, pipeline
    from lightlathe.cli.progress import Keeper
    from lightlathe.flow.settings import settings_of
    from lightlathe.flow.solids import load_solids
    from lightlathe.judge import STOPS, outcome_of
    from lightlathe.result import partial_path, read_partial, write_partial, write_result
    from lightlathe.result.partial import seconds_to_write
    from lightlathe.result.storage import require_writable
    from lightlathe.support.files import STATE
    from lightlathe.support.ranks import ranks

    if path.exists() and not arguments.force:
        raise LightlatheError(f"{path}: is there already. Give another name with -o, or --force to replace it.")
    print_own(job.own)
    solids, said = load_solids(job)
    partial, settings = partial_path(path), settings_of(job, solids)
    require_writable(partial, STATE)
    resume = read_partial(partial, settings) if arguments.resume else None
    if resume is not None:
        note(partial)
    if partial.exists() and not arguments.resume and not arguments.force:
        raise LightlatheError(
            f"{partial}: holds an unfinished run. Go on from it with --resume, or begin anew with --force, which "
            "replaces it; -o gives this run another name."
        )
    thin = feasibility.thinnest(job, solids)
    verdict = feasibility.check(job, solids, thin=thin)
    if verdict.level != "will work":
        print(verdict.text())
    if verdict.level in STOPS and not arguments.anyway:
        anyway = " --anyway designs it all the same." if feasibility.can_start(job, verdict, solids) else ""
        if arguments.json:
            print(json.dumps(verdict.as_json(), indent=1), file=out)
        tell(f"the check says: {verdict.level}; nothing was designed (exit code {verdict.exit_code}).{anyway}")
        return verdict.exit_code
    setup = pipeline.prepare(job, (solids, said), thin)
    for line in [*setup.warnings, *little_disk(path, setup)]:
        print(f"warning: {line}")
    told_others(True)
    keeper = Keeper(
        lambda state, log: write_partial(partial, job.text, settings, state, log),
        lambda state: seconds_to_write(partial, state),
    )
    try:
        record = pipeline.design(job, setup=setup, resume=resume, checkpoint=keeper)
        write_result(record, path, replace=arguments.force)
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
    said = json.dumps(pipeline.as_json(record, path), indent=1) if arguments.json else pipeline.summary(record, path)
    print(said, file=out)
    outcome = outcome_of(record.quality)
    if ranks().size == 1:
        return told(outcome)
    if outcome.exit_code:
        print(outcome.text().rpartition(" (exit code")[0])
    return 0  # torchrun takes any other code for a process that died
