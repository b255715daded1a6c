"""The projector: how its codes become light, and the levels it can show. One response per line here."""

from lightlathe.families import Response
from lightlathe.projector.flat_field import FlatField, relative_irradiance
from lightlathe.projector.levels import Codebook, quantise
from lightlathe.projector.measured import Measured
from lightlathe.projector.responses import Linear, Power, Srgb, Table

RESPONSES: dict[str, type[Response]] = {
    "linear": Linear,
    "measured": Measured,
    "power": Power,
    "srgb": Srgb,
    "table": Table,
}
__all__ = [
    "RESPONSES", "Codebook", "FlatField", "Linear", "Measured", "Power", "Srgb", "Table", "quantise",
    "relative_irradiance",
]  # fmt: skip
