"""The colours of every picture, page and surface file: what is right, over-cured, under-cured.

Okabe and Ito's blue and vermilion, which colour-blind readers tell apart (M. Okabe, K. Ito, "Color Universal Design",
2008). The report's page.css states the same again, with lighter ones for dark screens.
"""

UNDER, OVER = "#0072B2", "#D55E00"  # blue: liquid by mistake, too thin; orange: solid by mistake, too fat
NOT_JUDGED, LIQUID, SOLID, INSERT = "#ffffff", "#e9eef3", "#9aa7b5", "#8a6fae"
OUTCOMES = (NOT_JUDGED, LIQUID, SOLID, UNDER, OVER)
MEANINGS = ("not judged", "liquid", "solid", "liquid by mistake (under-cure)", "solid by mistake (over-cure)")


def rgb(colour: str) -> tuple[int, int, int]:
    """0 to 255 each, of "#rrggbb"."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)
