"""What light does that a design cannot help: it spreads by diffraction, and ends at inserts."""

import math

from lightlathe.feasibility.case import Case
from lightlathe.job.light import USUAL_NM
from lightlathe.job.lit_space import is_bare, out_of_focus_mm
from lightlathe.judge.verdict import Reason
from lightlathe.quantities.footprint import FWHM_PER_SIGMA
from lightlathe.support.words import amount, count, rounded_up

FEW = 0.25  # of all directions: a convex insert leaves twice as many at its surface (no source)
# of the part's voxels that an insert may take, of meshes, which can have a bore for it, and of shapes, which have none
INSIDE_MESH, INSIDE_SHAPE = 0.02, 0.5  # (no source)
# a line a pixel wide that spreads by a pixel more blurs into its neighbours (common practice, no source)
SPREAD_PIXELS = 1.0
# a wall narrower than the blur about it is mostly its neighbours' light (common practice, no source)
BLURS = 1.0
# pixels of blur at the part's edge beyond which much of the window is gone: the check valve of `init` in pixels of
# 0.16 mm, 40 iterations, has 0.171 in focus, 0.139 with 1 pixel, 0.105 with 2, 0.061 with 4, 0.044 with 8 (measured
# here, 1 December 2026, apertures of 0 to 0.4)
BLUR_PIXELS = 2.0


def spread_mm(wavelength_nm: float, index: float, width_mm: float, away_mm: float) -> float:
    """How wide a line of `width_mm` becomes, `away_mm` from where it is in focus: lambda z / (n p).

    The half width of the far field of a slit, from its middle to its first zero, with the wavelength as it is in the
    resin. Source: scalar diffraction, J. W. Goodman, Introduction to Fourier Optics, section 4.4.
    """
    return wavelength_nm * 1e-6 * away_mm / (index * width_mm)


def finest_mm(wavelength_nm: float, index: float, away_mm: float) -> float:
    """The width of line that spreads over no more than itself: sqrt(lambda z / n)."""
    return math.sqrt(wavelength_nm * 1e-6 * away_mm / index)


def aperture_for(wavelength_nm: float, width_mm: float) -> float:
    """The numerical aperture that resolves `width_mm`: 0.61 lambda / NA is the distance of two points told apart.

    Source: Rayleigh's criterion; Born & Wolf, Principles of Optics, section 8.6.
    """
    return 0.61 * wavelength_nm * 1e-6 / width_mm


def diffraction(case: Case) -> Reason | None:
    """A line one pixel wide, in focus on the turning axis, at the wall and at the part's edge, by parallel light; none
    where the light's aperture is stated.
    """
    if case.light.numerical_aperture is not None:
        return None  # then it is part of the blur
    known_nm = case.light.wavelength_nm or getattr(case.resin, "wavelength_nm", None)
    nm, n, pixel = known_nm or USUAL_NM, case.resin.refractive_index, case.light.pixel_mm
    wall, edge = (spread_mm(nm, n, pixel, z) / pixel for z in (case.vial.radius_mm, case.part.radius_mm))
    text = (
        f"in focus on the axis, a line of {amount(1000 * pixel, 3)} um spreads over {count(wall, 'pixel')} at the wall "
        f"and {amount(edge)} at the part's edge (lambda z / (n p) at {nm:g} nm, n = {n:g}"
    )
    open_ = ["wavelength_nm in [light]"] if known_nm is None else []
    open_ += ["refractive_index in [resin]"] if case.index_assumed else []
    text += f"; not given, so assumed: {', '.join(open_)})" if open_ else ")"
    if edge <= SPREAD_PIXELS:
        return Reason("diffraction", "will work", f"{text}.", edge, SPREAD_PIXELS, "pixels")
    wide = finest_mm(nm, n, case.part.radius_mm)
    text += (
        f": parallel light cannot draw that away from the axis, and to draw it even on the axis takes a lens with an "
        f"aperture of {amount(aperture_for(nm, pixel))} (0.61 lambda / NA). The design does not account for it."
    )
    change = f"pixels of {rounded_up(1000 * wide)} um or more, which spread by no more than a pixel; or a smaller part."
    return Reason("diffraction", "marginal", text, edge, SPREAD_PIXELS, "pixels", change)


def blur(case: Case) -> Reason | None:
    """The blur of lens, diffraction and defocus at the part's edge against its thinnest wall; none where none is
    stated.
    """
    light, thinnest, reach = case.light, case.part.thinnest_mm, case.part.radius_mm
    defocus = light.defocus(case.resin.refractive_index)
    sharp_mm = math.hypot(light.blur_mm or 0.0, light.diffraction_mm)
    far_mm, wide_mm = 0.0, sharp_mm
    if defocus is not None:
        far_mm = max(out_of_focus_mm(light, case.vial, case.resin, reach))
        wide_mm = math.hypot(sharp_mm, FWHM_PER_SIGMA * defocus.sigma_mm(far_mm))
    if not wide_mm:
        return None
    text = f"a point's image is {amount(sharp_mm, 3)} mm wide at half its height, {_pixels(sharp_mm, light.pixel_mm)}"
    if defocus is not None:
        text += (
            f", in focus, and {amount(wide_mm, 3)} mm, {_pixels(wide_mm, light.pixel_mm)}, at the part's edge, up to "
            f"{amount(far_mm, 3)} mm out of it {_where(case)}(2 |z| NA / sqrt(n^2 - NA^2) is its cone)"
        )
    stop = ", or a smaller aperture (a stop in the lens)" if defocus is not None and wide_mm > 2 * sharp_mm else ""
    if thinnest is not None:
        text += f"; the part's thinnest place has {amount(thinnest, 3)} mm. The design knows of it"
    if thinnest is not None and thinnest < BLURS * wide_mm:
        change = f"a sharper image, {amount(thinnest / BLURS, 2)} mm or less at half height{stop}; or thicker walls."
        return Reason("blur", "marginal", f"{text}.", wide_mm, thinnest / BLURS, "mm", change)
    most = BLUR_PIXELS * light.pixel_mm
    if wide_mm > most * (1 + 1e-9):
        text += (
            f"{'; the design knows of it' if thinnest is None else ''}, but so far apart light cannot be steered: with "
            f"more than {count(BLUR_PIXELS, 'pixel')} of blur more than a third of the process window is lost, with 4 "
            "almost two thirds."
        )
        change = (
            f"a sharper image at the part's edge, {amount(most)} mm or less at half height{stop}; or a smaller part."
        )
        return Reason("blur", "marginal", text, wide_mm, most, "mm", change)
    return Reason("blur", "will work", f"{text}.", wide_mm, most if thinnest is None else thinnest / BLURS, "mm")


def _where(case: Case) -> str:
    return "along the axis, behind the bare vial " if is_bare(case.vial, case.resin) else ""


def _pixels(length_mm: float, pixel_mm: float) -> str:
    return count(length_mm / pixel_mm, "pixel")


def insert(case: Case) -> Reason | None:
    """What inserts leave of the light of the part beside them; no question where there is none."""
    beside = case.part.beside
    if beside is None:
        return None
    text = beside.text()
    if case.machine.device != "cpu" and beside.shaded and (beside.dims or case.light.rows_spread):
        text += (
            " On a card this light is computed in plain torch, many times slower than the effort below says; device = "
            '"cpu" in [design] may be faster.'
        )
    if beside.dark > 0:
        change = "a part that leaves out what light cannot reach, or an insert that transmits light, such as glass."
        return Reason("insert", "cannot work", text, beside.dark, 0.0, "", change)
    if beside.least < FEW:
        change = "an insert without hollows that the part fills, or one that transmits light, such as glass."
        return Reason("insert", "marginal", text, beside.least, FEW, "", change)
    most = INSIDE_MESH if beside.meshes else INSIDE_SHAPE
    if beside.inside > most:
        whose = "mesh with a bore" if beside.meshes else "shape"
        change = f"a {whose} where the insert stands, or the insert in another place; nothing, if it is meant so."
        return Reason("insert", "marginal", text, beside.inside, most, "", change)
    return Reason("insert", "will work", text, beside.least, FEW)
