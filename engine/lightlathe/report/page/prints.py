"""What came out: the prints kept of a result, with their photos, and what they say together."""

import base64
import io
import warnings
from collections.abc import Iterator, Sequence
from pathlib import Path

from lightlathe.errors import LightlatheError
from lightlathe.flow.after_print import AfterPrint, after_print, kept_vials, surface_of
from lightlathe.report.after_print import changes
from lightlathe.report.estimates import estimates, question
from lightlathe.report.page.section import Section, paragraph, table, text
from lightlathe.result import Record
from lightlathe.result.outcomes import Kept, photo_file, read_outcomes
from lightlathe.support.files import sha256_of
from lightlathe.support.watching import doing
from lightlathe.support.words import amount

ROOM = 800_000  # characters of all photos of a page
WIDE, QUALITY = 480, 80  # pixels of a photo's longer side, and of JPEG
MAX_BYTES = 100_000_000  # of a photo's file
HOW = 'lightlathe predict RESULT --came-out "too thin by 0.1 mm" --keep'


@doing("prints that were kept")
def prints_section(record: Record, path: Path) -> Section:
    """The prints kept of the result in file `path`, and what follows from them; how to keep one where there is none."""
    title = "What came out"
    try:
        kept = read_outcomes(path)
    except LightlatheError as problem:  # the rest of the page does not rest on that file
        return Section("prints", title, paragraph(f"The kept prints cannot be read: {problem}"))
    if not kept:
        return Section("prints", title, paragraph(f"No print of this result is kept. {HOW} keeps one.", kind="note"))
    photos = _photos(kept, path)
    rows = [
        (text(one.kept_utc[:16].replace("T", ", ")), text(amount(one.exposure_s, 4)), text(one.came_out), photo)
        for one, photo in zip(kept, photos, strict=True)
    ]
    body = table(("kept (UTC)", "exposure / s", "what came out", "photo"), rows, kind="prints")
    try:
        surface = surface_of(record)
        vials, left_out = kept_vials(record, kept, surface)
        follows = _follows(record, after_print(record, vials, surface=surface)) if vials else ()
        said = "\n".join([*left_out, *follows])
        body += f'<h3>What follows</h3><pre tabindex="0" aria-label="what follows">{text(said)}</pre>'
    except LightlatheError as problem:
        body += paragraph(f"Nothing is concluded from them: {problem}")
    return Section("prints", title, body)


def _follows(record: Record, found: AfterPrint) -> Iterator[str]:
    """The sentences of `lightlathe predict RESULT --kept`."""
    yield from question(found)
    yield from changes(record, found)
    if found.next is not None:
        yield found.next.text()
    elif found.withheld:
        yield f"no exposure is advised: {found.withheld}"
    yield from estimates(record, found)


def _photos(kept: Sequence[Kept], path: Path) -> list[str]:
    """HTML of each print's photo: small, or why it is not shown."""
    left, found = ROOM, []
    for one in kept:
        if one.photo is None:
            found.append("")
            continue
        said = _photo(one, path)
        if said.startswith("<img"):
            said = said if len(said) <= left else "no room for more photos"
            left -= len(said)
        found.append(f"{said} <code>{text(one.photo)}</code>")
    return found


def _photo(one: Kept, path: Path) -> str:
    """An image of the page itself, drawn anew, so that nothing else of the file gets into the page: no place, no name
    of a camera. Only the very file that was kept is shown."""
    from PIL import Image, ImageOps

    file = photo_file(one, path)
    try:
        if file.stat().st_size > MAX_BYTES:
            return "too large to be shown"
        if sha256_of(file) != one.photo_sha256:
            return "changed since it was kept"
        with warnings.catch_warnings(), Image.open(file) as image:
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            image.draft("RGB", (WIDE, WIDE))
            small = ImageOps.exif_transpose(image).convert("RGB")
            small.thumbnail((WIDE, WIDE))
            drawn = io.BytesIO()
            small.save(drawn, format="JPEG", quality=QUALITY)
    except (LightlatheError, OSError, ValueError, SyntaxError, Image.DecompressionBombError, Warning) as problem:
        return f"cannot be shown ({text(str(problem)[:100])})"
    said = f"Photo of the print at {amount(one.exposure_s, 4)} s: {one.came_out}"
    return f'<img alt="{text(said)}" src="data:image/jpeg;base64,{base64.b64encode(drawn.getvalue()).decode()}">'
