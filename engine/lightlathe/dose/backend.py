"""The backend of an operator: kernel, device, dtype and precision."""

from dataclasses import dataclass

import torch


@dataclass(frozen=True)
class Backend:
    """
    kernel      a name in dose/kernels, or "auto": the fastest that the device and the optics allow
    device      where patterns and doses lie
    dtype       torch.float32, or torch.float64 where the kernel takes it
    precision   "half" lets a GPU kernel round light and weights to 11 bits, "single" does not
    """

    kernel: str = "auto"
    device: torch.device | str = "cpu"
    dtype: torch.dtype = torch.float32
    precision: str = "half"
