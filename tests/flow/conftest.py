"""A fixture that tests of inserts share."""

import pytest
from rod_jobs import ROD


@pytest.fixture
def with_rod(small_job):
    """A disc of 2 mm radius on a rod of 1 mm radius, which sticks out of the resin; voxels of 0.0625 mm."""

    def text(rod=ROD, voxel=0.0625, **changes):
        head, rest = small_job(**changes).split("[vial]")
        rest = rest.replace("voxel_mm = 0.25", f"voxel_mm = {voxel}")
        return head.replace("[part]", "[[part]]") + rod + "[vial]" + rest

    return text
