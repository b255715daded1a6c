"""[vial]: its wall and what surrounds it; every contradiction is refused with what was expected."""

import pytest

from lightlathe.errors import JobError
from lightlathe.job import job_from, parse_job, resolved
from lightlathe.job.lit_space import narrowing
from odd_jobs import disc

INDEX = ("absorption_per_mm = 0.1", "absorption_per_mm = 0.1\nrefractive_index = 1.5")
HEIGHT = "resin_height_mm = 12"


def job(folder, *lines, index=True, beam=None):
    changes = [INDEX] if index else []
    if beam:
        changes.append(("rows = 20", f"rows = 20\nbeam = {beam}"))
    text = disc(*changes)
    line = next(line for line in text.splitlines() if line.startswith("resin_height_mm"))
    return parse_job(text.replace(line, "\n".join((line, *lines))), name="disc", folder=folder)


@pytest.mark.parametrize(
    ("lines", "outside", "wall"),
    [
        ((), 1.5, 1.5),
        (('surroundings = "matched"',), 1.5, 1.5),
        (('surroundings = "matched"', "wall_mm = 1", "wall_index = 1.48"), 1.5, 1.48),
        (('surroundings = "air"', "wall_mm = 1", "wall_index = 1.48"), 1.0, 1.48),
        (('surroundings = "water"', "wall_mm = 0"), 1.343, 1.5),
        (("surroundings = 1.41", "wall_mm = 1.2", "wall_index = 1.54"), 1.41, 1.54),
    ],
)
def test_what_surrounds_the_vial(tmp_path, lines, outside, wall):
    """Water at 405 nm and 20 C has 1.3431 (Daimon & Masumura, Appl. Opt. 46 (2007) 3811). Settings read back alike."""
    found = job(tmp_path, *lines)
    assert found.vial.index_outside(1.5) == outside
    assert found.vial.index_of_wall(1.5) == wall
    again = job_from(resolved(found), name="disc", folder=tmp_path)
    assert again.vial == found.vial
    assert narrowing(found.light, found.vial, found.resin) == pytest.approx(outside / 1.5)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (('shape = "square"',), 'faces of a square vial turn with the resin.*surroundings = "matched"'),
        (('shape = "oval"',), "shape is 'oval'; expected one of 'round', 'square'"),
        (('surroundings = "oil"',), "surroundings is 'oil'; expected a number or one of 'matched', 'air', 'water'"),
        (("surroundings = 0.9", "wall_mm = 0"), "surroundings is 0.9; expected a refractive index from 1"),
        (("surroundings = 3", "wall_mm = 0"), "surroundings is 3; expected a refractive index"),
        (('surroundings = "air"', "wall_mm = 1", "wall_index = 0.5"), "wall_index is 0.5; expected a refractive index"),
        (('surroundings = "air"', "wall_index = 1.5"), "surroundings is 'air' and wall_mm is missing"),
        (
            ('surroundings = "air"',),
            "2 keys.*wall_mm in .vial.: the thickness.*wall_index in .vial.: the wall's",
        ),
        (('surroundings = "air"', "wall_mm = 1"), "wall_index is missing; expected its index: borosilicate"),
        (('surroundings = "air"', "wall_mm = 12", "wall_index = 1.5"), "wall_mm is 12; expected the thickness"),
        (('surroundings = "air"', "wall_mm = -1", "wall_index = 1.5"), "wall_mm is -1; expected the thickness"),
        (('surroundings = "air"', "wall_mm = 0", "wall_index = 1.5"), "wall_index is 1.5 and wall_mm is 0"),
        (('surroundings = "matched"', "wall_index = 1.5"), "wall_index is 1.5 and wall_mm is None"),
        (("wall_mm = 1",), "wall_mm is given and surroundings is not"),
        (("wall_mm = 1", "wall_index = 1.5"), "wall_index is given and surroundings is not"),
        (("wal_mm = 1",), "unknown key 'wal_mm'.*Did you mean.*wall_mm"),
    ],
)
def test_contradictions_are_refused(tmp_path, lines, words):
    with pytest.raises(JobError, match=f"(?s){words}") as caught:
        job(tmp_path, *lines)
    assert "[vial]" in str(caught.value)


def test_a_bare_vial_needs_the_resins_index(tmp_path):
    """Where rays depend on it, it is not taken for granted."""
    with pytest.raises(JobError, match=r"(?s)\[resin\].*refractive_index is missing.*about 1.5"):
        job(tmp_path, 'surroundings = "air"', "wall_mm = 0", index=False)
    job(tmp_path, 'surroundings = "matched"', index=False)


def test_polarisation(tmp_path):
    found = job(tmp_path, beam='{ kind = "telecentric", polarisation = "across_axis" }')
    assert found.light.beam.polarisation == "across_axis"
    with pytest.raises(JobError, match="polarisation is 'up'; expected one of 'unpolarised', 'along_axis'"):
        job(tmp_path, beam='{ kind = "telecentric", polarisation = "up" }')
