"""This machine's speed, against its own limits: what `lightlathe bench` measures and prints."""

from lightlathe.bench.elsewhere import machine_from
from lightlathe.bench.measure import run
from lightlathe.bench.report import against, read_bench, require_place, table, write_bench

__all__ = ["against", "machine_from", "read_bench", "require_place", "run", "table", "write_bench"]
