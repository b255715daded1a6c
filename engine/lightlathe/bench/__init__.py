"""This machine's speed, against its own limits: what `lightlathe bench` measures and prints."""

from lightlathe.bench.measure import run
from lightlathe.bench.report import against, read_bench, table

__all__ = ["against", "read_bench", "run", "table"]
