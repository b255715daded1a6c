"""What is said of a print without a window: where it fails, whether any light could print it, what would help."""

import math

from lightlathe.flow.certificate import Proof, Remedy
from lightlathe.report.warnings import FEW_BITS
from lightlathe.support.words import count, percent

FAR_BELOW = -10.0  # a window, from which its size says nothing more


def advised(proof: Proof | None, remedies: list[Remedy], window: float, *, images: int, bits: int) -> list[str]:
    """What a person must hear of the proof, and of a print that has no `window`.

    images, bits   that the job shows in a turn, and of its levels
    """
    if proof is not None and proof.reached <= 0:
        return [advice(proof, remedies, images)]
    if window > 0 or math.isnan(window):
        return []
    return [unproven(math.nan if proof is None else proof.reached, bits)]


def advice(proof: Proof, remedies: list[Remedy], images: int) -> str:
    """Where a print fails, whether any light could print it, and what would help; a sentence or two each.

    images   that the job shows in a turn
    """
    x, y = proof.part_mm
    beside_x, beside_y = proof.surroundings_mm
    if proof.at_most <= 0:
        said = (
            f"Proven: no patterns whatever print this part in this resin and vial, in {count(images, 'image')} a turn. "
        )
    else:
        said = (
            f"No exposure is right everywhere; a window of {percent(proof.at_most)} is not ruled out on these "
            "voxels, so more iterations may find one. "
        )
    tried = "; ".join(f"{r.words} {window_words(r.reached)} (at most {window_words(r.at_most)})" for r in remedies)
    return (
        f"{said}It is decided in the slice at z = {proof.slice_z_mm:.2f} mm, between ({x:.2f}, {y:.2f}) mm in the part "
        f"and ({beside_x:.2f}, {beside_y:.2f}) mm beside it. Windows of that slice alone, by what is changed: {tried}."
    )


def unproven(reached: float, bits: int) -> str:
    """What may help a print without a window, of which nothing was proven or whose light has one until rounded."""
    if reached > 0:
        help_ = "" if bits <= FEW_BITS else ": more bits, or levels that are dimmed less, keep it"
        levels = count(bits, "bit")
        return f"Before its levels were rounded to {levels} this light had a window of {percent(reached)}{help_}."
    return "More iterations, a paler resin, more angles or a smaller part may help, in this order of effort."


def window_words(window: float) -> str:
    """A relative window in percent; what is far below 0, or not a number for want of light, as such."""
    if math.isnan(window):
        return "no light in part of it"
    return f"{100 * window:.0f} %" if window > FAR_BELOW else "far below 0"
