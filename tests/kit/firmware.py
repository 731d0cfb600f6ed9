"""Real firmware found where package managers install it.

Nothing is downloaded, nothing is kept in the project.

Python packages (the extra `accuracy`):
    cpm80 1.3.0    an operating system for the 8080, with a disc utility
    esptool 5.6.0  flasher stubs for Xtensa and RISC-V processors (GPL-2.0-or-later)
    fx2 0.16       a boot loader for an 8051 (0BSD)
    uflash 2.0.0   a Python interpreter for an ARM Cortex-M0 (MIT)
    zephyr-4-4-0-hci-uart-nrf52dk-default, zephyr-4-4-0-hci-usb-nrf5340dk-default 0.1.5
                   a radio's controller for ARM Cortex-M4 and M33 (Apache-2.0)
Debian packages, where they are installed:
    seabios, ipxe-qemu       x86 in 16 and 32 bits (LGPL-3, GPL-2)
    cbios                    Z80 (BSD-2-Clause)
    sigrok-firmware-fx2lafw  8051 (GPL-2+)
    firmware-ath9k-htc       Xtensa (BSD-3-Clause-Clear and others)

Each image is cut in two: the first half, `open`, may be looked at by whoever sets a limit; the second half,
`kept`, is for the table alone, and no limit was ever set on it. A package that is not installed is named in
the output.
"""

from __future__ import annotations

import base64
import json
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from numpy.typing import NDArray

Half = Literal["open", "kept"]
PYTHON_PACKAGES = (
    "cpm80",
    "esptool",
    "fx2",
    "uflash",
    "zephyr-4-4-0-hci-uart-nrf52dk-default",
    "zephyr-4-4-0-hci-usb-nrf5340dk-default",
)
DEBIAN_FILES = {
    "seabios": ("/usr/share/seabios", "*.bin"),
    "ipxe-qemu": ("/usr/lib/ipxe/qemu", "*.rom"),
    "cbios": ("/usr/share/cbios", "*.rom"),
    "sigrok-firmware-fx2lafw": ("/usr/share/sigrok-firmware", "*.fw"),
    "firmware-ath9k-htc": ("/lib/firmware/ath9k_htc", "*.fw"),
}
FEWEST_BYTES = 2048
"""Half of it still makes a chip of 1 K words."""


_FACES = (
    (bytes.fromhex("7E81A581BD99817E"), 8, 0),
    (bytes.fromhex("7E81A58181BD99817E"), 14, 2),
    (bytes.fromhex("7E81A58181BD9981817E"), 16, 2),
)
"""Rows of the face that are not blank, rows a glyph, blank rows above."""


@dataclass(frozen=True)
class Firmware:
    """One half of one image."""

    name: str
    words: NDArray[np.uint8]

    def glyphs(self, start: int, end: int) -> float:
        """Share of a stretch that is a character generator: the fonts of a video program."""
        inside = sum(
            max(0, min(end, last) - max(start, first)) for first, last in fonts(self.words.tobytes())
        )
        return inside / (end - start)


@cache
def fonts(content: bytes) -> tuple[tuple[int, int], ...]:
    """Where the 256 glyphs of 8, 14 or 16 rows of a video adapter lie, found by their second glyph, a face.

    Source: code page 437 as published by the Unicode Consortium has WHITE SMILING FACE at 01; its rows in the
    three sizes as the image files themselves show them.
    """
    found = []
    for face, height, above in _FACES:
        at = content.find(face)
        while at >= 0:
            start = at - height - above
            found.append((max(start, 0), min(start + 256 * height, len(content))))
            at = content.find(face, at + 1)
    return tuple(sorted(found))


@cache
def installed(half: Half) -> tuple[tuple[Firmware, ...], tuple[str, ...]]:
    """The halves at hand, each different content once, and a line for each package that is missing."""
    found: dict[bytes, Firmware] = {}
    missing: list[str] = []
    for name, content in _everything(missing):
        middle = len(content) // 2
        part = content[:middle] if half == "open" else content[middle:]
        if len(content) >= FEWEST_BYTES:
            found.setdefault(part, Firmware(name, np.frombuffer(part, dtype=np.uint8)))
    return tuple(found.values()), tuple(missing)


def _everything(missing: list[str]) -> Iterator[tuple[str, bytes]]:
    for package in PYTHON_PACKAGES:
        try:
            origin = distribution(package)
        except PackageNotFoundError:
            missing.append(f"{package} is not installed: its firmware is left out")
            continue
        for name, content in _packed(package, origin):
            yield f"{package} {origin.version} {name}", content
    for package, (folder, pattern) in DEBIAN_FILES.items():
        paths = sorted(path for path in Path(folder).glob(pattern) if not path.is_symlink())
        if not paths:
            missing.append(f"Debian's {package} is not installed: its firmware is left out")
        for path in paths:
            yield f"{package} {path.name}", path.read_bytes()


def _packed(package: str, origin: Distribution) -> Iterator[tuple[str, bytes]]:
    files = {str(file): Path(str(file.locate())) for file in origin.files or ()}
    if package == "uflash":
        records = re.findall(r"^:([0-9A-F]+)$", files["uflash.py"].read_text(encoding="utf-8"), re.MULTILINE)
        yield from ((f"V{number}", _longest_run(records, kind)) for number, kind in ((1, "00"), (2, "0D")))
        return
    for name, path in sorted(files.items()):
        short = "-".join(Path(name).parts[-2:])
        if package == "cpm80" and name.endswith((".bin", ".com")):
            yield short, path.read_bytes()
        elif package == "esptool" and "stub_flasher" in name and name.endswith(".json"):
            parts = json.loads(path.read_text(encoding="utf-8"))
            yield short, base64.b64decode(parts["text"]) + base64.b64decode(parts["data"])
        elif name.endswith((".hex", ".ihex")):
            records = re.findall(r"^:([0-9A-Fa-f]+)\s*$", path.read_text(encoding="utf-8"), re.MULTILINE)
            yield short, _longest_run(records, "00")


def _longest_run(records: list[str], kind: str) -> bytes:
    """The longest stretch of addresses without a hole, among the records of one type.

    Source: the two images of a micro:bit universal hex file are records of type 00, then of type 0D.
    """
    runs: list[bytearray] = [bytearray()]
    base, expected = 0, -1
    for record in records:
        body = bytes.fromhex(record)
        if body[3] == 0x04:
            base = int.from_bytes(body[4:6], "big") << 16
        elif f"{body[3]:02X}" == kind:
            at = base + int.from_bytes(body[1:3], "big")
            if at != expected:
                runs.append(bytearray())
            runs[-1].extend(body[4:-1])
            expected = at + body[0]
    return bytes(max(runs, key=len))


IMAGE_FOLDERS = (Path("/usr/share/seabios"), Path("/usr/lib/ipxe/qemu"), Path("/usr/share/qemu"))
"""Where Debian's packages seabios, ipxe-qemu and qemu-system-data put firmware."""


def firmware(name: str) -> NDArray[np.uint8]:
    """A published firmware image, from Debian's packages or the folder that WELLREAD_FIRMWARE names."""
    folders = [Path(os.environ["WELLREAD_FIRMWARE"])] if "WELLREAD_FIRMWARE" in os.environ else []
    for folder in (*folders, *IMAGE_FOLDERS):
        if (folder / name).is_file():
            return np.fromfile(folder / name, dtype=np.uint8)
    pytest.skip(f"{name}: install Debian's seabios, ipxe-qemu and qemu-system-data, or set WELLREAD_FIRMWARE")
