"""`lightlathe compare`: a study of designs."""

import argparse
import json
import shlex
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from lightlathe.cli.say import figures_alone, note, print_notes, print_own, say_folder, tell
from lightlathe.cli.together import ToldOthers, ends_with_others
from lightlathe.errors import LightlatheError
from lightlathe.support.watching import watched

if TYPE_CHECKING:
    from lightlathe.study.plan import StudyPlan
    from lightlathe.study.runs import Study


def compare(arguments: argparse.Namespace) -> int:
    from lightlathe.support.ranks import joined

    with figures_alone(arguments.json) as out, joined() as team, ends_with_others():
        if not team.first:
            return help_out(arguments)
        told = ToldOthers()
        try:
            return compare_to(out, arguments, told)
        finally:
            told(False)


def help_out(arguments: argparse.Namespace) -> int:
    """Make designs of a study that the first of several processes writes."""
    from lightlathe.study.plan import load_plan
    from lightlathe.study.run import begin, run
    from lightlathe.support.ranks import ranks

    if not ranks().told_by(0, None):  # nothing to make; the first says why
        return 0
    path = study_path(arguments)
    study, todo = begin(load_plan(arguments.study), path, resume=arguments.resume)
    run(study, todo, path)
    return 0


def study_path(arguments: argparse.Namespace) -> Path:
    return arguments.output or Path(f"{arguments.study.stem}.study.h5")


def compare_to(out: TextIO, arguments: argparse.Namespace, told: ToldOthers) -> int:
    """Make or read a study; its table, or JSON, goes to `out`."""
    from h5py import is_hdf5

    from lightlathe.study.as_json import study_json
    from lightlathe.study.file import read_study
    from lightlathe.study.own import OwnFigure, with_figure
    from lightlathe.study.plots import draw_study, require_drawing
    from lightlathe.study.ranking import label
    from lightlathe.study.rows import require_csv, write_csv
    from lightlathe.study.table import table
    from lightlathe.support.own_file import is_own

    if arguments.csv is not None:
        require_csv(arguments.csv)
    if arguments.plots is not None:
        require_drawing(arguments.plots)  # its pictures are looked at once their names are known
    if is_hdf5(arguments.study) or arguments.study.suffix == ".h5":
        if arguments.output is not None or arguments.resume:
            raise LightlatheError("-o and --resume go with a study file (TOML); a study made earlier is only shown.")
        study = read_study(arguments.study)
        note(arguments.study)
    else:
        study = make_study(arguments, told)
    rank_by = ranked_by(arguments.rank_by, study) or study.rank_by
    if is_own(rank_by) and any(rank_by not in run.figures for run in study.runs if not run.failed):
        figure = OwnFigure.named(rank_by, Path())
        print_own([figure])
        study = with_figure(study, figure)
    said = json.dumps(study_json(study, rank_by), indent=1) if arguments.json else table(study, rank_by)
    print(said, file=out)
    if arguments.csv is not None:
        print(f"table: {write_csv(study, arguments.csv)}")
    if arguments.plots is not None:
        print("\n".join(f"picture: {path}" for path in draw_study(study, arguments.plots, label)))
    return 0


def ranked_by(name: str | None, study: "Study | StudyPlan") -> str | None:
    """The figure that --rank-by names, a metric of the study under the name that it has there. Raises ResultError.

    study   a study or its plan
    """
    from lightlathe.study.ranking import rank_figure
    from lightlathe.support.own_file import is_own

    if name is None:
        return None
    file, _, function = name.rpartition(":")
    metric = f"{Path(file).absolute()}:{function}" if is_own(name) else name
    return metric if metric in study.metrics else rank_figure(name, Path())


def make_study(arguments: argparse.Namespace, told: ToldOthers) -> "Study":
    """The runs that a study file asks for and that are not there yet."""
    from lightlathe.result.claim import claimed
    from lightlathe.result.storage import require_writable
    from lightlathe.study.plan import load_plan
    from lightlathe.support.files import STUDY

    path = study_path(arguments)
    plan = load_plan(arguments.study)
    ranked_by(arguments.rank_by, plan)
    say_folder(path)
    require_writable(path, STUDY)
    with claimed(path):
        return study_into(path, plan, arguments, told)


def study_into(path: Path, plan: "StudyPlan", arguments: argparse.Namespace, told: ToldOthers) -> "Study":
    """Make a study's runs; they are written to `path`, which no other run writes meanwhile."""
    from lightlathe.cli.progress import StudyBar
    from lightlathe.flow.until_done import expected
    from lightlathe.study.plots import require_drawing
    from lightlathe.study.run import begin, run

    study, todo = begin(plan, path, resume=arguments.resume, before=print_own)
    told(True)
    if arguments.plots is not None:
        require_drawing(arguments.plots, study.name, {planned.job.name for planned in todo})
    print(f"{len(todo)} designs to make, {len(study.runs)} made already; all in {path}")
    print_notes(*(planned.job for planned in todo))
    try:
        with StudyBar([expected(planned.job.design.iterations) for planned in todo]) as bar, watched(bar.watch):
            return run(study, todo, path, watch=bar)
    except BaseException:
        if path.exists():
            again = ["lightlathe", "compare", str(arguments.study), "-o", str(path), "--resume"]
            again += [] if arguments.plots is None else ["--plots", str(arguments.plots)]
            tell(f"\nThe runs that were finished are in {path}. Go on with: {shlex.join(again)}")
        raise
