"""The verdict against designs: never death over a print that exists, always where the proven limit excludes one."""

import pytest
from good_case import changed
from widest_window import best_window, radius, slice_operator

from lightlathe.feasibility import verdict_on
from lightlathe.feasibility.resin import window_limit

MU_R = (0.2, 0.5, 1.0, 1.5, 1.8, 2.0, 2.1, 2.2, 2.4, 2.7, 2.9, 3.2, 4.0)
PART = (0.25, 0.5, 0.75)


def case(voxels, a, part):
    size = 16.0 / voxels
    return changed(
        angles=96,
        absorption_per_mm=a / 8,
        radius_mm=8 * part,
        pixel_mm=size,
        voxel_mm=size,
        columns=voxels,
        rows=voxels,
    )


def level(of):
    (reason,) = verdict_on(of).of("absorption")
    return reason.level


@pytest.mark.parametrize("part", PART)
def test_against_every_design_there_is_at_16_voxels(part):
    """A linear program finds the widest window of all designs; 36 angles."""
    said = []
    for a in MU_R:
        printable = best_window(radius(16) <= part, a, 36) > 0
        said.append(level(case(16, a, part)))
        assert not (printable and said[-1] == "cannot work"), f"mu R = {a}: a design with zero wrong voxels exists"
        assert (window_limit(case(16, a, part))(a / 8) <= 0) == (said[-1] == "cannot work")
    assert "will work" in said
    assert "cannot work" in said


@pytest.mark.slow
@pytest.mark.parametrize("part", PART)
def test_against_every_design_there_is_at_32_voxels(part):
    """The same at 32 voxels and 96 angles; beyond the proven limit no design may come out right (5 s a program)."""
    for a in MU_R:
        widest = best_window(radius(32) <= part, a, 96)
        if level(case(32, a, part)) == "cannot work":
            assert widest <= 0, f"mu R = {a}: cannot work was said, but a design with window {widest:.3f} exists"


@pytest.mark.slow
@pytest.mark.parametrize("part", PART)
def test_designs_of_this_program_agree(part):
    """What the solver reaches in 60 iterations: zero wrong voxels only where the verdict leaves room for it."""
    from lightlathe.losses import GapHinge
    from lightlathe.quantities import Target
    from lightlathe.solve import SOLVERS, STARTS, Problem, normalised, solve

    reached = 0
    for a in MU_R:
        operator = slice_operator(32, 1, a, 96)
        inside = operator.views.inside()[:, :, None]
        disc = (radius(32) <= part)[:, :, None]
        target = Target(solid=disc & inside, liquid=~disc & inside)
        problem = Problem(normalised(operator, target), GapHinge(), target, limit=1e3)
        out = solve(problem, SOLVERS["bounded_lbfgs"](), STARTS["filtered"](), iterations=60)
        dose = problem.operator(out.patterns)
        right = bool(dose[target.solid].min() > dose[target.liquid].max())
        reached += right
        assert not (right and level(case(32, a, part)) == "cannot work"), f"mu R = {a}"
        if level(case(32, a, part)) == "will work":
            assert right, f"mu R = {a}: said to work, but the solver left wrong voxels"
    assert reached >= 4  # at least mu R 0.2 to 1.5
