"""Small valid jobs and studies to be broken, and what is done with each broken one."""

import json
from pathlib import Path
from typing import Any
from unicodedata import bidirectional, category

import trimesh
from hostile_toml import bent, copied, dumped, holder, mutated, places
from hypothesis import strategies as st

from lightlathe import feasibility, pipeline
from lightlathe.errors import LightlatheError
from lightlathe.flow.devices import device_of, require_memory
from lightlathe.flow.lit import field_of
from lightlathe.flow.solids import lay_out, load_solids
from lightlathe.job import Job, load_job
from lightlathe.job.bounds import bounds_of
from lightlathe.study.plan import designs, load_plan
from lightlathe.study.run import begin

SHAPE: dict[str, Any] = {
    "part": {"shape": {"kind": "cylinder", "radius_mm": 1.0, "height_mm": 0.5}},
    "vial": {"inner_diameter_mm": 4.0, "resin_height_mm": 4.0},
    "resin": {"absorption_per_mm": 0.1, "liquid_below_mj_cm3": 40.0, "solid_above_mj_cm3": 44.0},
    "light": {"pixel_mm": 0.25, "columns": 16, "rows": 8, "irradiance_mw_cm2": 20.0},
    "turn": {"angles": 12, "seconds_per_turn": 10.0},
    "grid": {"voxel_mm": 0.25},
}
FULL: dict[str, Any] = {
    "part": [
        {"mesh": "cube.stl", "unit": "mm", "scale": 0.5, "rotation_deg": [0, 10.0, 0], "shift_mm": [0.1, 0, 0]},
        {"role": "keep_liquid", "shape": {"kind": "sphere", "radius_mm": 0.3, "at_mm": [0.5, 0.0, 0.0]}},
        {"role": "insert", "shape": {"kind": "tube", "outer_radius_mm": 0.3, "inner_radius_mm": 0.2, "height_mm": 1.0}},
    ],
    "vial": SHAPE["vial"],
    "resin": {
        "kind": "inhibited", "absorption_per_mm": 0.2, "wavelength_nm": 405.0, "planned_exposure_s": 30.0,
        "oxygen_mol_m3": 1.0, "viscosity_pa_s": 5.0, "doses_known_to_percent": 5.0, "double_bonds_mol_m3": 5000.0,
    },
    "light": {
        **SHAPE["light"], "bits": 8, "wavelength_nm": 405.0, "beam": "telecentric",
        "response": {"kind": "table", "code": [0.0, 0.5, 1.0], "relative_light": [0.0, 0.4, 1.0]},
    },
    "turn": {**SHAPE["turn"], "sense": "counterclockwise", "max_exposure_s": 300.0},
    "grid": {"voxel_mm": 0.25, "margin_voxels": 1, "finer": 2},
    "design": {
        "loss": {"kind": "gap_hinge", "exponent": 4.0}, "solver": {"kind": "bounded_lbfgs", "memory": 3},
        "start": {"kind": "filtered", "disturbed": 0.1, "seed": 1}, "iterations": 3,
        "penalties": [{"kind": "light_used", "weight": 0.01}],
        "stop": {"window": 0.1, "seconds": 5.0, "stall": 2}, "ladder": [{"coarser": 2.0, "iterations": 2}],
        "robust": {"absorption_percent": [-10.0, 10.0], "dose_percent": [0.0], "axis_offset_mm": [0.0]},
        "tolerance_mm": 0.05, "level_limit": 8.0, "kernel": "auto", "device": "cpu", "precision": "half",
        "part_weight": 2.0, "weight": "coverage", "bound_iterations": 5, "rounding_iterations": 2,
    },
    "output": {"result": "out.h5"},
}  # fmt: skip
STUDY: dict[str, Any] = {
    "study": {
        "jobs": ["small.toml"], "repeats": 2, "rank_by": "iou_fine", "bound_iterations": 5,
        "set": {"design.iterations": 3},
        "vary": {"design.loss": ["gap_hinge", {"kind": "gap_hinge", "exponent": 4.0}], "turn.angles": [12, 14]},
    }
}  # fmt: skip
JOBS = (SHAPE, FULL)
KEYS = tuple(sorted({key for job in JOBS for table in job.values() if isinstance(table, dict) for key in table}))
BYTES = tuple(dumped(job).encode() for job in JOBS)


@st.composite
def extreme(draw: st.DrawFn) -> dict[str, Any]:
    """A valid job with some of its numbers anywhere within what their keys can hold, the ends more often."""
    tree = copied(draw(st.sampled_from(JOBS)), 100)
    numbers = [path for path in places(tree) if type(holder(tree, path)[path[-1]]) in (int, float)]
    for path in draw(st.lists(st.sampled_from(numbers), min_size=1, max_size=8, unique=True)):
        name = next(key for key in reversed(path) if isinstance(key, str))
        least, most, _ = bounds_of(name)
        power = draw(st.one_of(st.sampled_from((0.0, 1.0)), st.floats(0, 1), st.floats(0.3, 0.7)))
        value = min(most, max(least, least ** (1 - power) * most**power)) if least > 0 else 1.0
        inside, key = holder(tree, path), path[-1]
        inside[key] = int(value) if isinstance(inside[key], int) else value
    return tree


broken_jobs = st.one_of(*[mutated(JOBS, KEYS)] * 4, bent(BYTES), bent(BYTES), extreme())
broken_studies = st.one_of(
    mutated((STUDY,), (*KEYS, "design.start", "part.shape", "grid.voxel_mm", "design.solver")),
    bent((dumped(STUDY).encode(),)),
)
TURNS = ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI")  # Unicode Standard Annex 9
SMALL_VOXELS, SMALL_PIXELS = 200_000, 500_000  # up to which a job is made ready for its design as well


def lay_files(folder: Path) -> None:
    """What the jobs name: a mesh, files that are none, a loss that tells when it is run."""
    trimesh.creation.box((2, 2, 1)).export(folder / "cube.stl")
    for name in ("text.stl", "text.3mf", "text.py"):
        (folder / name).write_text("not what the name says (")
    (folder / "ok.py").write_text(
        "open('/dev/null')\nraise SystemExit('a file of the job was run')\ndef loss(dose, target): return dose.sum()\n"
    )
    (folder / "small.toml").write_text(dumped(SHAPE))


def write(tree: dict[str, Any] | bytes, path: Path) -> Path:
    path.write_bytes(tree if isinstance(tree, bytes) else dumped(tree).encode())
    return path


def try_job(path: Path) -> str:
    """Everything `check` does and, on small grids, what `design` does before its first iteration; says how it ended."""
    try:
        job = load_job(path)
        solids, said = load_solids(job)
        verdict = feasibility.check(job, solids)
        "\n".join([verdict.text(), *feasibility.parts_lines(job, solids, said)]).encode()
        json.dumps(verdict.as_json(), allow_nan=False)
        ready(job, (solids, said))
    except LightlatheError as problem:
        bearable(problem)
        return "refused"
    return verdict.level


def ready(job: Job, loaded: Any) -> None:
    grid = lay_out(job, loaded[0]).grid
    light = job.light
    if grid.voxels < SMALL_VOXELS and job.turn.angles * light.columns * light.rows < SMALL_PIXELS and not own(job):
        pipeline.prepare(job, loaded)
    else:
        require_memory(grid, device_of(job), job.turn.angles * field_of(job, loaded[0], grid).lit_pixels)


def own(job: Job) -> bool:
    return hasattr(job.design.loss, "name")


def try_study(path: Path) -> str:
    """What `compare` does before its first design."""
    try:
        plan = load_plan(path)
        planned = designs(plan)
        if len(planned) < 50 and not any(own(one.job) for one in planned):
            begin(plan, path.with_suffix(".h5"))
    except LightlatheError as problem:
        bearable(problem)
        return "refused"
    return "taken"


def bearable(problem: LightlatheError) -> None:
    """A message is a few lines, and nothing in it steers the terminal or turns the direction of writing."""
    text = str(problem)
    assert len(text) < 4000, f"{len(text)} characters: {text[:300]}"
    steering = [c for c in text if c != "\n" and (category(c) in ("Cc", "Cs") or bidirectional(c) in TURNS)]
    assert not steering, repr(text[:300])
