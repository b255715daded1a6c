"""Changes to a file that its checksums do not tell."""

import contextlib

import h5py

from lightlathe.result.checksums import seal


@contextlib.contextmanager
def sealed_anew(path):
    """A file open for changes, afterwards with the checksums of what it has become."""
    with h5py.File(path, "r+") as file:
        without_checksums(file)
        yield file
        seal(file)


def without_checksums(file) -> None:
    """As files were before there were checksums."""
    del file["checksums"]
    del file.attrs["checksums_sha256"]
    file.visititems(lambda _, item: item.attrs.pop("sha256_of_pieces", None) and None)


@contextlib.contextmanager
def as_before(path):
    """A file open for changes, as files were before there were checksums."""
    with h5py.File(path, "r+") as file:
        without_checksums(file)
        yield file
