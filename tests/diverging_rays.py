"""Rays of a lens at a finite distance, followed in space by vectors: exact Snell and Fresnel at a flat window and both
surfaces of a vial. Shares nothing with the package."""

from typing import NamedTuple

import numpy as np


class Scene(NamedTuple):
    """Radii of the vial, distances along the light from the axis, refractive indices; lengths in mm."""

    inner: float
    outer: float
    distance: float
    pupil_s: float = 0.0
    pupil_z: float = 0.0
    window: float | None = None  # outside it air
    outside: float = 1.0
    wall: float = 1.48
    resin: float = 1.5


class Rays(NamedTuple):
    """Where rays enter the resin, (ray, 3) s, t, z; their unit direction there; share of the power that does. NaN, and
    0 of the power, where none enters."""

    entry: np.ndarray
    direction: np.ndarray
    power: np.ndarray


def aimed_at(s: np.ndarray, z: np.ndarray, scene: Scene) -> Rays:
    """Rays from the pupil that would pass (s, 0, z) with nothing in the way."""
    place = np.broadcast_to([scene.pupil_s, -scene.distance, scene.pupil_z], (len(s), 3)).astype(float)
    way = np.stack([s - scene.pupil_s, np.full_like(s, scene.distance), z - scene.pupil_z], 1)
    way = way / np.linalg.norm(way, axis=1, keepdims=True)
    along, across = np.ones_like(s), np.ones_like(s)
    with np.errstate(invalid="ignore"):
        if scene.window is not None:
            place = place + ((-scene.window - place[:, 1]) / way[:, 1])[:, None] * way
            normal = np.broadcast_to([0.0, -1.0, 0.0], place.shape)
            way, one, other = _refracted(way, normal, 1.0, scene.outside)
            along, across = along * one, across * other
        surfaces = [(scene.outer, scene.outside, scene.wall), (scene.inner, scene.wall, scene.resin)]
        if scene.outer == scene.inner:
            surfaces = [(scene.inner, scene.outside, scene.resin)]
        for radius, before, behind in surfaces:
            flat = way[:, :2]
            a, b = (flat**2).sum(1), (place[:, :2] * flat).sum(1)
            c = (place[:, :2] ** 2).sum(1) - radius**2
            place = place + ((-b - np.sqrt(b**2 - a * c)) / a)[:, None] * way
            normal = np.concatenate([place[:, :2] / radius, np.zeros((len(s), 1))], 1)
            way, one, other = _refracted(way, normal, before, behind)
            along, across = along * one, across * other
    return Rays(place, way, np.nan_to_num((along + across) / 2))


def _refracted(way, normal, before, behind):
    """Direction behind a surface, and the share of the power in either polarisation. normal points against the light.

    Snell in vectors, Fresnel: Born & Wolf, Principles of Optics, sections 3.2.2 and 1.5.2."""
    cos_in = -(way * normal).sum(1)
    ratio = before / behind
    cos_out = np.sqrt(1 - ratio**2 * (1 - cos_in**2))
    r_along = (before * cos_in - behind * cos_out) / (before * cos_in + behind * cos_out)
    r_across = (behind * cos_in - before * cos_out) / (behind * cos_in + before * cos_out)
    out = ratio * way + (ratio * cos_in - cos_out)[:, None] * normal
    return out, 1 - r_along**2, 1 - r_across**2
