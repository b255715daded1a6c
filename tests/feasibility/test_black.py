"""A projector whose black is not dark: said in the check, since the design then counts every pixel."""

from good_case import GOOD

from lightlathe.feasibility.black import black
from lightlathe.feasibility.fit import field
from lightlathe.projector import Power


class Grey:
    """A contrast of 500 to 1."""

    def light(self, code):
        return 0.002 + 0.998 * code


def test_black_that_is_dark_raises_no_question():
    assert black(GOOD) is None
    assert black(GOOD.having(light={"response": Power(2.2)})) is None
    assert "the rest stays dark" in field(GOOD).text


def test_black_that_shines_is_said_with_what_it_costs():
    grey = GOOD.having(light={"response": Grey()})
    reason = black(grey)
    assert reason is not None
    assert (reason.level, reason.number) == ("marginal", 0.002)
    assert "code 0 gives 0.2 % of the light of white" in reason.text
    assert "longer than the check says" in reason.text
    assert "stays dark" not in field(grey).text
