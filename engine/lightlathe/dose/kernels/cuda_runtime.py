"""CUDA source to running kernels: NVRTC, which torch brings, and the driver, through ctypes. No compiler to install.

A program is compiled once per process and kept as machine code in the user's cache folder for the next one.
"""

import contextlib
import ctypes
import hashlib
import os
import tempfile
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

import torch

from lightlathe.errors import KernelUnavailable


@lru_cache(maxsize=1)
def _nvrtc() -> ctypes.CDLL:
    """The NVRTC of torch's own CUDA version: by name, else from the packages that torch's wheel depends on."""
    major = (torch.version.cuda or "0").split(".")[0]
    name = f"libnvrtc.so.{major}"
    with contextlib.suppress(OSError):
        return ctypes.CDLL(name)
    site = Path(torch.__file__).resolve().parents[1] / "nvidia"
    for found in sorted(site.glob(f"*/lib/{name}")):
        with contextlib.suppress(OSError):
            for helper in found.parent.glob("libnvrtc-builtins.so.*"):
                ctypes.CDLL(str(helper), mode=ctypes.RTLD_GLOBAL)
            return ctypes.CDLL(str(found))
    raise KernelUnavailable(f"{name}, the run-time compiler of torch's CUDA {torch.version.cuda}, was not found.")


@lru_cache(maxsize=1)
def _driver() -> ctypes.CDLL:
    return ctypes.CDLL("libcuda.so.1")


def _call(name: str, *arguments) -> None:
    status = getattr(_driver(), name)(*arguments)
    if status:
        text = ctypes.c_char_p()
        _driver().cuGetErrorString(status, ctypes.byref(text))
        raise KernelUnavailable(f"{name} failed: {(text.value or b'unknown error').decode()}.")


def _compiled(source: str, architecture: str, names: dict[str, int]) -> bytes:
    """Machine code of `source`, from the cache where it lies there."""
    options = [f"--gpu-architecture={architecture}".encode(), b"--std=c++17"]
    options += [f"-D{name}={value}".encode() for name, value in names.items()]
    nvrtc = _nvrtc()
    version = (ctypes.c_int(), ctypes.c_int())
    nvrtc.nvrtcVersion(ctypes.byref(version[0]), ctypes.byref(version[1]))
    key = hashlib.sha256(repr((source, options, version[0].value, version[1].value)).encode()).hexdigest()[:32]
    folder = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "lightlathe"
    kept = folder / f"{key}.cubin"
    with contextlib.suppress(OSError):
        return kept.read_bytes()
    program, size = ctypes.c_void_p(), ctypes.c_size_t()
    nvrtc.nvrtcCreateProgram(ctypes.byref(program), source.encode(), b"dose.cu", 0, None, None)
    status = nvrtc.nvrtcCompileProgram(program, len(options), (ctypes.c_char_p * len(options))(*options))
    if status:
        nvrtc.nvrtcGetProgramLogSize(program, ctypes.byref(size))
        text = ctypes.create_string_buffer(size.value)
        nvrtc.nvrtcGetProgramLog(program, text)
        raise KernelUnavailable(f"NVRTC could not compile the kernel for {architecture}:\n{text.value.decode()[:2000]}")
    nvrtc.nvrtcGetCUBINSize(program, ctypes.byref(size))
    code = ctypes.create_string_buffer(size.value)
    nvrtc.nvrtcGetCUBIN(program, code)
    nvrtc.nvrtcDestroyProgram(ctypes.byref(program))
    with contextlib.suppress(OSError):  # a cache that cannot be written costs a second next time
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=folder, delete=False) as part:
            part.write(code.raw)
        Path(part.name).replace(kept)
    return code.raw


class Program:
    """The kernels of one source on one card; the card must be current when it is made and when a kernel is called.

    names   that are defined in the source
    """

    def __init__(self, source: str, architecture: str, **names: int) -> None:
        torch.cuda.current_stream().synchronize()  # sees to it that torch's context of this card is current
        self._module = ctypes.c_void_p()
        _call("cuModuleLoadData", ctypes.byref(self._module), _compiled(source, architecture, names))
        self._functions: dict[str, ctypes.c_void_p] = {}

    def launch(self, name: str, grid: tuple[int, ...], threads: tuple[int, ...], shared_bytes: int, *arguments) -> None:
        """Call kernel `name` on torch's current stream.

        Arguments: tensors (None for no address), ints and floats of 32 bits, maps.
        """
        function = self._functions.get(name)
        if function is None:
            function = ctypes.c_void_p()
            _call("cuModuleGetFunction", ctypes.byref(function), self._module, name.encode())
            if shared_bytes > 48 * 1024:
                _call("cuFuncSetAttribute", function, 8, shared_bytes)  # MAX_DYNAMIC_SHARED_SIZE_BYTES
            self._functions[name] = function
        held = [_argument(a) for a in arguments]
        pointers = (ctypes.c_void_p * len(held))(*(ctypes.addressof(a) for a in held))
        grid, threads = (*grid, 1, 1)[:3], (*threads, 1, 1)[:3]
        stream = ctypes.c_void_p(torch.cuda.current_stream().cuda_stream)
        _call("cuLaunchKernel", function, *grid, *threads, shared_bytes, stream, pointers, None)


class TensorMap:
    """How bulk tensor copies find boxes in an array of three axes, the last contiguous; zeros beyond.

    A box is 256 numbers wide at most, of halves or of integers of 32 bits.
    """

    def __init__(self, array: torch.Tensor, shape: Sequence[int], box: Sequence[int]) -> None:
        self._memory = ctypes.create_string_buffer(128 + 64)
        start = (ctypes.addressof(self._memory) + 63) // 64 * 64
        self.bytes = (ctypes.c_char * 128).from_address(start)
        last, middle, first = shape[2], shape[1], shape[0]
        _call(
            "cuTensorMapEncodeTiled",
            ctypes.c_void_p(start),
            {torch.int32: 3, torch.float16: 6}[array.dtype],
            3,
            ctypes.c_void_p(array.data_ptr()),
            (ctypes.c_uint64 * 3)(last, middle, first),
            (ctypes.c_uint64 * 2)(*(array.element_size() * step for step in (last, last * middle))),
            (ctypes.c_uint32 * 3)(box[2], box[1], box[0]),
            (ctypes.c_uint32 * 3)(1, 1, 1),
            0,
            0,
            2,
            0,
        )  # fmt: skip  (no interleave, no swizzle, 128 bytes at a time from memory)


def _argument(value):
    if value is None or isinstance(value, torch.Tensor):
        assert value is None or value.is_contiguous()  # what lies otherwise, such as `nonzero`'s result, reads as noise
        return ctypes.c_void_p(0 if value is None else value.data_ptr())
    if isinstance(value, TensorMap):
        return value.bytes
    if isinstance(value, float):
        return ctypes.c_float(value)
    return ctypes.c_int32(value)
