"""Study files: what they may ask for, which designs they plan, and what is refused before anything runs."""

import pytest

from lightlathe.errors import LightlatheError
from lightlathe.study.plan import changed, designs, load_plan, same_place
from studies import PLAN, StopBefore, made


@pytest.fixture
def folder(tmp_path, small_job):
    (tmp_path / "small.toml").write_text(small_job())
    (tmp_path / "study.toml").write_text(PLAN)
    (tmp_path / "round.toml").symlink_to("round.toml")
    return tmp_path


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('jobs = ["small.toml"]', 'job = "small.toml"', "unknown key 'job'"),
        ('jobs = ["small.toml"]', "", "key 'jobs' is missing"),
        ('jobs = ["small.toml"]', "jobs = []", "a study of 0 jobs"),
        ('jobs = ["small.toml"]', 'jobs = "small.toml"', "expected a list"),
        ('jobs = ["small.toml"]', "jobs = [3]", "jobs is 3; expected a text"),
        ('jobs = ["small.toml"]', 'jobs = ["small.toml", "other/small.toml"]', "told apart by their names"),
        ("repeats = 2", "repeats = 0", "a repeat or more"),
        ("repeats = 2", "repeats = 1.5", "repeats is 1.5; expected a whole number"),
        ("repeats = 2", 'rank_by = "beauty"', "rank_by is 'beauty'"),
        ("bound_iterations = 20", "bound_iterations = -1", "0 or more steps"),
        ('"design.solver" = ["free_set_ramp"]', '"design.solver" = "free_set_ramp"', "table of lists"),
        ('"design.solver" = ["free_set_ramp"]', '"design.solver" = []', "table of lists"),
        ('"design.solver" = ["free_set_ramp"]', 'design.solver = ["free_set_ramp"]', "its keys in quotes"),
        ('"design.solver" = ["free_set_ramp"]', '"design.solvr" = ["free_set_ramp"]', "unknown key 'solvr'"),
        ('"design.solver" = ["free_set_ramp"]', '"desgin.solver" = ["free_set_ramp"]', "unknown table 'desgin'"),
        ('"design.solver" = ["free_set_ramp"]', 'solver = ["free_set_ramp"]', "does not name a key"),
        ('"design.solver" = ["free_set_ramp"]', '"design.iterations" = [3]', "in vary and in set"),
        ('"design.solver" = ["free_set_ramp"]', '"design.bound_iterations" = [3]', "proves once"),
        ('["gap_hinge", {', '["gap_hing", {', "unknown kind 'gap_hing'. Did you mean 'gap_hinge'"),
        ('["gap_hinge", {', '["gap_hinge", "gap_hinge", {', "are the same design"),
        ("exponent = 4", "exponent = 2", "are the same design"),
        ("exponent = 4", "exponent = 0", "exponent is 0"),
        ('"design.iterations" = 6', '"design.iterations" = "6"', "iterations is '6'"),
        ('"design.iterations" = 6', '"design.start" = { kind = "earlier", result = "x.h5" }', "can be disturbed"),
        ('"design.iterations" = 6', '"design.start" = [1]', r"got \[1\]; expected a name"),
        (
            '"design.iterations" = 6',
            '"design.start" = { kind = "uniform", seed = "x" }',
            "seed is 'x'; expected a whole number",
        ),
        (
            '"design.iterations" = 6',
            f'"design.iterations" = {[[1]] * 3000}',
            r"iterations is \[\[1\], .*a whole number",
        ),
        ('"design.iterations" = 6', f'"{"x" * 100_000}" = 6', r"\(100002 characters\) does not name a key"),
        ('["free_set_ramp"]', f"{list(range(3000))}", "asks for 12000 designs; expected 10000 at most"),
        ('["free_set_ramp"]', "[" * 40 + "]" * 40, "more than 16 deep"),
        ('["free_set_ramp"]', r'["a\u0000b"]', r"^study, .*a\\x00b: small.toml .*unknown kind 'a\\x00b'"),
        ('["free_set_ramp"]', "[" * 4000 + "]" * 4000, "more than 16 deep"),
        ('["small.toml"]', r'["small\u0000.toml"]', "control characters"),
        ('["small.toml"]', f'["{"a" * 300}.toml"]', "too long"),
        ('["small.toml"]', '["round.toml"]', "cannot be followed"),
        ('"design.iterations" = 6', '"vial.inner_diameter_mm" = 3.0', "does not fit"),
        ('"design.iterations" = 6', '"grid.voxel_mm" = 1e-4', "voxels takes"),
        ("[study]", "[other]\n[study]", "has the tables 'other', 'study'"),
        ("[study]", "[[study]]", "expected a table"),
        ("repeats = 2", "repeats = = 2", "not valid TOML"),
        ("small.toml", "none.toml", "cannot read the job file"),
    ],
)
def test_a_wrong_plan_is_refused_before_anything_runs(folder, old, new, says):
    assert old in PLAN
    with pytest.raises(LightlatheError, match=says):
        made(folder, PLAN.replace(old, new, 1), watch=StopBefore(0))
    assert not (folder / "out.study.h5").exists()


def test_runs_share_their_preparation_where_they_can(folder):
    def place(**changes):
        return same_place(changed(folder / "small.toml", {k.replace("_", ".", 1): v for k, v in changes.items()}, 0))

    assert place(design_loss="logistic") == place(design_solver="adam")
    assert place(grid_finer=3) != place()
    assert place(design_tolerance_mm=0.1) != place()
    assert place(design_level_limit=4.0) != place()  # the proof depends on it


def test_any_key_may_be_varied(folder):
    job = changed(folder / "small.toml", {"resin.absorption_per_mm": 0.2, "turn.angles": 30}, 0)
    assert job.resin.absorption_per_mm == 0.2
    assert job.turn.angles == 30
    own = {"kind": "filtered", "disturbed": 0.5, "seed": 7}
    assert changed(folder / "small.toml", {"design.start": own}, 2).design.start.seed == 9
    assert changed(folder / "small.toml", {"design.start": own}, 2).design.start.disturbed == 0.5


def test_every_combination_is_planned_and_repeats_alternate(folder):
    """The last key changes fastest; every variant runs once before any runs again."""
    (folder / "study.toml").write_text(PLAN.replace('["free_set_ramp"]', '["free_set_ramp", "adam"]'))
    planned = designs(load_plan(folder / "study.toml"))
    assert [p.words for p in planned][:5] == [
        "small: gap_hinge, free_set_ramp",
        "small: gap_hinge, adam",
        "small: gap_hinge(exponent=4), free_set_ramp",
        "small: gap_hinge(exponent=4), adam",
        "small: gap_hinge, free_set_ramp, repeat 1",
    ]
    assert len(planned) == 8
