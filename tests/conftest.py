"""Fixtures that several test folders share."""

from pathlib import Path

import pytest

MESHES = Path(__file__).resolve().parents[2] / "shared" / "meshes"


@pytest.fixture(scope="session")
def shared_meshes() -> Path:
    """The folder of real and broken meshes that lies beside the repository, where it is laid out."""
    if not MESHES.is_dir():
        pytest.skip("the folder of test meshes (../shared/meshes beside the repository) is not on this machine")
    return MESHES
