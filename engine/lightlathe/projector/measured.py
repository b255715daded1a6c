"""A response that was measured: the light of a white field at several codes, from a CSV file."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from lightlathe.errors import JobError, shown
from lightlathe.projector.data_files import DataFile, number_in, rows_of

HEADS = ("code", "light")
EXPECTED = "expected a head with the columns code and light, such as `code,light`, and two or more rows below it"
MAX_CODE = 65535  # of 16 bits


@dataclass(frozen=True)
class Measured:
    """Light measured at some of the projector's codes, linear between them. Only ratios of light count.

    code             (row,) rising, from 0 to the highest code, 2^bits - 1
    measured_light   (row,) in any unit; it never falls, and light counts relative to that at the highest code

    In a job file `file` names a CSV file with both columns, or they stand there as lists. Raises JobError.
    Source: interpolation between measured codes is common practice (display characterisation by look-up table).
    """

    code: tuple[int, ...]
    measured_light: tuple[float, ...]

    def __post_init__(self) -> None:
        code, light = self.code, self.measured_light
        if len(code) != len(light) or len(code) < 2:
            raise JobError(
                f"the response has {len(code)} codes and {len(light)} values of light; expected as many of each, two "
                "or more."
            )
        if not all(a < b for a, b in pairwise(code)):
            raise JobError(f"code is {shown(list(code))}; expected rising codes.")
        if code[0] != 0 or code[-1] > MAX_CODE:
            raise JobError(
                f"code goes from {code[0]} to {code[-1]}; expected 0 (a black picture) to the highest code, {MAX_CODE} "
                "at most."
            )
        if not all(np.isfinite(light)) or light[0] < 0 or light[-1] <= 0 or any(a > b for a, b in pairwise(light)):
            raise JobError(
                f"measured_light is {shown(list(light))}; expected finite numbers of 0 or more that never fall, "
                "above 0 at the highest code."
            )

    @property
    def full_code(self) -> int:
        """The highest code measured."""
        return self.code[-1]

    def light(self, code: np.ndarray) -> np.ndarray:
        """0..1 of the light at the highest code, for codes 0..1 of the highest."""
        relative = np.asarray(self.measured_light, dtype=np.float64) / self.measured_light[-1]
        return np.interp(np.asarray(code, dtype=np.float64) * self.full_code, self.code, relative)

    def require_bits(self, bits: int) -> None:
        """JobError unless it was measured up to the highest code of a projector with so many bits."""
        full = 2**bits - 1
        if self.full_code < full:
            raise JobError(
                f"the measured response ends at code {self.full_code}, and light is missing at code {full}, the "
                f"highest of bits = {bits}; expected a row for it: light counts relative to a white picture."
            )
        if self.full_code > full:
            raise JobError(
                f"the measured response has codes up to {self.full_code}, and bits = {bits} has {full} at most; "
                f"expected codes of this projector. Is bits = {self.full_code.bit_length()} meant?"
            )


def read_response(file: DataFile) -> Measured:
    """The response in a CSV file: a head that names the columns `code` and `light`, a row for each code measured.

    Other columns are an error, so that none is taken for another. Raises JobError with the line.
    """
    (head_line, head), *rows = rows_of(file)
    name, names = shown(file.path.name), [cell.lower() for cell in head]
    if sorted(names) != sorted(HEADS):
        raise JobError(f"{name} line {head_line}: the head is {shown(', '.join(head))}; {EXPECTED}.")
    at_code, at_light = (names.index(head) for head in HEADS)
    codes: list[int] = []
    lights: list[float] = []
    for line, cells in rows:
        if len(cells) != len(HEADS):
            raise JobError(
                f"{name} line {line}: {len(cells)} cells; expected two, a code and its light. Numbers need a decimal "
                "point, no comma."
            )
        code, light = _code(file, line, cells[at_code]), number_in(file, line, "light", cells[at_light])
        if codes and code <= codes[-1]:
            raise JobError(f"{name} line {line}: code {code} follows {codes[-1]}; expected rising codes, each once.")
        if lights and light < lights[-1]:
            raise JobError(
                f"{name} line {line}: light falls from {lights[-1]:g} at code {codes[-1]} to {light:g} at code {code}; "
                "expected light that never falls as the code rises. Is that noise? Average several readings."
            )
        codes.append(code)
        lights.append(light)
    if len(codes) < 2:
        raise JobError(f"{name}: {len(codes)} rows; {EXPECTED}.")
    if codes[0] != 0:
        raise JobError(
            f"{name} line {rows[0][0]}: the first code is {codes[0]}; expected 0, the light of a black picture "
            "(0 where the meter shows none)."
        )
    if lights[-1] == 0:
        raise JobError(f"{name}: light is 0 at every code; expected some at the highest.")
    return Measured(tuple(codes), tuple(lights))


def _code(file: DataFile, line: int, cell: str) -> int:
    value = number_in(file, line, "code", cell)
    if value != int(value) or value > MAX_CODE:
        raise JobError(
            f"{shown(file.path.name)} line {line}: code is {shown(cell)}; expected a whole number of 0 to {MAX_CODE}, "
            "the value of the pixels."
        )
    return int(value)
