"""The words for what came out."""

import pytest

from lightlathe.errors import JobError
from lightlathe.judge.seen import PHRASES, CameOut, exposure_and_words, in_turns, read_all, read_came_out


@pytest.mark.parametrize(
    ("text", "kinds"),
    [
        ("The holes are closed", ["holes closed"]),
        ("skin solid and centre liquid", ["liquid centre"]),
        ("Skin solid, center liquid.", ["liquid centre"]),
        ("the top is missing, too thin by 0.1 mm", ["top missing", "thin"]),
        ("top missing and centre liquid", ["top missing", "liquid centre"]),
        ("it's mirrored", ["mirrored"]),
        ("mirror-inverted", ["mirrored"]),
        ("soft and sticky", ["soft"]),
        ("doubled edges", ["doubled edges"]),
        ("it sank", ["sank"]),
        ("solid block", ["all solid"]),
        ("right, but holes closed", ["right", "holes closed"]),
        ("upside down", ["upside down"]),
    ],
)
def test_what_a_person_would_say(text, kinds):
    assert [one.kind for one in read_all(text)] == kinds


@pytest.mark.parametrize("kind", PHRASES)
def test_what_is_said_again_is_understood(kind):
    assert read_all(CameOut(kind).words) == (CameOut(kind),)
    for phrase in PHRASES[kind]:
        assert [one.kind for one in read_all(phrase)] == [kind]


@pytest.mark.parametrize(
    ("text", "kind", "by", "give"),
    [
        ("too thin by 0.1 mm", "thin", 0.1, 0.05),
        ("too thin by 0.10 mm", "thin", 0.1, 0.005),
        ("50 um too fat", "fat", 0.05, 0.0005),
        ("7.85 mm instead of 8 mm", "thin", 0.15, 0.005),
        ("measures 8.2 mm instead of 8.00 mm", "fat", 0.2, 0.05),
        ("8.00 mm instead of 8 mm", "right", None, 0.005),
        ("doubled edges by 0.2 mm", "doubled edges", 0.2, 0.05),
    ],
)
def test_sizes_and_half_a_unit_of_their_last_digit(text, kind, by, give):
    seen = read_came_out(text)
    assert (seen.kind, seen.by_mm) == (kind, None if by is None else pytest.approx(by))
    assert seen.give_mm == pytest.approx(give)


def test_an_exposure_before_the_words():
    assert exposure_and_words("36 s: too thin") == (36.0, "too thin")
    assert exposure_and_words("1.5 min: nothing") == (90.0, "nothing")
    assert exposure_and_words("too thin") == (None, "too thin")
    assert exposure_and_words("-5 s: nothing") == exposure_and_words("\u22125 s: nothing") == (-5.0, "nothing")
    assert exposure_and_words("48 s:") == (48.0, "")


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("holes closd", "Did you mean 'holes closed'"),
        ("too thinn", "Did you mean 'too thin'"),
        ("too thin by 0.1", "need a unit, mm or um"),
        ("soft by 2 mm", "goes with too thin, too fat, doubled edges alone"),
        ("wonky", "'wonky' is not understood"),
        ("too thin, wonky", "'wonky' is not understood"),
        ("", "'', which is empty"),
        (" , ", "' , ', which is empty"),
        ("48s sank", "A colon follows the exposure: '48 s: sank'"),
        ("1.5 minutes, nothing", "A colon follows the exposure: '1.5 min: nothing'"),
        ("7,85 mm instead of 8 mm", "Decimals take a point: 7.85"),
        ("too thin by 0,1 mm", "Decimals take a point: 0.1"),
        ("sankk", "'48 s: sank'"),
        ("nothing, holes closed", "contradicts itself"),
        ("holes closed and all liquid", "contradicts itself"),
        ("too thin, too fat", "contradicts itself"),
        ("nothing and right", "contradicts itself"),
        ("0 mm instead of 8 mm", "sizes above 0"),
        ("not fat", "'not fat' is not understood"),
    ],
)
def test_what_is_not_understood_is_one_error_with_the_nearest(text, hint):
    with pytest.raises(JobError) as error:
        read_all(text)
    assert hint in str(error.value)
    assert "too thin by 0.1 mm" in str(error.value) or "contradicts" in hint or "sizes" in hint


def test_an_exposure_in_turns():
    assert exposure_and_words("3 turns of 11.5 s: too thin") == (34.5, "too thin")
    assert exposure_and_words("1 turn of 2 min: right") == (120.0, "right")
    assert in_turns("3 turns of 11.5 s: too thin")
    assert not in_turns("34.5 s: too thin")


@pytest.mark.parametrize("text", ["nothing, soft", "nothing, mirrored", "a solid block, top missing"])
def test_what_cannot_be_seen_together(text):
    with pytest.raises(JobError, match="contradicts itself"):
        read_all(text)
