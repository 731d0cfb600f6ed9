"""Images for the tests of content: random, code-like, with text, with a check.

Made by code that knows no pipeline.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

Image = NDArray[np.uint8]
_OPCODES = np.array(
    [
        0xA9,
        0x85,
        0xAD,
        0x8D,
        0x20,
        0x4C,
        0xD0,
        0xF0,
        0x60,
        0xC9,
        0xA2,
        0xA0,
        0xE8,
        0xCA,
        0x88,
        0xC8,
        0x18,
        0x69,
        0x29,
        0x4A,
    ],
    dtype=np.uint8,
)
_LENGTHS = np.array([2, 2, 3, 3, 3, 3, 2, 2, 1, 2, 2, 2, 1, 1, 1, 1, 1, 2, 2, 1])
FIRMWARE = (Path("/usr/share/seabios"), Path("/usr/lib/ipxe/qemu"), Path("/usr/share/qemu"))
"""Where Debian's packages seabios, ipxe-qemu and qemu-system-data put firmware."""


def random_image(seed: int, size: int = 2048) -> Image:
    """Bytes without meaning."""
    return np.random.default_rng(seed).integers(0, 256, size, dtype=np.uint8)


def code_image(seed: int, size: int = 2048) -> Image:
    """Bytes as an 8-bit processor's program has them: few opcodes, small operands, near addresses."""
    rng = np.random.default_rng(seed)
    share = rng.dirichlet(np.full(len(_OPCODES), 0.7))
    page = int(rng.integers(0xC0, 0xF8))
    which = rng.choice(len(_OPCODES), p=share, size=size)
    operand = np.minimum(255, rng.geometric(0.03, size=size))
    low, high = rng.integers(0, 256, size=size), page + rng.integers(0, 8, size=size)
    rows = np.stack([_OPCODES[which], np.where(_LENGTHS[which] == 2, operand, low), high], axis=1)
    return rows[np.arange(3)[None, :] < _LENGTHS[which][:, None]][:size].astype(np.uint8)


def put(image: Image, at: int, content: bytes) -> Image:
    """The image with some bytes in one place; it has to change."""
    out = image.copy()
    out[at : at + len(content)] = np.frombuffer(content, dtype=np.uint8)
    assert (out != image).any()
    return out


def firmware(name: str) -> Image:
    """A published firmware image, from Debian's packages or the folder that WELLREAD_FIRMWARE names."""
    folders = [Path(os.environ["WELLREAD_FIRMWARE"])] if "WELLREAD_FIRMWARE" in os.environ else []
    for folder in (*folders, *FIRMWARE):
        if (folder / name).is_file():
            return np.fromfile(folder / name, dtype=np.uint8)
    pytest.skip(f"{name}: install Debian's seabios, ipxe-qemu and qemu-system-data, or set WELLREAD_FIRMWARE")
