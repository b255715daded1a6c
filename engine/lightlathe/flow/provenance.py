"""Provenance of a run for its result file: versions, machine, time."""

import datetime
from typing import Any

import torch

import lightlathe
from lightlathe.flow.prepare import Setup
from lightlathe.flow.slabs import Slabs
from lightlathe.flow.stages import Found
from lightlathe.flow.wanted import frame_facts


def facts_of(setup: Setup, found: Found) -> dict[str, Any]:
    """Program, machine, and the extent of the parts in the vial."""
    device = setup.device
    forms = [solid.form for solid in setup.solids if solid.role == "part"]
    return {
        "created_utc": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "program_version": lightlathe.__version__,
        "torch_version": str(torch.__version__),
        "device": torch.cuda.get_device_name(device) if device.type == "cuda" else "cpu",
        "kernel": setup.in_design.kernel,
        "design_parts": setup.design_parts,
        "precision": setup.job.design.precision,
        "seed": setup.job.design.seed,
        "stopped_because": found.stopped_because,
        "part_low_mm": [min(float(form.bounds_mm[0, axis]) for form in forms) for axis in range(3)],
        "part_high_mm": [max(float(form.bounds_mm[1, axis]) for form in forms) for axis in range(3)],
        "part_reach_mm": max(form.reach_mm for form in forms),
        "moved_onto_rows_mm": setup.solids[0].onto_rows_mm,  # all of them alike
        "assumed_keys": ", ".join(setup.job.assumed),
        "coarse_seconds": found.coarse_s,
        **_slab_facts(setup),
        **frame_facts(setup.solids),
    }


def _slab_facts(setup: Setup) -> dict[str, Any]:
    """What was worked on at a time, where it was not all slices: of the design, of the dose on the finer grid."""
    nz, finer, slabs = setup.part.grid.shape[2], setup.job.grid.finer, setup.slabs
    if slabs == Slabs(limit_bytes=slabs.limit_bytes):
        return {}
    counts = {"design": (slabs.design, nz), "dose": (slabs.dose, nz), "fine": (slabs.fine, nz * finer)}
    facts = {f"slab_slices_{name}": of if taken is None else taken for name, (taken, of) in counts.items()}
    return facts | {"slabs_because": setup.why_in_slabs}
