"""The job file: TOML -> Job, a typed, validated model."""

from lightlathe.job.model import Job
from lightlathe.job.reading import job_from, job_in, load_job, parse_job
from lightlathe.job.resolved import resolved

__all__ = ["Job", "job_from", "job_in", "load_job", "parse_job", "resolved"]
