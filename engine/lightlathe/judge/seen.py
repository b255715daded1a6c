"""What a person saw of a print, in words: which words are understood, and what they mean."""

import difflib
import math
import re
import unicodedata
from dataclasses import dataclass

from lightlathe.errors import JobError, brief

# kind -> the phrases that mean it, without articles and other FILLERS; the first one stands in messages
PHRASES: dict[str, tuple[str, ...]] = {
    "thin": ("too thin", "thin", "too small", "undersized", "too narrow"),
    "fat": ("too fat", "fat", "too thick", "thick", "too large", "too big", "oversized", "too wide"),
    "right": ("right", "good", "as wanted", "fine", "ok", "perfect"),
    "nothing": ("nothing", "empty", "all liquid", "stayed liquid", "still liquid", "nothing solid"),
    "all solid": ("all solid", "solid block", "block", "everything solid", "lump", "one lump", "one block"),
    "holes closed": (
        "holes closed", "hole closed", "closed holes", "holes filled", "channels closed", "channel closed",
        "channels blocked", "gaps closed", "gaps filled", "pores closed",
    ),
    "liquid centre": (
        "skin solid centre liquid", "centre liquid", "liquid centre", "liquid inside", "inside liquid", "liquid core",
        "core liquid", "hollow", "only skin", "skin only", "solid skin liquid centre", "solid skin", "skin solid",
    ),
    "top missing": ("top missing", "no top", "missing top", "top liquid", "top not solid", "top cut off"),
    "bottom missing": ("bottom missing", "no bottom", "missing bottom", "bottom liquid", "bottom not solid"),
    "soft": ("soft", "too soft", "rubbery", "sticky", "tacky", "weak", "jelly", "bends"),
    "doubled edges": (
        "doubled edges", "edges doubled", "double edges", "edges double", "double walls", "ghost edges", "doubled",
    ),
    "mirrored": ("mirrored", "mirror image", "mirror inverted", "left right swapped", "wrong handed"),
    "upside down": ("upside down", "top bottom swapped"),
    "sank": ("sank", "sunk", "sagged", "part sank", "sinks", "moved down", "fell"),
}  # fmt: skip
SAID = {"liquid centre": "skin solid and centre liquid", "all solid": "a solid block"}  # else the first phrase
WITH_DISTANCE = ("thin", "fat", "doubled edges")
FORMS = (
    "'too thin by 0.1 mm' (from side to side), '7.85 mm instead of 8 mm', 'hole 2.8 mm instead of 3 mm', 'too thin', "
    "'too fat', 'right', 'nothing', 'all solid', 'holes closed', 'skin solid and centre liquid', 'top missing', "
    "'bottom missing', 'soft', 'doubled edges by 0.2 mm', 'mirrored', 'upside down', 'sank'; of an exposure of its "
    "own: '48 s: sank' or '4 turns of 12 s: sank'"
)
FILLERS = {
    "the", "a", "an", "is", "are", "was", "were", "it", "its", "has", "have", "came", "out", "but", "and", "with",
    "part", "print", "prints", "looks", "like", "of", "in", "this", "that", "i", "got", "very", "quite",
}  # fmt: skip
OPENINGS = "hole|bore|gap|channel|slot|pore|inside|opening|inner diameter"  # they close where a part is too fat
SOLIDS = "outside|outer diameter|diameter|width|height|length|wall|strut|rod|pin"
_LENGTH = r"([0-9]*\.?[0-9]+) ?(mm|um|μm)"
_TIME = r"([-\u2212]?[0-9]*\.?[0-9]+) ?(s|sec|seconds|min|minutes)"
_TURNS = re.compile(rf"^([0-9]+) turns? of {_TIME} ?: ?(.*)$")
_VIAL = re.compile(rf"^{_TIME} ?: ?(.*)$")
_NO_COLON = re.compile(rf"^{_TIME}[ ,.=-]+(.+)$")
NEVER_TOGETHER = (  # two of a set cannot be said of one print: where nothing came out nothing else can be seen
    {"thin", "fat", "right", "nothing", "all solid"},
    *({"nothing", kind} for kind in PHRASES if kind not in ("thin", "fat", "right", "nothing", "all solid")),
    {"all solid", "top missing"}, {"all solid", "bottom missing"}, {"all solid", "liquid centre"},
)  # fmt: skip
MEANS = {phrase: kind for kind, phrases in PHRASES.items() for phrase in phrases}


@dataclass(frozen=True)
class CameOut:
    """What a person saw.

    kind      of PHRASES
    by_mm     thin and fat: measured minus wanted thickness, both sides together, above 0; doubled edges: how far apart
    give_mm   half a unit of the last digit that was read: by_mm may be off by that
    wanted_mm   the size that was wanted, where it was said
    named       of what: "hole" or "solid"; empty where that was not said
    """

    kind: str
    by_mm: float | None = None
    give_mm: float = 0.0
    wanted_mm: float | None = None
    named: str = ""

    @property
    def words(self) -> str:
        """As it may be said again."""
        by = "" if self.by_mm is None else f" by {self.by_mm:g} mm"
        return SAID.get(self.kind, PHRASES[self.kind][0]) + by


def exposure_and_words(text: str) -> tuple[float | None, str]:
    """(seconds, the rest) of '36 s: too thin by 0.1 mm' or '3 turns of 12 s: too thin'; None where no time goes before
    the words. The time may be 0 or negative here (`after_print` refuses it), the rest empty."""
    if turns := _TURNS.match(_plain(text)):
        return int(turns[1]) * _seconds(turns[2], turns[3]), turns[4]
    match = _VIAL.match(_plain(text))
    return (None, text) if match is None else (_seconds(match[1], match[2]), match[3])


def in_turns(text: str) -> bool:
    """Whether the exposure is said in turns, '3 turns of 11 s: right': whole ones then, however long each was."""
    return _TURNS.match(_plain(text)) is not None


def _seconds(number: str, unit: str) -> float:
    return float(number.replace("\u2212", "-")) * (60.0 if unit.startswith("min") else 1.0)


def read_came_out(text: str) -> CameOut:
    """One thing seen: 'too thin by 0.1 mm' and the like; raises JobError that lists the accepted forms."""
    seen, *more = read_all(text)
    if more:
        raise JobError(f"the print came out '{brief(text)}'; expected one thing of it here.")
    return seen


def read_all(text: str) -> tuple[CameOut, ...]:
    """All that is said of one print, parted by commas, semicolons or 'and'. Raises JobError for what is not understood,
    with the nearest words that are, and for what contradicts itself."""
    whole = _one(text)
    if whole is not None:
        return (whole,)
    pieces = [piece for piece in re.split(r",(?!\d)|[;+]| and | but ", _plain(text)) if piece.strip()]
    if not pieces:
        raise JobError(f"the print came out '{brief(text)}', which is empty; expected one of these.\n  {FORMS}")
    found = []
    for piece in pieces:
        seen = _one(piece)
        if seen is None:
            raise JobError(_not_understood(text, piece))
        if seen not in found:
            found.append(seen)
    kinds = {seen.kind for seen in found}
    if any(len(kinds & only_one) > 1 for only_one in NEVER_TOGETHER):
        raise JobError(f"the print came out '{brief(text)}', which contradicts itself; expected one of the two.")
    return tuple(found)


def _one(text: str) -> CameOut | None:
    """What one phrase means; None where it is not understood. Raises JobError for a distance of 0."""
    said = _plain(text)
    of = rf"(?:(?:the |its )?(?:({OPENINGS})|(?:{SOLIDS}))s? )?(?:is |was |measures |measured )?"
    if sizes := re.fullmatch(rf"({of}){_LENGTH} instead of {_LENGTH}", said):
        (came, give), (wanted, _) = _mm(sizes[3], sizes[4]), _mm(sizes[5], sizes[6])
        named = "hole" if sizes[2] else "solid" if re.search(rf"\b({SOLIDS})s?\b", sizes[1]) else ""
        by = wanted - came if sizes[2] else came - wanted
        if min(came, wanted) <= 0:
            raise JobError(f"the print came out '{brief(text)}'; expected sizes above 0.")
        if math.isclose(came, wanted):
            return CameOut("right", None, give, wanted, named)
        return CameOut("fat" if by > 0 else "thin", round(abs(by), 9), give, wanted, named)
    if moved := re.fullmatch(rf"{_LENGTH} (too \w+|apart)", said):
        said = f"{moved[3].replace('apart', 'doubled')} by {moved[1]} {moved[2]}"
    phrase, _, length = said.partition(" by ")
    kind = MEANS.get(" ".join(word for word in phrase.split() if word not in FILLERS))
    if kind is None:
        return None
    if not length:
        return None if " by" in said else CameOut(kind)
    match = re.fullmatch(_LENGTH, length)
    if match is None or kind not in WITH_DISTANCE:
        return None
    by, give = _mm(match[1], match[2])
    if not by > 0:
        raise JobError(f"the print came out '{brief(text)}'; expected a distance above 0.")
    return CameOut(kind, by, give)


def _mm(number: str, unit: str) -> tuple[float, float]:
    """(length, half a unit of its last digit) in mm."""
    scale, digits = (1.0 if unit == "mm" else 1e-3), len(number.partition(".")[2])
    return float(number) * scale, 0.5 * 10.0**-digits * scale


def _plain(text: str) -> str:
    """Lower case, single spaces, both signs for micro as one, no hyphens, no full stop at the end."""
    said = unicodedata.normalize("NFKC", text).lower().replace("center", "centre")
    said = re.sub(r"['\u2019]s\b", "", said)
    return " ".join(re.sub(r"(?<=[a-z])[-/](?=[a-z])", " ", said).split()).rstrip(".! ")


def _not_understood(text: str, piece: str) -> str:
    said = " ".join(word for word in _plain(piece).partition(" by ")[0].split() if word not in FILLERS)
    near = difflib.get_close_matches(said[:60], MEANS, n=1, cutoff=0.6)
    hint = f" Did you mean '{near[0]}'?" if near else ""
    if " by" in _plain(piece) and MEANS.get(said) is not None:
        hint = (
            " Distances need a unit, mm or um, and a point for decimals."
            if MEANS[said] in WITH_DISTANCE
            else f" A distance goes with {', '.join(PHRASES[kind][0] for kind in WITH_DISTANCE)} alone."
        )
    if timed := _NO_COLON.match(_plain(text)):
        unit = "min" if timed[2].startswith("min") else "s"
        hint = f" A colon follows the exposure: '{timed[1]} {unit}: {brief(timed[3])}'."
    if decimal := re.search(r"([0-9]+),([0-9]+)", piece):
        hint = f" Decimals take a point: {decimal[1]}.{decimal[2]}."
    return (
        f"the print came out '{brief(text)}': {brief(repr(piece.strip()))} is not understood; expected one of these, "
        f"or several with commas.{hint}\n  {FORMS}"
    )
