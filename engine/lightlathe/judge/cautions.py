"""What goes with every check, summary and report: cautions, and the assumptions about the light."""

from collections.abc import Mapping
from typing import Any

LIGHT = (
    "Light can injure eyes and skin, by reflections too. Have the machine classified by a qualified person (lamps and "
    "LED projectors: IEC 62471, lasers: IEC 60825-1), enclose and interlock the beam, wear eyewear for its wavelength."
)
RESIN = (
    "Uncured resin can make skin allergic for life: gloves, eye protection and fresh air as the supplier's safety data "
    "sheet says. Washing solvent is waste."
)
HEAT = (
    "Curing gives off heat: a large or reactive volume can boil or burst a closed vial. Start small, never seal it "
    "rigidly."
)
ESTIMATES = (
    "Doses and times are computed, not measured: no safety assessment, no certificate for medical or load-bearing use. "
    "Local law, safety data sheets and qualified people come first."
)
CAUTIONS = (LIGHT, RESIN, HEAT, ESTIMATES)


def assumptions(
    refractive_index: float, vial: Mapping[str, Any], light: Mapping[str, Any], *, index_assumed: bool = False
) -> tuple[str, ...]:
    """The assumptions about the light behind every dose and figure: what the job does not say, and what is left out.

    refractive_index   of the resin
    vial, light        the keys of these tables of the job
    index_assumed      the job does not give it
    """
    around, wall = vial.get("surroundings"), vial.get("wall_index")
    whose = ", which is assumed (refractive_index in [resin] is not given)," if index_assumed else ""
    matching = f"the resin's refractive index of {refractive_index:g}{whose} to about 0.005"
    if around is None:
        first = (
            f"The bath and the vial's wall match {matching}, so that light enters straight: the job does not say what "
            "surrounds the vial (surroundings in [vial]).",
        )
    elif around != "matched":
        first = ("Light reflected inside the vial, at its far wall above all, is left out.",)
    else:
        first = () if wall is not None else (f"The vial's wall matches {matching}: wall_index in [vial] is not given.",)
    return (
        *first,
        _beam(light.get("beam"), light.get("numerical_aperture")),
        *_pixels(light.get("pixel_shape"), light.get("blur_mm")),
        *_focus(light.get("numerical_aperture"), light.get("focus_mm")),
    )


def _beam(beam: Any, aperture: float | None) -> str:
    if isinstance(beam, Mapping) and beam.get("kind") == "diverging":
        return (
            "The middle ray of every pixel's light comes from one point, the middle of the lens, and nothing scatters. "
            "Its slope up or down is taken as small, and the picture as evenly bright over a plane through the axis."
        )
    if aperture is not None:
        return "The middle rays of all pixels' light are parallel, and nothing scatters them."
    return "The beam is parallel: no ray spreads or converges on its way to the vial, nothing scatters it."


def _pixels(shape: str | None, blur_mm: float | None) -> list[str]:
    said = []
    if shape != "square":
        unstated = "" if shape else ": the job does not say what its pixels are like (pixel_shape in [light])"
        said.append(
            "Between the centres of two pixels light changes linearly, with a dark pixel beyond the outermost"
            f"{unstated}."
        )
    if blur_mm is None:
        said.append("No lens blurs the pixels: the job does not say how far one does (blur_mm in [light]).")
    return said


def _focus(aperture: float | None, focus_mm: float | None) -> list[str]:
    if aperture is None:
        return ["Nothing is out of focus: numerical_aperture in [light] is not given."]
    if focus_mm is None:
        return ["The plane of focus lies on the turning axis: focus_mm in [light] is not given."]
    return []


def about_inserts(opaque: bool, through: bool, dims: bool = False) -> tuple[str, ...]:
    """The assumptions about inserts: some that light does not enter, some that it is taken to pass through, some whose
    absorption is given.
    """
    said = ()
    if opaque:
        said = ("Light ends at an opaque insert: what the insert reflects or scatters is left out.",)
    if through:
        said = (*said, "Light passes through an insert as through resin, where opaque = false: it casts no shadow.")
    if dims:
        said = (
            *said,
            "Light goes straight through an insert with absorption_per_mm: its refractive index is taken to be the "
            "resin's, and what its surface reflects and the dose inside it are left out.",
        )
    return said
