"""Files altered the way strangers, editors, failing disks and forgers alter them: each by a seeded dice.

Every alteration is of the file's own structure where it has one: a tree of values, lines and cells, members
of an archive, chunks and segments. What guards such a structure (check sums, lengths, digests) is made anew
most of the time, so that the altered part is reached and not just its guard.
"""

from __future__ import annotations

import copy
import random
import struct
import zlib
from collections.abc import Iterator, Sequence
from typing import Any

TEXTS: tuple[str, ...] = (
    "",
    " ",
    "\0",
    "\x1b[31mred\x1b[0m",
    "\u202egnp.exe",
    "x" * 5000,
    "é" * 300,
    "-1",
    "0",
    "1e999",
    "9" * 400,
    "0x10",
    "٣",
    "NaN",
    "true",
    "null",
    "~",
    "{}",
    "[]",
    "../../../outside",
    "/etc/hostname",
    "C:\\x",
    "\\\\host\\x",
    "data/../data/x",
    "CON",
    "a/b",
    "a\nb: c",
    "a\rb",
    "=1+1",
    "%0A%0d%25",
    "U1",
    "U2",
    "2716",
    "prog",
    "main",
    "program",
    "2048x8",
    "0x0",
    "1x1",
    "4294967296x8",
    "2048x65",
    "99999999x64",
    "A0",
    "D99",
    "U1[7:0]",
    "U1[0:7]",
    "2024-13-45",
    "1985-06",
    "9999-12-31",
    "urn:uuid:1",
    "http://[::1",
    "CC0-1.0",
    "http://rightsstatements.org/vocab/CNE/1.0/",
    "dumps/U1.prog.1.bin",
    "docs/notes.txt",
    "intel-hex",
    "binary",
    "big",
    "\ufeff",
    "ẞ",
    "👾" * 9,
)
VALUES: tuple[Any, ...] = (
    None,
    True,
    False,
    0,
    1,
    -1,
    2**31,
    2**63,
    10**30,
    0.5,
    1e308,
    float("inf"),
    float("nan"),
    "",
    [],
    {},
    [[]],
    [None],
    [1],
    ["x"],
    {"": None},
    {"a": {"b": ["c"]}},
)
KEYS = (
    "chip",
    "path",
    "part",
    "reader",
    "kind",
    "name",
    "file",
    "files",
    "organisation",
    "unheard-of",
    "",
    "image",
)
Dice = random.Random


# --- trees ------------------------------------------------------------------------------------------------


def tree(dice: Dice, value: Any, *, texts_only: bool = False) -> Any:
    """A tree of lists, tables and plain values, changed at one to four places.

    Args:
        dice: Decides.
        value: Stays as it is; a copy is changed.
        texts_only: Plain values become texts, as in a sheet.
    """
    root = [copy.deepcopy(value)]
    for _ in range(dice.choice((1, 1, 1, 2, 4))):
        holder, key = dice.choice(list(_places(root)))
        _change(dice, root, holder, key, texts_only=texts_only)
    return root[0]


def _places(holder: Any) -> Iterator[tuple[Any, Any]]:
    """Every (table or list, key or index) below a value."""
    keys = list(holder) if isinstance(holder, dict) else range(len(holder))
    for key in keys:
        yield holder, key
        if isinstance(holder[key], dict | list):
            yield from _places(holder[key])


def _change(dice: Dice, root: Any, holder: Any, key: Any, *, texts_only: bool) -> None:
    if holder is not root and key not in (holder if isinstance(holder, dict) else range(len(holder))):
        return  # an earlier change took the place away
    way = dice.randrange(9)
    if way == 0 and holder is not root:
        del holder[key]
    elif way == 1:
        other, at = dice.choice(list(_places(root)))
        holder[key] = copy.deepcopy(other[at])
    elif way == 2:
        holder[key] = [holder[key]]
    elif way == 3 and isinstance(holder[key], dict):
        holder[key][dice.choice(KEYS)] = plain(dice, texts_only=texts_only)
    elif way == 4 and isinstance(holder[key], list):
        holder[key] += copy.deepcopy(holder[key][-1:]) * dice.choice((1, 2, 30))
    elif way == 5 and isinstance(holder, dict):
        holder[dice.choice(KEYS)] = holder.pop(key)
    elif isinstance(holder[key], str) and way < 8:
        holder[key] = text(dice, holder[key])
    else:
        holder[key] = plain(dice, texts_only=texts_only)


def plain(dice: Dice, *, texts_only: bool = False) -> Any:
    """A value that nobody expects there."""
    if texts_only or dice.random() < 0.5:
        return dice.choice(TEXTS)
    return copy.deepcopy(dice.choice(VALUES))


# --- texts ------------------------------------------------------------------------------------------------


def text(dice: Dice, before: str) -> str:
    """One word or sign of a text changed."""
    at = dice.randrange(len(before) + 1)
    to = min(len(before), at + dice.choice((0, 1, 1, 3, 10)))
    put = (
        dice.choice(TEXTS)
        if dice.random() < 0.4
        else dice.choice(("", "0", "F", ":", "-", " ", "/", "é", "\t"))
    )
    return before[:at] + put + before[to:]


def lines(dice: Dice, before: bytes) -> bytes:
    """Lines taken out, doubled, exchanged, changed, ended otherwise, or the whole in another encoding."""
    rows = before.split(b"\n")
    for _ in range(dice.choice((1, 1, 2, 5))):
        one, other = dice.randrange(len(rows)), dice.randrange(len(rows))
        way = dice.randrange(6)
        if way == 0 and len(rows) > 1:
            del rows[one]
        elif way == 1:
            rows.insert(other, rows[one])
        elif way == 2:
            rows[one], rows[other] = rows[other], rows[one]
        elif way == 3:
            rows[one] = b"  " + rows[one]
        else:
            rows[one] = text(dice, rows[one].decode("utf-8", "surrogateescape")).encode("utf-8", "replace")
    end = dice.choice((b"\n",) * 8 + (b"\r\n", b"\r"))
    after = end.join(rows)
    if dice.random() < 0.05:
        after = after.decode("utf-8", "replace").encode(
            dice.choice(("utf-16", "utf-32", "utf-8-sig", "utf-7"))
        )
    return after


def raw(dice: Dice, before: bytes) -> bytes:
    """Bytes flipped, put in, taken out, repeated, or the end cut off."""
    after = bytearray(before)
    for _ in range(dice.choice((1, 1, 2, 8))):
        at, size = dice.randrange(len(after) + 1), dice.choice((1, 1, 2, 4, 40))
        way = dice.randrange(6)
        if way == 0:
            del after[at : at + size]
        elif way == 1:
            after[at:at] = dice.randbytes(size)
        elif way == 2:
            after[at:at] = after[at : at + size]
        elif way == 3 and dice.random() < 0.3:
            del after[at:]
        elif way == 4:
            number = dice.choice((0, 1, 0x7F, 0x80, 0xFF, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF))
            after[at : at + 4] = number.to_bytes(4, dice.choice(("big", "little")))
        elif at < len(after):
            after[at] ^= 1 << dice.randrange(8)
    return bytes(after)


def table(dice: Dice, rows: Sequence[Sequence[str]]) -> list[list[str]]:
    """Cells and rows of a table changed."""
    after = [list(row) for row in rows]
    for _ in range(dice.choice((1, 1, 2, 4))):
        row = dice.choice(after)
        way = dice.randrange(5)
        if way == 0:
            after.insert(dice.randrange(len(after) + 1), list(row))
        elif way == 1 and len(after) > 1:
            after.remove(row)
        elif way == 2:
            row.insert(dice.randrange(len(row) + 1), dice.choice(TEXTS))
        elif row:
            cell = dice.randrange(len(row))
            row[cell] = dice.choice(TEXTS) if way == 3 else text(dice, row[cell])
    return after


# --- photographs ------------------------------------------------------------------------------------------


def png(dice: Dice, before: bytes, hidden: bytes) -> bytes:
    """Chunks changed, doubled, moved, or one put in that hides something; most check sums fit."""
    chunks, at = [], 8
    while at < len(before):
        size = int.from_bytes(before[at : at + 4])
        chunks.append((before[at + 4 : at + 8], before[at + 8 : at + 8 + size]))
        at += 12 + size
    changed = _parts(
        dice, chunks, hidden, (b"tEXt", b"eXIf", b"iTXt", b"zTXt", b"tIME", b"gAMA", b"acTL", b"PLTE")
    )
    out = before[:8]
    for kind, body in changed:
        size = len(body) if dice.random() < 0.97 else dice.choice((0, 1, 0x7FFFFFFF, len(body) + 1))
        summed = zlib.crc32(kind + body) if dice.random() < 0.95 else 0
        out += struct.pack(">I", size) + kind + body + struct.pack(">I", summed)
    return out + (hidden if dice.random() < 0.1 else b"")


def jpeg(dice: Dice, before: bytes, hidden: bytes) -> bytes:
    """The same with a JPEG's segments; what follows its start of scan is one piece."""
    segments, at = [], 2
    while before[at + 1] != 0xDA:
        size = int.from_bytes(before[at + 2 : at + 4])
        segments.append((before[at : at + 2], before[at + 4 : at + 2 + size]))
        at += 2 + size
    kinds = tuple(
        bytes([0xFF, marker]) for marker in (0xE0, 0xE1, 0xE2, 0xED, 0xFE, 0xDB, 0xC4, 0xDD, 0xD9, 0xC8, 0x01)
    )
    scan = before[at:] if dice.random() < 0.8 else raw(dice, before[at:])
    out = before[:2]
    for kind, body in _parts(dice, segments, hidden, kinds):
        size = len(body) + 2 if dice.random() < 0.97 else dice.choice((0, 1, 2, 0xFFFF, len(body)))
        out += kind + struct.pack(">H", size & 0xFFFF) + body
    return out + scan + (hidden if dice.random() < 0.1 else b"")


def _parts(
    dice: Dice, parts: list[tuple[bytes, bytes]], hidden: bytes, kinds: Sequence[bytes]
) -> list[tuple[bytes, bytes]]:
    after = list(parts)
    for _ in range(dice.choice((1, 1, 2, 3))):
        at = dice.randrange(len(after))
        kind, body = after[at]
        way = dice.randrange(7)
        if way == 0:
            after.insert(at, (dice.choice(kinds), hidden))
        elif way == 1:
            after.insert(at, (dice.choice(kinds), b"Exif\0\0" + hidden + dice.randbytes(9)))
        elif way == 2:
            after[at] = (kind, body + hidden)
        elif way == 3:
            after[at] = (kind, raw(dice, body))
        elif way == 4:
            after.insert(dice.randrange(len(after)), after[at])
        elif way == 5 and len(after) > 1:
            del after[at]
        elif way == 6:
            after[at] = (dice.choice(kinds), body)
    return after
