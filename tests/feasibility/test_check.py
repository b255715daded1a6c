"""The verdict: common practice, every reason, and no sentence of death over a print that works."""

import dataclasses
import json
import math
import re

import pytest
import torch
from good_case import GOOD, changed

from lightlathe.errors import JobError
from lightlathe.feasibility import verdict_on
from lightlathe.feasibility.effort import array_bytes, design_bytes, voxels
from lightlathe.feasibility.fit import between_rows
from lightlathe.feasibility.light import exposure_range_s, likely_s
from lightlathe.feasibility.side_effects import cooling_s, curing_heat_k, light_heat_k, sinking_mm_s
from lightlathe.judge import CAUTIONS, Reason, Verdict
from lightlathe.judge.turning import smear_mm, views_per_turn
from lightlathe.resins import Inhibited


def verdict(**change):
    return verdict_on(changed(**change))


def only(found, topic):
    (reason,) = found.of(topic)
    return reason


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
    ("given", "said"),
    [
        (0.8, "If 0.8 is per cm, absorption_per_mm = 0.08."),
        (12.5, "penetration depth in mm, absorption_per_mm = 0.08."),
    ],
)
def test_an_absorption_that_prints_in_another_unit_is_asked_about(given, said):
    reason = only(verdict(absorption_per_mm=given), "absorption")
    assert reason.level == "cannot work"
    assert said in reason.text
    assert "per cm" not in only(verdict(absorption_per_mm=33.0), "absorption").text  # as dark in per cm


@pytest.mark.parametrize("depth_mm", [0.04, 0.11, 0.2])
def test_a_layer_printing_resin_leaves_a_ring(depth_mm):
    """Common practice, no source: such a resin in a 16 mm vial prints a ring at the wall, whatever the pictures."""
    found = verdict(absorption_per_mm=1 / depth_mm)
    reason = only(found, "absorption")
    assert (found.level, found.exit_code) == ("cannot work", 4)
    assert "ring" in reason.text
    assert f"{0.576 * depth_mm:.1g} mm thick" in reason.text  # 1/e of the wall's dose at 0.576 / mu
    assert "above 3.8 mm" in reason.text or "above 3.9 mm" in reason.text  # 8 mm / 2.08, see test_limits
    assert "penetration depth" in reason.change


def test_the_same_resin_without_its_absorber_may_work():
    """Common practice, no source: 3.9 mm in a 16 mm vial is at least marginal."""
    assert verdict(absorption_per_mm=1 / 3.9).level in ("marginal", "will work")


def test_a_resin_without_a_threshold_cannot_work():
    found = verdict(liquid_below_mj_cm3=0.0)
    assert found.level == "cannot work"
    assert "everything that light touches turns solid" in only(found, "threshold").text


def test_a_beam_as_wide_as_the_vial_is_told_apart_from_one_that_fits_the_part():
    wide, fitting = only(verdict(columns=170), "field"), only(verdict(columns=90), "field")
    assert "as wide as the vial" in wide.text
    assert "narrower than the vial" in fitting.text
    assert wide.number == pytest.approx(8 / 17)  # of the width, what the part's shadow takes
    narrow = only(verdict(columns=70), "field")
    assert narrow.level == "cannot work"
    assert "80 columns instead of 70" in narrow.change
    assert "1.15 times" in narrow.change  # 8 / 7, rounded up


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
        ({"updates_per_s": 1e6}, "effort", "marginal"),
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


def test_the_part_itself_counts_where_it_is_known():
    """A thin ring about the axis is easier than a solid disc of its radius: 2.3 mu R excludes only the disc."""
    n = 160
    x = (torch.arange(n, dtype=torch.float64) - (n - 1) / 2) * 0.1
    radius = torch.hypot(x[:, None], x[None, :])
    ring = ((radius < 4) & (radius > 3.4))[:, :, None]
    a = {"absorption_per_mm": 2.3 / 8}
    assert only(verdict(**a), "absorption").level == "cannot work"
    assert only(verdict(**a, slices=ring), "absorption").level == "marginal"
    assert only(verdict(**a, slices=(radius < 4)[:, :, None]), "absorption").level == "cannot work"


def test_the_shortest_exposure_cannot_be_beaten():
    """Full light on all pixels all the time: the dose under even light at the part's rim, by hand at mu R = 0.64."""
    from lightlathe.feasibility.even_light import profile

    short, long = exposure_range_s(GOOD)
    per_second = 10 * 0.08 * 20.0 * profile(0.64, 0.5)
    assert short == pytest.approx(36.0 / per_second)  # the gel dose: a design may settle for that
    assert long > short
    wide = exposure_range_s(changed(liquid_below_mj_cm3=20.0, solid_above_mj_cm3=52.0))
    assert wide[0] == pytest.approx(short)  # the same gel dose
    assert wide[1] == pytest.approx(long * 52 / 38)  # and the dose that surely stays


def test_the_time_allowed_is_the_one_that_a_design_has():
    """Without max_exposure_s a design gives up after a day; a limit that it may exceed is named, with what helps."""
    weak = verdict(irradiance_mw_cm2=5e-4)  # 44 h at least
    light = only(weak, "light")
    assert (weak.level, light.level, light.limit) == ("cannot work", "cannot work", 86400.0)
    assert "even the shortest takes longer than the 24 h allowed where no max_exposure_s is set" in light.text
    mended = 5e-4 * float(re.search(r"irradiance, ([\d.]+) times", light.change)[1])
    assert exposure_range_s(changed(irradiance_mw_cm2=mended))[1] <= 86400
    assert only(verdict(irradiance_mw_cm2=5e-4, max_exposure_s=1e8), "light").level == "marginal"
    tight = only(verdict(max_exposure_s=30.0), "light")
    assert (tight.level, tight.limit) == ("marginal", 24.0)  # two whole turns
    assert "a design may take longer than the 24 s that max_exposure_s allows" in tight.text
    times = float(tight.change.split()[0])
    seconds = float(re.search(r"max_exposure_s = ([\d.]+) in", tight.change)[1])
    assert only(verdict(max_exposure_s=30.0, irradiance_mw_cm2=20 * times), "light").level == "will work"
    assert only(verdict(max_exposure_s=seconds), "light").level == "will work"


def test_a_lamp_too_strong_is_dimmed_to_the_middle():
    """As the advice says, one turn at full level is what a design is likely to need, neither the least nor the most."""
    strong = only(verdict(irradiance_mw_cm2=1000.0), "light")
    dimmer = changed(irradiance_mw_cm2=10 * float(strong.change.split()[3]))
    assert likely_s(dimmer) == pytest.approx(12.0, rel=0.05)
    assert only(verdict_on(dimmer), "light").level == "will work"
    slow = changed(irradiance_mw_cm2=0.02)
    brighter = 0.02 * float(only(verdict_on(slow), "light").change.split()[0])
    assert likely_s(changed(irradiance_mw_cm2=brighter)) == pytest.approx(60.0, rel=0.05)


def test_a_part_sinks_while_the_vial_turns():
    """Half of one turn where the light needs less, half of the time allowed where it needs more; both are said."""
    bright, dim = only(verdict(irradiance_mw_cm2=4000.0), "sinking"), only(verdict(irradiance_mw_cm2=0.002), "sinking")
    assert "more than a pixel in 6 s, half of a likely exposure" in bright.text
    assert "in 12 h, half of the longest exposure allowed" in dim.text
    assert dim.limit / bright.limit == pytest.approx(12 * 3600 / 6)
    stirred = only(verdict(irradiance_mw_cm2=4000.0, viscosity_pa_s=bright.limit / 3), "sinking")
    assert stirred.change.startswith("a turn of 4 s with as much more light")


def test_few_bits_are_said_with_their_levels():
    one = only(verdict(bits=1), "levels")
    assert (one.level, one.text.split(",")[0]) == ("marginal", "1 bit: a pixel has 2 levels")
    assert verdict(bits=3).of("levels") == []


def test_the_doses_are_of_an_exposure_where_they_change_with_it():
    resin = Inhibited(absorption_per_mm=0.08, wavelength_nm=405.0, planned_exposure_s=30.0)
    found = verdict_on(dataclasses.replace(GOOD, resin=resin))
    assert "mJ/cm3 where the dose comes over 30 s" in only(found, "threshold").text
    assert "where the dose comes" not in only(verdict(), "threshold").text


def test_a_ratio_of_doses_is_never_rounded_to_one():
    close = only(verdict(liquid_below_mj_cm3=37.9), "threshold").text
    assert "must get 1.0026 times the dose" in close


def test_json_and_text_hold_everything():
    found = verdict(absorption_per_mm=9.0)
    data = json.loads(json.dumps(found.as_json(), allow_nan=False))
    assert data["verdict"] == "cannot work"
    assert {r["topic"] for r in data["reasons"]} == {r.topic for r in found.reasons}
    text = found.text()
    assert text.startswith("verdict: cannot work\n  stop    absorption: ")
    assert all(caution in text for caution in CAUTIONS)


def test_cautions_speak_of_light_resin_heat_and_who_decides():
    words = " ".join(CAUTIONS)
    for word in ("eyes", "62471", "60825", "allergic", "safety data sheet", "burst", "qualified", "Local law"):
        assert word in words


@pytest.mark.parametrize("keys", [{"voxel_mm": 0.0}, {"angles": -1}, {"radius_mm": math.nan}, {"height_mm": 0.0}])
def test_numbers_that_are_none_are_named(keys):
    with pytest.raises(JobError, match=next(iter(keys))):
        changed(**keys)


def test_a_resin_that_lets_no_light_through_is_a_verdict():
    """60 per mm in a vial of 15 mm radius: exp(-900) is 0 in float64. Still a ring, and plain JSON."""
    found = verdict(absorption_per_mm=60.0, inner_diameter_mm=30.0, radius_mm=2.5)
    assert found.level == "cannot work"
    assert "ring" in only(found, "absorption").text
    dark = changed(absorption_per_mm=60.0, inner_diameter_mm=30.0, radius_mm=2.5)
    assert exposure_range_s(dark) == (math.inf, math.inf)
    assert json.loads(json.dumps(found.as_json(), allow_nan=False))["verdict"] == "cannot work"
    limited = verdict(absorption_per_mm=60.0, inner_diameter_mm=30.0, radius_mm=2.5, max_exposure_s=60.0)
    assert only(limited, "light").level == "cannot work"
    assert "inf" not in limited.text()


def test_a_smaller_picture_names_what_it_asks_for_besides():
    """Done with all of that it works; done alone, each question that was well before is not."""
    small = changed(radius_mm=2.0, height_mm=4.0, volume_mm3=None)
    text = only(verdict_on(small), "field").text
    times = float(re.search(r"A picture ([\d.]+) times", text)[1])
    assert "stronger light; it then wants finer voxels and a dimmer lamp." in text
    alone = changed(small, pixel_mm=0.1 * times, irradiance_mw_cm2=20 / times**2)
    assert [r.topic for r in verdict_on(alone).reasons if r.level != "will work"] == ["detail", "light"]
    done = changed(alone, voxel_mm=0.1 * times, irradiance_mw_cm2=20.0)
    assert verdict_on(done).level == "will work"


def test_a_smaller_picture_is_offered_only_where_it_covers_the_part():
    coarse = only(verdict(pixel_mm=0.25, voxel_mm=0.1), "detail")
    assert coarse.change.startswith("a picture 2.5 times smaller, or voxels of 0.25 mm")
    assert only(verdict(pixel_mm=0.25, voxel_mm=0.05), "detail").change == "voxels of 0.25 mm."


def test_voxels_are_not_made_finer_than_light_can_draw():
    """A speck: voxels alone would only raise the next question."""
    speck = changed(radius_mm=0.3, height_mm=2.0, rows=40)
    change = only(verdict_on(speck), "detail").change
    assert change == "voxels and pixels of 0.018 mm or less (34 columns and 112 rows, or more)."
    finer = changed(speck, pixel_mm=0.018, voxel_mm=0.018, rows=112)
    assert {only(verdict_on(finer), topic).level for topic in ("detail", "field")} == {"will work"}
    assert only(verdict(voxel_mm=0.6, pixel_mm=0.02), "detail").change.endswith("voxels of 0.25 mm or less.")


def test_a_wall_of_two_voxels_is_no_thin_wall():
    """A mesh in float32 is off by a hair."""
    assert only(verdict(thinnest_mm=0.1999999), "detail").level == "will work"
    thin = only(verdict(thinnest_mm=0.131), "detail")
    assert thin.change.startswith("voxels and pixels of 0.065 mm or less (124 columns and 124 rows, or more)")


def test_level_ends_between_rows_are_named_with_the_move_that_mends_them():
    """100 rows of 0.1 mm: their middles lie at odd multiples of 0.05 mm. Up where that is lit, else down, else silence;
    an end on a middle, or a part that is a half row taller at one end, is not midway."""
    said = between_rows(changed(level_ends_mm=(-4.0, 4.0)))
    assert "+0.05 mm more along z" in said
    for ends in ((-3.95, 4.05), (-4.0, 4.05), (-4.025, 4.025)):
        assert between_rows(changed(level_ends_mm=ends)) == ""
    assert "+0.055 mm more along z" in between_rows(changed(level_ends_mm=(-4.01, 4.0)))
    assert "-0.05 mm more along z" in between_rows(changed(level_ends_mm=(-3.0, 5.0)))
    assert between_rows(changed(level_ends_mm=(-5.0, 5.0))) == ""
    odd = changed(rows=101, level_ends_mm=(-4.0, 4.0))  # middles at multiples of 0.1 mm
    assert between_rows(odd) == ""
    assert only(verdict(level_ends_mm=(-4.0, 4.0)), "detail").level == "will work"


def test_no_contrast_is_kept_beyond_two_pixels_of_smear():
    """Between 2 and 4 pixels the lines come out in their own gaps."""
    for angles, left in ((130, "3 %"), (120, "none"), (90, "none"), (60, "none")):
        text = only(verdict(angles=angles), "turn").text
        assert f"lines a pixel wide keep {left} of their contrast" in text


def test_larger_voxels_fit_where_they_are_named():
    """Voxels alone where pixels are coarser still, else both; what is named fits."""
    for change, names in (
        ({"voxel_mm": 0.01}, "voxels "),
        ({"voxel_mm": 0.05, "pixel_mm": 0.05}, "voxels and pixels "),
    ):
        case = changed(memory_free_bytes=1.5e9, finer=2, **change).having(machine={"device": "cuda"})
        case = changed(case, columns=round(10 / case.light.pixel_mm), rows=round(10 / case.light.pixel_mm))
        said = only(verdict_on(case), "effort")
        assert re.match(rf"(finer = 1 in \[grid\]; or )?{names}[\d.]+ times", said.change)
        times = float(re.search(rf"{names}([\d.]+) times", said.change)[1])
        pixels = times if "pixels" in names else 1.0
        larger = changed(
            case,
            voxel_mm=case.grid.voxel_mm * times,
            pixel_mm=case.light.pixel_mm * pixels,
            columns=math.ceil(case.light.columns / pixels),
            rows=math.ceil(case.light.rows / pixels),
        )
        assert only(verdict_on(larger), "effort").level == "will work"
        assert "beside the driver's own memory" in said.text


def test_what_stands_outside_is_named():
    """A part that fits by its size may still stand outside: the case brings the sentences."""
    outside = only(
        verdict(violations=("The part reaches 1 mm beyond the top of the resin.",), possible_mistakes=("Odd.",)),
        "place",
    )
    assert outside.level == "cannot work"
    assert "beyond the top of the resin" in outside.text
    assert "Odd." in outside.text
    doubtful = verdict(possible_mistakes=("The insert stands outside the vial.",))
    assert (doubtful.level, only(doubtful, "place").level) == ("marginal", "marginal")
    assert only(verdict(), "place").level == "will work"


def test_the_print_on_a_finer_grid_takes_memory():
    """Peak resident memory of whole designs on the CPU, as Linux counts it (`time -f %M`): 60 iterations, a vial of
    10 mm in voxels of 0.1 mm, 120 images of 100 x 60 pixels, a part 5 mm tall. Estimates may be a tenth off."""
    case = changed(inner_diameter_mm=10.0, radius_mm=2.0, height_mm=5.0, angles=120, columns=100, rows=60)
    for finer, measured in ((1, 0.561e9), (2, 0.689e9), (3, 1.004e9), (4, 1.246e9)):
        assert design_bytes(changed(case, finer=finer)) == pytest.approx(measured, rel=0.1)
    on_a_card = case.having(machine={"device": "cuda"})
    assert design_bytes(on_a_card) - array_bytes(on_a_card) == 0
    assert design_bytes(case) - array_bytes(case) == case.machine.program_bytes > 0
    full = only(verdict(finer=4, memory_free_bytes=1.5e9), "effort")
    assert full.level != "will work"
    finest = int(re.match(r"finer = (\d)", full.change)[1])  # the advice fits, and none finer does
    needs = [design_bytes(changed(finer=n)) for n in (finest, finest + 1)]
    assert needs[0] <= 0.8 * 1.5e9 < needs[1]
    assert "finer" not in only(verdict(finer=4, memory_free_bytes=3e8), "effort").change


def test_help_goes_only_with_what_needs_it():
    """A small part in a wide field works as it is: nothing is asked for, in words or in JSON."""
    found = verdict(radius_mm=2.0, height_mm=4.0)
    assert only(found, "field").level == "will work"
    for reason in found.reasons:
        assert not (reason.level == "will work" and reason.change)
    lines = Verdict((Reason("field", "will work", "fits.", change="more."),), ()).text()
    assert "helps most" not in lines


def test_full_sharpness_by_the_sampling_rule():
    """Over 512 columns 804.2 images per half turn, 1609 a turn (Kak & Slaney 1988)."""
    text = only(verdict(radius_mm=4.0, pixel_mm=8.0 / 512, columns=512), "turn").text
    assert "512 columns takes 1609 images)" in text


def test_sampling_rule():
    """804 views per half turn for 512 columns (Kak & Slaney 1988, pi/2 per column): 804.2, and no part of a view."""
    assert views_per_turn(512) == 1609


def test_smear():
    """24 deg/s, 60 images a second, 10 mm from the axis: 69.8 um (r omega / f)."""
    assert smear_mm(10.0, math.radians(24), 60.0) == pytest.approx(0.0698, abs=5e-5)


def test_sinking_by_stokes():
    """Radius 1 mm, 50 kg/m3, 1 Pa s: 0.109 mm/s, so 3.3 mm in 30 s (Stokes' law, worked in the reference values)."""
    assert sinking_mm_s(1.0, 50.0, 1.0) == pytest.approx(0.109, abs=5e-4)
    assert 30 * sinking_mm_s(1.0, 50.0, 1.0) == pytest.approx(3.3, abs=0.05)
    assert 30 * sinking_mm_s(1.0, 50.0, 10.0) == pytest.approx(0.33, abs=0.005)


def test_heat():
    """5 kmol/m3, 80 kJ/mol, 30 %: 64 K; 3 kJ/m2 at 100/m: 0.16 K; 10 mm cool in 173 s (same source)."""
    assert curing_heat_k(5000.0, 0.30) == pytest.approx(64, abs=0.5)
    assert light_heat_k(300.0) == pytest.approx(0.16, abs=0.005)  # 3 kJ/m2 * 100/m = 300 kJ/m3 = 300 mJ/cm3
    assert cooling_s(10.0) == pytest.approx(173, abs=0.5)


@pytest.mark.parametrize("a", [0.1, 0.5, 1, 2, 2.5, 3, 3.5, 4, 5, 6, 10, 50, 500])
def test_no_sentence_holds_an_undefined_number(a):
    """Between mu R = 3 and 5 the axis still gets more than 1 % of the wall's dose: light does not die on the way."""
    found = verdict(absorption_per_mm=a / 8)
    assert "nan" not in found.text()
    assert ("light dies" in only(found, "absorption").text) == (a > 5)


def test_the_shortest_exposure_takes_the_doses_of_that_exposure():
    resin = Inhibited(absorption_per_mm=0.08, wavelength_nm=405.0, planned_exposure_s=30.0)
    shortest, longest = exposure_range_s(dataclasses.replace(GOOD, resin=resin))
    steady, _ = exposure_range_s(GOOD)
    rate = GOOD.resin.gel_mj_cm3 / steady  # mJ/cm3 a second
    assert shortest * rate == pytest.approx(resin.at(shortest).gel_mj_cm3, rel=1e-5)
    assert shortest > 30
    assert shortest * rate < 0.999 * resin.gel_mj_cm3  # which is that of 30 s
    assert longest > shortest


@pytest.mark.parametrize("absorption", [0.26, 0.28, 0.3])
def test_what_a_dark_resin_is_told_to_change_lifts_the_watch(absorption):
    case = changed(absorption_per_mm=absorption, radius_mm=3.0)
    found = only(verdict_on(case), "absorption")
    assert found.level != "will work"
    depth, vial = re.search(r"depth of ([\d.]+) mm or more.*Or a vial of ([\d.]+) mm", found.change).groups()
    paler = changed(case, absorption_per_mm=1 / float(depth))
    narrower = changed(case, inner_diameter_mm=float(vial))
    for other in (paler, narrower):
        assert only(verdict_on(other), "absorption").level == "will work"


def test_no_narrower_vial_is_named_where_none_helps():
    assert "Or a vial" not in only(verdict(absorption_per_mm=0.6, radius_mm=4.5), "absorption").change


def test_the_voxels_are_those_of_the_grid():
    assert voxels(changed(margin_voxels=0)) == 160 * 160 * 80
    assert voxels(GOOD) == 160 * 160 * 84
