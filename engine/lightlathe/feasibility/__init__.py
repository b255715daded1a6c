"""The feasibility check: what can be said about a job in seconds, before any design."""

from lightlathe.feasibility.case import Case
from lightlathe.feasibility.extent import Extent
from lightlathe.feasibility.machine import Machine
from lightlathe.feasibility.parts import parts_lines, thinnest
from lightlathe.feasibility.questions import verdict_on
from lightlathe.feasibility.quick_check import can_start, case_of, check, this_machine

__all__ = [
    "Case", "Extent", "Machine", "can_start", "case_of", "check", "parts_lines", "thinnest", "this_machine",
    "verdict_on",
]  # fmt: skip
