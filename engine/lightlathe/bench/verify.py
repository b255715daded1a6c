"""Every kernel that runs on a device against the reference in float64: wrong kernels are not timed."""

from typing import Any

import torch

from lightlathe.bench.workloads import Workload
from lightlathe.dose import DoseOperator
from lightlathe.dose.kernels import KERNELS
from lightlathe.errors import KernelUnavailable
from lightlathe.support.watching import doing, step

# Largest error against the reference, relative to the norm. Halves round light and weights by 3e-4 of zero-mean data.
ALLOWED = {("half", torch.float32): 1e-3, ("single", torch.float32): 5e-6, ("single", torch.float64): 1e-12}
SIZES = (Workload("odd", 61, 37), Workload("even", 72, 90), Workload("thumb", 128, 180))
SLICES = 5


@doing("holding every kernel to the reference")
def verify(device: torch.device) -> list[dict[str, Any]]:
    """One row per kernel, precision, dtype and size; `why_not` where a kernel cannot run here."""
    rows = []
    for name in KERNELS:
        for precision, dtype in ALLOWED:
            if precision == "half" and device.type == "cpu":
                continue  # kernels of the CPU know one precision only
            for work in SIZES[:2] if name == "reference" else SIZES:  # itself, in another dtype; slow
                row = {"kernel": name, "precision": precision, "case": work.name}
                row["dtype"] = str(dtype).removeprefix("torch.")
                try:
                    operator = work.operator(device, slices=SLICES, kernel=name, precision=precision, dtype=dtype)
                except KernelUnavailable as reason:
                    rows.append(row | {"why_not": str(reason).splitlines()[0]})
                    break
                rows.append(row | errors(operator, work))
                step()
    return rows


def errors(operator: DoseOperator, work: Workload) -> dict[str, Any]:
    """Errors of dose and adjoint against the reference, for random data of mean zero, and <A g, v> - <g, A' v>."""
    device, slices = operator.device, operator.grid.shape[2]
    exact = work.operator(device, slices=slices, kernel="reference", dtype=torch.float64)
    generator = torch.Generator().manual_seed(1)
    g = torch.randn(operator.pattern_shape, generator=generator).to(device, operator.dtype)
    v = torch.randn(operator.dose_shape, generator=generator).to(device, operator.dtype)
    dose, light = operator(g).double(), operator.transpose(v).double()
    wanted_dose, wanted_light = exact(g.double()), exact.transpose(v.double())
    error_dose = float((dose - wanted_dose).norm() / wanted_dose.norm())
    error_light = float((light - wanted_light).norm() / wanted_light.norm())
    adjoint = float(((dose * v).sum() - (g * light).sum()).abs() / (dose.norm() * v.double().norm()))
    allowed = ALLOWED[operator.views.precision if device.type != "cpu" else "single", operator.dtype]
    return {
        "error_forward": error_dose,
        "error_adjoint": error_light,
        "adjoint_gap": adjoint,
        "allowed": allowed,
        "right": all(error <= allowed for error in (error_dose, error_light, adjoint)),  # NaN is not right
    }
