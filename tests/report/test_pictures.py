"""Pictures: written where asked, or an error that says which names are taken."""

import pytest
import torch

from lightlathe.errors import ResultError
from lightlathe.quantities import Grid, Part, Prediction
from lightlathe.report.pictures import draw

pytest.importorskip("matplotlib")
GRID = Grid((6, 7, 4), 0.5)


def ball():
    coverage = torch.zeros(GRID.shape)
    coverage[2:4, 2:5, 1:3] = 1
    dose = 30 + 30 * coverage
    return Part(GRID, coverage, torch.where(coverage > 0, 2, 1).to(torch.uint8)), Prediction(dose, dose > 45)


@pytest.mark.parametrize(("ending", "first"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("PDF", b"%PDF")])
def test_three_kinds_of_file(tmp_path, ending, first):
    part, prediction = ball()
    path = draw(part, prediction, tmp_path / f"p.{ending}", gel_mj_cm3=45)
    assert path.read_bytes().startswith(first)


@pytest.mark.parametrize("name", ["p", "p.jpeg", "p.h5", "none/p.png", "folder.png", "n" * 300 + ".png"])
def test_other_names_are_errors(tmp_path, name):
    (tmp_path / "folder.png").mkdir()
    part, prediction = ball()
    with pytest.raises(ResultError, match=r"\.png, \.svg or \.pdf"):
        draw(part, prediction, tmp_path / name, gel_mj_cm3=45)
    assert [p.name for p in tmp_path.iterdir()] == ["folder.png"]


def test_the_insert_is_shown(tmp_path):
    """In its own colour, in every panel; nowhere where there is none."""
    import dataclasses

    import numpy as np
    from matplotlib.colors import to_rgb
    from PIL import Image

    from lightlathe.report.pictures import INSERT

    part, prediction = ball()
    insert = torch.zeros(GRID.shape)
    insert[2, 3] = 1

    def coloured(path):
        pixels = np.asarray(Image.open(path).convert("RGB"), dtype=float) / 255
        return int((np.abs(pixels - to_rgb(INSERT)).max(2) < 0.01).sum())

    without = coloured(draw(part, prediction, tmp_path / "a.png", gel_mj_cm3=45))
    with_ = coloured(draw(dataclasses.replace(part, insert=insert), prediction, tmp_path / "b.png", gel_mj_cm3=45))
    assert without == 0
    assert with_ > 3000  # a rod one voxel wide, in six panels of some 200 x 200 pixels


def test_one_colour_for_one_mistake_in_pictures_and_on_the_page():
    """Blue is under-cure and orange over-cure everywhere: in pictures, figures, surface files and the report."""
    import re
    from importlib.resources import files

    from lightlathe.export.solid_files import FAT, THIN
    from lightlathe.report.figures import slices
    from lightlathe.support.colours import INSERT, LIQUID, OUTCOMES, OVER, SOLID, UNDER, rgb

    style = (files("lightlathe") / "report/page/assets/page.css").read_text().partition("@media")[0]
    page = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", style))
    here = (UNDER.lower(), OVER.lower(), LIQUID, SOLID, INSERT)
    assert here == tuple(page[name] for name in ("under", "over", "liquid", "solid", "insert"))
    assert OUTCOMES[3:] == slices.COLOURS[3:] == (UNDER, OVER)
    assert (tuple(THIN), tuple(FAT)) == (rgb(UNDER), rgb(OVER))


def test_a_mistake_is_drawn_in_its_colour(tmp_path):
    import numpy as np
    from PIL import Image

    from lightlathe.support.colours import OVER, UNDER, rgb

    part, prediction = ball()
    for made, colour, other in ((prediction.solid | True, OVER, UNDER), (prediction.solid & False, UNDER, OVER)):
        path = draw(part, Prediction(prediction.dose, made), tmp_path / f"{colour[1:]}.png", gel_mj_cm3=45)
        pixels = np.asarray(Image.open(path).convert("RGB"))
        counts = [int((pixels == rgb(c)).all(2).sum()) for c in (colour, other)]
        assert counts[0] > 3 * counts[1] > 0  # the legend alone shows the other
