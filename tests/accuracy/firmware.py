"""Real firmware found inside packages that pip installs: nothing is downloaded, nothing is kept in the project.

    cpm80 1.3.0    CP/M-80 2.2 for the 8080: ccp.bin, bdos.bin, pip.com
    esptool 5.6.0  flasher stubs for Xtensa and RISC-V processors (base64 in JSON)
    uflash 2.0.0   a Python interpreter for an ARM Cortex-M0, as Intel HEX inside uflash.py

A package that is not installed is left out and named in the output, so that the table says what it rests on.
"""

from __future__ import annotations

import base64
import json
import re
from dataclasses import dataclass
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

PACKAGES = ("cpm80", "esptool", "uflash")


@dataclass(frozen=True)
class Firmware:
    name: str
    words: NDArray[np.uint8]


def installed() -> tuple[list[Firmware], list[str]]:
    """The firmware at hand, and a line for each package that is missing."""
    found: list[Firmware] = []
    missing: list[str] = []
    for package in PACKAGES:
        try:
            origin = distribution(package)
        except PackageNotFoundError:
            missing.append(f"{package} is not installed: its firmware is left out")
            continue
        found.extend(_images(package, origin))
    return found, missing


def _images(package: str, origin: Distribution) -> list[Firmware]:
    files = {str(file): Path(str(file.locate())) for file in origin.files or ()}
    label = f"{package} {origin.version}"
    if package == "cpm80":
        return [
            Firmware(f"{label} {Path(name).name}", _words(path.read_bytes()))
            for name, path in sorted(files.items())
            if name.endswith((".bin", ".com"))
        ]
    if package == "esptool":
        return [
            Firmware(f"{label} {'-'.join(Path(name).parts[-2:])}", _stub(path))
            for name, path in sorted(files.items())
            if "stub_flasher" in name and name.endswith(".json")
        ]
    images = _interpreters(files["uflash.py"])
    return [Firmware(f"{label} V{number}", words) for number, words in enumerate(images, start=1)]


def _words(content: bytes) -> NDArray[np.uint8]:
    return np.frombuffer(content, dtype=np.uint8)


def _stub(path: Path) -> NDArray[np.uint8]:
    parts = json.loads(path.read_text(encoding="utf-8"))
    return _words(base64.b64decode(parts["text"]) + base64.b64decode(parts["data"]))


def _interpreters(path: Path) -> list[NDArray[np.uint8]]:
    """The two images of a universal hex file: data records of type 00, then of type 0D.

    Source: micro:bit Universal Hex specification (0B ends a block, 0D is custom data).
    """
    records = re.findall(r"^:([0-9A-F]+)$", path.read_text(encoding="utf-8"), re.MULTILINE)
    return [_longest_run(records, kind) for kind in ("00", "0D")]


def _longest_run(records: list[str], kind: str) -> NDArray[np.uint8]:
    """The longest stretch of addresses without a hole, among the records of one type."""
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
    return _words(bytes(max(runs, key=len)))
