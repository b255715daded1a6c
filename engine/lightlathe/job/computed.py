"""What a job asks of its light in several tables at once, and is not computed."""

from lightlathe.beams import Diverging
from lightlathe.errors import JobError
from lightlathe.job.light import MOST_BLUR
from lightlathe.job.model import Job
from lightlathe.job.tables import Where
from lightlathe.quantities.footprint import FWHM_PER_SIGMA
from lightlathe.support.own import OwnMember


def require_computed(job: Job, top: Where) -> None:
    """Raises JobError; top   the job file, for the message"""
    light, beam, where = job.light, job.light.beam, top.inner("light")
    if isinstance(beam, Diverging) and beam.throw_ratio is not None and light.rotate_deg in (90, 270):
        raise JobError(
            f"{where}: rotate_deg is {light.rotate_deg} and the beam has a throw_ratio, which belongs to the "
            "projector's own width; that lies along the axis here. Expected distance_mm in its place: with the width "
            f"of {light.rows} pixels {beam.throw_ratio * light.rows * light.pixel_mm:.4g} mm."
        )
    if isinstance(job.resin, OwnMember):
        return
    soft = light.defocus(job.resin.refractive_index)
    wide = 0.0 if soft is None else FWHM_PER_SIGMA * soft.sigma_mm(job.vial.radius_mm + abs(soft.focus_mm))
    if wide > MOST_BLUR * light.pixel_mm:
        raise JobError(
            f"{where}: with numerical_aperture = {light.numerical_aperture:g} a point's image is {wide:.3g} mm wide at "
            f"the vial's wall; expected {MOST_BLUR:g} pixels of {light.pixel_mm:g} mm at most. Is focus_mm in um, or "
            "the aperture not that at the vial?"
        )
