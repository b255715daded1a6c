"""`lightlathe init`: a job and its mesh to begin with."""

import argparse
import json
import re
import shlex
from importlib.resources import files
from pathlib import Path

from lightlathe.errors import LightlatheError

MESH = "check_valve.stl"
PLAIN = re.compile(r"[\w][\w.-]*")  # a folder of such a name gives it to its job


def init(arguments: argparse.Namespace) -> int:
    job, mesh = write_example(arguments.folder)
    if arguments.json:
        print(json.dumps({"job": str(job), "mesh": str(mesh)}, indent=1))
        return 0
    named = shlex.quote(str(job))
    print(f"job   {job}: every key is explained in it\nmesh  {mesh}: a caged-ball check valve, 8 mm tall")
    print(f"next  lightlathe check {named}     (seconds; nothing is designed)")
    print(f"      lightlathe design {named}    (about a minute on two cores)")
    print("then  put your own mesh, vial, resin and projector into the job; `lightlathe resin` fits your measurements")
    return 0


def write_example(folder: Path) -> tuple[Path, Path]:
    """Write the example's job and mesh into a folder, which is made where there is none; returns both paths.

    The job is called as the folder is, so that its results are too; "job" where that is no plain name. Nothing is
    replaced: LightlatheError where a file of either name is there, and then neither is written.
    """
    example = files("lightlathe.cli").joinpath("example")
    text = example.joinpath("quickstart.toml").read_text(encoding="utf-8")
    name = folder.resolve().name
    name = name if PLAIN.fullmatch(name) else "job"
    for there, here in (
        ("configs/quickstart.toml", f"{name}.toml"),
        ("quickstart.lathe.h5", f"{name}.lathe.h5"),
        ("meshes/check_valve.stl", MESH),
    ):
        text = text.replace(there, here)
    job, mesh = folder / f"{name}.toml", folder / MESH
    if folder.exists() and not folder.is_dir():
        raise LightlatheError(f"{folder}: is a file; expected a folder, or a name that nothing has yet.")
    for path in (job, mesh):
        if path.exists() or path.is_symlink():
            raise LightlatheError(
                f"{path}: is there already; nothing was written. Name another folder: lightlathe init FOLDER."
            )
    folder.mkdir(parents=True, exist_ok=True)
    for path, content in ((mesh, example.joinpath(MESH).read_bytes()), (job, text.encode())):
        with path.open("xb") as file:
            file.write(content)
    return job, mesh
