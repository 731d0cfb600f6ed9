"""Laws of the decoders that hold for every dump: what is written reads back, and both paths agree."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import FormatError
from pipeline.formats import Block, Declared, Decoded, decode, encode
from pipeline.formats.convert import convert
from pipeline.formats.records import intel_hex, s_record
from pipeline.formats.text import hex_text
from tests.kit.format_writers import WRITERS

IMAGES = st.binary(min_size=1, max_size=200)
ISLANDS = st.lists(
    st.tuples(st.integers(0, 0xFFFFF), st.binary(min_size=1, max_size=60)), min_size=1, max_size=5
)


def apart(islands: list[tuple[int, bytes]]) -> list[Block]:
    blocks: list[Block] = []
    for address, payload in sorted(islands):
        if not blocks or address > blocks[-1].end:
            blocks.append(Block(address, np.frombuffer(payload, dtype=np.uint8)))
    return blocks


def plain(decoded: Decoded) -> list[list[tuple[int, list[int]]]]:
    return [[(block.address, block.words.tolist()) for block in run] for run in decoded.runs]


@given(ISLANDS, st.sampled_from(["intel-hex", "s-record"]), st.integers(1, 250))
def test_decoding_what_was_encoded_gives_the_blocks_back(
    islands: list[tuple[int, bytes]], fmt: str, record: int
) -> None:
    blocks = apart(islands)
    written = encode(fmt, blocks, record=record)
    decoded = decode(written)
    assert decoded.format == fmt
    assert plain(decoded) == [[(block.address, block.words.tolist()) for block in blocks]]
    assert decoded.forgiven == ()
    assert encode(fmt, decoded.runs[0], record=record) == written


@given(ISLANDS, st.integers(1, 250))
def test_no_written_record_crosses_64k(islands: list[tuple[int, bytes]], record: int) -> None:
    blocks = apart(islands)
    for line in encode("intel-hex", blocks, record=record).decode().splitlines():
        raw = bytes.fromhex(line[1:])
        assert int.from_bytes(raw[1:3]) + raw[0] <= 0x10000
    for line in encode("s-record", blocks, record=record).decode().splitlines():
        if line[1] in "123":
            width = int(line[1]) + 1
            raw = bytes.fromhex(line[2:])
            assert (int.from_bytes(raw[1 : 1 + width]) & 0xFFFF) + raw[0] - width - 1 <= 0x10000


@pytest.mark.parametrize("write", WRITERS.values(), ids=WRITERS.keys())
@given(image=IMAGES)
def test_every_notation_of_an_image_decodes_to_the_image(
    write: Callable[[bytes], tuple[bytes, Declared]], image: bytes
) -> None:
    content, declared = write(image)
    decoded = decode(content, declared)
    ((block,),) = decoded.runs
    assert block.words.astype(np.uint8).tobytes() == image


PROVEN = ("intel_hex", "s_record", "tektronix_hex", "tektronix_extended", "mos_paper_tape")
"""Notations whose every record carries a sum."""


@pytest.mark.parametrize("name", PROVEN)
@given(image=IMAGES, cut=st.integers(0, 4000), removed=st.integers(1, 40))
def test_a_record_file_with_a_piece_cut_out_never_gives_a_wrong_word(
    name: str, image: bytes, cut: int, removed: int
) -> None:
    """Whole records may be lost from the middle, but no word may move or change."""
    content, declared = WRITERS[name](image)
    cut %= len(content)
    try:
        decoded = decode(content[:cut] + content[cut + removed :], declared)
    except FormatError:
        return
    for run in decoded.runs:
        for block in run:
            words = block.words.astype(np.uint8).tobytes()
            assert words == image[block.address : block.address + len(words)]


CLEAN = {"intel-hex": intel_hex, "s-record": s_record}


@pytest.mark.parametrize("fmt", CLEAN)
@given(
    islands=ISLANDS,
    record=st.integers(1, 60),
    line_end=st.sampled_from([b"\n", b"\r\n"]),
    limit=st.none() | st.integers(1, 0x100000),
)
def test_the_fast_path_of_a_record_format_agrees_with_the_exact_one(
    fmt: str, islands: list[tuple[int, bytes]], record: int, line_end: bytes, limit: int | None
) -> None:
    content = encode(fmt, apart(islands), record=record)
    content = content.replace(b"\n", line_end)
    agree(CLEAN[fmt].swift, CLEAN[fmt].exact, content, Declared(limit=limit))


@pytest.mark.parametrize("fmt", CLEAN)
@given(
    islands=ISLANDS,
    at=st.integers(0, 10_000),
    new=st.sampled_from(b"\n\r:S0123456789ABCDEFabcdef \x00\xff,"),
    way=st.sampled_from(["replace", "insert", "delete", "line twice", "lines swapped"]),
)
def test_the_fast_path_never_accepts_what_the_exact_one_refuses(
    fmt: str, islands: list[tuple[int, bytes]], at: int, new: int, way: str
) -> None:
    agree(CLEAN[fmt].swift, CLEAN[fmt].exact, spoilt(encode(fmt, apart(islands)), at, new, way), Declared())


@given(
    image=IMAGES,
    a_line=st.integers(1, 20),
    separator=st.sampled_from([" ", ", ", ",", "  ", "\t"]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    digits=st.sampled_from(["02X", "02x"]),
    at=st.integers(0, 10_000),
    new=st.sampled_from(b"\n\r:S0123456789ABCDEFabcdef \x00\xff,"),
    way=st.sampled_from(["none", "replace", "insert", "delete", "line twice", "lines swapped"]),
    declared=st.sampled_from(
        [Declared(), Declared(format="hex-text"), Declared(limit=64), Declared(bits=16)]
    ),
)
def test_the_fast_path_of_hex_text_agrees_with_the_exact_one(
    image: bytes,
    a_line: int,
    separator: str,
    end: str,
    digits: str,
    at: int,
    new: int,
    way: str,
    declared: Declared,
) -> None:
    pairs = [format(byte, digits) for byte in image]
    lines = [separator.join(pairs[k : k + a_line]) for k in range(0, len(pairs), a_line)]
    content = (end.join(lines) + end).encode()
    agree(hex_text.swift, hex_text.exact, spoilt(content, at, new, way), declared)


def spoilt(content: bytes, at: int, new: int, way: str) -> bytes:
    """The content with one thing wrong, or none."""
    at %= len(content)
    lines = content.splitlines(keepends=True)
    line = at % len(lines)
    match way:
        case "replace":
            return content[:at] + bytes([new]) + content[at + 1 :]
        case "insert":
            return content[:at] + bytes([new]) + content[at:]
        case "delete":
            return content[:at] + content[at + 1 :]
        case "line twice":
            return b"".join([*lines[: line + 1], *lines[line:]])
        case "lines swapped":
            return b"".join([*lines[line:], *lines[:line]])
    return content


def agree(
    swift: Callable[[bytes, Declared], Decoded | None],
    exact: Callable[[bytes, Declared], Decoded],
    content: bytes,
    declared: Declared,
) -> None:
    """Where the fast path answers at all, the exact one says the same."""
    fast = swift(content, declared)
    if fast is None:
        return
    slow = exact(content, declared)
    assert plain(fast) == plain(slow)
    assert (fast.forgiven, fast.notes, fast.format, fast.unit_bits) == (
        slow.forgiven,
        slow.notes,
        slow.format,
        slow.unit_bits,
    )


@given(ISLANDS, st.sampled_from(["intel-hex", "s-record"]), st.sampled_from(["intel-hex", "s-record"]))
def test_converting_keeps_every_byte_at_its_address(
    islands: list[tuple[int, bytes]], source: str, to: str
) -> None:
    blocks = apart(islands)
    converted = convert(encode(source, blocks), to)
    assert plain(decode(converted.output)) == [[(one.address, one.words.tolist()) for one in blocks]]
    assert converted.blocks == tuple((one.address, len(one.words)) for one in blocks)
