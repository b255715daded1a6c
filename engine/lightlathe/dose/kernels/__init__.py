"""The kernels: modules with `deposit`, `collect` and `why_not`, one line each in KERNELS.

deposit(views_array, views, gain=1.0, most=None)   dose (x, y, slice) of views (angle, bin, slice), times gain;
                                                   most: no view exceeds it, which spares halves a search
collect(volume, views, gain=1.0)                   the transpose: views of a volume, times gain
why_not(views, device, dtype)                      None where the kernel can run, else the reason it cannot

A kernel may have `workspace(views, slices, device, dose_at_most)` as well: an empty LaidOut that `collect` takes,
filled, in place of a volume.

All compute the same two functions of dose/views.py; tests/dose/test_kernels.py holds every one to the reference.
`auto` takes the first of PREFERRED that can run, and the choice is logged.

reference, cpu   anything; `cpu` profiles that end within a column alone
hopper           parallel bins down to half a voxel, ends, pixels by their profile; halves; compute capability 9.0
triton           bins on any chords, up to 64 of them on 8 x 8 voxels (6 times finer); no ends
triton_double    parallel bins in float64, without matrix units; no ends
triton_ends      parallel bins with ends, without matrix units

Where rows spread with depth (`Views.spread`) a view has planes in place of slices; the names of SPREADING then stand
for its modules, and `hopper` and `triton_ends` say why not. With an offset axis opposite views are not mirror images,
and kernels on cards run at about half speed.
"""

import logging
from importlib import import_module
from types import ModuleType

import torch

from lightlathe.errors import KernelUnavailable

log = logging.getLogger(__name__)

KERNELS = {
    "cpu": "lightlathe.dose.kernels.cpu",
    "hopper": "lightlathe.dose.kernels.cuda_hopper",
    "reference": "lightlathe.dose.kernels.reference",
    "triton": "lightlathe.dose.kernels.triton",
    "triton_double": "lightlathe.dose.kernels.triton_double",
    "triton_ends": "lightlathe.dose.kernels.triton_ends",
}
SPREADING = {  # those of a name where rows spread with depth
    "cpu": "lightlathe.dose.kernels.cpu_spread",
    "reference": "lightlathe.dose.kernels.reference_spread",
    "triton": "lightlathe.dose.kernels.triton_spread",
    "triton_double": "lightlathe.dose.kernels.triton_spread",
}
DIMMED = ("cpu", "reference")  # those that take light which inserts dim (`Views.depths`)
SHAPED = ("hopper", "cpu", "reference")  # those that take a pixel's profile (`Views.profile`)
PREFERRED = ("hopper", "triton", "cpu", "triton_double", "triton_ends", "reference")


def choose(name: str, views, device: torch.device, dtype: torch.dtype) -> tuple[str, ModuleType]:
    """The kernel by name, or the best for `auto`; KernelUnavailable says why one that was asked for cannot run."""
    if name != "auto" and name not in KERNELS:
        raise KernelUnavailable(f"kernel is '{name}'; expected 'auto' or one of {', '.join(KERNELS)}.")
    if name != "auto":
        kernel, reason = _looked_at(name, views, device, dtype)
        if reason is not None:
            raise KernelUnavailable(
                f"kernel '{name}' cannot run here: {reason}.\n"
                '  Set kernel = "reference" (any device, slower) or "auto".'
            )
        return name, kernel
    for candidate in PREFERRED:
        kernel, reason = _looked_at(candidate, views, device, dtype)
        if reason is None:
            log.info("dose kernel: %s on %s in %s, precision %s", candidate, device, dtype, views.precision)
            return candidate, kernel
        log.info("dose kernel %s passed over: %s", candidate, reason)
    raise KernelUnavailable(f"no kernel runs on {device} in {dtype}; use float32 or float64.")


def _looked_at(name: str, views, device: torch.device, dtype: torch.dtype) -> tuple[ModuleType, str | None]:
    """The module of a kernel and None where it can run, else the reason it cannot."""
    found = KERNELS if views.spread is None else {**KERNELS, **SPREADING}
    kernel = import_module(found[name])
    if views.profile is not None and name not in SHAPED:
        return kernel, "it reads bins linearly, and these have a profile"
    if views.depths is not None and name not in DIMMED:
        return kernel, "it computes no light that inserts dim, nor light around inserts whose rows spread with depth"
    return kernel, kernel.why_not(views, device, dtype)


def takes_shapes(name: str, views, device: torch.device, dtype: torch.dtype) -> bool:
    """Whether a kernel of this name ("auto": the fastest) takes views with a profile."""
    fast = SHAPED[:-1]
    return any(name in ("auto", kernel) and _looked_at(kernel, views, device, dtype)[1] is None for kernel in fast)
