"""What the check needs to know about a part."""

from dataclasses import dataclass, replace

from torch import Tensor

from lightlathe.errors import JobError, PartError
from lightlathe.flow.beside_inserts import Beside
from lightlathe.judge.sample_slices import sample_slices
from lightlathe.quantities import Part


@dataclass(frozen=True)
class Extent:
    """A part in its place in the vial. Lengths mm.

    radius_mm          farthest point from the turning axis
    height_mm          its extent along the axis
    top_mm             farthest point from z = 0, at which the light's middle lies; half of the height where None

    Known only once the part has been read (None: judged as a solid body of that radius and height):
    slices             (x, y, slice) bool: voxels that must turn solid, in a sample of slices
    slice_voxel_mm     their size; that of the job's grid where None
    surrounded         some resin around the part is judged
    volume_mm3, thinnest_mm
    level_ends_mm      z of the level faces at its bottom and top, where both ends have one; see judge/ends.py
    beside             what its inserts leave of the light beside them; None where there is no insert
    violations            sentences on what lies outside the resin or the light: the print cannot work
    helps              what can make it fit
    unit_question      whether a mesh is in another unit, where that is likely; empty elsewhere
    possible_mistakes             sentences on likely mistakes: inserts or regions outside, a tiny part
    """

    radius_mm: float
    height_mm: float
    top_mm: float | None = None
    slices: Tensor | None = None
    slice_voxel_mm: float | None = None
    surrounded: bool = True
    volume_mm3: float | None = None
    thinnest_mm: float | None = None
    level_ends_mm: tuple[float, float] | None = None
    beside: Beside | None = None
    violations: tuple[str, ...] = ()
    helps: tuple[str, ...] = ()
    unit_question: str = ""
    possible_mistakes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("radius_mm", "height_mm"):
            if not 0 < getattr(self, name) < float("inf"):
                raise JobError(f"{name} of the part is {getattr(self, name)}; expected a finite length above 0.")

    @property
    def farthest_z_mm(self) -> float:
        """`top_mm`, of a part in the middle where that is not given."""
        return self.height_mm / 2 if self.top_mm is None else self.top_mm

    def seen_as(self, part: Part) -> "Extent":
        """A copy completed from the part's voxels. Raises PartError if no voxel must turn solid."""
        target = part.target()
        if not bool(target.with_part.any()):
            raise PartError(
                "no voxel must turn solid; expected a part. Is it thinner than the voxels, or outside the vial?"
            )
        return replace(
            self,
            slices=target.solid[:, :, sample_slices(target.solid)].cpu(),
            slice_voxel_mm=part.grid.voxel_mm,
            surrounded=bool(target.with_surroundings.any()),
            volume_mm3=part.volume_mm3,
        )
