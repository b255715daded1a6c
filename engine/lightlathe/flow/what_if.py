"""What each thing that a job leaves unstated may cost: the print of its patterns, should the other case be true."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from lightlathe.beams import Diverging, Telecentric
from lightlathe.errors import JobError, ShapeError
from lightlathe.flow.prediction import predict
from lightlathe.flow.recorded import job_of
from lightlathe.job import Job
from lightlathe.job.vial import INDICES
from lightlathe.quantities import Prediction
from lightlathe.result import Record
from lightlathe.support.watching import case, doing, step
from lightlathe.support.words import amount, count

GLASS_MM, GLASS = 1.0, 1.48  # a wall of borosilicate, where the job names none: common practice, no source
THROW_RATIO = 1.4  # of many small projectors (common practice, no source)
BLUR_PIXELS = (1.0, 2.0)  # of a lens, full width at half maximum
APERTURES = (0.01, 0.05)  # of slow projector lenses, at the vial (common practice, no source)
TILT_DEG = 0.5  # of the axis, as well as it is set up by eye (common practice, no source)
OFF_PIXELS = 0.5  # of the axis, as well as it is usually found (common practice, no source)
ABSORPTION_PERCENT, EXPOSURE_PERCENT = 10.0, 5.0  # where nothing is known better (common practice, no source)


@dataclass(frozen=True)
class WhatIf:
    """One other case and its print.

    words   of the case, after "if"
    asked   its keys, for `predict`
    """

    words: str
    asked: dict[str, Any]
    print: Prediction | None
    why_not: str = ""

    @property
    def lost(self) -> tuple[float, float]:
        """How bad the print is, for ranking: wrong voxels, then what the window lacks."""
        if self.print is None:
            return -1.0, 0.0
        quality = self.print.quality
        window = quality["window_relative"]
        return quality["wrong_voxels"], math.inf if math.isnan(window) else -window


def cases(job: Job, exposure_s: float) -> Iterator[tuple[str, dict[str, Any]]]:
    """(words, keywords of `predict`) of what the job leaves open, and of what is never known exactly."""
    vial, light, resin = job.vial, job.light, job.resin
    if vial.surroundings is None and isinstance(light.beam, Telecentric | Diverging):
        for around, index in INDICES.items():
            wall = {"surroundings": around, "wall_mm": GLASS_MM, "wall_index": GLASS}
            words = f"the vial stands in {around} (index {index:g}), wall {GLASS_MM:g} mm of index {GLASS:g}"
            yield words, {"vial": wall}
    if isinstance(light.beam, Telecentric):
        words = f"the light diverges, as that of a projector of throw ratio {THROW_RATIO:g}"
        yield words, {"light": {"throw_ratio": THROW_RATIO}}
    if light.pixel_shape is None:
        yield "pixels are squares", {"light": {"pixel_shape": "square"}}
    if light.blur_mm is None:
        for pixels in BLUR_PIXELS:
            blur = pixels * light.pixel_mm
            words = f"the lens blurs by {pixels:g} {'pixel' if pixels == 1 else 'pixels'} ({amount(blur)} mm)"
            yield words, {"light": {"blur_mm": blur}}
    if light.numerical_aperture is None:
        for aperture in APERTURES:
            words = f"the light has a numerical aperture of {aperture:g}, in focus on the axis"
            yield words, {"light": {"numerical_aperture": aperture}}
    moving = job.turn.motion == "continuous"
    words = "the vial stands still under each image" if moving else "the vial turns on while an image stands"
    yield words, {"motion": "stepped" if moving else "continuous"}
    sense = "counterclockwise" if job.turn.sense == "clockwise" else "clockwise"
    yield f"the vial turns {sense}", {"sense": sense}
    off = OFF_PIXELS * light.pixel_mm
    yield f"the axis is off by {OFF_PIXELS:g} pixel ({amount(off)} mm)", {"axis_offset_mm": off}
    yield f"the axis is tilted by {count(TILT_DEG, 'degree')} more to the right", {"axis_tilt_deg": TILT_DEG}
    if any(part.role == "insert" and (part.opaque or part.absorption_per_mm is not None) for part in job.parts):
        for words, place in (("x", (light.pixel_mm, 0.0)), ("y", (0.0, light.pixel_mm))):
            yield (
                f"the insert stands 1 pixel ({amount(light.pixel_mm)} mm) off along {words}",
                {"insert_offset_mm": place},
            )
    for percent in (-ABSORPTION_PERCENT, ABSORPTION_PERCENT):
        words = f"the resin absorbs {abs(percent):g} % {'more' if percent > 0 else 'less'}"
        yield words, {"absorption_per_mm": resin.absorption_per_mm * (1 + percent / 100)}
    for percent in (-EXPOSURE_PERCENT, EXPOSURE_PERCENT):
        words = f"the exposure is {abs(percent):g} % {'longer' if percent > 0 else 'shorter'}"
        yield words, {"exposure_s": exposure_s * (1 + percent / 100)}


@doing("predicting other cases")
def what_ifs(record: Record, *, finer: bool = True) -> list[WhatIf]:
    """The cases of a record's job, worst print first; a case that cannot be computed comes last, with the reason.

    Each is computed as `predict` computes it: the same patterns, at the planned exposure.
    """
    from lightlathe.resins.own import absorbing

    job = job_of(record)
    found = []
    listed = list(cases(job, record.patterns.exposure_s))
    for number, (words, asked) in enumerate(listed, 1):
        given = dict(asked)
        try:
            if "absorption_per_mm" in given:
                given["resin"] = absorbing(job.resin, given.pop("absorption_per_mm"))
            with case(number, len(listed)):
                found.append(WhatIf(words, asked, predict(record, finer=finer, **given)))
        except (JobError, ShapeError) as problem:
            found.append(WhatIf(words, asked, None, str(problem).splitlines()[0]))
        step(number, len(listed))
    return sorted(found, key=lambda one: one.lost, reverse=True)
