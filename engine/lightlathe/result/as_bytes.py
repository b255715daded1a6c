"""Volumes of voxels as bytes in a file: covered shares, codes, flags."""

import math
from typing import Any

import numpy as np
import torch

from lightlathe.quantities import (
    SOLID,
    Absorbing,
    FineShape,
    Grid,
    Packed,
    Volume,
    slices_of,
)
from lightlathe.result.chunks import in_slabs
from lightlathe.result.put import put
from lightlathe.result.tree import Node

MEANING = "0 ignored, 1 liquid, 2 solid"


def put_fine(group: Any, fine: FineShape, solid: Volume | None) -> None:
    """The true shape on the finer grid, and what prints there."""
    xyz = ("x", "y", "z")
    group.attrs.update({"voxel_mm": fine.grid.voxel_mm, "shape": fine.grid.shape})
    put(group, "judged", as_bytes(fine.judged), "1", xyz, meaning=MEANING)
    if fine.banded is not None:
        put(group, "banded", as_bytes(fine.banded), "1", xyz, meaning=MEANING)
    if solid is not None:
        put(group, "solid", as_bytes(solid), "1", xyz)


def in_255ths(share: Volume) -> np.ndarray | Packed:
    """A share 0..1 as uint8."""
    if isinstance(share, Packed):
        return share.mapped(lambda chunk: (chunk * 255).round(), torch.uint8)
    return in_slabs(lambda slab: (slab * 255).round(), share.cpu().numpy(), np.uint8)


def as_bytes(codes: Volume) -> np.ndarray | Packed:
    """uint8, or bool as 0 and 1."""
    return codes if isinstance(codes, Packed) else codes.cpu().view(torch.uint8).numpy()


def fine_in(root: Node) -> tuple[FineShape | None, Volume | None]:
    """What `put_fine` wrote; None for each where it did not."""
    if root.find("fine") is None:
        return None, None
    shape = tuple(root["fine"].attribute("shape", list))
    grid = Grid(shape, root["fine"].length("voxel_mm"))  # pyright: ignore[reportArgumentType]
    banded = None if root.find("fine/banded") is None else codes_in(root, "fine/banded", shape)
    solid = None
    if root.find("fine/solid") is not None:
        solid = flags_in(root, "fine/solid", shape)
    return FineShape(grid, codes_in(root, "fine/judged", shape), banded), solid


def codes_in(root: Node, path: str, shape: tuple[int, ...]) -> Volume:
    """What voxels must become, uint8."""
    codes = root.volume(path, "u1", shape)
    highest = max(int(piece.max()) for _, (piece,) in slices_of(codes))
    if highest > SOLID:
        raise ValueError(f"{path} goes up to {highest}; expected {SOLID} at most")
    return codes


def absorbing_in(root: Node, shape: tuple[int, ...]) -> tuple[Absorbing, ...]:
    """The inserts of each absorption, in the order in which they were written."""
    found = [] if root.find("part/absorbing") is None else sorted(root["part/absorbing"].children, key=int)
    paths = [f"part/absorbing/{name}" for name in found]
    for path in paths:
        per_mm = root[path].attribute("absorption_per_mm", float)
        if not (math.isfinite(per_mm) and per_mm >= 0):
            raise ValueError(f"{path} absorbs {per_mm} per mm; expected 0 or more")
    return tuple(
        Absorbing(share_in(root, path, shape), root[path].attribute("absorption_per_mm", float)) for path in paths
    )


def flags_in(root: Node, path: str, shape: tuple[int, ...]) -> Volume:
    """0 and 1 as bool."""
    flags = root.volume(path, "u1", shape)
    return flags.mapped(lambda chunk: chunk != 0, torch.bool) if isinstance(flags, Packed) else flags.bool()


def share_in(root: Node, path: str, shape: tuple[int, ...]) -> Volume:
    """A covered fraction, 0..1 float32."""
    share = root.volume(path, "u1", shape)
    if isinstance(share, Packed):
        return share.mapped(lambda chunk: chunk / np.float32(255), torch.float32)
    return share.float().div_(255)
