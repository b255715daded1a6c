"""A page that plays the frames in a browser on the projector's screen, opened from the folder it is in."""

import dataclasses
import html
import importlib.resources
import json
from pathlib import Path

from PIL import Image

from lightlathe.errors import ResultError
from lightlathe.export.frames import MANIFEST, PLAYER, foreign_to_frames
from lightlathe.export.images import Images
from lightlathe.support.folders import new_folder
from lightlathe.support.watching import doing
from lightlathe.support.words import amount

FASTEST_HZ = 360  # of usual screens (common practice, no source); the page measures the screen that it is on


@doing("writing the player")
def write_player(images: Images, folder: Path, *, replace: bool = False) -> Path:
    """Write the frames of one turn, manifest.json and player.html into `folder`; returns the page's path.

    replace   frames or a player that this program wrote into `folder` before are replaced, all of them

    The page takes nothing from elsewhere: it opens from disk, without a network. Frames are grey PNG of 8 bits with 255
    at full code.
    Raises ResultError for codes of more than 8 bits, for more images a second than screens show, and unless the folder
    is new or empty and can be written.
    """
    images = dataclasses.replace(images, turns=1)  # the page repeats it
    images.require_shades("a player in a browser")
    images.require_memory()
    if images.rate > FASTEST_HZ:
        raise ResultError(
            f"the frames take {amount(float(images.rate), 4)} images a second, and no usual screen shows more than "
            f"{FASTEST_HZ}. Write --frames for the projector's own program, or design with fewer planes, fewer angles "
            "or a slower turn."
        )
    digits = len(str(images.a_turn - 1))
    names = [f"frame_{number:0{digits}d}.png" for number in range(images.a_turn)]
    manifest = images.manifest(lambda number: {"file": names[number]}) | {"grey_at_full_code": 255}
    columns, rows = images.size
    job = {
        "name": str(manifest.get("name", "frames")),
        "caution": manifest.get("caution", ""),
        "columns": columns,
        "rows": rows,
        "motion": images.motion,
        "dwell_s": manifest["dwell_s"],
        "seconds_per_turn": manifest["seconds_per_turn"],
        "turns": manifest["turns"],
        "files": names,
    }
    page = importlib.resources.files("lightlathe.export").joinpath(PLAYER).read_text(encoding="utf-8")
    page = page.replace("TITLE", html.escape(job["name"]), 1)
    page = page.replace("const job = JOB", "const job = " + json.dumps(job).replace("<", "\\u003c"), 1)
    with new_folder(folder, "the player", foreign_to_frames if replace else None) as into:
        for name, shade in zip(names, images.shades(), strict=True):
            Image.fromarray(shade).save(into / name)
        (into / MANIFEST).write_text(json.dumps(manifest, indent=1), encoding="utf-8")
        (into / PLAYER).write_text(page, encoding="utf-8")
    return folder / PLAYER
