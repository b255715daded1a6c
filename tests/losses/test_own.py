"""A loss from the user's own file: the two forms that work, and a clear error for each thing that may be wrong."""

import copy
import hashlib

import pytest
import torch

from lightlathe.errors import JobError
from lightlathe.losses import OwnLoss
from lightlathe.quantities import Target
from lightlathe.support.own_file import is_own

FILE = """
from __future__ import annotations
from dataclasses import dataclass
import torch

def absolute(dose, target):
    return ((1 - dose).abs() * target.solid + dose.abs() * target.liquid).sum()

@dataclass(frozen=True)
class Scaled:
    factor: float = 2.0
    def __call__(self, dose, target):
        return self.factor * absolute(dose, target)

def of_numbers(dose, target): return 3.0
def of_constants(dose, target): return torch.tensor(3.0)
def per_voxel(dose, target): return dose
def endless(dose, target): return (dose - dose.detach()).sum().log()
def broken(dose, target): return dose.no_such_thing()
def small_only(dose, target):
    if dose.numel() > 2:
        raise RuntimeError("never tried on a real part")
    return dose.sum()
number = 7
"""
SOLID = torch.tensor([True, False]).reshape(2, 1, 1)
TARGET = Target(SOLID, ~SOLID)
DOSE = torch.tensor([0.75, 0.5]).reshape(2, 1, 1)


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "mine.py").write_text(FILE)
    (tmp_path / "bad.py").write_text("import a_module_that_is_not_there\nabsolute = 1")
    (tmp_path / "exits.py").write_text("absolute = 1\nraise SystemExit(7)")
    return tmp_path


def test_a_function(folder):
    assert float(OwnLoss.named("mine.py:absolute", folder)(DOSE, TARGET)) == pytest.approx(0.75)


def test_a_class_with_settings(folder):
    assert float(OwnLoss.named("mine.py:Scaled", folder)(DOSE, TARGET)) == pytest.approx(1.5)
    assert float(OwnLoss.named("mine.py:Scaled", folder, {"factor": 4.0})(DOSE, TARGET)) == pytest.approx(3.0)


def test_which_names_are_files():
    assert is_own("mine.py:absolute")
    assert not is_own("gap_hinge")


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("none.py:absolute", "there is no file"),
        ("mine.py:absolut", "no function or class 'absolut'. It has: absolute, Scaled"),
        ("mine.py:factor", "no function or class 'factor'"),  # a field of a class, not of the file
        ("mine.py:", "no function or class ''"),
        ("text.py:loss", "is not Python: SyntaxError"),
        ("deep.py:loss", "is not Python: "),
        ("zero.py:loss", "is not Python: "),
        ("endless.py:loss", "more than 1 MB"),
    ],
)
def test_what_can_be_seen_without_running_is_told_at_once(folder, name, says):
    (folder / "text.py").write_text("def loss(dose")
    (folder / "deep.py").write_text("loss = " + "(" * 5000 + ")" * 5000)
    (folder / "zero.py").write_text("loss = 1\0")
    (folder / "endless.py").write_text("#" * 1_000_001)
    with pytest.raises(JobError, match=says) as caught:
        OwnLoss.named(name, folder)
    assert name in str(caught.value)


@pytest.mark.parametrize(
    ("name", "settings", "says"),
    [
        ("bad.py:absolute", None, "does not run: ModuleNotFoundError"),
        ("exits.py:absolute", None, "does not run: SystemExit: 7"),
        ("mine.py:number", None, "no function or class"),
        ("mine.py:Scaled", {"fctor": 1}, "TypeError"),
        ("mine.py:absolute", {"factor": 1}, "takes no settings"),
        ("mine.py:of_numbers", None, "gives float; expected a scalar torch tensor"),
        ("mine.py:of_constants", None, "does not depend on the dose"),
        ("mine.py:per_voxel", None, r"gives \(2, 1, 1\)"),
        ("mine.py:endless", None, "expected a finite number"),
        ("mine.py:broken", None, "fails on two voxels: AttributeError"),
    ],
)
def test_errors_name_the_loss_and_the_reason(folder, name, settings, says):
    loss = OwnLoss.named(name, folder, settings)
    with pytest.raises(JobError, match=says) as caught:
        loss.load()
    assert name in str(caught.value)


def test_the_file_is_run_once_when_it_is_loaded_and_as_it_was_read(folder):
    """Naming, copying or printing it runs nothing; what is in the file later counts for nothing."""
    text = "with open(__file__ + '.ran', 'a') as f: f.write('x')\ndef loss(dose, target):\n    return dose.sum()\n"
    (folder / "tells.py").write_text(text)
    loss = OwnLoss.named("tells.py:loss", folder)
    assert str(copy.deepcopy(loss)) == loss.as_job() == "tells.py:loss"
    assert not hasattr(loss, "part_dose")
    assert not (folder / "tells.py.ran").exists()
    (folder / "tells.py").write_text("raise ValueError")
    assert float(loss(DOSE, TARGET)) == pytest.approx(1.25)
    loss.load()
    assert (folder / "tells.py.ran").read_text() == "x"
    assert loss.source.sha256 == hashlib.sha256(text.encode()).hexdigest()


@pytest.mark.parametrize(
    "line",
    ["def name(): pass", "class name: pass", "name = 1", "a, name = 1, 2", "import x as name", "from x import name",
     "from x import *", "if 1:\n    def name(): pass", "try:\n    name = 1\nexcept OSError:\n    pass",
     "def __getattr__(n): pass", "(name := 3)", "with open(x) as name: pass", "for name in (): pass"],
)  # fmt: skip
def test_every_way_to_define_a_name_is_seen(tmp_path, line):
    (tmp_path / "mine.py").write_text(f"1 / 0\n{line}\n")
    assert OwnLoss.named("mine.py:name", tmp_path).name == "mine.py:name"


def test_what_goes_wrong_on_a_real_part_is_told_too(folder):
    loss = OwnLoss.named("mine.py:small_only", folder)
    with pytest.raises(JobError, match=r"mine\.py:small_only.*RuntimeError: never tried"):
        loss(DOSE.expand(2, 2, 1), Target(SOLID.expand(2, 2, 1), ~SOLID.expand(2, 2, 1)))
