"""What a file of ours holds, without its values: datasets, units, checksums."""

import hashlib
from dataclasses import dataclass
from pathlib import Path

import h5py

from lightlathe.errors import ResultError
from lightlathe.result.checksums import CONTENT, SEAL, WHOLE
from lightlathe.result.tree import outline
from lightlathe.support.hdf5_guards import require_sound_heaps


@dataclass(frozen=True)
class Dataset:
    """Path, type and shape in words, unit, checksum as stated (empty in files from before there were any)."""

    path: str
    kind: str
    units: str
    sha256: str


@dataclass(frozen=True)
class Listed:
    """A file: SHA-256 of its bytes, the checksum of its content (`checksums.SEAL`), its datasets."""

    sha256: str
    seal: str
    datasets: tuple[Dataset, ...]


def listing(path: Path) -> Listed:
    """The outline of an HDF5 file. Raises ResultError where it cannot be read."""
    try:
        with path.open("rb") as file:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        require_sound_heaps(path)
        with h5py.File(path, "r") as file:
            root = outline(file)
    except (OSError, RuntimeError, ValueError, KeyError) as problem:
        raise ResultError(f"{path}: cannot be listed ({problem}). Is it a result file?") from None
    datasets = [
        Dataset(
            node.path,
            node.dtype if not node.shape else f"{node.dtype} [{', '.join(map(str, node.shape))}]",
            str(node.attrs.get("units", "")),
            str(node.attrs.get(CONTENT, node.attrs.get(WHOLE, ""))),
        )
        for node in root.everything()
        if node.dtype
    ]
    return Listed(sha256, str(root.attrs.get(SEAL, "")), tuple(sorted(datasets, key=lambda one: one.path)))
