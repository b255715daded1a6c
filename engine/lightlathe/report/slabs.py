"""How many slabs a design and its judgement took, where memory or the job had them go slab by slab."""

from lightlathe.result import Record
from lightlathe.support.words import count


def slab_lines(record: Record) -> list[str]:
    """Lines of the summary; none where all slices were worked on at once, and for files that do not say."""
    words = slab_words(record)
    return [f"  slabs       {words}"] if words else []


def slab_words(record: Record) -> str:
    """How many slabs of how many slices, and why; empty where all slices were worked on at once.

    Of a design they are counted in its log: equal slices, and those without part, are not designed one by one.
    """
    facts, nz = record.facts, record.part.grid.shape[2]
    if "slabs_because" not in facts:
        return ""
    finer = record.settings["grid"]["finer"]
    each = [
        ("designed", int(max(record.log.get("slabs", [1.0]))), facts["slab_slices_design"]),
        ("judged", _slabs(nz, facts["slab_slices_dose"]), facts["slab_slices_dose"]),
    ]
    if finer > 1:
        taken = facts["slab_slices_fine"]
        each.append(("judged on the finer grid", _slabs(nz * finer, taken), taken))
    if all(number == 1 for _, number, _ in each):
        return f"all slices at once: {facts['slabs_because']}"
    said = [f"{done} in {count(number, 'slab')} of up to {int(taken)}" for done, number, taken in each]
    return f"{', '.join(said)} slices: {facts['slabs_because']}"


def _slabs(slices: int, taken: float) -> int:
    return -(-slices // int(taken))
