"""Black that is not dark: its light, and what it costs to count it."""

from lightlathe.feasibility.case import Case
from lightlathe.judge.verdict import Reason
from lightlathe.projector import Codebook
from lightlathe.support.own import OwnMember
from lightlathe.support.words import amount, large

TOLD = 1e-4  # of white: what lies below hardly any meter tells from darkness (common practice, no source)


def black(case: Case) -> Reason | None:
    """The light of code 0 over that of white; no question where it is dark."""
    light = case.light
    if isinstance(light.response, OwnMember) and not light.response.source.was_run:
        return None
    book = Codebook.of(light.bits, light.response, light.planes)
    share = float(book.light[0])
    if book.levels[0] == 0:
        return None
    text = (
        f"code 0 gives {amount(100 * share, 2)} % of the light of white, on every pixel of every image. The dose holds "
        f"it, and the design counts all {large(light.columns * light.rows)} pixels of the field, not only those that "
        "can light the part: it takes longer than the check says, by up to as much as they are more."
    )
    change = "light 0 for code 0 in the measurement, if it cannot be told from darkness; or a mask over the field."
    return Reason("black", "marginal", text, share, TOLD, "", change)
