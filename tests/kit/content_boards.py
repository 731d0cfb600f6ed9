"""Small boards of every kind that chips tell something about each other: `BOARDS` has them by name.

Kin, fills at one place, parts of wide words, programs in several chips, microcode, checks over sets. Each is
made anew from a seed.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.flow_of_control import LineChange
from pipeline.words import Words
from schemas.sheet import Space
from tests.kit.content_images import PROSE, in_words, run_of
from tests.kit.images import Octets, code_image, put, random_image
from tests.kit.invented_programs import program


@dataclass(frozen=True)
class Board:
    """Chips of one board.

    Attributes:
        images: Name → words, in the sheet's order.
        bits: Of each.
        processor: As the sheet has it.
        fades_to: Level that all cells fade to, where known.
        faulty: Chips whose image carries a reading fault.
        spaces: Of the sheet.
    """

    images: Mapping[str, Words]
    bits: int = 8
    processor: str | None = None
    fades_to: int | None = None
    faulty: frozenset[str] = frozenset()
    spaces: tuple[Space, ...] = field(default=())


def changed(image: Octets, bits: int, seed: int, *, to: int | None = None) -> Octets:
    """The image with so many bits changed, all to one level where that is said."""
    rng = np.random.default_rng(seed)
    out = image.copy()
    while int(np.bitwise_count(out ^ image).sum()) < bits:
        at, bit = int(rng.integers(len(out))), np.uint8(1 << int(rng.integers(8)))
        out[at] = out[at] ^ bit if to is None else out[at] | bit if to else out[at] & ~bit
    return out


def space(
    name: str, *placements: Mapping[str, object], width: int = 8, byte_order: str | None = None
) -> Space:
    return Space.model_validate(
        {"name": name, "width": width, "byte_order": byte_order, "placements": list(placements)}
    )


def microprogram(seed: int, *, width: int, words: int = 512, field_bits: int = 9) -> NDArray[np.int64]:
    """Shape (words, width): words of a few kinds that name the next one, mostly the very next."""
    rng = np.random.default_rng(seed)
    following = np.where(rng.random(words) < 0.3, rng.integers(0, words, words), np.arange(words) + 1) % words
    kinds = rng.integers(0, 2, (24, width))
    table = kinds[rng.integers(0, 24, words)] ^ (rng.random((words, width)) < 0.1)
    for place, column in enumerate(rng.permutation(width)[:field_bits].tolist()):
        table[:, column] = following >> place & 1
    return table


def lanes(table: NDArray[np.int64], bits: int) -> dict[str, Words]:
    """The columns dealt out over chips of so many bits, D0 first."""
    weights = 1 << np.arange(bits)
    parts = np.split(table, table.shape[1] // bits, axis=1)
    return {f"M{n}": (part @ weights).astype(np.uint8) for n, part in enumerate(parts)}


def _kin() -> dict[str, Board]:
    one, other, third = code_image(1, 1024), code_image(2, 1024), random_image(3, 1024)
    twelve = {f"U{n}": one for n in range(6)} | {"V": other, "W": ~one}
    over = np.concatenate([third[300:], random_image(4, 300)])
    return {
        "two that are the same": Board({"U1": one, "U2": other, "U3": one}),
        "six that are the same, and a complement": Board(twelve),
        "the same, one of them faulty": Board({"U1": one, "U2": one}, faulty=frozenset({"U2"})),
        "a part of another": Board({"U1": np.concatenate([other, one]), "U2": one}),
        "one that is shifted": Board({"U1": third, "U2": over}),
        "versions": Board({"U1": one, "U2": changed(one, 40, 5)}),
        "a few bits lost": Board({"U1": one, "U2": changed(one, 4, 6, to=1)}),
        "bits lost as cells fade": Board({"U1": one, "U2": changed(one, 30, 7, to=1)}, fades_to=1),
        "bits cleared, of cells that fade to 1": Board(
            {"U1": one, "U2": changed(one, 30, 8, to=0)}, fades_to=1
        ),
        "bits lost, cells not known": Board({"U1": changed(one, 30, 9, to=0), "U2": one}),
        "fills at one place": Board(
            {f"U{n}": put(np.full(1024, 0xFF, np.uint8), 0, code_image(n, 700).tobytes()) for n in range(5)}
        ),
        "blank ones": Board({f"U{n}": np.full(256, 0xFF, np.uint8) for n in range(3)}),
    }


def _with_text(image: Octets) -> Octets:
    for at in range(100, len(image) - 400, 700):
        image = put(image, at, PROSE[at % 40 :])
    return image


def _wide() -> dict[str, Board]:
    whole, second = _with_text(code_image(4, 4096)), run_of("68000", 4096, seed=2)
    halves = {"OD": whole[1::2].copy(), "EV": whole[0::2].copy()}
    named = {"OD": second[1::2].copy(), "EV": second[0::2].copy()}
    upper, lower = whole >> np.uint8(4), whole & np.uint8(15)
    nibbles = {"LO": lower[:2048], "HI": upper[:2048]}
    four = {"EL": lower[0::2], "OH": upper[1::2], "EH": upper[0::2], "OL": lower[1::2]}
    words = lanes(microprogram(1, width=48), 8)
    crossed = words | {"M2": LineChange("address", (3, 7)).undo(words["M2"])}
    inverted = words | {"M4": LineChange("address", (5,)).undo(words["M4"])}
    placed = space("micro", {"at": 0, "lanes": [f"M{n}" for n in range(6)]}, width=48)
    return {
        "odd and even bytes of text": Board(halves),
        "odd and even bytes of a program": Board(named, processor="68000"),
        "nibbles": Board(nibbles, 4),
        "four nibbles": Board(four, 4),
        "microcode of 48 bits, and a stranger": Board(words | {"X": random_image(5, 512)}),
        "microcode that a space places": Board(words, spaces=(placed,)),
        "microcode of 80 bits": Board(lanes(microprogram(2, width=80), 8)),
        "microcode in nibbles": Board(lanes(microprogram(3, width=28, words=256, field_bits=8), 4), 4),
        "microcode, address lines exchanged": Board(crossed),
        "microcode, an address line inverted": Board(inverted),
    }


def _running() -> dict[str, Board]:
    out: dict[str, Board] = {}
    for family, told in (("z80", None), ("6502", "6502A"), ("6800", None), ("8051", "8031")):
        parts = np.split(program(family, 8192, seed=2, base=0x4000), 4)
        chips = {f"K{n}": parts[n].copy() for n in (2, 0, 3, 1)}
        out[f"four chips of a program, {family}"] = Board(chips, processor=told)
    two = np.split(program("z80", 4096), 2)
    named = {"K1": two[0].copy(), "K2": two[1].copy()}
    known = space("program", {"at": 0, "lanes": ["K1"]}, {"at": 2048, "lanes": ["K2"]})
    half = space("program", {"at": "0x0", "lanes": ["K1"]})
    wide = {"K1": in_words(run_of("68000", 4096), "68000"), "K2": in_words(run_of("pdp11", 4096), "pdp11")}
    out["two chips whose place the sheet says"] = Board(named, processor="Z80", spaces=(known,))
    out["two chips, one of them placed"] = Board(named, processor="Z80", spaces=(half,))
    out["programs of word machines"] = Board(wide, 16)
    out["a program, and text"] = Board({"K1": two[0].copy(), "T": put(random_image(6), 90, PROSE)})
    return out


def _checked() -> dict[str, Board]:
    parts = {f"U{n}": random_image(60 + n, 512) for n in range(4)}
    rest = sum(int(one.sum(dtype=np.uint64)) for one in parts.values()) - int(parts["U3"][-1])
    sums = {name: put(one, 511, bytes([_completing(one)])) for name, one in parts.items()}
    row = np.concatenate(list(parts.values()))
    row[-4:] = 0
    crc = np.frombuffer(_crc_32(row[:-4].tobytes()), np.uint8)
    set_of = np.split(np.concatenate([row[:-4], crc]), 4)
    pair = np.concatenate([random_image(70, 1020), np.zeros(4, np.uint8)])
    pair[-4:] = np.frombuffer(_crc_32(pair[:-4].tobytes()), np.uint8)
    return {
        "a sum over four chips": Board(parts | {"U3": put(parts["U3"], 511, bytes([-rest & 255]))}),
        "the same sum on each of four": Board(sums),
        "a CRC over four chips in a row": Board({f"U{n}": one.copy() for n, one in enumerate(set_of)}),
        "a CRC over two chips interleaved": Board({"U0": pair[0::2].copy(), "U1": pair[1::2].copy()}),
    }


def _completing(image: Octets) -> int:
    return -int(image[:-1].sum(dtype=np.uint64)) & 255


def _crc_32(content: bytes) -> bytes:
    return zlib.crc32(content).to_bytes(4, "big")


BOARDS: dict[str, Board] = _kin() | _wide() | _running() | _checked()
"""Name → what it is."""
