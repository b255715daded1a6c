"""Frames for projectors that look into a mirror or are mounted on their side: flipped and turned, pixel by pixel."""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

Flip = Literal["none", "left_right", "up_down"]
Quarters = Literal[0, 90, 180, 270]
WORDS = {"left_right": "flipped left to right", "up_down": "flipped upside down"}


@dataclass(frozen=True)
class Mounting:
    """How frames differ from the picture that the vial has to see.

    flip         first: "left_right" swaps columns, "up_down" rows
    rotate_deg   then: turned clockwise, as one looks at the frame; 90 and 270 swap the counts of columns and rows
    """

    flip: Flip = "none"
    rotate_deg: Quarters = 0

    def native(self, image: np.ndarray) -> np.ndarray:
        """The frame (row, column) to show, for a picture (row, column) as the vial has to see it."""
        if self.flip != "none":
            image = image[:, ::-1] if self.flip == "left_right" else image[::-1]
        return np.ascontiguousarray(np.rot90(image, -(self.rotate_deg // 90)))

    def facts(self, orientation: str) -> dict[str, Any]:
        """What a manifest says of it; `orientation` is that of the picture before."""
        steps = [WORDS[self.flip]] if self.flip != "none" else []
        steps += [f"turned clockwise by {self.rotate_deg} degrees"] if self.rotate_deg else []
        if steps:
            done = " and then ".join(steps)
            orientation = f"For the projector's mounting every frame is {done}. Before that: {orientation}"
        return {"orientation": orientation, "flip": self.flip, "rotate_deg": self.rotate_deg}
