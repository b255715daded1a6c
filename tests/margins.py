"""How near the tests of designs come to failing: every start disturbed a little, and the numbers of every comparison.

`pytest --disturb SEED` multiplies each level of each start by 1 + 1e-6 n, n drawn from the normal distribution by the
seed. That stands for another processor or version of torch, whose last digits a design multiplies likewise. All tests
pass with any seed. `--margins FILE` writes down the numbers of each comparison that a test asserts after a design;
`benchmarks/test_margins.py` lays the runs of several seeds side by side.
"""

import ast
import json
import operator
from collections import Counter
from pathlib import Path

import pytest
import torch

from lightlathe.solve import design

DISTURBED = 1e-6
COMPARISONS = {ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "=="}
ARITHMETIC = {ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul, ast.Div: operator.truediv}


class Margins:
    """The plugin behind the two options.

    FILE holds, by test, line, and how often the line has been reached: the assertion's text, and (left, sign, right,
    allowance) of each comparison of numbers in it.
    """

    def __init__(self, seed: int | None, file: Path | None) -> None:
        self.seed, self.file, self.begin = seed, file, design._begin
        self.designs, self.reached, self.found = 0, Counter(), {}

    def pytest_sessionstart(self) -> None:
        design._begin = self.begun

    def pytest_sessionfinish(self) -> None:
        design._begin = self.begin
        if self.file is not None:
            self.file.write_text(json.dumps(self.found))

    def begun(self, problem, solver, start, *more):
        self.designs += 1
        patterns = start(problem) if callable(start) else start
        if self.seed is not None:
            noise = torch.randn((*patterns.shape[:2], 1), generator=torch.Generator().manual_seed(self.seed))
            patterns = patterns * (1 + DISTURBED * noise.to(patterns))
        return self.begin(problem, solver, patterns, *more)

    def pytest_runtest_call(self) -> None:
        self.designs = 0

    def pytest_assertion_pass(self, item: pytest.Item, lineno: int, orig: str, expl: str) -> None:
        if self.designs and self.file is not None:
            place = f"{item.nodeid}:{lineno}"
            self.reached[place] += 1
            compared = numbers_compared(expl)
            if compared:
                self.found[f"{place} #{self.reached[place]}"] = {"text": orig, "compared": compared}


def numbers_compared(explanation: str) -> list[tuple[float, str, float, float]]:
    """(left, sign, right, allowance) of each comparison of two numbers that pytest's words for an assertion show."""
    said = explanation.split("\n")[0].replace(" ± ", " @ ")
    try:
        tree = ast.parse(said.strip(), mode="eval")
    except SyntaxError:
        return []
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            for left, sign, right in zip(sides, node.ops, sides[1:], strict=False):
                one, other = number(left), number(right)
                if one is not None and other is not None and type(sign) in COMPARISONS:
                    found.append((one[0], COMPARISONS[type(sign)], other[0], one[1] + other[1]))
    return found


def number(node: ast.AST) -> tuple[float, float] | None:
    """What a piece of pytest's words comes to, and by how much it may be off (approx); None if it is no number."""
    if isinstance(node, ast.Constant) and type(node.value) in (int, float):
        return float(node.value), 0.0
    if isinstance(node, ast.Name) and node.id in ("inf", "nan"):
        return float(node.id), 0.0
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        value = number(node.operand)
        return None if value is None else (-value[0], value[1])
    if isinstance(node, ast.Call) and len(node.args) == 1:  # tensor(0.5), np.float64(0.5)
        return number(node.args[0])
    if isinstance(node, ast.BinOp):
        left, right = number(node.left), number(node.right)
        if left is None or right is None:
            return None
        if isinstance(node.op, ast.MatMult):  # approx, see above
            return left[0], right[0]
        if type(node.op) in ARITHMETIC and not (isinstance(node.op, ast.Div) and right[0] == 0):
            return ARITHMETIC[type(node.op)](left[0], right[0]), 0.0
    return None
