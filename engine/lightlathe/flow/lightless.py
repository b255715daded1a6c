"""Slices of the part that no light reaches, because their rows of pixels are dead or dark."""

import torch

from lightlathe.quantities import SOLID, Optics, Part, any_in_slices
from lightlathe.support.words import count

LISTED = 6  # heights that a sentence names


def lightless_mm(optics: Optics, part: Part) -> list[float]:
    """Heights z of the slices that hold part and get no light at all; empty where illumination is even.

    Empty too where rows spread with depth: a slice is then lit by other rows at other depths, and none is looked at.
    """
    if optics.illumination is None or not optics.slices_independent:
        return []
    grid = part.grid
    light = optics.for_slices(torch.arange(grid.shape[2]), grid).illumination
    assert light is not None
    dark = ~(light > 0).any(0) & any_in_slices(part.judged, lambda codes: codes == SOLID).cpu()
    return grid.centres_mm(2)[dark].tolist()


def lightless_lines(heights_mm: list[float]) -> list[str]:
    """A warning about them; may be empty."""
    if not heights_mm:
        return []
    at = ", ".join(f"{z:.3g}" for z in heights_mm[:LISTED]) + (" ..." if len(heights_mm) > LISTED else "")
    return [
        f"No light reaches {count(len(heights_mm), 'slice')} of the part (z = {at} mm), whose rows of pixels are dead "
        "or dark: it stays liquid there. How wide the window can be at most is not proven, since it has none."
    ]
