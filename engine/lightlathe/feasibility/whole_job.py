"""The time of a whole job: its iterations, and what comes before and after them."""

from lightlathe.feasibility.case import Case
from lightlathe.feasibility.machine import Machine

# Measured with `time` on one thread of an AMD EPYC, shared, 30 November 2026, seconds of all / of the iterations:
# quickstart 55 / 17, gyroid 160 / 94, flow_cell 77 / 28, needle_hub 41 / 14: 17 to 35 beside 1.5 times the latter.
# On a card: benchmarks/JOBS.md, warm
AROUND_S = {"cpu": 20.0, "cuda": 8.0}  # libraries, meshes, voxels, first light, the file
PROOF = 0.5  # of the iterations' time; flow/certificate.py aims at a quarter of it, and at 50 steps at least
FINE_DOSES = 3  # on the finer grid: exposures that are tried, the print, its surface


def predictions_s(number: int, updates: float, finer: int, machine: Machine) -> float:
    """Seconds that so many predictions take: a dose on the job's grid and one on the finer, each half an iteration's
    products. Measured: 16 of the check valve of `init` took 100 s of one thread, by this 101 at the speed assumed for a
    core (1 December 2026). Light that refracts or comes from a lens takes several times that.

    updates   voxels times angles, and parts of their step, of a dose on the job's own grid
    """
    taken = updates * (1 + (finer**3 if finer > 1 else 0))
    return number * taken / machine.speed(taken)


def job_s(case: Case, iterations_s: float, updates: float) -> float:
    """Seconds from the command to the finished file, by a model as coarse as its three constants.

    iterations_s   of the design
    updates        voxels times angles, and parts of their step, of a dose on the job's own grid
    """
    proof = 0.0 if case.design.bound_iterations == 0 else PROOF
    total = AROUND_S[case.machine.device] + iterations_s * (1 + proof)
    if case.grid.finer > 1:
        fine = updates * case.grid.finer**3
        total += FINE_DOSES * fine / case.machine.speed(fine)
    return total
