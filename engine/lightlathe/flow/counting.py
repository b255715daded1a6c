"""The solids of a job counted into voxels."""

import math

import torch
from torch import Tensor

from lightlathe.families import Shape
from lightlathe.flow.solids import Solid
from lightlathe.job import Job
from lightlathe.part import (
    Surface,
    coverage,
    judge,
    require_some,
)
from lightlathe.quantities import Absorbing, Codes, Grid, Packing, Part, Volume
from lightlathe.support.watching import doing, step

VOLUMES = ("coverage", "judged", "insert", "whole", "opaque")  # of a Part


@doing("counting voxels")
def voxels(
    job: Job,
    solids: tuple[Solid, ...],
    grid: Grid,
    device: torch.device,
    slices: int | None = None,
    *,
    covered: bool = True,
) -> Part:
    """The part's covered fractions and what is judged, on any grid of the vial. Parts of one role are a union.

    slices    counted at a time, the whole is then packed in main memory; None: all at once, on the device
    covered   False: fractions are not wanted; in slabs, those of the result are 0
    """
    nz = grid.shape[2]
    if slices is None:
        return _voxels(job, solids, grid, device)
    beside = math.ceil(job.tolerance_mm / grid.voxel_mm) + 1 if job.tolerance_mm else 0  # slices that a band looks at
    made: dict[str, Packing] = {}
    codes = Codes.empty(grid.shape, device)
    dimming: dict[float, Packing] = {}
    for start in range(0, nz, slices):
        stop = min(nz, start + slices)
        first, end = max(0, start - beside), min(nz, stop + beside)
        slab = _voxels(job, solids, grid.slab(first, end), device)
        for name in VOLUMES:
            found = getattr(slab, name)
            if found is not None and (covered or name != "coverage"):
                made.setdefault(name, Packing(grid.shape, found.dtype)).append(
                    found[:, :, start - first : stop - first]
                )
        codes.put(start, slab.judged[:, :, start - first : stop - first])
        for each in slab.absorbing:
            into = dimming.setdefault(each.absorption_per_mm, Packing(grid.shape, torch.float32))
            into.append(each.covered[:, :, start - first : stop - first])
        step(stop, nz)
    if not covered:
        made["coverage"] = Packing(grid.shape, torch.float32)
    volumes = {name: packing.packed for name, packing in made.items()}
    volumes["judged"].at_hand[str(device)] = codes
    whole = Part(grid, **volumes, absorbing=tuple(Absorbing(made.packed, mu) for mu, made in dimming.items()))
    require_some(whole.judged, whole.coverage, grid)
    return whole


def regions_to_keep(
    solids: tuple[Solid, ...], grid: Grid, device: torch.device, slices: int | None = None
) -> list[Volume]:
    """(x, y, z) covered fraction of each region to keep liquid; in slabs packed, in main memory."""
    forms = [solid.form for solid in solids if solid.role == "keep_liquid"]
    nz = grid.shape[2]
    if slices is None:
        return [coverage(form, grid, device=device) for form in forms]
    found = [Packing(grid.shape, torch.float32) for _ in forms]
    for start in range(0, nz, slices):
        stop = min(nz, start + slices)
        for region, form in zip(found, forms, strict=True):
            region.append(coverage(form, grid.slab(start, stop), device=device))
    return [region.packed for region in found]


def _voxels(job: Job, solids: tuple[Solid, ...], grid: Grid, device: torch.device) -> Part:
    forms: dict[str, list[Surface | Shape]] = {"part": [], "insert": [], "keep_liquid": []}
    for solid in solids:
        forms[solid.role].append(solid.form)
    part = coverage(forms["part"], grid, device=device)
    insert = coverage(forms["insert"], grid, device=device) if forms["insert"] else None
    opaque = [solid.form for solid in solids if solid.opaque]
    if insert is None or not opaque:
        in_the_way = None
    else:
        in_the_way = insert if len(opaque) == len(forms["insert"]) else coverage(opaque, grid, device=device)
    dimming: dict[float, list[Surface | Shape]] = {}
    for solid in solids:
        if solid.absorption_per_mm is not None:
            dimming.setdefault(solid.absorption_per_mm, []).append(solid.form)
    absorbing = tuple(Absorbing(coverage(same, grid, device=device), mu) for mu, same in dimming.items())
    keep_liquid = [coverage(form, grid, device=device) for form in forms["keep_liquid"]]

    def judged(tolerance_mm: float) -> Tensor:
        inserts = [] if insert is None else [insert]
        return judge(part, grid, job.vial.radius_mm, inserts, keep_liquid, tolerance_mm)

    whole = judged(0.0) if job.tolerance_mm else None
    return Part(grid, part, judged(job.tolerance_mm), insert, whole, in_the_way, absorbing)
