"""A loop of float32 multiply-adds in registers: a processor's peak rate."""

from collections.abc import Callable

from llvmlite import ir
from numba import njit
from numba.core import cgutils, types
from numba.extending import intrinsic


def turns_of(sums: int) -> Callable[[int], float]:
    """A function of `rounds` that does rounds * sums multiply-adds on `sums` independent sums.

    Spelled in LLVM's vectors: left to itself the compiler stores and loads the sums in every round.
    """

    @intrinsic
    def turn(context, rounds):
        def codegen(context, builder, signature, values):
            vector = ir.VectorType(ir.FloatType(), sums)
            factor, term = ir.Constant(vector, [0.999] * sums), ir.Constant(vector, [0.001] * sums)
            total = cgutils.alloca_once_value(builder, ir.Constant(vector, [float(k) for k in range(sums)]))
            with cgutils.for_range(builder, values[0]):
                product = builder.fmul(builder.load(total), factor, flags=["contract"])
                builder.store(builder.fadd(product, term, flags=["contract"]), total)
            place = builder.bitcast(total, ir.FloatType().as_pointer())
            last = builder.load(place)
            for k in range(1, sums):  # all are used, or the compiler would leave some out
                last = builder.fadd(last, builder.load(builder.gep(place, [ir.Constant(ir.IntType(32), k)])))
            return last

        return types.float32(rounds), codegen

    return njit(nogil=True)(lambda rounds: turn(rounds))  # pyright: ignore[reportCallIssue]
