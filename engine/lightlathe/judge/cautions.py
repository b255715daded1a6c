"""What goes with every check, summary and report: cautions, and the assumptions about the light."""

from collections.abc import Mapping
from typing import Any

LIGHT = (
    "Light: this equipment can injure eyes and skin, by reflections too. Have the complete machine classified by a "
    "qualified person (lamps and LED projectors: IEC 62471 and 62471-5; lasers: IEC 60825-1). Enclose and interlock "
    "the beam, and wear eyewear made for its wavelength."
)
RESIN = (
    "Resin: uncured acrylate can make skin allergic for life. Follow the supplier's safety data sheet: gloves that "
    "suit this resin, eye protection, fresh air. Washing solvent is waste, not water."
)
HEAT = (
    "Heat: curing gives off heat, and a large or reactive volume can overheat, boil or burst a closed vial. Start "
    "small and never seal it rigidly."
)
ESTIMATES = (
    "Estimates: doses and times are computed, not measured. They are no safety assessment and no certificate for "
    "medical or load-bearing use. Local law, safety data sheets and qualified people come first."
)
CAUTIONS = (LIGHT, RESIN, HEAT, ESTIMATES)


def assumptions(refractive_index: float, vial: Mapping[str, Any]) -> tuple[str, ...]:
    """The assumptions about the light behind every dose and figure: what the job does not say, and what is left out.

    refractive_index   of the resin
    vial               the keys of the job's [vial]
    """
    around, wall = vial.get("surroundings"), vial.get("wall_index")
    matching = f"the resin's refractive index of {refractive_index:g} (to about 0.005)"
    if around is None:
        first = (
            f"The bath and the vial's wall match {matching}, so that light enters straight: the job does not say what "
            "surrounds the vial (surroundings in [vial]).",
        )
    elif around != "matched":
        first = ("Light reflected inside the vial, at its far wall above all, is left out.",)
    else:
        first = () if wall is not None else (f"The vial's wall matches {matching} too: wall_index is not given.",)
    return (
        *first,
        "The beam is parallel: no ray spreads or converges on its way to the vial, nothing scatters it.",
        "Between the centres of two pixels light changes linearly, with a dark pixel beyond the outermost: no lens "
        "blurs it further.",
    )


def about_inserts(opaque: bool, through: bool) -> tuple[str, ...]:
    """The assumptions about inserts: some that light does not enter, some that it is taken to pass through."""
    said = ()
    if opaque:
        said = ("Light ends at an opaque insert: what the insert reflects or scatters is left out.",)
    if through:
        said = (*said, "Light passes through an insert as through resin, where opaque = false: it casts no shadow.")
    return said
