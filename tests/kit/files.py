"""Words written as dump files, by code that imports no decoder."""

from __future__ import annotations

from typing import Literal

import numpy as np

from tests.kit.wires import Image

ByteOrder = Literal["big", "little"]
BYTES_A_LINE = 16


def bytes_a_word(bits: int) -> int:
    return (bits + 7) // 8


def binary(words: Image, bits: int = 8, order: ByteOrder = "big") -> bytes:
    """Words one after the other; narrow ones one a byte."""
    width = bytes_a_word(bits)
    wide = words.astype(np.uint64).astype(">u8" if order == "big" else "<u8").view(np.uint8).reshape(-1, 8)
    return (wide[:, 8 - width :] if order == "big" else wide[:, :width]).tobytes()


def intel_hex(content: bytes, origin: int = 0) -> bytes:
    """Type 00 records, with an extended linear address record for each 64 KiB.

    Source: Intel Hexadecimal Object File Format Specification, revision A, 1988.
    """
    lines = []
    for at in range(0, len(content), BYTES_A_LINE):
        place = origin + at
        if at == 0 or place & 0xFFFF < BYTES_A_LINE:
            lines.append(_record(4, 0, (place >> 16).to_bytes(2)))
        lines.append(_record(0, place & 0xFFFF, content[at : at + BYTES_A_LINE]))
    return "\r\n".join([*lines, ":00000001FF", ""]).encode()


def _record(kind: int, at: int, body: bytes) -> str:
    raw = bytes([len(body)]) + at.to_bytes(2) + bytes([kind]) + body
    return f":{raw.hex()}{-sum(raw) & 0xFF:02x}".upper()


def listing(content: bytes) -> bytes:
    """What a microcontroller prints: an address, then sixteen bytes."""
    places = max(4, (max(len(content) - 1, 0).bit_length() + 3) // 4)
    return "".join(
        f"{at:0{places}X}: {content[at : at + BYTES_A_LINE].hex(' ').upper()}\r\n"
        for at in range(0, len(content), BYTES_A_LINE)
    ).encode()


def octal_listing(content: bytes) -> bytes:
    """As a dump program prints bytes in octal, with the address after the last one."""
    rows = [
        f"{at:07o} " + " ".join(f"{byte:03o}" for byte in content[at : at + 16])
        for at in range(0, len(content), 16)
    ]
    return "\n".join([*rows, f"{len(content):07o}", ""]).encode()


def hex_text(content: bytes) -> bytes:
    """The same without addresses."""
    return "".join(
        f"{content[at : at + BYTES_A_LINE].hex(' ').upper()}\r\n"
        for at in range(0, len(content), BYTES_A_LINE)
    ).encode()
