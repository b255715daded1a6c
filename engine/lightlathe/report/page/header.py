"""Below the heading of a page: what was designed, for which vial and resin, when and by whom."""

from collections.abc import Iterator

from lightlathe.report.notes import resin_words
from lightlathe.report.page.section import text
from lightlathe.report.summary import extent_mm
from lightlathe.result import Record
from lightlathe.support.words import amount


def about(record: Record) -> str:
    """HTML: a line of what the page is about, and one of its origin."""
    return f'<p class="about">{text("; ".join(_what(record)))}.<br>{text("; ".join(_origin(record)))}.</p>'


def _what(record: Record) -> Iterator[str]:
    low, high, _ = extent_mm(record)
    sides = " x ".join(amount(side, 3) for side in (high - low).tolist())
    yield f"A part of {sides} mm (x, y, z) in a vial of {amount(2 * record.vial_radius_mm, 3)} mm"
    if said := resin_words(record.settings.get("resin", {})):
        yield f"resin {said}"
    patterns = record.patterns
    yield f"{len(patterns.angle_rad)} images a turn, {amount(patterns.irradiance_mw_cm2, 3)} mW/cm² at full level"


def _origin(record: Record) -> Iterator[str]:
    notes = record.settings.get("notes") or {}
    made = str(record.facts.get("created_utc", ""))[:16].replace("T", ", ")
    version = record.facts.get("program_version", "")
    yield " ".join(filter(None, ["Designed", made and f"on {made} UTC", version and f"by Lightlathe {version}"]))
    if operator := notes.get("operator"):
        yield f"operator {operator}"
    if lot := notes.get("resin_lot"):
        yield f"resin lot {lot}"
    yield "computed, not measured"
