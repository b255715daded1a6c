"""Levels a projector can show, and the response curves behind them."""

import numpy as np
import pytest
import torch

from lightlathe.errors import JobError, ShapeError
from lightlathe.projector import Codebook, Linear, Power, Srgb, Table, quantise


def test_srgb_against_the_standard():
    """IEC 61966-2-1: codes 128 and 188 of 255 decode to 0.21586 and 0.50289 (five digits)."""
    light = Srgb().light(np.array([0, 128, 188, 255]) / 255)
    np.testing.assert_allclose(light, [0, 0.21586, 0.50289, 1], atol=5e-6)


def test_power_of_2_2():
    """0.21952 for code 128 (common practice, no source)."""
    assert Power(2.2).light(np.array(128 / 255)) == pytest.approx(0.21952, abs=5e-6)


def test_eight_linear_bits_have_the_rounding_noise_of_a_uniform_step():
    """rms error of rounding to 255 steps is 1 / (255 sqrt 12), the variance of a uniform distribution."""
    book = Codebook.of(8, Linear())
    wanted = torch.rand(200_000, generator=torch.Generator().manual_seed(1), dtype=torch.float64)
    levels = quantise(wanted, book)
    assert levels.dtype == torch.uint8
    rms = float((levels.double() / 255 - wanted).square().mean().sqrt())
    assert rms == pytest.approx(1 / (255 * 12**0.5), rel=0.01)  # 200,000 draws: 0.2 % expected scatter


@pytest.mark.parametrize("response", [Linear(), Power(2.2), Srgb(), Table((0, 0.5, 1), (0, 0.1, 1))])
@pytest.mark.parametrize("bits", [1, 4, 8, 12])
def test_a_level_is_the_light_of_its_code(response, bits):
    """What the prediction takes for a level is what the projector shows for the code that is written."""
    book = Codebook.of(bits, response)
    wanted = torch.linspace(0, 1, 3001, dtype=torch.float64)
    levels = quantise(wanted, book).to(torch.int64).numpy()
    codes = book.codes_of(levels)
    shown = response.light(codes / (2**bits - 1))
    np.testing.assert_allclose(levels / book.full_scale, shown, atol=0.5 / book.full_scale + 1e-12)
    everything = response.light(np.arange(2**bits) / (2**bits - 1))
    nearest = np.abs(wanted.numpy()[:, None] - everything[None, :]).min(1)
    # nearest up to the 16 bits in which levels of a curved response are stated
    assert (np.abs(shown - wanted.numpy()) <= nearest + 1 / 65535).all()


def test_ends_are_dark_and_full():
    for response in (Linear(), Srgb()):
        book = Codebook.of(8, response)
        levels = quantise(torch.tensor([0.0, 1.0]), book)
        assert levels.tolist() == [0, book.full_scale]
        assert book.codes_of(levels.numpy().astype(np.int64)).tolist() == [0, 255]


def test_a_table_must_rise():
    with pytest.raises(JobError, match="rising"):
        Table((0, 0.5, 0.4, 1), (0, 0.1, 0.2, 1))
    with pytest.raises(JobError, match="as many"):
        Table((0, 0.5, 1), (0, 1))


def test_a_level_that_no_code_shows_is_an_error():
    """It would wrap round in the frame's 8 bits, to black."""
    book = Codebook.of(8, Linear())
    with pytest.raises(ShapeError, match="levels go up to 256; this projector shows 255 at most"):
        book.codes_of(np.array([0, 256]))
