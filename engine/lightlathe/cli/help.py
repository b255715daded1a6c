"""`lightlathe help TOPIC`: longer texts, one file each in topics/."""

import argparse
import difflib
from importlib.resources import files

from lightlathe.errors import LightlatheError, shown


def help_on(arguments: argparse.Namespace) -> int:
    found = topics()
    if arguments.topic is None:
        width = max(map(len, found))
        print("lightlathe help TOPIC, with one of these:")
        print("\n".join(f"  {name:{width}}  {text.splitlines()[0].lstrip('# ')}" for name, text in found.items()))
        print("Options of a command: lightlathe COMMAND --help")
        return 0
    if arguments.topic not in found:
        near = difflib.get_close_matches(arguments.topic, found, n=1)
        hint = f" Did you mean {near[0]!r}?" if near else ""
        raise LightlatheError(f"no topic {shown(arguments.topic)}.{hint} Expected one of {', '.join(found)}.")
    print(found[arguments.topic].rstrip())
    return 0


def topics() -> dict[str, str]:
    """Name -> text (Markdown) of every topic, sorted."""
    here = files("lightlathe.cli") / "topics"
    found = {file.name.removesuffix(".md"): file.read_text("utf-8") for file in here.iterdir()}
    return dict(sorted(found.items()))
