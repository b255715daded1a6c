"""Fixtures that several test folders share, and where functions for GPUs are tested."""

import contextlib
import os
from collections.abc import Callable, Generator, Iterator
from pathlib import Path
from typing import Any

import pytest

for name, value in {"OMP_WAIT_POLICY": "PASSIVE", "GOMP_SPINCOUNT": "0"}.items():
    os.environ.setdefault(name, value)  # before torch is loaded: threads that wait sleep, as in cli/main.py
if workers := int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "0")):  # pytest -n: the workers share the cores
    os.environ.setdefault("OMP_NUM_THREADS", str(max(1, (os.cpu_count() or 1) // workers)))
    # numba's index of compiled code knows no lock: two workers at once could leave one that no program can read
    cache = Path(__file__).parents[1] / ".pytest_cache" / "numba" / os.environ["PYTEST_XDIST_WORKER"]
    os.environ.setdefault("NUMBA_CACHE_DIR", str(cache))
os.environ.pop("TRITON_INTERPRET", None)  # gpu_device.py switches it on where it is wanted

import torch  # noqa: E402

from gpu_device import ON_CARD, interpreter  # noqa: E402
from odd_jobs import disc  # noqa: E402

with interpreter(), contextlib.suppress(ImportError):
    import triton  # noqa: F401


def for_gpus(path: Path) -> bool:
    return path.name.startswith("test_gpu_")


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector: pytest.Collector) -> Generator[None, Any, Any]:
    with interpreter() if for_gpus(collector.path) else contextlib.nullcontext():
        return (yield)


@contextlib.contextmanager
def card_out_of_sight() -> Iterator[None]:
    """A job whose device is `auto` designs on the CPU, here and in processes that a test starts: what such tests
    compare is the same on every machine. Tests of GPU functions, and those marked `card`, name their device."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(torch.cuda, "is_available", lambda: False)
        patch.setenv("CUDA_VISIBLE_DEVICES", "")
        yield


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """Around a test and the fixtures that it sets up, those of its module too."""
    with contextlib.ExitStack() as around:
        if for_gpus(item.path):
            around.enter_context(interpreter())
        elif not item.get_closest_marker("card"):
            around.enter_context(card_out_of_sight())
        return (yield)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if not ON_CARD and item.get_closest_marker("card"):
            item.add_marker(pytest.mark.skip(reason="needs a CUDA card"))


@pytest.fixture(autouse=True)
def nothing_known_of_this_machine(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """The cache folder is a new one, so that no bench of its user changes what tests see, and none changes theirs."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
    monkeypatch.delenv("LOCALAPPDATA", raising=False)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--disturb", type=int, metavar="SEED", help="disturb every start of a design by 1e-6 of itself")
    parser.addoption("--margins", type=Path, metavar="FILE", help="write down what is compared after a design, as JSON")


def pytest_configure(config: pytest.Config) -> None:
    seed, file = config.getoption("--disturb"), config.getoption("--margins")
    if seed is not None or file is not None:
        import margins

        config.pluginmanager.register(margins.Margins(seed, file))


MESHES = Path(__file__).resolve().parents[2] / "shared" / "meshes"


@pytest.fixture(scope="session")
def shared_meshes() -> Path:
    """The folder of real and broken meshes that lies beside the repository, where it is laid out."""
    if not MESHES.is_dir():
        pytest.skip("the folder of test meshes (../shared/meshes beside the repository) is not on this machine")
    return MESHES


@pytest.fixture(scope="session")
def small_job() -> Callable[..., str]:
    """The text of a job that designs in a second: a disc of 4 mm in a vial of 10 mm, in voxels of 0.25 mm."""

    def text(absorption=0.1, liquid_below=40, solid_above=44, sense="clockwise", iterations=30) -> str:
        return disc(
            ("absorption_per_mm = 0.1", f"absorption_per_mm = {absorption}"),
            ("= 40\nsolid_above_mj_cm3 = 44", f"= {liquid_below}\nsolid_above_mj_cm3 = {solid_above}"),
            ("seconds_per_turn = 10", f'seconds_per_turn = 10\nsense = "{sense}"'),
            ("iterations = 12\nbound_iterations = 40", f"iterations = {iterations}"),
        )

    return text
