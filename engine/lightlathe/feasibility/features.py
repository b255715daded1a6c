"""Which size of strut and gap this light can draw at the part's edge."""

import math

from lightlathe.feasibility.case import Case
from lightlathe.feasibility.optics import finest_mm
from lightlathe.job.light import USUAL_NM
from lightlathe.judge.outcome import MARGIN_PERCENT
from lightlathe.judge.verdict import Reason
from lightlathe.quantities.footprint import FWHM_PER_SIGMA
from lightlathe.support.words import amount, rounded_up

SLIT_FWHM = 0.886  # of the far field of a slit, sinc^2, over lambda z / (n w) (Goodman, section 4.4)
HARMONICS = 12  # of the square wave; those left out have less than 1e-4 of its height
SHARPEST = 8.0  # a size over sigma beyond which blur does not count


def contrast(size_over_sigma: float) -> float:
    """Dose in the middle of the struts over that in the middle of the gaps of a mesh drawn with blur.

    The mesh: struts in two directions, as wide as the gaps between them; light drawn as the part is, each point's
    spread as a Gaussian of standard deviation sigma. Across one set of struts of width w the dose is a square wave of
    period 2 w less what blur takes of each harmonic (k = 0, 1, ...):

        a = 1/2 + (2 / pi) sum (-1)^k / (2k + 1) exp(-((2k + 1) pi sigma / w)^2 / 2)     in the middle of a strut,

    and 1 - a in the middle of a gap. Of the two sets together the middle of a strut, between two crossings, has
    1 - a (1 - a), the middle of a hole 1 - a^2: their quotient is returned.
    Source   the Fourier series of a square wave and a Gaussian's transfer function (textbook). A design does other than
             draw the part as it is: tests/feasibility/test_features.py designs meshes on either side of the limit.
    """
    away = math.pi / size_over_sigma
    waves = ((-1) ** k / (2 * k + 1) * math.exp(-(((2 * k + 1) * away) ** 2) / 2) for k in range(HARMONICS))
    a = min(0.5 + 2 / math.pi * sum(waves), 1.0 - 1e-12)
    return (1 - a * (1 - a)) / (1 - a * a)


def wanted_contrast(liquid_below: float, solid_above: float) -> float:
    """The contrast that the resin needs: solid_above over liquid_below, and MARGIN_PERCENT of exposure either way."""
    margin = MARGIN_PERCENT / 100
    return solid_above / liquid_below * (1 + margin) / (1 - margin)


def sigmas_for(wanted: float) -> float:
    """The size over sigma from which a mesh has so much contrast; SHARPEST where none below it has."""
    low, high = 0.1, SHARPEST
    if contrast(high) < wanted:
        return SHARPEST
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if contrast(middle) < wanted else (low, middle)
    return high


def spreads_mm(case: Case) -> dict[str, float]:
    """Standard deviations of what spreads a point's light at the part's edge, mm, by name; without diffraction where no
    aperture is given.

    pixel     the pixel's own shape and the blur in focus (Footprint.variance)
    defocus   root mean square over a turn: a point at radius r is r sin(angle) from the plane through the axis
    turning   of a vial that turns on: a box as wide as the path r 2 pi / images, along that path
    """
    light, reach = case.light, case.part.radius_mm
    found = {"pixel": light.pixel_mm * math.sqrt(light.footprint.variance)}
    defocus = light.defocus(case.resin.refractive_index)
    if defocus is not None:
        found["defocus"] = defocus.sigma_mm(math.hypot(reach / math.sqrt(2), defocus.focus_mm))
    if case.continuous:
        found["turning"] = 2 * math.pi * reach / case.turn.angles / math.sqrt(12)
    return found


def diffraction_sigma_mm(case: Case, size_mm: float) -> float:
    """Of a line so wide in parallel light, in focus on the axis: lambda z / (n w) wide at half its height, times
    SLIT_FWHM; z root mean square over a turn. 0 where an aperture is given: then it is part of the blur."""
    if case.light.numerical_aperture is not None:
        return 0.0
    nm = case.light.wavelength_nm or getattr(case.resin, "wavelength_nm", None) or USUAL_NM
    away = case.part.radius_mm / math.sqrt(2)
    return SLIT_FWHM / FWHM_PER_SIGMA * finest_mm(nm, case.resin.refractive_index, away) ** 2 / size_mm


def finest_feature_mm(case: Case) -> float:
    """The smallest strut, and gap as wide, that comes out apart from its neighbours at the part's edge; never below a
    pixel or a voxel. w = c sqrt(s^2 + (d / w)^2): c from the contrast wanted, s of `spreads_mm`, d of diffraction."""
    resin = case.resin
    times = sigmas_for(wanted_contrast(resin.liquid_below_mj_cm3, resin.solid_above_mj_cm3))
    s, d = times * math.hypot(*spreads_mm(case).values()), times * diffraction_sigma_mm(case, 1.0)
    blurred = math.sqrt((s**2 + math.sqrt(s**4 + 4 * d**2)) / 2)
    return max(blurred, case.light.pixel_mm, case.grid.voxel_mm)


def features(case: Case) -> Reason | None:
    """The finest strut and gap against the part's thinnest wall; no question for a resin that has no safe dose."""
    resin, thinnest = case.resin, case.part.thinnest_mm
    if resin.liquid_below_mj_cm3 <= 0:
        return None
    finest = finest_feature_mm(case)
    spreads = spreads_mm(case) | {"diffraction": diffraction_sigma_mm(case, finest)}
    needs = amount(wanted_contrast(resin.liquid_below_mj_cm3, resin.solid_above_mj_cm3), 3)
    parts = ", ".join(f"{name} {_um(sigma)}" for name, sigma in spreads.items() if sigma > 0)
    text = (
        f"struts and gaps of {_um(finest)} or more come out apart at the part's edge (a mesh of them keeps a contrast"
        f" of {needs} between both, which this resin needs; standard deviations of a point's light: {parts})"
    )
    if finest <= max(case.light.pixel_mm, case.grid.voxel_mm):
        coarser = "pixel" if case.light.pixel_mm >= case.grid.voxel_mm else "voxel"
        text = f"struts and gaps of a {coarser}, {_um(finest)}, come out apart at the part's edge: light spreads less"
    if thinnest is None:
        return Reason("features", "will work", f"{text}.", finest, None, "mm")
    text += f"; the part's thinnest wall has {_um(thinnest)}."
    if thinnest >= finest * (1 - 1e-6):
        return Reason("features", "will work", text, finest, thinnest, "mm")
    worst = max(spreads, key=lambda name: spreads[name])
    change = f"{HELPS[worst]}; or walls of {rounded_up(1000 * finest)} um or more."
    return Reason("features", "marginal", text, finest, thinnest, "mm", change)


HELPS = {
    "pixel": "smaller pixels and a sharper lens",
    "defocus": "a smaller aperture or a smaller part",
    "turning": 'more images a turn, or a stage that stops under each (motion = "stepped")',
    "diffraction": "a smaller part, or a lens whose numerical_aperture is stated",
}


def _um(length_mm: float) -> str:
    return f"{amount(1000 * length_mm)} um" if length_mm < 1 else f"{amount(length_mm, 3)} mm"
