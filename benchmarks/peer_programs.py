"""The other programs of peers.py: each gives, per direction, a call to time and how to read its answer as ours."""

import math
import warnings
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np
import torch
from torch import Tensor

from lightlathe.bench.machine import cores
from lightlathe.dose import DoseOperator
from lightlathe.dose.kernels import cpu, reference

FORWARD, ADJOINT = "forward", "adjoint"


@dataclass(frozen=True)
class Entry:
    """How a peer does one direction: `call` gives the whole answer, or that of a part of the slices or angles."""

    peer: str
    direction: str
    call: Callable[[], object]
    answer: Callable[[object], Tensor]  # as ours: dose (x, y, slice) or light (angle, column, slice)
    part: float = 1.0  # of the work
    slices: slice = field(default_factory=lambda: slice(None))  # of ours that the answer is compared with
    angles: slice = field(default_factory=lambda: slice(None))
    allowed: float = 1e-5  # gap to the reference, of the norm
    wanted: Tensor | None = None  # what the answer is compared with, where it is not ours
    remark: str = ""


def ours(operator: DoseOperator, g: Tensor, v: Tensor) -> list[Entry]:
    name = f"Lightlathe, {operator.kernel}"
    allowed = 1e-3 if operator.device.type == "cuda" else 1e-5  # halves on a card
    return [
        Entry(name, FORWARD, lambda: operator(g), lambda x: x, allowed=allowed),
        Entry(name, ADJOINT, lambda: operator.transpose(v), lambda x: x, allowed=allowed),
    ]


def torch_loop(operator: DoseOperator, g: Tensor, v: Tensor) -> list[Entry]:
    """Every tenth angle: gathers and adds, as one would write it first."""
    views, some = operator.views, slice(None, None, 10)
    few = replace(views, angle_rad=views.angle_rad[some])
    part, light = len(few.angle_rad) / views.angles, g[some].contiguous()
    remark = "a tenth of the angles, scaled"
    return [
        Entry("torch, a loop over angles", FORWARD, lambda: reference.deposit(light, few), lambda x: x, part,
              angles=some, remark=remark),
        Entry("torch, a loop over angles", ADJOINT, lambda: reference.collect(v, few), lambda x: x, part,
              angles=some, remark=remark),
    ]  # fmt: skip


def torch_sparse(operator: DoseOperator, g: Tensor, v: Tensor) -> list[Entry]:
    """The whole matrix as CSR, and its transpose as another; the time to build them is not counted."""
    views, (angles, bins, slices) = operator.views, g.shape
    rows, columns, weights = [], [], []
    for a, (low, near, far) in enumerate(reference._weights(views, slices, operator.device, torch.float32)):
        for bin_, weight in ((low - 1, near[:, 0]), (low, far[:, 0])):
            kept = (weight != 0) & (bin_ >= 0) & (bin_ < bins)
            rows.append(kept.nonzero()[:, 0])
            columns.append(a * bins + bin_[kept])
            weights.append(weight[kept])
    place, values = torch.stack([torch.cat(rows), torch.cat(columns)]), torch.cat(weights)
    del rows, columns, weights
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # torch calls its CSR support beta
        size = (views.nx * views.ny, angles * bins)
        matrix = torch.sparse_coo_tensor(place, values, size).coalesce().to_sparse_csr()
        back = torch.sparse_coo_tensor(place.flip(0), values, size[::-1]).coalesce().to_sparse_csr()
    del place, values
    light, volume = g.reshape(-1, slices), v.reshape(-1, slices)
    gib = 2 * (matrix.values().nbytes + matrix.col_indices().nbytes) / 2**30
    remark = f"holds {gib:.1f} GiB of matrices"
    return [
        Entry("torch, sparse CSR", FORWARD, lambda: matrix @ light, lambda x: x.reshape(v.shape), remark=remark),
        Entry("torch, sparse CSR", ADJOINT, lambda: back @ volume, lambda x: x.reshape(g.shape), remark=remark),
    ]


def scikit_image(operator: DoseOperator, g: Tensor, v: Tensor) -> list[Entry]:
    """One slice. Its frame turns about pixel n // 2, so it is held to our operator on one voxel more each way."""
    from skimage.transform import iradon, radon

    (angles, n, slices), views = g.shape, operator.views
    middle = slice(slices // 2, slices // 2 + 1)
    degrees = np.rad2deg(views.angle_rad.numpy())
    light = g[:, :, middle][:, :, 0].cpu().numpy().T
    image = np.ascontiguousarray(v[:, :, middle][:, :, 0].cpu().numpy().T[::-1])
    image = image * (np.hypot(*(np.indices(image.shape) - n // 2)) < n // 2)  # it reads no further
    scale, remark = 2 * angles / math.pi, "one slice, scaled"

    more = 1 - n % 2  # the row below and the column to the right that centre an even image
    odd = replace(views, bins=n + more, nx=n + more, ny=n + more)
    padded = torch.nn.functional.pad(torch.from_numpy(image[::-1].T.copy()), (more, 0, 0, more))[:, :, None]
    shadow = cpu.collect(padded.double(), odd)[:, :n]
    dose = cpu.deposit(torch.nn.functional.pad(g[:, :, middle].cpu().double(), (0, 0, 0, more)), odd)[:n, more:]

    def dose_of(x: object) -> Tensor:
        return torch.from_numpy(np.asarray(x)[::-1].T.copy() * scale)[:, :, None]

    def light_of(x: object) -> Tensor:
        return torch.from_numpy(np.asarray(x).T.copy())[:, :, None]

    def back() -> np.ndarray:
        return iradon(light, theta=degrees, filter_name=None, circle=True, preserve_range=True)

    def fore() -> np.ndarray:
        return radon(image, theta=degrees, circle=True, preserve_range=True)

    part = 1 / slices
    return [
        Entry("scikit-image iradon", FORWARD, back, dose_of, part, middle, allowed=1e-4, wanted=dose, remark=remark),
        Entry("scikit-image radon", ADJOINT, fore, light_of, part, middle, allowed=0.02, wanted=shadow, remark=remark),
    ]


def _astra_slices(task: tuple[str, np.ndarray, np.ndarray, int]) -> np.ndarray:
    """Some slices [k, ...] through ASTRA's CPU projector, in a process of its own or not."""
    import astra

    direction, data, angles, n = task
    projector = astra.create_projector(
        "linear", astra.create_proj_geom("parallel", 1.0, n, angles), astra.create_vol_geom(n, n)
    )
    run = astra.create_backprojection if direction == FORWARD else astra.create_sino
    out = []
    for one in data:
        number, answer = run(one, projector)
        astra.data2d.delete(number)
        out.append(answer)
    astra.projector.delete(projector)
    return np.stack(out)


def astra_cpu(operator: DoseOperator, g: Tensor, v: Tensor, pool: ProcessPoolExecutor) -> list[Entry]:
    """Some slices; on one process, and on one process a core."""
    n, slices, angles = operator.views.nx, g.shape[2], operator.views.angle_rad.numpy()
    each, entries = max(1, 512 // n), []
    for processes in (1, cores()):
        some = slice(slices // 2, slices // 2 + each * processes)
        light = np.ascontiguousarray(g[:, :, some].permute(2, 0, 1).numpy())
        image = np.ascontiguousarray(v[:, :, some].permute(2, 1, 0).flip(1).numpy())
        for direction, data in ((FORWARD, light), (ADJOINT, image)):
            tasks = [(direction, part, angles, n) for part in np.array_split(data, processes)]

            def call(tasks=tasks) -> np.ndarray:
                return np.concatenate(list((map if len(tasks) == 1 else pool.map)(_astra_slices, tasks)))

            def answer(x: object, direction=direction) -> Tensor:
                x = torch.from_numpy(np.asarray(x))
                return x.flip(1).permute(2, 1, 0) if direction == FORWARD else x.permute(1, 2, 0)

            name = f"ASTRA CPU linear, {processes} process{'es' * (processes > 1)}"
            entries.append(Entry(name, direction, call, answer, each * processes / slices, some, allowed=0.03,
                                 remark=f"{each * processes} slices, scaled"))  # fmt: skip
    return entries


def astra_cuda(operator: DoseOperator, g: Tensor, v: Tensor) -> list[Entry]:
    """3D parallel beam on the card; data stay there (linked by DLPack), copies into texture memory inside the time."""
    import astra

    n, (_, columns, slices) = operator.views.nx, g.shape
    space = astra.create_vol_geom(n, n, slices)
    views = astra.create_proj_geom("parallel3d", 1.0, 1.0, slices, columns, operator.views.angle_rad.numpy())
    light = g.permute(2, 0, 1).contiguous()  # [slice, angle, column]
    image = v.permute(2, 1, 0).flip(1).contiguous()  # [slice, row, column]
    dose, shadow = torch.zeros_like(image), torch.zeros_like(light)

    def algorithm(name: str, volume: Tensor, sinogram: Tensor) -> int:
        settings = astra.astra_dict(name)
        kind = "ReconstructionDataId" if name.startswith("BP") else "VolumeDataId"
        settings[kind] = astra.data3d.link("-vol", space, volume)
        settings["ProjectionDataId"] = astra.data3d.link("-sino", views, sinogram)
        return astra.algorithm.create(settings)

    back, fore = algorithm("BP3D_CUDA", dose, light), algorithm("FP3D_CUDA", image, shadow)

    def run(number: int, answer: Tensor) -> Tensor:
        astra.algorithm.run(number)
        torch.cuda.synchronize()  # it runs in a stream of its own
        return answer

    return [
        Entry(
            "ASTRA GPU parallel3d", FORWARD, lambda: run(back, dose), lambda x: x.flip(1).permute(2, 1, 0), allowed=0.03
        ),
        Entry("ASTRA GPU parallel3d", ADJOINT, lambda: run(fore, shadow), lambda x: x.permute(1, 2, 0), allowed=0.03),
    ]
