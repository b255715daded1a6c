"""The assumptions about the light behind every dose and figure."""


def assumptions(refractive_index: float) -> tuple[str, ...]:
    """Sentences for a person who prints; the index is the resin's."""
    return (
        f"The bath and the vial's wall match the resin's refractive index of {refractive_index:g} (to about 0.005), so "
        "that light enters straight.",
        "The beam is parallel: no ray spreads or converges on its way through the vial, nothing scatters it.",
        "Between the centres of two pixels light changes linearly, with a dark pixel beyond the outermost: no lens "
        "blurs it further.",
    )
