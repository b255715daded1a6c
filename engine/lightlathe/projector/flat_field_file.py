"""Reads an illumination: a CSV of numbers, a grey PNG or TIFF image, or a NumPy array, top row first."""

import io
import warnings

import numpy as np
from PIL import Image

from lightlathe.errors import JobError, shown
from lightlathe.projector.data_files import DataFile, number_in, rows_of
from lightlathe.projector.flat_field import MAX_PIXELS, FlatField

GREY = ("1", "L", "I", "F", "I;16", "I;16B", "I;16L", "I;16N")  # Pillow's names
KINDS = {".csv": "CSV", ".png": "PNG", ".tif": "TIFF", ".tiff": "TIFF", ".npy": "npy"}


def read_flat_field(file: DataFile, name: str) -> FlatField:
    """The illumination in a file, by the ending of its name; see KINDS. Raises JobError."""
    kind = KINDS.get(file.path.suffix.lower())
    if kind is None:
        raise JobError(f"illumination is {shown(name)}; expected a file that ends in {', '.join(KINDS)}.")
    if kind == "CSV":
        return FlatField.measured(name, _csv(file))
    return FlatField.measured(name, _npy(file) if kind == "npy" else _image(file, kind))


def _csv(file: DataFile) -> np.ndarray:
    """Rows of numbers as long as each other, without a head; errors carry the line."""
    found: list[list[float]] = []
    for line, cells in rows_of(file):
        if found and len(cells) != len(found[0]):
            raise JobError(
                f"{shown(file.path.name)} line {line}: {len(cells)} numbers; expected {len(found[0])}, as in the rows "
                "above."
            )
        found.append([number_in(file, line, "irradiance", cell) for cell in cells])
    return np.array(found)


def _image(file: DataFile, kind: str) -> np.ndarray:
    """The values of a grey image as they are stored: they must be proportional to the irradiance, without a gamma."""
    name = shown(file.path.name)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of large images: their size is judged here
            image = Image.open(io.BytesIO(file.content), formats=[kind])
            if image.width * image.height > MAX_PIXELS:
                raise JobError(
                    f"{name}: {image.width} x {image.height} pixels; expected those of the projector at most."
                )
            if image.mode not in GREY:
                raise JobError(
                    f"{name}: an image in colour or with transparency (mode {image.mode}); expected a grey one whose "
                    "values are proportional to the irradiance."
                )
            return np.array(image)
    except JobError:
        raise
    except Exception as problem:  # Pillow raises what it likes
        raise JobError(f"{name}: is no {kind} image that can be read ({problem}).") from None


def _npy(file: DataFile) -> np.ndarray:
    """A NumPy array; objects, which could run code, are refused, and so are files shorter than they say."""
    name, opened = shown(file.path.name), io.BytesIO(file.content)
    try:
        version = np.lib.format.read_magic(opened)
        read = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
        shape, _, dtype = read(opened)
        if (
            dtype.hasobject
            or len(shape) != 2
            or shape[0] * shape[1] * dtype.itemsize != len(file.content) - opened.tell()
        ):
            raise JobError(
                f"{name}: holds {dtype} of shape {shape} in {len(file.content)} bytes; expected numbers (row, column)."
            )
        opened.seek(0)
        return np.load(opened, allow_pickle=False)
    except JobError:
        raise
    except Exception as problem:  # a header may hold anything
        raise JobError(f"{name}: is no NumPy array that can be read ({type(problem).__name__}: {problem}).") from None
