"""The commands of the program and their options."""

import argparse
import difflib
import functools
import re
import sys
import textwrap
from pathlib import Path
from typing import Any, NoReturn

import lightlathe
from lightlathe.cli.examples import WIDTH, epilog
from lightlathe.cli.media import media_options

COMMANDS = (
    "init", "check", "design", "predict", "export", "show", "report", "compare", "resin", "projector", "bench", "help",
)  # fmt: skip
JSON = "as JSON on standard output, and nothing else there"
RUN_OWN = "run the Python of its designer that a result holds"


class Once(argparse.Action):
    """Stores a value, as argparse does by itself, but takes no option twice: the first would be lost in silence."""

    def __call__(self, parser: Any, namespace: Any, values: Any, option_string: str | None = None) -> None:
        given = namespace.__dict__.setdefault("_given", set())
        if option_string is not None and self.dest in given:
            parser.error(f"{option_string} is given twice; expected it once.")
        given.add(self.dest)
        setattr(namespace, self.dest, values)


class Top(argparse.ArgumentParser):
    """Of the program itself: without a command it lists them all, for a misspelt one it names the nearest."""

    def parse_args(self, args: Any = None, namespace: Any = None) -> Any:  # pyright: ignore[reportIncompatibleMethodOverride]
        """As argparse does it, but what is left over is called by what it is, with the nearest option."""
        found, left = self.parse_known_args(args, namespace)
        if left:
            (commands,) = (action for action in self._actions if isinstance(action, argparse._SubParsersAction))
            command = commands.choices[found.command]
            unknown = [word for word in left if word.startswith("-")]
            if not unknown:
                command.error(f"{' '.join(left)} is one too many; expected {command.usage}.")
            options = [option for action in command._actions for option in action.option_strings]
            near = difflib.get_close_matches(unknown[0].partition("=")[0], options, 1)
            hint = f" Did you mean {near[0]}?" if near else f" lightlathe {found.command} --help lists them."
            hint = _as_key(unknown[0], left) or hint
            command.error(f"there is no option {unknown[0]} of lightlathe {found.command}.{hint}")
        return found

    def error(self, message: str) -> NoReturn:
        if message.endswith("required: COMMAND"):
            self.print_help(sys.stderr)
            self.exit(2)
        wrong = re.search(r"argument COMMAND: invalid choice: '([^']*)'", message)
        near = difflib.get_close_matches(wrong[1], COMMANDS, 1) if wrong else []
        if wrong:
            message = f"there is no command '{wrong[1]}'; expected one of {', '.join(COMMANDS)}."
        super().error(f"{message} Did you mean {near[0]}?" if near else message)


def _as_key(option: str, left: list[str]) -> str:
    """The key of a job that an option is called like, where there is one: `--iterations 150`."""
    from lightlathe.job.keys import table_of

    word, _, value = option.lstrip("-").partition("=")
    key, after = word.replace("-", "_"), left[left.index(option) + 1 :]
    table = table_of(key)
    if table is None:
        return ""
    value = value or (after[0] if after and not after[0].startswith("--") else "...")
    return f" {key} is a key of the job file: under [{table}] write {key} = {value}."


def parser() -> argparse.ArgumentParser:
    top = Top(
        prog="lightlathe",
        description="Design the light that prints a whole object at once in a turning vial of resin.",
        epilog="lightlathe COMMAND --help says what a command takes; lightlathe help, what longer texts there are.",
    )
    top.add_argument("--version", action="version", version=f"lightlathe {lightlathe.__version__}")
    top.add_argument("-v", "--verbose", action="store_true", help="say which kernel runs where, and why")
    commands = top.add_subparsers(
        required=True, metavar="COMMAND", dest="command", parser_class=argparse.ArgumentParser
    )

    def command(name: str, words: str, takes: str) -> argparse.ArgumentParser:
        """`takes`: what the usage line names; options are listed below it, so that the help fits one screen."""
        sub = commands.add_parser(
            name,
            help=words,
            description=textwrap.fill(words, WIDTH),
            epilog=epilog(name),
            usage=f"lightlathe {name} {takes} [options]",
            formatter_class=functools.partial(argparse.RawDescriptionHelpFormatter, max_help_position=30),
        )
        sub.register("action", None, Once)
        return sub

    sub = command("init", "write a job and its mesh to begin with", "[FOLDER]")
    where = "where to (default: here); made if need be"
    sub.add_argument("folder", type=Path, nargs="?", default=Path(), metavar="FOLDER", help=where)
    sub.add_argument("--json", action="store_true", help=JSON)

    sub = command("check", "say in seconds whether a job can work, what limits it and what would help", "JOB")
    sub.add_argument("job", type=Path, metavar="JOB", help="job file (TOML)")
    sub.add_argument("--json", action="store_true", help="as JSON, with the same exit codes")
    sub.add_argument("--brief", action="store_true", help="of what is in order the topics alone")
    other = sub.add_mutually_exclusive_group()
    other.add_argument(
        "--machine", type=Path, metavar="FILE", help="judge memory and time for the machine of a bench file"
    )
    other.add_argument(
        "--memory", type=float, metavar="GB", help="judge them for a machine or card with so much memory"
    )
    sub.add_argument("--device", choices=("cpu", "cuda"), help="of the machine with that --memory")
    sub.add_argument("--processes", type=int, default=1, metavar="N", help="that share the design out (torchrun)")

    sub = command("design", "find the patterns, predict the print, write the result file", "JOB")
    sub.add_argument("job", type=Path, metavar="JOB", help="job file (TOML)")
    sub.add_argument("-o", "--output", type=Path, metavar="RESULT", help="result file (default: the job's name, here)")
    sub.add_argument("--resume", action="store_true", help="go on from the state of an unfinished run")
    sub.add_argument("--force", action="store_true", help="replace a result file that is there already")
    sub.add_argument("--anyway", action="store_true", help="design even where the check says it cannot work")
    sub.add_argument("--json", action="store_true", help="figures and sentences as JSON; all else on standard error")

    sub = command("predict", "what the patterns of a result print under other assumptions", "RESULT")
    sub.add_argument("result", type=Path, metavar="RESULT")
    sub.add_argument("--absorption", type=float, metavar="PER_MM", help="another absorption, base e, 1/mm")
    sub.add_argument("--exposure", type=float, metavar="SECONDS", help="another exposure time")
    sub.add_argument("--axis-offset", type=float, default=0.0, metavar="MM", help="the axis is off by that much")
    sub.add_argument("--axis-tilt-deg", type=float, default=0.0, metavar="DEG", help="it leans to the right by that")
    sense = "of the vial: clockwise or counterclockwise"
    sub.add_argument("--sense", choices=("clockwise", "counterclockwise"), metavar="WAY", help=sense)
    motion = "of the stage: continuous or stepped"
    sub.add_argument("--motion", choices=("continuous", "stepped"), metavar="HOW", help=motion)
    sub.add_argument("--surroundings", metavar="WHAT", help="matched, air, water or an index")
    sub.add_argument("--wall-mm", type=float, metavar="MM", help="thickness of the vial's wall")
    sub.add_argument("--wall-index", type=float, metavar="INDEX", help="its refractive index")
    sub.add_argument("--insert-offset", type=float, nargs=2, metavar=("X", "Y"), help="inserts are off, in mm")
    sub.add_argument("--pixel-shape", choices=("square", "linear"), metavar="SHAPE", help="square or linear")
    sub.add_argument("--fill-factor", type=float, metavar="SHARE", help="share of a pixel that shines")
    sub.add_argument("--blur-mm", type=float, metavar="MM", help="blur: full width at half maximum")
    sub.add_argument("--numerical-aperture", type=float, metavar="NA", help="of the light at the vial")
    sub.add_argument("--focus-mm", type=float, metavar="MM", help="plane of focus behind the axis")
    sub.add_argument(
        "--throw-ratio",
        type=float,
        metavar="RATIO",
        help="of the projector; inf: parallel light",
    )
    sub.add_argument("--assumptions", action="store_true", help="a table of what the job leaves open")
    seen = "what a print was like; may be given several times"
    sub.add_argument("--came-out", action="append", metavar="WORDS", help=seen)
    sub.add_argument("--keep", action="store_true", help="keep that with the result")
    sub.add_argument("--photo", type=Path, metavar="FILE", help="a picture of that print")
    sub.add_argument("--kept", action="store_true", help="what all kept prints say together")
    sub.add_argument("--json", action="store_true", help="figures as JSON")
    sub.add_argument("--run-own", action="store_true", help=RUN_OWN)

    sub = command("export", "files for the projector and for people", "RESULT")
    sub.add_argument("result", type=Path, metavar="RESULT")
    sub.add_argument("--frames", type=Path, metavar="FOLDER", help="images for the projector and a manifest")
    sub.add_argument(
        "--exposure", type=float, metavar="SECONDS", help="frames shown for another time, in as many turns"
    )
    media_options(sub)
    sub.add_argument("--picture", type=Path, metavar="FILE", help="middle slices, as PNG or SVG")
    surface = "the print: .stl, .ply (error colours), .3mf, .glb"
    sub.add_argument("--surface", type=Path, metavar="FILE", help=surface)
    frames = "its coordinates: the mesh's (part, default) or vial"
    sub.add_argument("--frame", choices=("part", "vial"), default="part", metavar="WHOSE", help=frames)
    sub.add_argument("--volume", type=Path, metavar="FILE", help="dose, cured and wanted as .vti or .nrrd")
    sub.add_argument(
        "--calibration",
        type=Path,
        metavar="FOLDER",
        help="frames that measure projector and axis, with instructions; RESULT may be a job file",
    )
    sub.add_argument("--json", action="store_true", help="what was written where, as JSON")
    sub.add_argument("--run-own", action="store_true", help=RUN_OWN)

    sub = command("show", "print the summary of a result again", "RESULT")
    sub.add_argument("result", type=Path, metavar="RESULT")
    sub.add_argument("--json", action="store_true", help="figures and sentences as JSON, with the same exit codes")
    sub.add_argument("--run-own", action="store_true", help=RUN_OWN)

    sub = command(
        "report", "one HTML page that opens offline: 3D view, slices, curves, exposure, everything stated", "RESULT ..."
    )
    several = "a result; several side by side, with what differs; or a study (HDF5), with its runs"
    sub.add_argument("results", type=Path, nargs="+", metavar="RESULT", help=several)
    sub.add_argument("-o", "--output", type=Path, metavar="FILE.html", help="default: the first one's name, here")
    sub.add_argument("--json", action="store_true", help=JSON)
    sub.add_argument("--run-own", action="store_true", help=RUN_OWN)

    sub = command("compare", "design under several losses, solvers or settings, and say which is best here", "STUDY")
    sub.add_argument("study", type=Path, metavar="STUDY", help="study file (TOML), or a study made earlier (HDF5)")
    sub.add_argument("-o", "--output", type=Path, metavar="FILE", help="HDF5 (default: STUDY.study.h5, here)")
    sub.add_argument("--resume", action="store_true", help="go on with the runs that the file does not hold yet")
    sub.add_argument("--plots", type=Path, metavar="FOLDER", help="how the runs converged, as PNG and SVG")
    sub.add_argument("--csv", type=Path, metavar="FILE", help="every run with all its figures, as CSV")
    sub.add_argument("--rank-by", metavar="FIGURE", help="order the table by another figure than the study file says")
    sub.add_argument("--json", action="store_true", help="the ranking and every run's figures as JSON")

    sub = command("resin", "absorption and threshold doses from your own measurements", "DATA.csv ...")
    sub.add_argument("tables", type=Path, nargs="*", metavar="DATA.csv", help="measurements, units in the column heads")
    sub.add_argument("--absorption", type=float, metavar="PER_MM", help="absorption, base e, where no table gives it")
    sub.add_argument("--picture", type=Path, metavar="FILE", help="draw the fits and their residuals (PNG or SVG)")
    sub.add_argument("-o", "--output", type=Path, metavar="FILE", help="write a resin file (TOML) for [resin] file")
    sub.add_argument("--sure", action="store_true", help="take unlikely values as they stand instead of asking")
    sub.add_argument("--known", action="store_true", help="a few published values, with their sources")
    sub.add_argument("--json", action="store_true", help="as JSON")

    sub = command(
        "projector",
        "where the turning axis lies in the projector's field, from your own measurements",
        "ALIGNMENT.csv --job JOB",
    )
    sub.add_argument("table", type=Path, metavar="ALIGNMENT.csv", help="as filled in after `export --calibration`")
    sub.add_argument("--job", type=Path, required=True, metavar="JOB", help="job file with that projector")
    sub.add_argument("--json", action="store_true", help="as JSON")

    sub = command("bench", "this machine's speed, against its own limits", "")
    sub.add_argument("--quick", action="store_true", help="smaller sizes: under a minute on 2 cores")
    sub.add_argument("--device", help="cpu, cuda, cuda:0 (default: a CUDA card where there is one)")
    sub.add_argument("--verify", action="store_true", help="every kernel of the device against the reference as well")
    sub.add_argument("-o", "--output", type=Path, metavar="FILE", help="JSON (default: bench-DEVICE.json, here)")
    other = "lay an earlier bench of any machine beside it; may be given several times"
    sub.add_argument("--against", type=Path, action="append", default=[], metavar="OTHER.json", help=other)
    sub.add_argument("--json", action="store_true", help=JSON)

    sub = command("help", "longer texts on a topic", "[TOPIC]")
    sub.add_argument("topic", nargs="?", metavar="TOPIC", help="none: what there is")
    return top
