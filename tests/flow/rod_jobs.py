"""Jobs of a part on a rod, for tests of inserts."""

from lightlathe.flow.solids import load_solids
from lightlathe.job import parse_job

ROD = '[[part]]\nrole = "insert"\nshape = { kind = "cylinder", radius_mm = 1.0, height_mm = 40.0 }\n'


def job_of(text, tmp_path):
    job = parse_job(text, name="rod", folder=tmp_path)
    solids, said = load_solids(job)
    return job, solids, said
