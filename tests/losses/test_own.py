"""A loss from the user's own file: the two forms that work, and a clear error for each thing that may be wrong."""

import pytest
import torch

from lightlathe.errors import JobError
from lightlathe.losses import is_own, own_loss
from lightlathe.quantities import Target

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
    (tmp_path / "bad.py").write_text("import a_module_that_is_not_there")
    return tmp_path


def test_a_function(folder):
    assert float(own_loss("mine.py:absolute", folder)(DOSE, TARGET)) == pytest.approx(0.75)


def test_a_class_with_settings(folder):
    assert float(own_loss("mine.py:Scaled", folder)(DOSE, TARGET)) == pytest.approx(1.5)
    assert float(own_loss("mine.py:Scaled", folder, {"factor": 4.0})(DOSE, TARGET)) == pytest.approx(3.0)


def test_which_names_are_files():
    assert is_own("mine.py:absolute")
    assert not is_own("gap_hinge")


@pytest.mark.parametrize(
    ("name", "settings", "says"),
    [
        ("none.py:absolute", None, "there is no file"),
        ("bad.py:absolute", None, "does not run: ModuleNotFoundError"),
        ("mine.py:absolut", None, "no function or class 'absolut'. It has: absolute, Scaled"),
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
    with pytest.raises(JobError, match=says) as caught:
        own_loss(name, folder, settings)
    assert name in str(caught.value)


def test_what_goes_wrong_on_a_real_part_is_told_too(folder):
    loss = own_loss("mine.py:small_only", folder)
    with pytest.raises(JobError, match=r"mine\.py:small_only.*RuntimeError: never tried"):
        loss(DOSE.expand(2, 2, 1), Target(SOLID.expand(2, 2, 1), ~SOLID.expand(2, 2, 1)))
