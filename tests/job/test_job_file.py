"""The job file: what is read, and what each mistake is answered with."""

import dataclasses
import json

import pytest

from lightlathe.errors import JobError
from lightlathe.job import job_from, load_job, parse_job, resolved

TOML = """
[part]
shape = { kind = "cylinder", radius_mm = 2, height_mm = 3 }

[vial]
inner_diameter_mm = 10
resin_height_mm = 12

[resin]
absorption_per_mm = 0.1
liquid_below_mj_cm3 = 40
solid_above_mj_cm3 = 50

[light]
pixel_mm = 0.25
columns = 40
rows = 20
irradiance_mw_cm2 = 20

[turn]
angles = 24
seconds_per_turn = 12

[grid]
voxel_mm = 0.25
"""


def parse(text, folder):
    return parse_job(text, name="test", folder=folder, file="test.toml")


def test_a_whole_job(tmp_path):
    job = parse(TOML, tmp_path)
    assert job.vial.radius_mm == 5.0
    assert job.resin.gel_mj_cm3 == 45.0
    assert job.turn.dwell_s == 0.5
    assert type(job.design.loss).__name__ == "SoftWindow"
    assert job.parts[0].role == "part"


def test_byte_order_mark_crlf_and_relative_paths(tmp_path):
    text = TOML.replace('shape = { kind = "cylinder", radius_mm = 2, height_mm = 3 }', 'mesh = "m/a.stl"\nunit = "mm"')
    file = tmp_path / "job.toml"
    file.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    job = load_job(file)
    assert job.name == "job"
    assert job.path(job.parts[0].mesh) == tmp_path / "m" / "a.stl"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            "absorption_per_mm",
            "absorbtion_per_mm",
            ["[resin]", "absorbtion_per_mm", "Did you mean 'absorption_per_mm'"],
        ),
        ("[vial]", "[vail]", ["vail", "Did you mean 'vial'"]),
        ("angles = 24", 'angles = "24"', ["[turn]", "angles", "'24'", "a whole number"]),
        ("angles = 24", "angles = 24.5", ["[turn]", "angles", "24.5", "a whole number"]),
        ("angles = 24", "", ["[turn]", "'angles' is missing", "a whole number"]),
        ("angles = 24", "angles = 0", ["[turn]", "angles is 0", "above 0"]),
        ("voxel_mm = 0.25", "voxel_mm = nan", ["[grid]", "voxel_mm", "finite"]),
        ("voxel_mm = 0.25", "voxel_mm = true", ["[grid]", "voxel_mm", "True", "a number"]),
        ("solid_above_mj_cm3 = 50", "solid_above_mj_cm3 = 5", ["[resin]", "solid_above_mj_cm3 is 5", "swapped"]),
        ('kind = "cylinder"', 'kind = "cilinder"', ["[part.shape]", "cilinder", "Did you mean 'cylinder'"]),
        ("inner_diameter_mm = 10", "inner_diameter_mm = -10", ["[vial]", "-10", "above 0"]),
        ("[grid]", "[grid]\n[grid]", ["not valid TOML"]),
        ("seconds_per_turn = 12", 'seconds_per_turn = 12\nsense = "left"', ["sense", "'left'", "counterclockwise"]),
        ("rows = 20", "rows = 20\nbits = 17", ["[light]", "bits is 17", "1 to 16"]),
        ("rows = 20", 'rows = 20\nbeam = "fan"', ["[light.beam]", "fan", "telecentric"]),
    ],
)
def test_each_mistake_is_named(tmp_path, old, new, words):
    assert old in TOML
    with pytest.raises(JobError) as caught:
        parse(TOML.replace(old, new, 1), tmp_path)
    for word in ("test.toml", *words):
        assert word in str(caught.value)


def test_mesh_and_shape_exclude_each_other(tmp_path):
    with pytest.raises(JobError, match="either mesh"):
        parse(TOML.replace("[part]", '[part]\nmesh = "a.stl"'), tmp_path)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(JobError, match=r"none\.toml"):
        load_job(tmp_path / "none.toml")


def test_not_utf8(tmp_path):
    file = tmp_path / "job.toml"
    file.write_bytes(b"# \xff\n")
    with pytest.raises(JobError, match="UTF-8"):
        load_job(file)


def test_family_members_take_settings(tmp_path):
    job = parse(TOML + '\n[design]\nloss = { kind = "gap_hinge", exponent = 3 }\n', tmp_path)
    assert job.design.loss.exponent == 3.0
    with pytest.raises(JobError, match=r"\[design.loss\].*exponnent.*exponent"):
        parse(TOML + '\n[design]\nloss = { kind = "gap_hinge", exponnent = 3 }\n', tmp_path)


def test_several_parts_have_roles(tmp_path):
    two = TOML.replace(
        "[part]", '[[part]]\nrole = "keep_liquid"\nshape = { kind = "sphere", radius_mm = 0.5 }\n\n[[part]]'
    )
    assert [p.role for p in parse(two, tmp_path).parts] == ["keep_liquid", "part"]
    one = TOML.replace("[part]", '[part]\nrole = "insert"')
    with pytest.raises(JobError, match="at least one solid to print"):
        parse(one, tmp_path)


def test_resolved_settings_are_a_job_again(tmp_path):
    """Every setting after defaults goes through JSON and gives the same job."""
    job = parse(TOML, tmp_path)
    stored = json.loads(json.dumps(resolved(job)))
    assert stored["resin"]["kind"] == "threshold"
    assert stored["resin"]["absorption_per_mm"] == 0.1

    def given(value):
        if isinstance(value, dict):
            return {k: given(v) for k, v in value.items() if v is not None}
        return [given(v) for v in value] if isinstance(value, list) else value

    again = job_from(given(stored), name="test", folder=tmp_path, file="stored", text=TOML)
    assert dataclasses.asdict(again) | {"assumed": ()} == dataclasses.asdict(job) | {"assumed": ()}
    assert {"resin.refractive_index", "light.bits", "turn.motion"} <= set(job.assumed)
    assert not {"resin.absorption_per_mm", "light.pixel_mm"} & set(job.assumed)
    assert not again.assumed  # all of it is stated there


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("voxel_mm = 0.25", f"voxel_mm = {'9' * 401}", ["[grid]", "voxel_mm is 999", "401 characters", "finite"]),
        ("voxel_mm = 0.25", f"voxel_mm = 0x1{'0' * 5000}", ["[grid]", "thousands of digits", "finite"]),
        ("angles = 24", f"angles = {'9' * 401}", ["[turn]", "angles is 999", "at most 64 bits"]),
        ("angles = 24", f"angles = [0x1{'0' * 5000}]", ["[turn]", "thousands of digits", "a whole number"]),
        ("rows = 20", 'rows = 20\nresponse = { kind = "linear", exponent = 2 }', ["'exponent'", "It takes no keys."]),
    ],
)
def test_numbers_beyond_all_measure_and_members_without_keys(tmp_path, old, new, words):
    with pytest.raises(JobError) as caught:
        parse(TOML.replace(old, new, 1), tmp_path)
    for word in words:
        assert word in str(caught.value)
    assert len(str(caught.value)) < 400
    assert "Known here: ." not in str(caught.value)


@pytest.mark.parametrize(("key", "table"), [("pixel_mm", "light"), ("voxel_mm", "grid")])
def test_a_length_in_micrometres_is_noticed(tmp_path, key, table):
    text = TOML.replace(f"{key} = 0.25", f"{key} = 250")
    with pytest.raises(JobError, match=rf"test.toml \[{table}\]: {key} is 250, in mm.*{key} = 0.25"):
        parse(text, tmp_path)


def test_a_decimal_comma_is_named(tmp_path):
    with pytest.raises(JobError, match=r"not valid TOML.*Decimals need a point: 0\.25, not 0,25"):
        parse(TOML.replace("voxel_mm = 0.25", "voxel_mm = 0,25"), tmp_path)


def test_a_result_in_place_of_a_job_is_told(tmp_path):
    path = tmp_path / "valve.lathe.h5"
    path.write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(range(256)))
    with pytest.raises(JobError, match=r"valve\.lathe\.h5: an HDF5 file, perhaps the result .* lightlathe show"):
        load_job(path)


def test_a_seed_that_nothing_draws_from_is_refused(small_job, tmp_path):
    """Only a loss of one's own may draw; there the seed decides what it draws."""
    from lightlathe import pipeline

    with pytest.raises(JobError, match=r"nothing in this job draws a random number from it.*Delete the key"):
        parse_job(small_job() + "seed = 3\n", name="t", folder=tmp_path)
    (tmp_path / "mine.py").write_text(
        "import torch\n\n\ndef drawn(dose, target):\n"
        "    noise = torch.rand(dose.shape)\n"
        "    return ((dose - target.solid.to(dose)).square() * (0.5 + noise)).mean()\n"
    )
    text = small_job(iterations=3) + 'loss = "mine.py:drawn"\nbound_iterations = 0\n'
    seeds = {}
    for seed in (0, 1, 1):
        record = pipeline.design(parse_job(text + f"seed = {seed}\n", name="t", folder=tmp_path))
        seeds.setdefault(seed, []).append(record.log["loss"])
    assert seeds[1][0] == seeds[1][1]
    assert all(one != other for one, other in zip(seeds[0][0], seeds[1][0], strict=True))
