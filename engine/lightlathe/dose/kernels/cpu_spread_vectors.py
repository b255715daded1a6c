"""Sums of shifted copies of a line under weights, in LLVM's vectors; see cpu_spread_loops.py."""

from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

from lightlathe.dose.kernels.cpu_loops import SLICES

REACH = SLICES + 16  # planes that a sum of copies covers: 16 numbers fill a register
SHIFTS = 8  # copies that a row is made of at most; beyond, slice by slice


def _of_vectors(context, builder, signature, values):
    """Arguments of an intrinsic: an array as (its values, element type), a number as it is."""
    return [context.make_array(t)(context, builder, v).data if isinstance(t, types.Array) else v
            for t, v in zip(signature.args, values, strict=True)]  # fmt: skip


def _for_each_count(builder, copies, body):
    """body(count) for copies = count of 2 to SHIFTS: weights of a known number stay in registers."""
    after = builder.append_basic_block("copied")
    cases = builder.switch(copies, after)
    for count in range(2, SHIFTS + 1):
        block = builder.append_basic_block(f"copies{count}")
        cases.add_case(ir.Constant(copies.type, count), block)
        builder.position_at_end(block)
        body(count)
        builder.branch(after)
    builder.position_at_end(after)


def _loader(builder, element):
    """load(base, index, length), store(value, base, index): vectors at any place."""

    def at(base, index, length):
        return builder.bitcast(builder.gep(base, [index]), ir.VectorType(element, length).as_pointer())

    def load(base, index, length):
        return builder.load(at(base, index, length), align=4)

    def store(value, base, index):
        builder.store(value, at(base, index, value.type.count), align=4)

    return load, store


def _sum(builder, terms):
    """The sum of products."""
    total = None
    for a, b in terms:
        product = builder.fmul(a, b, flags=["contract"])
        total = product if total is None else builder.fadd(total, product, flags=["contract"])
    return total


@intrinsic
def add_copies(context, strip, row, lines, start, width, count, weight, first, copies):
    """strip[row + r] = sum over c of weight[first + c] * lines[r, start + c : start + c + SLICES] for r < count;
    `copies` of them, 2 to SHIFTS. strip and weight have rows of SLICES, lines of `width`."""

    def codegen(context, builder, signature, values):
        strip, row, lines, start, width, count, weight, first, copies = _of_vectors(context, builder, signature, values)
        load, store = _loader(builder, context.get_value_type(signature.args[0].dtype))
        number = copies.type

        def body(known):
            kept = [
                load(weight, builder.mul(builder.add(first, number(c)), number(SLICES)), SLICES) for c in range(known)
            ]
            with cgutils.for_range(builder, count, intp=number) as loop:
                at = builder.add(builder.mul(loop.index, width), start)
                terms = [(kept[c], load(lines, builder.add(at, number(c)), SLICES)) for c in range(known)]
                place = builder.mul(builder.add(row, loop.index), number(SLICES))
                store(_sum(builder, terms), strip, place)

        _for_each_count(builder, copies, body)
        return context.get_dummy_value()

    return types.void(strip, row, lines, start, width, count, weight, first, copies), codegen


@intrinsic
def add_copies_back(context, lines, start, width, strip, row, count, weight, first, copies):
    """The transpose: lines[r, start + c : ... + SLICES] += weight[first + c] * strip[row + r] for r < count.

    weight has rows of REACH, those of copy c moved c to the right: each line then takes one sum.
    strip is read up to REACH - SLICES numbers beyond its row at either end, under weights of 0.
    """

    def codegen(context, builder, signature, values):
        lines, start, width, strip, row, count, weight, first, copies = _of_vectors(context, builder, signature, values)
        load, store = _loader(builder, context.get_value_type(signature.args[0].dtype))
        number = copies.type

        def body(known):
            kept = [
                load(weight, builder.mul(builder.add(first, number(c)), number(REACH)), REACH) for c in range(known)
            ]
            with cgutils.for_range(builder, count, intp=number) as loop:
                place = builder.mul(builder.add(row, loop.index), number(SLICES))
                terms = [(kept[c], load(strip, builder.sub(place, number(c)), REACH)) for c in range(known)]
                at = builder.add(builder.mul(loop.index, width), start)
                store(builder.fadd(load(lines, at, REACH), _sum(builder, terms), flags=["contract"]), lines, at)

        _for_each_count(builder, copies, body)
        return context.get_dummy_value()

    return types.void(lines, start, width, strip, row, count, weight, first, copies), codegen
