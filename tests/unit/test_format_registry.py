"""Which format a dump is in is decided by its content; what cannot be decided is refused.

A declaration wins.
"""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import AmbiguousError, FormatError, UsageError
from pipeline.formats import FORMATS, Block, Declared, decode, detect, encode, image, says_addresses
from pipeline.formats.convert import convert
from tests.kit.format_writers import WRITERS, fuse_map

IMAGE = bytes(range(0x40, 0x80))


@pytest.mark.parametrize(
    "name",
    [
        name
        for name in WRITERS
        if name not in ("decimal_values", "binary_values", "listing_octal", "ascii_octal")
    ],
)
def test_every_notation_is_recognised_by_its_content(name: str) -> None:
    content, declared = WRITERS[name](IMAGE if name != "binary" else IMAGE + b"\x00\x01\x02\x03\xff\xfe")
    assert detect(content)[0] == declared.format
    assert decode(content).format == declared.format


def test_every_format_says_what_is_checked_in_it() -> None:
    assert len(FORMATS) == 13
    assert all(len(text) > 20 and not text.endswith(".") for text in FORMATS.values())


def test_formats_whose_files_print_addresses_are_told_from_those_that_only_count() -> None:
    printed = {"intel-hex", "s-record", "tektronix-hex", "tektronix-extended", "mos-paper-tape", "ti-txt"}
    assert {name for name in FORMATS if says_addresses(name)} == printed | {"reader-log", "listing"}


def test_nothing_fits_an_empty_file() -> None:
    assert detect(b"") == ()


def test_a_text_rom_is_read_as_binary_only_where_the_chip_s_size_says_so() -> None:
    text = b"READY\rSYNTAX ERROR\rOUT OF MEMORY\r" * 2
    with pytest.raises(FormatError, match="write `format: binary`"):
        decode(text)
    decoded = decode(text, Declared(words=len(text)))
    assert decoded.format == "binary"
    assert decoded.runs[0][0].words.tobytes() == text
    assert decode(text, Declared(format="binary")).format == "binary"


def test_a_chip_full_of_digits_is_refused_until_its_format_is_declared() -> None:
    table = b"0123456789ABCDEF" * 16
    with pytest.raises(AmbiguousError, match="Write `format: binary` or `format: hex-text`"):
        decode(table, Declared(words=256))
    assert decode(table, Declared(words=256, format="binary")).runs[0][0].words.tobytes() == table
    assert len(decode(table, Declared(words=256, format="hex-text")).runs[0][0].words) == 128


def test_the_extension_says_nothing_so_hex_in_a_binary_file_is_hex() -> None:
    assert decode(b"C3 00 E0 31\n").format == "hex-text"
    assert decode(bytes([0xC3, 0x00, 0xE0, 0x31])).format == "binary"


@pytest.mark.parametrize(
    "chip",
    [
        bytes(2048),
        b"\xff" * 2048,
        bytes(2046) + b"AB",
        b"AB" + bytes(2046),
        b"\xff" * 2040 + b"DEADBEEF",
        bytes(one | 0x80 for one in b"HELLO WORLD, THIS IS TEXT" * 20),
        b"MESSAGE ONE\x00MESSAGE TWO\x00" * 40,
        bytes(range(256)),
        b"\x3a" * 64 + b"\x01",
        b"\x00S1\x00",
    ],
)
def test_chips_that_hold_some_text_stay_binary(chip: bytes) -> None:
    decoded = decode(chip)
    assert decoded.format == "binary"
    assert decoded.runs[0][0].words.tobytes() == chip


def test_fuses_stay_fuses() -> None:
    fuses = bytes([1, 0, 1, 1, 0, 0, 0, 1, 1, 1, 0])
    decoded = decode(fuse_map(fuses))
    assert (decoded.format, decoded.unit_bits) == ("jesd3", 1)
    assert decoded.runs[0][0].words.tobytes() == fuses
    with pytest.raises(UsageError, match="fuses are not bytes"):
        convert(fuse_map(fuses), "binary")


@pytest.mark.parametrize(
    "wrong",
    [
        {"format": "hexadecimal"},
        {"word_order": "middle"},
        {"token": "roman"},
        {"address": "base 3"},
        {"bits": 0},
    ],
)
def test_a_declaration_that_nothing_could_obey_is_a_usage_error(wrong: dict[str, object]) -> None:
    with pytest.raises(UsageError):
        decode(b"00 11\n", Declared(**wrong))  # type: ignore[arg-type]


def test_an_image_is_laid_out_with_a_mask_of_what_was_there() -> None:
    blocks = [Block(2, np.array([7, 8], dtype=np.uint8)), Block(6, np.array([9], dtype=np.uint8))]
    units, present = image(blocks, 8, 0xFF)
    assert units.tolist() == [255, 255, 7, 8, 255, 255, 9, 255]
    assert present.tolist() == [False, False, True, True, False, False, True, False]
    assert image(blocks, 3, 0, base=3)[0].tolist() == [8, 0, 0]


HEXED = encode(
    "intel-hex",
    [Block(0x100, np.frombuffer(IMAGE, dtype=np.uint8)), Block(0x200, np.frombuffer(IMAGE, dtype=np.uint8))],
)


def test_a_binary_file_is_not_written_over_gaps_unasked() -> None:
    with pytest.raises(UsageError, match=r"address 0x0: nothing is known there"):
        convert(HEXED, "binary", base=0)
    with pytest.raises(UsageError, match=r"address 0x140: nothing is known there"):
        convert(HEXED, "binary")
    with pytest.raises(UsageError, match=r"address 0x140: nothing is known there"):
        convert(HEXED, "binary", base=0x100)
    with pytest.raises(UsageError, match="before the base 0x180"):
        convert(HEXED, "binary", base=0x180, declared=Declared(fill=0))
    converted = convert(HEXED, "binary", base=0x100, declared=Declared(fill=0xFF))
    assert converted.output == IMAGE + b"\xff" * 0xC0 + IMAGE
    assert converted.summary()["blocks"] == [{"address": 0x100, "length": 0x140}]


def test_sparse_output_beyond_the_stated_span_is_refused_unless_told() -> None:
    far = encode(
        "s-record", [Block(0, np.ones(1, dtype=np.uint8)), Block(0x2000000, np.ones(1, dtype=np.uint8))]
    )
    with pytest.raises(UsageError, match="would hold 33554431 bytes of fill"):
        convert(far, "binary", declared=Declared(fill=0))
    assert len(convert(far, "binary", declared=Declared(fill=0), most_fill=1 << 26).output) == 0x2000001


def test_a_binary_dump_is_moved_to_its_base_in_a_record_file() -> None:
    converted = convert(IMAGE + b"\x00", "s-record", base=0xF000)
    assert converted.source == "binary"
    assert converted.blocks == ((0xF000, 65),)
    assert decode(converted.output).runs[0][0].address == 0xF000
    with pytest.raises(UsageError, match="does not fit in 32 bits"):
        convert(IMAGE + b"\x00", "s-record", base=0xFFFFFFFF)


def test_wide_words_are_written_only_with_a_declared_order() -> None:
    text = b"C300 E031\n0010 AFD3\n"
    with pytest.raises(UsageError, match="--word-order"):
        convert(text, "binary", declared=Declared(bits=16))
    for order, expected in (("big", "C300E0310010AFD3"), ("little", "00C331E01000D3AF")):
        converted = convert(text, "binary", declared=Declared(bits=16, word_order=order))
        assert converted.output.hex().upper() == expected


def test_passes_that_differ_are_converted_only_when_one_is_chosen() -> None:
    log = b"pass 1\n00 11 22 33\npass 2\n00 11 22 32\n"
    with pytest.raises(AmbiguousError, match="2 passes that differ"):
        convert(log, "binary")
    assert convert(log, "binary", number=2).output == bytes.fromhex("00112232")
    assert convert(log.replace(b"32\n", b"33\n"), "binary").output == bytes.fromhex("00112233")
    with pytest.raises(UsageError, match="there is no pass 3"):
        convert(log, "binary", number=3)


@pytest.mark.parametrize(
    ("options", "problem"),
    [
        ({"fmt": "listing"}, "is not written"),
        ({"fill": 256}, "is not a byte"),
        ({"word_order": "odd"}, "is not known"),
        ({"record": 0, "fmt": "intel-hex"}, "bytes a record"),
        ({"header": b"x" * 65, "fmt": "s-record"}, "too long"),
    ],
)
def test_what_cannot_be_written_is_a_usage_error(options: dict[str, object], problem: str) -> None:
    known = {"fmt": "binary", "blocks": [Block(0, np.ones(2, dtype=np.uint8))], **options}
    with pytest.raises(UsageError, match=problem):
        encode(**known)  # type: ignore[arg-type]


def test_overlapping_blocks_are_not_written() -> None:
    with pytest.raises(UsageError, match="two blocks overlap"):
        encode("intel-hex", [Block(0, np.ones(4, dtype=np.uint8)), Block(3, np.ones(4, dtype=np.uint8))])


def test_importing_the_package_loads_neither_the_registry_nor_a_decoder() -> None:
    code = (
        "import sys, pipeline.formats; print([one for one in sys.modules if "
        "one.startswith('pipeline.formats.')])"
    )
    loaded = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout
    assert "registry" not in loaded
    assert "intel_hex" not in loaded


@given(st.binary(min_size=1, max_size=200), st.binary(max_size=60))
def test_what_is_plainly_binary_is_binary_by_the_long_rules_too(noise: bytes, text: bytes) -> None:
    from pipeline.formats.binary import plainly_binary
    from pipeline.formats.recognise import candidates
    from pipeline.formats.text.characters import plain

    content = noise + text.hex().encode() + noise.translate(bytes(byte & 0x1F for byte in range(256)))
    if plainly_binary(content):
        assert candidates(content, plain(content)) == ("binary",)
    assert plainly_binary(b"\x07" * len(content))
