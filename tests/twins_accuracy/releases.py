"""Two releases of the same firmware, from the registry of Python packages by its ordinary client.

esptool 4.8.1, 5.0.0 and 5.2.0 beside the one that is installed: flasher stubs for Xtensa and RISC-V
processors (GPL-2.0-or-later). Debian's registry has one release of each of its firmware packages, so none of
those makes a pair. Nothing is kept in the project; what cannot be had is said and left out.
"""

from __future__ import annotations

import base64
import json
import subprocess
import sys
import tarfile
import tempfile
from importlib.metadata import distribution
from itertools import pairwise
from pathlib import Path

import numpy as np

from tests.kit.wires import Image

RELEASES = ("4.8.1", "5.0.0", "5.2.0")
CACHE = Path(tempfile.gettempdir()) / "wellread-twins-accuracy"
WORDS = 4096
BLANK = 0xFF


def pairs() -> tuple[list[tuple[str, Image, Image]], list[str]]:
    """(name, older, newer) as EPROMs of 4 K words, the rest unprogrammed; and what could not be had."""
    missing: list[str] = []
    found = [(release, stubs) for release in RELEASES if (stubs := _packed(release, missing))]
    found.append(("installed", _installed()))
    out = []
    for (old, before), (new, after) in pairwise(found):
        both = sorted(before.keys() & after.keys())
        differing = [one for one in both if before[one] != after[one]]
        out += [
            (f"{one} {old} {new}", _eprom(before[one]), _eprom(after[one]))
            for one in differing
            if max(len(before[one]), len(after[one])) <= WORDS
        ]
    return out, missing


def _eprom(content: bytes) -> Image:
    image = np.full(WORDS, BLANK, np.uint8)
    image[: len(content)] = np.frombuffer(content, np.uint8)
    return image


def _packed(release: str, missing: list[str]) -> dict[str, bytes]:
    CACHE.mkdir(exist_ok=True)
    archive = CACHE / f"esptool-{release}.tar.gz"
    if not archive.exists():
        command = (
            sys.executable,
            "-m",
            "pip",
            "download",
            "-q",
            "--no-deps",
            "-d",
            str(CACHE),
            f"esptool=={release}",
        )
        subprocess.run(command, capture_output=True, check=False, timeout=120)
    if not archive.exists():
        missing.append(f"esptool {release} cannot be had: its pairs are left out")
        return {}
    with tarfile.open(archive) as opened:
        files = {one.name: opened.extractfile(one) for one in opened.getmembers() if one.isfile()}
        return {_short(name): _stub(file.read()) for name, file in files.items() if file and _is_stub(name)}


def _installed() -> dict[str, bytes]:
    files = distribution("esptool").files or ()
    return {
        _short(str(one)): _stub(Path(str(one.locate())).read_bytes()) for one in files if _is_stub(str(one))
    }


def _is_stub(name: str) -> bool:
    return "stub_flasher" in name and name.endswith(".json")


def _short(name: str) -> str:
    return "/".join(name.split("/")[-2:])


def _stub(content: bytes) -> bytes:
    parts = json.loads(content)
    return base64.b64decode(parts["text"]) + base64.b64decode(parts.get("data", ""))
