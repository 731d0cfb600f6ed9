"""Headers that state their own length and check: PC expansion ROM, FCode, and modules of OS-9 for the 6809.

Such a header promises something that can be held against the content. Where the promise fails the dump may be
damaged, or cut short, or the header's own rule may not apply: an image for another kind of processor in the
same chip carries the signature and no sum.

Source: PC expansion ROM: 55 AA, length in 512-byte units, all bytes of that length sum to zero (Plug and Play
BIOS Specification 1.0A, section 3.1, from memory); PCI data structure `PCIR` with image length, code type and
last-image mark (PCI Local Bus Specification 3.0, section 6.3.1, from memory). FCode: start byte F0 to F3 or
FD, format byte, 16-bit sum of the body, 32-bit length, high byte first (IEEE 1275-1994, section 5.2.2.5, from
memory). These three hold on the published firmware that the tests read. OS-9 module: 87 CD, length, name
offset, type, attributes, and the complement of the exclusive or of these eight bytes; the last three bytes
are the CRC-24/OS-9 of all before them, so that over the whole module its residue 800FE3 is left (layout from
memory; CRC and residue: Catalogue of parametrised CRC algorithms).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content import crc
from pipeline.stages.content.crc_catalogue import CATALOGUE

_FCODE_STARTS = frozenset([0xF0, 0xF1, 0xF2, 0xF3, 0xFD])
_PC_CODE = 0
_MODULE_CRC = next(one for one in CATALOGUE if one.name == "CRC-24/OS-9")
_MODULE_HEAD, _LEAST_MODULE, _MOST_MODULES = 9, 16, 64
"""Bytes of a module's header, of the smallest module, and how many modules of one image are told."""


class Promise(NamedTuple):
    """What a header promises, and whether the content keeps it.

    Attributes:
        method: Name of the header and its rule.
        covers: Half-open byte range of the check.
        stored: Byte range of the stored value, or None for a zero sum.
        value: What was computed, hex.
        wanted: What should have come out, hex.
        bits: Width of the check.
        holds: Whether it does.
        why: For a person: what fails, or which trap of the rule this is.
        family: `sum` or `crc`: what it is blind to follows from it.
    """

    method: str
    covers: tuple[int, int]
    stored: tuple[int, int] | None
    value: str
    wanted: str
    bits: int
    holds: bool
    why: str
    family: str = "sum"


def _pci(data: NDArray[np.uint8], start: int) -> tuple[int, int, bool] | None:
    """Length in bytes, code type and last-image mark from a PCI data structure, or None."""
    pointer = start + int(data[start + 0x18]) + (int(data[start + 0x19]) << 8)
    if pointer + 0x18 > len(data) or pointer == start or data[pointer : pointer + 4].tobytes() != b"PCIR":
        return None
    length = (int(data[pointer + 0x10]) + (int(data[pointer + 0x11]) << 8)) * 512
    return length, int(data[pointer + 0x14]), bool(data[pointer + 0x15] & 0x80)


def _pc_image(data: NDArray[np.uint8], start: int, number: int) -> tuple[Promise | None, int]:
    """One image with the 55 AA signature, and where the next would stand (0: there is none)."""
    pci = _pci(data, start) if start + 0x1A <= len(data) else None
    length = int(data[start + 2]) * 512
    following = 0
    if pci is not None:
        stated, code, last = pci
        following = start + stated if stated and not last else 0
        if code != _PC_CODE:
            return None, following
    if length == 0:
        return None, following
    method = f"PC expansion-ROM header, image {number}: sum8 over its length = 00"
    if start + length > len(data):
        why = (
            f"the header states {length} bytes and only {len(data) - start} are here: a short reading, "
            f"one chip of a set, or no header at all"
        )
        return Promise(method, (start, len(data)), None, "", "00", 8, holds=False, why=why), 0
    total = int(data[start : start + length].sum(dtype=np.uint64)) & 0xFF
    why = (
        ""
        if total == 0
        else (
            "the signature promises a zero sum; some makers never filled it in, so this alone proves "
            "no damage"
        )
    )
    return Promise(method, (start, start + length), None, f"{total:02X}", "00", 8, total == 0, why), following


def _pc_images(data: NDArray[np.uint8]) -> list[Promise]:
    """All images of an expansion ROM, in a row as their headers chain them."""
    out: list[Promise] = []
    start, number = 0, 1
    while start + 3 <= len(data) and data[start] == 0x55 and data[start + 1] == 0xAA and number <= 16:
        promise, following = _pc_image(data, start, number)
        if promise is not None:
            out.append(promise)
        if following <= start:
            break
        start, number = following, number + 1
    return out


def _fcode_at(data: NDArray[np.uint8], start: int) -> Promise | None:
    """An FCode program with its header, or None where no plausible header stands."""
    if start + 12 > len(data) or int(data[start]) not in _FCODE_STARTS:
        return None
    form, want = int(data[start + 1]), (int(data[start + 2]) << 8) | int(data[start + 3])
    length = int.from_bytes(data[start + 4 : start + 8].tobytes(), "big")
    if form not in {0x00, 0x08} or not 12 <= length <= 1 << 24:
        return None
    method = "FCode header: sum16 of the body"
    stored = (start + 2, start + 4)
    if start + length > len(data):
        why = f"the header states {length} bytes and only {len(data) - start} are here"
        return Promise(method, (start + 8, len(data)), stored, "", f"{want:04X}", 16, holds=False, why=why)
    total = int(data[start + 8 : start + length].sum(dtype=np.uint64)) & 0xFFFF
    why = "" if total == want else "the stored sum and the body disagree"
    return Promise(
        method, (start + 8, start + length), stored, f"{total:04X}", f"{want:04X}", 16, total == want, why
    )


def _modules(data: NDArray[np.uint8]) -> list[Promise]:
    """Every module whose header stands anywhere in the image and is whole, one behind the other."""
    out: list[Promise] = []
    end = 0
    for start in np.flatnonzero((data[:-1] == 0x87) & (data[1:] == 0xCD)).tolist():
        if start < end or len(out) == _MOST_MODULES:
            continue
        promise = _module_at(data, start)
        if promise is not None:
            out.append(promise)
            end = promise.covers[1] if promise.holds else start + _MODULE_HEAD
    return out


def _module_at(data: NDArray[np.uint8], start: int) -> Promise | None:
    """A module with its header, or None where the header does not agree with its own parity."""
    head = data[start : start + _MODULE_HEAD]
    length = int(head[2]) << 8 | int(head[3]) if len(head) == _MODULE_HEAD else 0
    if length < _LEAST_MODULE or int(np.bitwise_xor.reduce(head)) != 0xFF:
        return None
    end = start + length
    method = f"module header at 0x{start:X}: {_MODULE_CRC.name} of {length} bytes"
    if end > len(data):
        why = (
            f"the header states {length} bytes and only {len(data) - start} are here: a short reading or "
            "one chip of a set"
        )
        return Promise(method, (start, len(data)), None, "", "", 24, holds=False, why=why, family="crc")
    value = crc.value(_MODULE_CRC, data[start : end - 3].tobytes())
    stored = int.from_bytes(data[end - 3 : end].tobytes(), "big")
    why = "" if value == stored else "the stored CRC and the module disagree"
    spans = (start, end), (end - 3, end)
    return Promise(method, *spans, f"{value:06X}", f"{stored:06X}", 24, value == stored, why, "crc")


def promises(data: NDArray[np.uint8]) -> list[Promise]:
    """Every check that a header promises, kept or not: at the start of the image, or of modules anywhere.

    Args:
        data: Shape (n,), uint8.

    Returns:
        Empty where no such header stands there. Nothing is raised.
    """
    if len(data) < 16:
        return []
    out = _pc_images(data)
    if data[0] == 0x55 and data[1] == 0xAA:
        pointer = int(data[2]) | int(data[3]) << 8
        fcode = _fcode_at(data, pointer) if 16 <= pointer < len(data) else None
    else:
        fcode = _fcode_at(data, 0)
    return [*out, *([fcode] if fcode is not None else []), *_modules(data)]
