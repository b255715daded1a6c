"""The result: one HDF5 file is the record of one design."""

from importlib import import_module

_HOME = {
    "Record": "lightlathe.result.record",
    "read_result": "lightlathe.result.hdf5",
    "write_result": "lightlathe.result.hdf5",
    "partial_path": "lightlathe.result.partial",
    "read_partial": "lightlathe.result.partial",
    "write_partial": "lightlathe.result.partial",
}
__all__ = list(_HOME)


def __getattr__(name: str):
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)  # h5py is loaded when a file is read or written
    raise AttributeError(f"module 'lightlathe.result' has no attribute {name!r}")
