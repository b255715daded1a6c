"""The operator against photons: rays drawn at random, followed by vectors through everything at once.

Monte Carlo, float64, no code of the package: pixels drawn by their levels, places in a blurred square pixel, directions
from a lens or parallel, a vial that turns on, Snell's law in three dimensions and Fresnel's equations at both
surfaces of the wall (Born & Wolf, Principles of Optics, section 1.5), Beer-Lambert absorption, a rod, opaque or of
an absorption of its own. Light energy per area in coarse cells is scored by lengths of path (the track-length
estimator, from memory).
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
import torch

from lightlathe.beams import Diverging, RoundVial, Telecentric, full_turn
from lightlathe.dose import Backend, DoseOperator, Turning
from lightlathe.job.vial import Vial
from lightlathe.quantities import Absorber, Astigmatism, Defocus, Footprint, Grid, Optics, Shadows, Tilt
from lightlathe.resins import Threshold

ANGLES, PIXEL, VOXEL, ROWS = 40, 0.2, 0.2, 20
INNER = 3.0
CELLS = (6, 6, 4)  # of the grid, which the dose is averaged over
PHOTONS, PLACES = 400_000, 16


@dataclass(frozen=True)
class Scene:
    """mu 1/mm; indices outside, of the wall, of the resin; pupil's distance or None; blur in pixels; rod (x, y, r) and
    its absorption, infinite of an opaque one; radius of the cone over the distance from the plane of focus at
    t = focus; the axis leans in the picture by `tilt_deg`, and crosses its middle."""

    mu: float = 0.15
    outside: float = 1.0
    wall_mm: float = 0.5
    wall: float = 1.48
    resin: float = 1.5
    distance: float | None = None
    sigma: float = 0.4
    rod: tuple[float, float, float] | None = None
    rod_mu: float = math.inf
    cone: float = 0.0
    focus: float = 0.0
    columns: int = 40
    tilt_deg: float = 0.0


SCENES = {
    "bare": Scene(),
    "matched, a lens": Scene(outside=1.5, wall=1.5, distance=40.0),
    "bare, a lens": Scene(distance=60.0, columns=44),
    "a rod": Scene(outside=1.5, wall=1.5, rod=(0.7, -0.4, 0.8)),
    # slender: slanting paths are longer, by 0.4 % here, which no band knows
    "out of focus": Scene(outside=1.5, wall=1.5, cone=0.12, focus=0.6),
    "tilted, bare": Scene(tilt_deg=-6.0),
    "tilted, bare, a lens": Scene(distance=60.0, columns=44, tilt_deg=-8.0),
    "bare, a rod": Scene(mu=0.3, rod=(-0.5, 0.9, 0.6), outside=1.343),
    "a rod of clear glass": Scene(mu=0.4, outside=1.5, wall=1.5, rod=(0.7, -0.4, 0.9), rod_mu=0.0),
    "bare, a rod that absorbs": Scene(mu=0.1, rod=(-0.5, 0.6, 0.9), rod_mu=0.8, outside=1.343),
    "a lens, a rod": Scene(outside=1.5, wall=1.5, distance=30.0, rod=(0.7, -0.4, 0.8)),
    "bare, a lens, a rod that absorbs": Scene(distance=60.0, columns=44, rod=(-0.5, 0.6, 0.9), rod_mu=0.9),
}


def levels(scene: Scene) -> np.ndarray:
    """(angle, column, row): blocks of light, so that places matter and noise does not."""
    drawn = np.random.default_rng(5).random((ANGLES // 4, scene.columns // 4, ROWS // 5))
    return np.kron(drawn**2, np.ones((4, 4, 5)))


def operator_of(scene: Scene) -> Turning:
    index = scene.resin
    vial = Vial(2 * INNER, 20.0, scene.outside if scene.outside != index else "matched", scene.wall_mm, scene.wall)
    beam = Telecentric() if scene.distance is None else Diverging(distance_mm=scene.distance)
    chords = beam.chords(
        angle_rad=full_turn(ANGLES), columns=scene.columns, rows=ROWS, pixel_mm=PIXEL, axis_offset_mm=0.0, vial=vial,
        resin=Threshold(scene.mu, 30.0, 40.0, refractive_index=index),
    )  # fmt: skip
    grid = Grid((36, 36, 20), VOXEL)
    shadows, absorbers = None, ()
    if scene.rod is not None:
        fine = Grid((360, 360, 20), VOXEL / 10)
        x, y = fine.centres_mm(0), fine.centres_mm(1)
        inside = (x[:, None] - scene.rod[0]) ** 2 + (y - scene.rod[1]) ** 2 < scene.rod[2] ** 2
        covered = inside[:, :, None].expand(fine.shape).float()
        if math.isinf(scene.rod_mu):
            shadows = Shadows.of(covered, fine, INNER)
        else:
            absorbers = (Absorber.of(covered, fine, INNER, scene.rod_mu),)
    defocus = Defocus(scene.cone, scene.focus) if scene.cone else None
    layers = RoundVial(INNER, INNER + scene.wall_mm, scene.outside, scene.wall, index)
    if scene.cone and not layers.matched:
        focus = layers.focus_along_mm(chords.offset_mm / layers.narrowing)
        defocus = Astigmatism(scene.cone * scene.outside / index, focus, scene.cone / 2)
    tilt = Tilt(math.radians(scene.tilt_deg), (scene.columns - 1) / 2, PIXEL) if scene.tilt_deg else None
    pixel = Footprint("square", sigma=scene.sigma)
    optics = Optics(chords, INNER, scene.mu, pixel, shadows=shadows, defocus=defocus, absorbers=absorbers, tilt=tilt)
    return Turning(DoseOperator(optics, grid, Backend(dtype=torch.float64)), 6, True, 3)


def refract(d: np.ndarray, normal: np.ndarray, before: float, after: float) -> tuple[np.ndarray, ...]:
    """Directions behind a surface (3, ray), and what it lets through of either polarisation; NaN where nothing."""
    cos_in = -(d * normal).sum(0)
    ratio = before / after
    square = 1 - ratio**2 * (1 - cos_in**2)
    cos_out = np.sqrt(np.where(square > 0, square, np.nan))
    turned = ratio * d + (ratio * cos_in - cos_out) * normal
    s = 4 * before * cos_in * after * cos_out / (before * cos_in + after * cos_out) ** 2
    p = 4 * before * cos_in * after * cos_out / (after * cos_in + before * cos_out) ** 2
    return turned, s, p


def to_cylinder(p: np.ndarray, d: np.ndarray, radius: float, out: bool = False) -> np.ndarray:
    """Way (ray,) along d to where a ray enters a cylinder about z, or comes out of it; NaN where it misses."""
    a, b = (d[:2] ** 2).sum(0), (p[:2] * d[:2]).sum(0)
    c = (p[:2] ** 2).sum(0) - radius**2
    root = b**2 - a * c
    return (-b + (1 if out else -1) * np.sqrt(np.where(root > 0, root, np.nan))) / a


def photons(scene: Scene, seed: int) -> np.ndarray:
    """(cells) mean over a turn of the light energy that crosses each cell, of light that brings 1 per area outside."""
    random = np.random.default_rng(seed)
    shown = levels(scene)
    share = shown.ravel() / shown.sum()
    angle, column, row = np.unravel_index(random.choice(len(share), PHOTONS, p=share), shown.shape)
    power = shown.sum() * PIXEL**2 / PHOTONS / ANGLES
    place = random.random((2, PHOTONS)) - 0.5 + scene.sigma * random.standard_normal((2, PHOTONS))
    s = (column - (scene.columns - 1) / 2 + place[0]) * PIXEL
    z = (row - (ROWS - 1) / 2 + place[1]) * PIXEL
    theta = (angle + random.random(PHOTONS) - 0.5) * 2 * math.pi / ANGLES
    tilt = math.radians(scene.tilt_deg)  # the picture as it lies to the axis, which leans to the right by that
    s, z = s * math.cos(tilt) - z * math.sin(tilt), s * math.sin(tilt) + z * math.cos(tilt)
    aim = np.stack([s, np.zeros(PHOTONS), z])
    if scene.distance is None:
        around, out = 2 * math.pi * random.random(PHOTONS), scene.cone * np.sqrt(random.random(PHOTONS))
        d = np.stack([out * np.cos(around), np.ones(PHOTONS), out * np.sin(around)])
        start = aim + np.array([[0.0], [scene.focus], [0.0]]) - (20.0 + scene.focus) * d
        d = d / np.linalg.norm(d, axis=0)
    else:
        start = np.zeros((3, PHOTONS)) - np.array([[0.0], [scene.distance], [0.0]])
        d = (aim - start) / np.linalg.norm(aim - start, axis=0)
    kept = [np.ones(PHOTONS), np.ones(PHOTONS)]
    for radius, before, after in (
        (INNER + scene.wall_mm, scene.outside, scene.wall), (INNER, scene.wall, scene.resin),
    ):  # fmt: skip
        start = start + to_cylinder(start, d, radius) * d
        normal = np.stack([start[0], start[1], 0 * start[0]]) / radius
        d, *through = refract(d, normal, before, after)
        kept = [k * t for k, t in zip(kept, through, strict=True)]
    weight = np.nan_to_num(power * (kept[0] + kept[1]) / 2)
    way = np.nan_to_num(-2 * (start[:2] * d[:2]).sum(0) / (d[:2] ** 2).sum(0))  # to the far wall
    cos, sin = np.cos(theta), np.sin(theta)
    start = np.stack([start[0] * cos - start[1] * sin, start[0] * sin + start[1] * cos, start[2]])
    d = np.stack([d[0] * cos - d[1] * sin, d[0] * sin + d[1] * cos, d[2]])
    meets, within = np.full(PHOTONS, np.inf), np.zeros(PHOTONS)
    if scene.rod is not None:
        moved = start - np.array([[scene.rod[0]], [scene.rod[1]], [0.0]])
        found, leaves = (to_cylinder(moved, d, scene.rod[2], out) for out in (False, True))
        met = found > 0
        meets, within = np.where(met, found, np.inf), np.where(met, leaves - found, 0.0)
    if math.isinf(scene.rod_mu):
        way = np.minimum(way, meets)
    half = np.array([36, 36, 20]) * VOXEL / 2
    total = np.zeros(CELLS)
    for k in range(PLACES):
        at = (k + random.random(PHOTONS)) / PLACES * way
        here = np.nan_to_num(start + at * d, nan=99.0)
        in_rod = np.clip(at - meets, 0.0, within)
        beyond = 0.0 if math.isinf(scene.rod_mu) else (scene.rod_mu - scene.mu) * in_rod
        score = weight * np.exp(-scene.mu * at - beyond) * way / PLACES
        total += np.histogramdd(here.T, CELLS, [(-h, h) for h in half], weights=score)[0]
    return total / np.prod(2 * half / np.array(CELLS))


@pytest.mark.parametrize("name", SCENES)
def test_doses_are_those_of_photons(name):
    """Cells that lie in the resin and away from the rod. Four runs say how far a mean of them scatters."""
    scene = SCENES[name]
    runs = np.stack([photons(scene, seed) for seed in range(4)])
    drawn, scatter = runs.mean(0), runs.std(0, ddof=1).mean() / 2
    dose = operator_of(scene)(torch.from_numpy(levels(scene)))
    cells = dose.reshape(6, 6, 6, 6, 4, 5).mean((1, 3, 5)).numpy()
    x = (np.arange(6) - 2.5) * 1.2
    corner = np.hypot(np.abs(x)[:, None] + 0.6, np.abs(x) + 0.6)
    whole = corner < INNER
    if scene.rod is not None:
        near = np.hypot(x[:, None] - scene.rod[0], x - scene.rod[1])
        whole &= near > scene.rod[2] + 0.85
    assert whole.sum() >= 5
    inside = np.broadcast_to(whole[:, :, None], CELLS)
    off = (cells - drawn)[inside]
    assert np.abs(off).max() < 4 * scatter + 0.01 * cells[inside].mean()
    assert abs(off.mean()) < 0.005 * cells[inside].mean()
    if scene.rod is not None:  # the rod matters by far more than that
        bare = operator_of(replace(scene, rod=None))(torch.from_numpy(levels(scene)))
        without = bare.reshape(6, 6, 6, 6, 4, 5).mean((1, 3, 5)).numpy()[inside]
        assert np.abs(without - drawn[inside]).max() > 4 * np.abs(off).max()
