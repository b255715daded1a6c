"""The dose operator beside other programs: the same work, one machine, one run. A wrong answer gets no time.

    python benchmarks/peers.py [--device cuda] [--sizes thumb,hand] [--write]

Peers: a plain torch loop over angles (this project's reference kernel), torch's sparse CSR product (the whole matrix in
memory), the ASTRA Toolbox (3D parallel on a card, its 'linear' projector on a CPU, slice by slice, one process and all
cores), scikit-image (one slice at a time). The last two know no absorption, so nothing is absorbed here; all compute in
float32 or better. Where a peer would take minutes a part of the work is timed and scaled; the table says so.
Times are the fastest of several runs: on a shared host that says most about the program.
--write puts the table into benchmarks/README.md, in place of the last one of this kind of device.
"""

import argparse
import datetime
import importlib.metadata
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import torch
from torch import Tensor

from lightlathe.bench.ceilings import ceilings
from lightlathe.bench.machine import cores, machine
from lightlathe.bench.timing import timed
from lightlathe.bench.workloads import WORKLOADS, Workload
from lightlathe.dose import Backend, DoseOperator
from lightlathe.dose.kernels import cpu
from peer_programs import (
    ADJOINT,
    FORWARD,
    Entry,
    astra_cpu,
    astra_cuda,
    ours,
    scikit_image,
    torch_loop,
    torch_sparse,
)  # fmt: skip

README = Path(__file__).parent / "README.md"


def light_and_volume(work: Workload, device: torch.device) -> tuple[DoseOperator, Tensor, Tensor]:
    """Our operator, nothing absorbed, gain 1; a tube and its shadows, smooth enough for any discretisation."""
    absorbing = work.operator(device)
    clear = absorbing.optics.replace(absorption_per_mm=0.0)
    operator = DoseOperator(clear, absorbing.grid, Backend(device=device), gain=1.0)
    target = work.target(device)
    volume = target.solid.float() + 0.3 * target.liquid.float()
    patterns = operator.transpose(volume) / work.voxels
    return operator, patterns.contiguous(), volume.contiguous()


def gap(entry: Entry, operator: DoseOperator, exact: dict[str, Tensor], g: Tensor) -> float:
    """Of the norm, against ours in float64 (held to the reference by the tests), on the slices and angles computed."""
    found = entry.answer(entry.call()).double().cpu()
    if entry.wanted is not None:
        wanted = entry.wanted
    elif entry.direction == ADJOINT:
        wanted = exact[ADJOINT][entry.angles, :, entry.slices]
    elif entry.angles == slice(None):
        wanted = exact[FORWARD][:, :, entry.slices]
    else:
        few = replace(operator.views, angle_rad=operator.views.angle_rad[entry.angles])
        wanted = cpu.deposit(g.double().cpu()[entry.angles].contiguous(), few)
    if entry.direction == FORWARD:
        found, wanted = found[inner(operator)], wanted[inner(operator)]
    return float((found - wanted).norm() / wanted.norm())


def inner(operator: DoseOperator) -> Tensor:
    """Without the outermost two voxels: there peers end the light, or their circle, in other ways."""
    return operator.grid.inside(operator.views.radius_mm - 2 * operator.grid.voxel_mm)


def compare(work: Workload, device: torch.device, pool: ProcessPoolExecutor, seconds: float) -> list[list[str]]:
    operator, g, v = light_and_volume(work, device)
    exact_operator = DoseOperator(operator.optics, operator.grid, Backend("cpu", dtype=torch.float64), gain=1.0)
    exact = {FORWARD: exact_operator(g.double().cpu()), ADJOINT: exact_operator.transpose(v.double().cpu())}
    makers: list[Callable[[], list[Entry]]] = [
        lambda: ours(operator, g, v),
        lambda: torch_loop(operator, g, v),
        lambda: torch_sparse(operator, g, v),
    ]
    if device.type == "cuda":
        makers.append(lambda: astra_cuda(operator, g, v))
    else:
        makers += [lambda: astra_cpu(operator, g, v, pool), lambda: scikit_image(operator, g, v)]
    rows = []
    for make in makers:
        try:
            entries = make()
        except (ImportError, AttributeError, torch.OutOfMemoryError, MemoryError) as missing:
            rows.append([work.name, f"{make.__code__.co_names[0]}", "", "", "", f"not run: {missing}"])
            continue
        for entry in entries:
            off = gap(entry, operator, exact, g)
            if not off <= entry.allowed:
                rows.append([work.name, entry.peer, entry.direction, "no time", f"{off:.1e}", "WRONG"])
                continue
            took = timed(entry.call, device, for_s=seconds)
            full = took.fastest / entry.part
            gups = (
                f"{work.updates / full / 1e9:.2f}" if work.updates / full < 1e11 else f"{work.updates / full / 1e9:.0f}"
            )
            rows.append([work.name, entry.peer, entry.direction, gups, f"{off:.1e}",
                         f"{1000 * full:.4g} ms; {entry.remark}".rstrip("; ")])  # fmt: skip
            print("  ".join(rows[-1]), flush=True)
    return rows


def versions() -> str:
    said = []
    for package in ("torch", "numba", "triton", "astra-toolbox", "scikit-image"):
        try:
            said.append(f"{package} {importlib.metadata.version(package)}")
        except importlib.metadata.PackageNotFoundError:
            said.append(f"{package} not installed")
    return ", ".join(said)


def markdown(rows: list[list[str]], device: torch.device) -> str:
    it, top = machine(device), ceilings(device)
    where = f"{it['card']}, " if "card" in it else ""
    lines = [
        f"{datetime.date.today().isoformat()}; {where}{it['processor']}, {it['threads']} threads; "
        f"python {it['python']}, {versions()}.",
        f"Measured in the same run: copies {top['copy_gb_s']:.0f} GB/s, matrix products "
        f"{top['matrix_gmac_s']:.0f} GMAC/s, plain multiply-adds {top['scalar_gmac_s']:.0f} GMAC/s.",
        "",
        "| size | program | direction | GUPS | gap | time |",
        "|---|---|---|---|---|---|",
        *("| " + " | ".join(row) + " |" for row in rows),
    ]
    return "\n".join(lines)


def write(text: str, kind: str) -> None:
    """Put the table between its two marks in benchmarks/README.md."""
    first, last = f"<!-- peers {kind}: begin -->", f"<!-- peers {kind}: end -->"
    page = README.read_text()
    before, rest = page.split(first)
    README.write_text(f"{before}{first}\n{text}\n{last}{rest.split(last)[1]}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--sizes", default="thumb,hand", help="names out of " + ", ".join(c.name for c in WORKLOADS))
    parser.add_argument("--seconds", type=float, default=2.0, help="about how long each entry is repeated")
    parser.add_argument("--write", action="store_true", help="write the table into benchmarks/README.md")
    arguments = parser.parse_args()
    device = torch.device(arguments.device)
    rows: list[list[str]] = []
    with ProcessPoolExecutor(cores(), mp_context=get_context("spawn")) as pool:
        for work in WORKLOADS:
            if work.name in arguments.sizes.split(","):
                rows += compare(work, device, pool, arguments.seconds)
    text = markdown(rows, device)
    print(text)
    if arguments.write:
        write(text, device.type)


if __name__ == "__main__":
    main()
