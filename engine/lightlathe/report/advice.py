"""Advice for a print without a process window: where it fails, whether any patterns could print it, what would help."""

import math

from lightlathe.flow.certificate import Certificate
from lightlathe.flow.remedies import Remedy
from lightlathe.report.warnings import FEW_BITS
from lightlathe.support.words import count, percent

FAR_BELOW = -10.0  # a window, from which its size says nothing more


def advised(
    certificate: Certificate | None, remedies: list[Remedy], window: float, *, images: int, bits: int
) -> list[str]:
    """Advice from the certificate, or for a print without a `window`; may be empty.

    images   per turn of the job
    bits     of its levels
    """
    if certificate is not None and certificate.reached <= 0:
        return [advice(certificate, remedies, images)]
    if window > 0 or math.isnan(window):
        return []
    return [unproven(math.nan if certificate is None else certificate.reached, bits)]


def advice(certificate: Certificate, remedies: list[Remedy], images: int) -> str:
    """Where a print fails, whether any light could print it, and what would help; a sentence or two each.

    images   per turn of the job
    """
    x, y = certificate.part_mm
    beside_x, beside_y = certificate.surroundings_mm
    if certificate.upper_bound <= 0:
        turn = f"{count(images, 'image')} a turn"
        said = f"Proven: no patterns whatever print this part in this resin and vial, in {turn}. "
    else:
        said = (
            "No exposure is right everywhere; the bound does not rule out a window of "
            f"{percent(certificate.upper_bound)} on these voxels: more iterations may find one, more of the bound "
            "(bound_iterations) may rule it out. "
        )
    z, beside_z = certificate.slice_z_mm, certificate.surroundings_z_mm
    if beside_z is not None:  # light couples slices, and none of them is looked at alone
        return (
            f"{said}It is decided between ({x:.2f}, {y:.2f}, {z:.2f}) mm in the part and ({beside_x:.2f}, "
            f"{beside_y:.2f}, {beside_z:.2f}) mm beside it."
        )
    tried = "; ".join(f"{r.words} {window_words(r.reached)} (at most {window_words(r.upper_bound)})" for r in remedies)
    return (
        f"{said}It is decided in the slice at z = {z:.2f} mm, between ({x:.2f}, {y:.2f}) mm in "
        f"the part and ({beside_x:.2f}, {beside_y:.2f}) mm beside it. Windows of that slice alone, by what is changed: "
        f"{tried}."
    )


def unproven(reached: float, bits: int) -> str:
    """Advice where there is no certificate, or where only rounding closed the window."""
    if reached > 0:
        help_ = "" if bits <= FEW_BITS else ": more bits, or levels that are dimmed less, keep it"
        levels = count(bits, "bit")
        return f"Before its levels were rounded to {levels} this light had a window of {percent(reached)}{help_}."
    few = f"More bits ({count(bits, 'bit')} {'is' if bits == 1 else 'are'} few), more" if bits <= FEW_BITS else "More"
    return f"{few} iterations, a paler resin, more angles or a smaller part may help."


def window_words(window: float) -> str:
    """A relative window in percent; words where it is far below 0, or NaN because part of the part gets no light."""
    if math.isnan(window):
        return "no light in part of it"
    return f"{100 * window:.0f} %" if window > FAR_BELOW else "far below 0"
