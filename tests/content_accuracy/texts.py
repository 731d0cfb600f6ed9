"""How much of a program's text is found, byte by byte, where the compiler itself says what is text.

A C compiler puts string literals into sections of their own (`.rodata.str…`, flags M and S of the System V
ABI, chapter 4, "Sections"), so that no eye decides what is text. The objects of one program are laid out one
behind the other, each with its code, its tables and its strings, as sources of that time lie in a ROM. In
linked listings of an assembler the directives `.ascii` and `.strz` say the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.regions import regions
from tests.content_accuracy.packages import CACHE, debian, run
from tests.content_accuracy.programs import TEXT, Bytes, Image

DICTIONARIES = frozenset(["dictionary", "transform"])
"""Objects whose tables are words and affixes of languages: neither answer about them is wrong."""
SECTIONS = (".text", ".rodata", ".rodata.str1.1", ".rodata.str1.4")
Truth = NDArray[np.int8]
"""Per byte 1 for text, 0 for anything else, -1 for what ends a text or fills up."""


def _section(work: Path, name: str, section: str, tools: Path) -> bytes:
    """The bytes of one section of an object; empty where it has none."""
    out = work / f"{name}{section}.bin"
    if not out.exists():
        out.touch()
        copy = ("m68k-linux-gnu-objcopy", "-O", "binary", "-j", section)
        run(*copy, f"{name}.o", out.name, where=work, paths=(tools,))
    return out.read_bytes()


def _marks(own: bytes, name: str, section: str) -> Truth:
    """What the bytes of one section of an object are."""
    if ".str" in section:
        return np.where(np.frombuffer(own, np.uint8) == 0, -1, 1).astype(np.int8)
    return np.full(len(own), -1 if name in DICTIONARIES and section == ".rodata" else 0, dtype=np.int8)


def _compiled() -> Iterator[tuple[str, Bytes, Truth]]:
    """Every program that was built for the 68000: its package, its bytes, and which of them are text."""
    tools = debian("gcc-12-m68k-linux-gnu")
    if tools is None:
        return
    for work in sorted((CACHE / "built").glob("m68k-*-source-*")):
        raw, truth = b"", []
        for path in sorted(work.glob("*.o")):
            for section in SECTIONS:
                own = _section(work, path.stem, section, tools)
                raw += own
                truth.append(_marks(own, path.stem, section))
        yield work.name.split("-")[1], np.frombuffer(raw, np.uint8), np.concatenate(truth)


def _listed(found: list[Image]) -> Iterator[tuple[str, Bytes, Truth]]:
    """Every program with a listing that marks text."""
    for image in found:
        if image.code is not None and bool((image.code == TEXT).any()):
            ends = (image.code == TEXT) & (image.data == 0)
            truth = np.select([ends | (image.code < 0), image.code == TEXT], [-1, 1], 0)
            yield image.package, image.data, truth


def text_table(found: list[Image]) -> list[str]:
    """Bytes of text that are told, and bytes told that are text, by package of the half found."""
    packages = {one.package for one in found}
    counted: dict[str, NDArray[np.int64]] = {}
    for package, data, truth in [*_compiled(), *_listed(found)]:
        if package not in packages:
            continue
        told = np.zeros(len(data), dtype=bool)
        for region in regions(data, 8, erased_state=None, part=None):
            told[region.start : region.end] = region.kind == "text"
        text, other = truth == 1, truth == 0
        sums = np.array([1, text.sum(), (told & text).sum(), (told & other).sum()], dtype=np.int64)
        for group in (package, "all"):
            counted[group] = counted.get(group, np.zeros(4, dtype=np.int64)) + sums
    out = ["| text of | programs | bytes | recall | precision |", "|---|--:|--:|--:|--:|"]
    for group, (programs, size, hit, taken) in counted.items():
        out.append(
            f"| {group} | {programs} | {size} | {hit / max(1, size):.1%} | {hit / max(1, hit + taken):.1%} |"
        )
    return out
