"""Sums of the compiled loops of the CPU kernel, spelled in LLVM's vectors, so that they stay in registers on every
machine, whatever the compiler guesses: of rows under weights, and of shifted copies of a line under weights."""

from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

from lightlathe.dose.kernels.cpu_tiles import SLICES

FEW = 16  # of no more slices than these the rest of the row is not summed
REACH = SLICES + 16  # planes that a sum of copies covers: 16 numbers fill a register
SHIFTS = 8  # copies that a row is made of at most; beyond, slice by slice


def data_of(context, builder, signature, values):
    """The arguments of an intrinsic: of an array the address of its numbers, a number as it is."""
    return [context.make_array(t)(context, builder, v).data if isinstance(t, types.Array) else v
            for t, v in zip(signature.args, values, strict=True)]  # fmt: skip


def vectors(context, builder, signature, values, lanes):
    """What the sums below are made of: the data of the arguments, and functions that give a row's address, a whole
    number of an array as an index, and a number of an array in each of `lanes` lanes."""
    data = data_of(context, builder, signature, values)
    vector = ir.VectorType(context.get_value_type(signature.args[0].dtype), lanes)
    nowhere, zero = ir.Constant(vector, ir.Undefined), ir.Constant(ir.IntType(32), 0)
    every = ir.Constant(ir.VectorType(zero.type, lanes), [0] * lanes)

    def row_of(base, k):
        return builder.bitcast(builder.gep(base, [builder.mul(k, k.type(SLICES))]), vector.as_pointer())

    def number_of(numbers, k):
        return builder.sext(builder.load(builder.gep(numbers, [k])), k.type)

    def everywhere(weights, k):
        lone = builder.insert_element(nowhere, builder.load(builder.gep(weights, [k])), zero)
        return builder.shuffle_vector(lone, nowhere, every)

    return data, row_of, number_of, everywhere


def adding(lanes):
    """`add_rows` for the first `lanes` slices of each row."""

    @intrinsic
    def add_rows(context, out, i, rows, number, weight, first, last, step):
        def codegen(context, builder, signature, values):
            data, row_of, number_of, everywhere = vectors(context, builder, signature, values, lanes)
            out, i, rows, number, weight, first, last, step = data
            place = row_of(out, i)
            total = cgutils.alloca_once_value(builder, builder.load(place, align=4))
            with cgutils.for_range_slice(builder, first, last, step) as (k, _):
                row = builder.load(row_of(rows, number_of(number, k)), align=4)
                term = builder.fmul(everywhere(weight, k), row, flags=["contract"])
                builder.store(builder.fadd(builder.load(total), term, flags=["contract"]), total)
            builder.store(builder.load(total), place, align=4)
            return context.get_dummy_value()

        return types.void(out, i, rows, number, weight, first, last, step), codegen

    return add_rows


def pairing(lanes):
    """`add_pairs` for the first `lanes` slices of each row."""

    @intrinsic
    def add_pairs(context, out, r, rows, number, near, far, first, last):
        def codegen(context, builder, signature, values):
            data, row_of, number_of, everywhere = vectors(context, builder, signature, values, lanes)
            out, r, rows, number, near, far, first, last = data
            places = row_of(out, r), row_of(out, builder.add(r, r.type(1)))
            totals = [cgutils.alloca_once_value(builder, builder.load(place, align=4)) for place in places]
            with cgutils.for_range_slice(builder, first, last, first.type(1)) as (k, _):
                row = builder.load(row_of(rows, number_of(number, k)), align=4)
                for total, weight in zip(totals, (near, far), strict=True):
                    term = builder.fmul(everywhere(weight, k), row, flags=["contract"])
                    builder.store(builder.fadd(builder.load(total), term, flags=["contract"]), total)
            for place, total in zip(places, totals, strict=True):
                builder.store(builder.load(total), place, align=4)
            return context.get_dummy_value()

        return types.void(out, r, rows, number, near, far, first, last), codegen

    return add_pairs


# add_rows: out[i] += sum of weight[k] * rows[number[k]] over k in range(first, last, step), each row SLICES long
add_rows, add_few = adding(SLICES), adding(FEW)
# add_pairs: out[r] += sum of near[k] * rows[number[k]] and out[r + 1] += sum of far[k] * rows[number[k]], first to last
add_pairs, add_few_pairs = pairing(SLICES), pairing(FEW)


def for_each_count(builder, copies, body):
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


def loader(builder, element):
    """load(base, index, length), store(value, base, index): vectors at any place."""

    def at(base, index, length):
        return builder.bitcast(builder.gep(base, [index]), ir.VectorType(element, length).as_pointer())

    def load(base, index, length):
        return builder.load(at(base, index, length), align=4)

    def store(value, base, index):
        builder.store(value, at(base, index, value.type.count), align=4)

    return load, store


def sum_of(builder, terms):
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
        strip, row, lines, start, width, count, weight, first, copies = data_of(context, builder, signature, values)
        load, store = loader(builder, context.get_value_type(signature.args[0].dtype))
        number = copies.type

        def body(known):
            kept = [
                load(weight, builder.mul(builder.add(first, number(c)), number(SLICES)), SLICES) for c in range(known)
            ]
            with cgutils.for_range(builder, count, intp=number) as loop:
                at = builder.add(builder.mul(loop.index, width), start)
                terms = [(kept[c], load(lines, builder.add(at, number(c)), SLICES)) for c in range(known)]
                place = builder.mul(builder.add(row, loop.index), number(SLICES))
                store(sum_of(builder, terms), strip, place)

        for_each_count(builder, copies, body)
        return context.get_dummy_value()

    return types.void(strip, row, lines, start, width, count, weight, first, copies), codegen


@intrinsic
def add_copies_back(context, lines, start, width, strip, row, count, weight, first, copies):
    """The transpose: lines[r, start + c : ... + SLICES] += weight[first + c] * strip[row + r] for r < count.

    weight has rows of REACH, those of copy c moved c to the right: each line then takes one sum.
    strip is read up to REACH - SLICES numbers beyond its row at either end, under weights of 0.
    """

    def codegen(context, builder, signature, values):
        lines, start, width, strip, row, count, weight, first, copies = data_of(context, builder, signature, values)
        load, store = loader(builder, context.get_value_type(signature.args[0].dtype))
        number = copies.type

        def body(known):
            kept = [
                load(weight, builder.mul(builder.add(first, number(c)), number(REACH)), REACH) for c in range(known)
            ]
            with cgutils.for_range(builder, count, intp=number) as loop:
                place = builder.mul(builder.add(row, loop.index), number(SLICES))
                terms = [(kept[c], load(strip, builder.sub(place, number(c)), REACH)) for c in range(known)]
                at = builder.add(builder.mul(loop.index, width), start)
                store(builder.fadd(load(lines, at, REACH), sum_of(builder, terms), flags=["contract"]), lines, at)

        for_each_count(builder, copies, body)
        return context.get_dummy_value()

    return types.void(lines, start, width, strip, row, count, weight, first, copies), codegen
