"""The verdict as a whole: every reason, what it asks for, and no sentence of death over a print that works."""

import json
import math

import pytest
from good_case import GOOD, changed, only, verdict

from lightlathe.errors import JobError
from lightlathe.feasibility.questions import QUESTIONS
from lightlathe.judge import CAUTIONS, Reason, Verdict
from lightlathe.judge.verdict import BRIEFLY


def test_a_sound_case_works_and_nothing_is_asked_of_it():
    found = verdict()
    assert found.level == "will work"
    assert found.exit_code == 0
    assert all(reason.level == "will work" and not reason.change for reason in found.reasons)


def test_what_lacks_its_number_is_not_called_right():
    found = verdict()
    assert [r.topic for r in found.reasons if not r.known] == ["sinking", "heat"]
    assert found.text().startswith("verdict: will work (not judged, a number is missing: sinking, heat)\n")
    assert "  ?       sinking: viscosity_pa_s of the resin is not given" in found.text()
    full = verdict(viscosity_pa_s=1000.0, double_bonds_mol_m3=2000.0)
    assert full.text().startswith("verdict: will work\n")


@pytest.mark.parametrize(
    ("change", "topic", "level"),
    [
        ({"radius_mm": 9.0}, "room", "cannot work"),
        ({"height_mm": 21.0}, "room", "cannot work"),
        ({"radius_mm": 7.9, "columns": 170}, "room", "marginal"),
        ({"rows": 70}, "field", "cannot work"),
        ({"thinnest_mm": 0.15}, "detail", "marginal"),
        ({"pixel_mm": 0.25}, "detail", "marginal"),
        ({"voxel_mm": 0.6, "pixel_mm": 0.5}, "detail", "marginal"),
        ({"angles": 60}, "turn", "marginal"),
        ({"seconds_per_turn": 2.0}, "turn", "marginal"),
        ({"irradiance_mw_cm2": 0.01}, "light", "marginal"),
        ({"irradiance_mw_cm2": 0.1, "max_exposure_s": 60.0}, "light", "cannot work"),
        ({"irradiance_mw_cm2": 200.0}, "light", "marginal"),
        ({"viscosity_pa_s": 0.5}, "sinking", "marginal"),
        ({"viscosity_pa_s": 500.0}, "sinking", "will work"),
        ({"double_bonds_mol_m3": 5000.0}, "heat", "marginal"),
        ({"double_bonds_mol_m3": 500.0}, "heat", "will work"),
        ({"memory_free_bytes": 1e8}, "effort", "does not fit this machine"),
        ({"speeds": ((1e6, 1e6),)}, "effort", "marginal"),
        ({"liquid_below_mj_cm3": 20.0, "solid_above_mj_cm3": 40.0}, "threshold", "marginal"),
        ({"absorption_per_mm": 0.2, "radius_mm": 6.0, "columns": 130}, "absorption", "marginal"),
    ],
)
def test_every_reason_can_be_given(change, topic, level):
    reason = only(verdict(**change), topic)
    assert reason.level == level
    if level != "will work":
        assert reason.change
        assert reason.number is not None
        assert reason.limit is not None


@pytest.mark.parametrize("topic", ["absorption", "field", "detail", "turn"])
def test_the_change_that_is_named_helps(topic):
    """Doing what the reason says makes the reason go away (numbers taken from its own fields)."""
    before, after = {
        "absorption": ({"absorption_per_mm": 0.5}, {"absorption_per_mm": 1 / 4.6}),
        "field": ({"columns": 70}, {"columns": 70, "pixel_mm": 0.1 * 1.15}),
        "detail": ({"thinnest_mm": 0.15}, {"thinnest_mm": 0.15, "pixel_mm": 0.075, "voxel_mm": 0.075, "columns": 120}),
        "turn": ({"angles": 60}, {"angles": 252}),
    }[topic]
    assert only(verdict(**before), topic).level != "will work"
    assert only(verdict(**after), topic).level == "will work"


def test_json_and_text_hold_everything():
    found = verdict(absorption_per_mm=9.0)
    data = json.loads(json.dumps(found.as_json(), allow_nan=False))
    assert data["verdict"] == "cannot work"
    assert {r["topic"] for r in data["reasons"]} == {r.topic for r in found.reasons}
    text = found.text()
    assert text.startswith("verdict: cannot work\n  stop    absorption: ")
    assert all(caution in text for caution in CAUTIONS)


def test_a_brief_text_names_what_is_in_order_and_tells_the_rest():
    found = verdict(absorption_per_mm=0.5)
    whole, brief = found.text().splitlines(), found.text(brief=True).splitlines()
    fine, caution = (line for line in brief if line not in whole)
    assert caution == f"  caution {BRIEFLY}"
    brief = brief[:-1]
    topics = {reason.topic for reason in found.reasons if reason.known and reason.level == "will work"}
    assert set(fine.removeprefix("  ok      ").split(", ")) == topics - {"light", "effort"}
    assert [line for line in brief if line != fine] == [
        line
        for line in whole
        if line in brief and not any(line.startswith(f"  ok      {topic}:") for topic in fine[10:].split(", "))
    ]
    assert {line.split()[0] for line in whole if line not in brief} == {"ok", "assumed", "caution"}


def test_cautions_speak_of_light_resin_heat_and_who_decides():
    words = " ".join(CAUTIONS)
    for word in ("eyes", "62471", "60825", "allergic", "safety data sheet", "burst", "qualified", "Local law"):
        assert word in words


@pytest.mark.parametrize("keys", [{"voxel_mm": 0.0}, {"angles": -1}, {"radius_mm": math.nan}, {"height_mm": 0.0}])
def test_numbers_that_are_none_are_named(keys):
    with pytest.raises(JobError, match=next(iter(keys))):
        changed(**keys)


def test_help_goes_only_with_what_needs_it():
    """A small part in a wide field works as it is: nothing is asked for, in words or in JSON."""
    found = verdict(radius_mm=2.0, height_mm=4.0)
    assert only(found, "field").level == "will work"
    for reason in found.reasons:
        assert not (reason.level == "will work" and reason.change)
    lines = Verdict((Reason("field", "will work", "fits.", change="more."),), ()).text()
    assert "helps most" not in lines


def test_every_question_of_the_table_is_asked_once():
    """A new line in QUESTIONS is a topic of its own, with words for a person."""
    reasons = [reason for reason in (question(GOOD) for question in QUESTIONS) if reason is not None]
    assert len({reason.topic for reason in reasons}) == len(reasons) >= 11
    assert all(reason.text.endswith(".") and reason.level == "will work" for reason in reasons)
