"""The errors a user may meet. Each says what came, what was expected, where, and what to try."""


class LightlatheError(Exception):
    """Base of all errors that are the user's to solve; the command line prints them without a traceback."""


class JobError(LightlatheError):
    """A job file, or a value in it, cannot be used."""


class MeshError(LightlatheError):
    """A mesh file cannot be read as a solid."""


class PartError(LightlatheError):
    """The part does not fit the vial, the projector's field or the grid."""


class ShapeError(LightlatheError):
    """A tensor has other axes, another dtype or another device than the function takes."""


class KernelUnavailable(LightlatheError):
    """The kernel that was asked for cannot run here."""


class SolveError(LightlatheError):
    """The design cannot go on."""


class ResultError(LightlatheError):
    """A result file cannot be read, or does not hold what was asked for."""


class MeasurementError(LightlatheError):
    """A table of measurements cannot be read or does not determine what was asked for."""
