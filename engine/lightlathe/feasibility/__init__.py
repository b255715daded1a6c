"""Can it work? What can be said of a job before any light is designed, in seconds."""

from lightlathe.feasibility.case import Case
from lightlathe.feasibility.extent import Extent
from lightlathe.feasibility.look import can_start, case_of, check
from lightlathe.feasibility.machine import Machine
from lightlathe.feasibility.parts import parts_lines, thinnest
from lightlathe.feasibility.questions import verdict_on

__all__ = ["Case", "Extent", "Machine", "can_start", "case_of", "check", "parts_lines", "thinnest", "verdict_on"]
