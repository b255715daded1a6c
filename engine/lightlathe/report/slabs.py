"""How many slabs a design and its judgement took, where memory or the job had them go slab by slab."""

from lightlathe.result import Record
from lightlathe.support.words import count


def slab_lines(record: Record) -> list[str]:
    """Lines of the summary; none where all slices were worked on at once, and for files that do not say."""
    words = slab_words(record)
    return [f"  slabs       {words}"] if words else []


def slab_words(record: Record) -> str:
    """How many slabs of how many slices, and why; empty where all slices were worked on at once."""
    facts, nz = record.facts, record.part.grid.shape[2]
    if "slabs_because" not in facts:
        return ""
    finer = record.settings["grid"]["finer"]
    each = [
        ("designed", nz, facts["slab_slices_design"]),
        ("judged", nz, facts["slab_slices_dose"]),
        *([("judged on the finer grid", nz * finer, facts["slab_slices_fine"])] if finer > 1 else []),
    ]
    said = [f"{done} in {count(-(-of // int(taken)), 'slab')} of up to {int(taken)}" for done, of, taken in each]
    return f"{', '.join(said)} slices: {facts['slabs_because']}"
