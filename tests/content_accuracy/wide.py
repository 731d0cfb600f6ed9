"""Wide words whose instruction set nobody told: programs of 32-bit machines dealt out over narrow chips.

Each board holds the chips of one wide word, and two foreign ones: a lane of another stretch of the same
program, and one of another program. Asked: are the set's chips found, all of them and no other; and is a chip
whose address lines were crossed or inverted shown by its sisters.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from pipeline.stages.content import signature
from pipeline.stages.content.among_chips import ChipImage, Join, joins
from pipeline.stages.content.flow_of_control.line_changes import LineChange, crossings
from pipeline.words import Words
from tests.content_accuracy.cases import MOSTLY_ONE, Outcome
from tests.content_accuracy.packages import debian, pypi
from tests.content_accuracy.programs import Half

Wide = NDArray[np.uint32]
SIZES = ((8, 512, 32), (8, 2048, 32), (8, 512, 64), (8, 1024, 128), (4, 256, 32), (4, 1024, 32), (4, 512, 64))
"""Bits of a chip, its words, bits of the wide word."""
_WHEELS: Mapping[Half, tuple[tuple[str, str], ...]] = {
    "setting": (
        ("lz4", "aarch64"),
        ("brotli", "aarch64"),
        ("msgpack", "aarch64"),
        ("regex", "aarch64"),
        ("brotli", "ppc64le"),
        ("kiwisolver", "ppc64le"),
        ("regex", "ppc64le"),
    ),
    "held out": (
        ("zstandard", "aarch64"),
        ("lxml", "aarch64"),
        ("cffi", "aarch64"),
        ("ujson", "aarch64"),
        ("pillow", "aarch64"),
        ("lxml", "ppc64le"),
        ("cffi", "ppc64le"),
        ("pillow", "ppc64le"),
    ),
}
"""Packages of the Python index and the machine they were built for. Licences: BSD-3-Clause (lz4, zstandard,
lxml, ujson, kiwisolver), MIT (brotli, cffi), Apache-2.0 (msgpack, regex), MIT-CMU (pillow)."""
_LIBRARIES: Mapping[Half, tuple[str, ...]] = {
    "setting": ("powerpc", "hppa", "mips", "sparc64"),
    "held out": (),
}
"""Machines whose C library's mathematics is read (Debian's `libc6-…-cross`, LGPL-2.1+)."""

_IMAGES: Mapping[Half, Mapping[str, str]] = {
    "setting": {
        "maltael": "<u4",
        "malta64el": "<u4",
        "qemu-ppce500": ">u4",
        "qemu_arm64": "<u4",
        "qemu_arm": "<u4",
    },
    "held out": {},
}
"""Machines whose boot program is read whole, with its tables and texts, and the order of its bytes (Debian's
`u-boot-qemu`, GPL-2+)."""


def programs(half: Half) -> tuple[dict[str, Wide], list[str]]:
    """The 32-bit words of each program, and what could not be had."""
    out: dict[str, Wide] = {}
    missing = []
    for name, machine in _WHEELS[half]:
        folder = pypi(name, platform=f"manylinux2014_{machine}")
        every = [] if folder is None else folder.glob("**/*.so*")
        found = sorted(every, key=lambda path: path.stat().st_size)
        if not found:
            missing.append(f"{name} for {machine} could not be had")
        else:
            out[f"{name} {machine}"] = _instructions(found[-1].read_bytes())
    for machine in _LIBRARIES[half]:
        folder = debian(f"libc6-{machine}-cross")
        if folder is None:
            missing.append(f"the C library for {machine} could not be had")
        else:
            library = folder / f"usr/{machine}-linux-gnu/lib/libm.so.6"
            out[f"libm {machine}"] = _instructions(library.read_bytes())
    boot = debian("u-boot-qemu") if _IMAGES[half] else None
    missing += ["u-boot-qemu could not be had"] if _IMAGES[half] and boot is None else []
    for machine, order in _IMAGES[half].items():
        if boot is None:
            break
        raw = (boot / f"usr/lib/u-boot/{machine}/u-boot.bin").read_bytes()
        out[f"u-boot {machine}"] = np.frombuffer(raw[: len(raw) // 4 * 4], order).astype(np.uint32)
    crust = debian("crust-firmware") if half == "held out" else None
    for path in sorted(crust.glob("usr/lib/crust-firmware/generic_a64.bin")) if crust else []:
        raw = path.read_bytes()
        out["crust-firmware"] = np.frombuffer(raw[: len(raw) // 4 * 4], ">u4").astype(np.uint32)
    return out, missing


def _instructions(raw: bytes) -> Wide:
    """The section `.text` of an ELF file, as words. Source: the ELF object file format, both classes."""
    order = "<" if raw[5] == 1 else ">"
    narrow = raw[4] == 1
    (start,) = struct.unpack_from(order + ("I" if narrow else "Q"), raw, 0x20 if narrow else 0x28)
    size, number, of_names = struct.unpack_from(order + "HHH", raw, 0x2E if narrow else 0x3A)
    entry = order + ("IIIIII" if narrow else "IIQQQQ")
    headers = [struct.unpack_from(entry, raw, start + size * index) for index in range(number)]
    for name, _, _, _, offset, length in headers:
        if raw.startswith(b".text\0", headers[of_names][4] + name):
            words = np.frombuffer(raw[offset : offset + length // 4 * 4], f"{order}u4")
            return words.astype(np.uint32)
    raise ValueError("no section .text")


def lanes(words: Wide, bits: int) -> list[Words]:
    """The chips of shape (n,) that hold 32-bit words, the most significant first."""
    top = np.uint32((1 << bits) - 1)
    return [(words >> np.uint32(shift) & top).astype(np.uint8) for shift in range(32 - bits, -1, -bits)]


@dataclass(frozen=True)
class Shelf:
    """One board: its chips by name, those that belong together, and what they were made from."""

    chips: Mapping[str, Words]
    bits: int
    together: frozenset[str]
    program: str

    def joined(self) -> tuple[Join, ...]:
        images = [ChipImage(name, signature(words, self.bits), "main") for name, words in self.chips.items()]
        return joins(images, self.chips.__getitem__)


def shelves(
    found: Mapping[str, Wide], kind: tuple[int, int, int], most: int, rng: Generator
) -> Iterator[Shelf]:
    """Boards of each program, at most so many, from stretches that are not mostly one byte."""
    names = list(found)
    bits, size, width = kind
    for name in names:
        words, each = found[name], width // 32
        pieces = words[: len(words) // (size * each) * size * each].reshape(-1, size, each)
        good = [number for number, piece in enumerate(pieces) if not _mostly_one(piece)]
        other = found[names[(names.index(name) + 1) % len(names)]]
        for number in rng.permutation(good)[:most].tolist():
            own = [lane for column in range(each) for lane in lanes(pieces[number][:, column], bits)]
            chips = {f"S{index}": lane for index, lane in enumerate(own)}
            elsewhere = (number + max(len(pieces) // 2, 1)) % len(pieces)
            strangers = [pieces[elsewhere][:, 0], other[:size]]
            for index, stranger in enumerate(one for one in strangers if len(one) == size):
                lane = lanes(stranger, bits)[int(rng.integers(32 // bits))]
                if index or elsewhere != number:
                    chips[f"F{index}"] = lane
            order = [list(chips)[index] for index in rng.permutation(len(chips)).tolist()]
            together = frozenset(f"S{index}" for index in range(len(own)))
            yield Shelf({one: chips[one] for one in order}, bits, together, name)


def _mostly_one(piece: Wide) -> bool:
    return bool(np.bincount(piece.reshape(-1).view(np.uint8)).max() > MOSTLY_ONE * piece.nbytes)


def asked(found: Mapping[str, Wide], most: int, rng: Generator) -> Iterator[tuple[str, Outcome]]:
    """Every question of every board, with the name of its row."""
    for bits, size, width in SIZES:
        for shelf in shelves(found, (bits, size, width), most, rng):
            group = f"{width // bits} chips of {size}x{bits}"
            sets = [(set(join.chips), join) for join in shelf.joined()]
            whole = any(chips == shelf.together for chips, _ in sets)
            foreign = any(chips - shelf.together and chips & shelf.together for chips, _ in sets) or any(
                not chips & shelf.together for chips, _ in sets
            )
            yield f"wide set, x{bits}", Outcome("wide", group, shelf.program, whole, foreign, note=str(sets))
            told = [chip for _, join in sets for chip, _ in join.crossed]
            yield (
                f"sisters, none crossed, x{bits}",
                Outcome("none", group, shelf.program, not told, bool(told)),
            )
            for _ in range(2):
                yield f"sisters, x{bits}", _one_crossed(shelf, group, rng)


def _one_crossed(shelf: Shelf, group: str, rng: Generator) -> Outcome:
    """One exchange or inversion of the address lines of one chip of the set."""
    chip = f"S{int(rng.integers(len(shelf.together)))}"
    words = shelf.chips[chip]
    every = [one for one in crossings(len(words), shelf.bits) if one.bus == "address"]
    crossing: LineChange = every[int(rng.integers(len(every)))]
    turned = Shelf({**shelf.chips, chip: crossing.undo(words)}, shelf.bits, shelf.together, shelf.program)
    told = [one for join in turned.joined() for one in join.crossed]
    right = any(name == chip and shown.crossing == crossing for name, shown in told)
    wrong = any(name != chip or shown.crossing != crossing for name, shown in told)
    return Outcome("sisters", group, shelf.program, right, wrong, note=f"{chip} {crossing}: said {told}")
