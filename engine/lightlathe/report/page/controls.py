"""The views that a reader turns and slides: native inputs with labels, which `assets/` gives life."""

from typing import Any

from lightlathe.report.page.section import text

AXES = ("z", "y", "x")  # across the turning axis first
ZOOM = 16  # times, at most: 1024 voxels in a panel of 200 pixels are then three pixels each


def solid_view(name: str, found: dict[str, Any]) -> str:
    """The turnable view with its inputs."""
    there = [(key, words) for key, words in (("print", "print"), ("part", "part")) if key in found]
    if not there:
        return "<p>Neither part nor print has a surface.</p>"
    shown = "".join(_radio(f"{name}-show", key, words, key == there[0][0]) for key, words in there)
    insert = _check(f"{name}-insert", "insert", "insert", checked=True) if "insert" in found else ""
    axes = "".join(_radio(f"{name}-axis", axis, axis, axis == "y") for axis in "xyz")
    missing = "" if "print" in found else "<p>Nothing prints: there is no surface of the print.</p>"
    alt = "Surface in three dimensions, coloured by how far the print lies outside or inside the part"
    return f"""<div class="view" data-solid="{name}">{missing}
<div class="inputs"><fieldset><legend>Show</legend>{shown}{insert}</fieldset>
<fieldset><legend>Cut across</legend>{axes}</fieldset>
{_range(f"{name}-cut", "Cut at", 0, 100, 100)}{_range(f"{name}-turn", "Turn", -180, 180, 140)}\
{_range(f"{name}-tilt", "Tilt", -89, 89, 25)}</div>
<figure><div class="scene" role="img" aria-label="{alt}"></div><img class="on-paper" alt="{alt}">
<figcaption>Blue: the print lies inside the part (under-cure). Orange: outside it (over-cure).</figcaption></figure>
</div>"""


def slices_view(name: str, data: dict[str, Any], *, banded: bool = False, second: bool = False) -> str:
    """Slices across z, y and x, a slider each; a choice of grids where there are two, of places, of a second result."""
    grids = [("finer", "finer grid"), ("own", "job’s grid")] if "finer" in data["sets"][0] and not second else []
    of_mm = {key: f"{words}, {data['sets'][0][key]['voxel_mm']:g} mm" for key, words in grids}
    choice = "".join(_radio(f"{name}-grid", key, of_mm[key], key == "finer") for key, _ in grids)
    choice = f"<fieldset><legend>Cured and errors on the</legend>{choice}</fieldset>" if choice else ""
    buttons = "".join(
        f'<button type="button" data-place="{n}">{text(place["words"])}</button>'
        for n, place in enumerate(data["places"])
    )
    buttons = f'<fieldset class="places"><legend>Go to</legend>{buttons}</fieldset>' if buttons else ""
    other = ""
    if second:
        options = "".join(f'<option value="{n}">{text(s["name"])}</option>' for n, s in enumerate(data["sets"]) if n)
        other = f'<label>Beside {text(data["sets"][0]["name"])} <select id="{name}-second">{options}</select></label>'
    rows = "".join(_slice_row(name, axis) for axis in AXES)
    band = ' <span class="note">The tolerance band counts as part or surroundings here.</span>' if banded else ""
    zoom = _range(f"{name}-zoom", "Zoom", 1, ZOOM, 1)
    return f"""<div class="view" data-slices="{name}"><div class="inputs">{other}{choice}{buttons}{zoom}</div>
<div class="legend" aria-label="colours"></div>{band}{rows}</div>"""


def _slice_row(name: str, axis: str) -> str:
    return (
        f'<div class="slice-row" data-axis="{axis}">{_range(f"{name}-{axis}", f"{axis} =", 0, 1, 0)}'
        '<div class="panels"></div></div>'
    )


def frames_view(name: str, found: dict[str, Any]) -> str:
    """One image with a slider over the angles, and the sinogram of a row with one over the rows."""
    angles, _, rows = found["shape"]
    images = (angles - 1) // found["images"]["step"]
    sinograms = (rows - 1) // found["sinograms"]["step"]
    picture = "An image of the projector, brighter where its level is higher"
    sinogram = "Sinogram: the levels of one row of pixels at every scan angle"
    return f"""<div class="view two" data-frames="{name}">
<figure>{_range(f"{name}-angle", "Scan angle", 0, images, 0)}
<div class="picture" role="img" aria-label="{picture}"></div><figcaption>Image at one scan angle.</figcaption></figure>
<figure>{_range(f"{name}-row", "Row", 0, sinograms, sinograms // 2)}
<div class="sinogram" role="img" aria-label="{sinogram}"></div><figcaption>Sinogram of one row.</figcaption></figure>
</div>"""


def _range(name: str, words: str, low: int, high: int, at: int) -> str:
    return (
        f'<div class="slider"><label for="{name}">{text(words)}</label> <output for="{name}"></output>'
        f'<input type="range" id="{name}" min="{low}" max="{high}" value="{at}"></div>'
    )


def _radio(group: str, value: str, words: str, checked: bool) -> str:
    on = " checked" if checked else ""
    return f'<label><input type="radio" name="{group}" value="{value}"{on}> {text(words)}</label>'


def _check(name: str, value: str, words: str, *, checked: bool) -> str:
    on = " checked" if checked else ""
    return f'<label><input type="checkbox" id="{name}" value="{value}"{on}> {text(words)}</label>'
