"""What tests of hostile files share."""

import pytest

from lightlathe.part import read_surface


@pytest.fixture
def read(tmp_path):
    """read(name, data) -> Surface, of a file in mm"""

    def _read(name, data):
        path = tmp_path / name
        path.write_bytes(data if isinstance(data, bytes) else data.encode())
        return read_surface(path, None if name.endswith("3mf") else "mm")

    return _read
