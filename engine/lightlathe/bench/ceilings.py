"""The machine's peak rates, measured: copies, matrix products, plain multiply-adds."""

import torch

from lightlathe.bench.machine import cores
from lightlathe.bench.timing import timed
from lightlathe.support.watching import doing


@doing("what this machine can do at most")
def ceilings(device: torch.device) -> dict[str, float]:
    """copy_gb_s (read and written bytes), matrix_gmac_s (products of matrices), scalar_gmac_s (float32 without them).

    GMAC/s are 1e9 multiply-adds per second. Of a card, matrix is float16 and scalar float32 without TF32; of a CPU,
    matrix is what torch's float32 product reaches and scalar a loop of independent multiply-adds on all threads.
    """
    return {
        "copy_gb_s": _copy(device),
        "matrix_gmac_s": _product(device, torch.float16 if device.type == "cuda" else torch.float32),
        "scalar_gmac_s": _product(device, torch.float32) if device.type == "cuda" else _loop(),
    }


def _copy(device: torch.device) -> float:
    source = torch.rand(2**28 if device.type == "cuda" else 2**25, device=device)  # far beyond any cache
    target = torch.empty_like(source)
    return 2 * source.nbytes / timed(lambda: target.copy_(source), device).seconds / 1e9


def _product(device: torch.device, dtype: torch.dtype) -> float:
    n = 8192 if device.type == "cuda" else 1024
    a, b = (torch.rand(n, n, device=device).to(dtype) for _ in range(2))
    out = torch.empty_like(a)
    return n**3 / timed(lambda: torch.mm(a, b, out=out), device).seconds / 1e9


def _loop() -> float:
    """All threads run a loop whose sums stay in registers; the best of three counts, for few registers or many."""
    from concurrent.futures import ThreadPoolExecutor

    from lightlathe.bench.multiply_adds import turns_of

    threads, rounds = min(torch.get_num_threads(), cores()), 2_000_000
    best = 0.0
    with ThreadPoolExecutor(threads) as pool:
        for sums in (64, 128, 256):
            turn = turns_of(sums)

            def all_threads(turn=turn) -> None:
                list(pool.map(turn, [rounds] * threads))

            took = timed(all_threads, torch.device("cpu"))
            best = max(best, threads * rounds * sums / took.fastest / 1e9)
    return best
