"""The operator against projectors that others wrote: scikit-image's (rotates the image) and the ASTRA Toolbox's.

Frames. Their image is [row, column], the first row on top; ours is [x, y] with y up: image[row, column] =
volume[column, n - 1 - row]. Then both programs' detector coordinate at angle theta is our s = x cos + y sin:
scikit-image 0.26, transform/radon_transform.py, turns the image about pixel n // 2 and sums columns, so that
s = (column - n // 2) cos - (row - n // 2) sin; ASTRA's manual, "2D geometries: parallel": detector (cos, sin) and rays
along (sin, -cos), which a line integral does not tell from (-sin, cos).
"""

import os

import numpy as np
import pytest
import torch
from skimage.data import shepp_logan_phantom
from skimage.transform import iradon, radon, rescale

from lightlathe.dose import DoseOperator
from operators import gap, operator


def to_ours(image: np.ndarray) -> torch.Tensor:
    """[row, column], first row on top -> [x, y, one slice]."""
    return torch.from_numpy(image[::-1].T.copy())[:, :, None]


def to_theirs(dose: torch.Tensor) -> np.ndarray:
    return dose[:, :, 0].numpy().T[::-1]


@pytest.fixture(scope="module")
def phantom() -> np.ndarray:
    """scikit-image's Shepp-Logan head, 161 wide: odd, so that its pixel n // 2 is the centre in both frames."""
    image = np.pad(rescale(shepp_logan_phantom(), 0.4, anti_aliasing=True), ((0, 1), (0, 1)))
    assert image.shape == (161, 161)
    return image


def slow_turn(n: int, angles: int = 60) -> DoseOperator:
    """Nothing absorbed, gain 1, a whole turn; voxels and columns of 1 mm, the vial the phantom's circle."""
    return operator(
        (n, n, 1), 1.0, angles=angles, columns=n, rows=1, pixel=1.0, radius=n // 2, absorption=0.0, gain=1.0,
        first_rad=0.0,
    )  # fmt: skip


def degrees(a: DoseOperator) -> np.ndarray:
    return np.rad2deg(a.optics.chords.angle_rad.numpy())


def test_back_projection_is_that_of_scikit_image():
    """iradon without a filter interpolates linearly too, in its own loop: equal to rounding, times pi / (2 angles).

    Light at random, so that no mirrored or turned frame could pass; 1e-12: sums of 60 roundings of 1e-16."""
    a = slow_turn(41)
    light = np.random.default_rng(1).random((41, 60))
    theirs = iradon(light, theta=degrees(a), filter_name=None, interpolation="linear", circle=True)
    ours = to_theirs(a(torch.from_numpy(light.T.copy())[:, :, None])) * np.pi / (2 * 60)
    # its outermost ring reads past the last column, where it sees nothing and ours fades over a column
    i = np.arange(41) - 20
    inner = i[:, None] ** 2 + i[None, :] ** 2 <= 19**2
    np.testing.assert_allclose(ours[inner], theirs[inner], rtol=1e-12)


def test_projection_of_the_shepp_logan_head_is_that_of_scikit_image(phantom):
    """radon turns the image by bilinear interpolation, another discretisation: its blur and our ripple part them by
    0.4 % of the norm (0.8 % allowed), 20 times less than any other frame."""
    a = slow_turn(161)
    theirs = radon(phantom, theta=degrees(a), circle=True)
    ours = a.transpose(to_ours(phantom))[:, :, 0].numpy().T
    assert gap(ours, theirs) < 0.008
    wrong = {
        "mirrored across": to_ours(phantom[:, ::-1]),
        "upside down": to_ours(phantom[::-1]),
        "axes swapped": to_ours(phantom.T),
        "half a turn": to_ours(phantom[::-1, ::-1]),
    }
    for name, volume in wrong.items():
        assert gap(a.transpose(volume)[:, :, 0].numpy().T, theirs) > 0.05, name
    assert gap(ours[::-1], theirs) > 0.05


@pytest.fixture(scope="module")
def astra():
    try:
        import astra
    except ImportError:
        if os.environ.get("CI"):
            raise
        pytest.skip("the ASTRA Toolbox is not installed (the extra 'peers')")
    return astra


@pytest.mark.parametrize("n", [160, 161])
def test_projection_is_that_of_astra(astra, phantom, n):
    """Its 'linear' projector steps along rays and interpolates in the image (P. Joseph, IEEE Trans. Med. Imaging 1
    (1982) 192): another discretisation again, 0.4 % of the norm away. Its back-projection jumps from voxel to voxel
    where rays pass between them, 1.3 % of the norm; blurred as the dose is, a mirrored one is only 4 % away."""
    image = np.ascontiguousarray(phantom[:n, :n])
    circle = np.hypot(*(np.indices((n, n)) - (n - 1) / 2)) < n // 2
    image = image * circle
    a = slow_turn(n)
    geometry = astra.create_proj_geom("parallel", 1.0, n, a.optics.chords.angle_rad.numpy())
    projector = astra.create_projector("linear", geometry, astra.create_vol_geom(n, n))
    try:
        number, theirs = astra.create_sino(image, projector)
        astra.data2d.delete(number)
        ours = a.transpose(to_ours(image))[:, :, 0].numpy()
        assert gap(ours, theirs) < 0.008
        assert gap(a.transpose(to_ours(image[:, ::-1]))[:, :, 0].numpy(), theirs) > 0.05

        light = theirs
        number, theirs = astra.create_backprojection(light, projector)
        astra.data2d.delete(number)
        ours = to_theirs(a(torch.from_numpy(light.astype(np.float64))[:, :, None]))
        assert gap(ours[circle], theirs[circle]) < 0.02
        assert gap(ours[:, ::-1][circle], theirs[circle]) > 0.03
    finally:
        astra.projector.delete(projector)
