"""Volumes for other programs: VTK image data (.vti) with all of them, or NRRD with one in each file.

Values are at the voxel centres, in the vial's frame, mm; x fastest, as both formats have it. Written slab by slab.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from torch import Tensor

from lightlathe.errors import ResultError
from lightlathe.export.whole import write_whole
from lightlathe.quantities import Grid
from lightlathe.quantities.in_slices import Volume as Values
from lightlathe.quantities.packed import SLICES
from lightlathe.support.files import VOLUME, VOLUME_MARK, require_replaceable
from lightlathe.support.watching import doing, step

SLAB_VOXELS = 1 << 23  # turned from z fastest to x fastest in one go
TYPES = {"<f4": ("Float32", "float"), "|u1": ("UInt8", "uint8")}  # as VTK and NRRD name them


@dataclass(frozen=True, eq=False)
class Volume:
    """One volume to be written.

    name     with its unit, as other programs show it
    values   (x, y, z), bool, uint8 or float32
    """

    name: str
    values: Values

    @property
    def dtype(self) -> np.dtype:
        return np.dtype("<f4" if self.values.is_floating_point() else "|u1")

    @property
    def size(self) -> int:
        return self.values.numel() * self.dtype.itemsize

    def slabs(self) -> Iterator[bytes]:
        """Its bytes, x fastest, low byte first."""
        nx, ny, nz = self.values.shape
        least = 1 if isinstance(self.values, Tensor) else SLICES  # a packed volume gives as many at once
        thick = max(least, SLAB_VOXELS // (nx * ny))
        for first in range(0, nz, thick):
            slab = self.values[:, :, first : first + thick].cpu().numpy()
            yield np.ascontiguousarray(slab.T, self.dtype).tobytes()
            step()


@doing("writing volumes")
def write_volumes(path: Path, volumes: list[Volume], grid: Grid, about: str) -> list[Path]:
    """Write volumes of one grid; returns the files: one for .vti; for .nrrd one each, NAME.nrrd and NAME.SUCH.nrrd.

    about   a line on what they are. Raises ResultError for another ending, or where nothing can be written.
    """
    path = Path(path)
    writer = writer_for(path)
    return writer(path, volumes, grid, about)


def writer_for(path: Path) -> Callable[[Path, list[Volume], Grid, str], list[Path]]:
    """What writes files of this ending. Raises ResultError for one that nothing writes."""
    try:
        return WRITERS[Path(path).suffix.lower()]
    except KeyError:
        raise ResultError(f"{path}: expected the name of a volume file that ends in {', '.join(WRITERS)}.") from None


def _vti(path: Path, volumes: list[Volume], grid: Grid, about: str) -> list[Path]:
    """Point data, so that programs interpolate between voxel centres; raw values appended, counts of 8 bytes.

    Source: VTK's XML formats, "The VTK User's Guide", section 19.3.
    """
    extent = " ".join(f"0 {n - 1}" for n in grid.shape)
    at, arrays = 0, []
    for volume in volumes:
        kind = TYPES[volume.dtype.str][0]
        arrays.append(f'<DataArray type="{kind}" Name="{volume.name}" format="appended" offset="{at}"/>')
        at += 8 + volume.size
    origin = " ".join(repr(float(grid.centres_mm(axis)[0])) for axis in range(3))
    header = (
        f'<?xml version="1.0"?>\n<!-- {VOLUME_MARK}; {_safe(about)}; mm, vial frame, values at voxel centres -->\n'
        '<VTKFile type="ImageData" version="1.0" byte_order="LittleEndian" header_type="UInt64">\n'
        f'<ImageData WholeExtent="{extent}" Origin="{origin}" Spacing="{" ".join([repr(grid.voxel_mm)] * 3)}">\n'
        f'<Piece Extent="{extent}"><PointData Scalars="{volumes[0].name}">\n' + "\n".join(arrays) + "\n"
        '</PointData></Piece></ImageData>\n<AppendedData encoding="raw">\n_'
    )

    def pieces() -> Iterator[bytes]:
        yield header.encode()
        for volume in volumes:
            yield np.array(volume.size, "<u8").tobytes()
            yield from volume.slabs()
        yield b"\n</AppendedData>\n</VTKFile>\n"

    return [write_whole(path, VOLUME, pieces())]


def _nrrd(path: Path, volumes: list[Volume], grid: Grid, about: str) -> list[Path]:
    """The first volume under the name given, the others with their names before the ending.

    Source: G. Kindlmann, "Definition of NRRD file format", version 5.
    """
    names = [path, *(path.with_suffix(f".{volume.name.partition('_')[0]}.nrrd") for volume in volumes[1:])]
    for name in names:
        require_replaceable(name, VOLUME)
    steps = " ".join(f"({','.join(repr(grid.voxel_mm) if a == b else '0' for b in range(3))})" for a in range(3))
    origin = ",".join(repr(float(grid.centres_mm(axis)[0])) for axis in range(3))

    def pieces(volume: Volume) -> Iterator[bytes]:
        lines = [
            "NRRD0005",
            f"# {VOLUME_MARK}; {_safe(about)}; vial frame",
            f"content: {volume.name}",
            f"type: {TYPES[volume.dtype.str][1]}",
            "dimension: 3",
            "space dimension: 3",
            f"sizes: {' '.join(map(str, grid.shape))}",
            f"space directions: {steps}",
            f"space origin: ({origin})",
            'space units: "mm" "mm" "mm"',
            "centers: cell cell cell",
            "kinds: domain domain domain",
            "endian: little",
            "encoding: raw",
        ]
        yield "\n".join([*lines, "", ""]).encode()
        yield from volume.slabs()

    return [write_whole(name, VOLUME, pieces(volume)) for name, volume in zip(names, volumes, strict=True)]


def _safe(words: str) -> str:
    """Without line breaks and what would end an XML comment."""
    return " ".join(words.split()).replace("--", "- ").replace("<", "").replace(">", "")


WRITERS: dict[str, Callable[[Path, list[Volume], Grid, str], list[Path]]] = {".vti": _vti, ".nrrd": _nrrd}
