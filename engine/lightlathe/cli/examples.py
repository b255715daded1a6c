"""What stands at the end of a command's --help: an example, and the exit codes where scripts need them."""

import textwrap

VERDICT = (
    "exit codes: 0 will work or prints, 3 marginal, 4 cannot work or does not print, 5 does not fit this machine; "
    "1 an error, 2 a wrong call, 130 interrupted (lightlathe help verdicts)"
)
EXIT_CODES: dict[str, str] = dict.fromkeys(("check", "design", "show", "predict"), VERDICT)
EXAMPLES = {
    "init": ("lightlathe init my_print && lightlathe design my_print/my_print.toml",),
    "check": ("lightlathe check my_print.toml", "lightlathe check my_print.toml --memory 80 --device cuda"),
    "design": ("lightlathe design my_print.toml",),
    "predict": (
        "lightlathe predict my_print.lathe.h5 --exposure 40",
        'lightlathe predict my_print.lathe.h5 --came-out "36 s: too thin by 0.1 mm" --keep',
    ),
    "export": ("lightlathe export my_print.lathe.h5 --frames frames --picture my_print.png",),
    "compare": (
        "lightlathe compare study.toml -o losses.study.h5 --plots plots",
        "lightlathe compare losses.study.h5 --rank-by window_relative --csv runs.csv",
    ),
    "show": ("lightlathe show my_print.lathe.h5",),
    "report": (
        "lightlathe report my_print.lathe.h5 -o my_print.html",
        "lightlathe report my_print.lathe.h5 other.lathe.h5",
    ),
    "resin": ("lightlathe resin cuvette.csv vials.csv -o resin.toml",),
    "projector": ("lightlathe projector calibration/alignment.csv --job job.toml",),
    "bench": ("lightlathe bench --quick -o here.json --against there.json",),
    "help": ("lightlathe help vial",),
}
WIDTH = 78


def epilog(command: str) -> str:
    """Example and exit codes of a command, wrapped for a terminal of 80 columns."""
    lines = [f"example:  {line}" if n == 0 else f"          {line}" for n, line in enumerate(EXAMPLES.get(command, ()))]
    return "\n".join([*lines, *textwrap.wrap(EXIT_CODES.get(command, ""), WIDTH)])
