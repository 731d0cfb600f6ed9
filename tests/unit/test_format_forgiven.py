"""What a newcomer's files look like.

Read without a question where the content decides, and told what was taken off.

The malformed sibling of each of these lies in `tests/assets/formats` and is refused there with its very
words.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import AmbiguousError, FormatError, UsageError
from pipeline.formats import Block, Declared, Decoded, decode, detect, encode
from pipeline.formats.convert import convert
from pipeline.formats.declaring import as_options, at_reading

PRINTED = Path(__file__).parent.parent / "assets" / "printed"
IMAGE = bytes((k * 7 + k // 16 * 31) & 0xFF for k in range(64))
BODY = "".join(IMAGE[at : at + 16].hex(" ").upper() + "\n" for at in range(0, 64, 16))
DUMPED = (
    bytes((k * 7 + k // 16 * 31) & 0xFF for k in range(70))
    + b"READY>\r\nTHE QUICK BROWN FOX JUMPS OVER 0123456789 LAZY DOGS. "
)


def listing(form: str, base: int = 0, size: int = 16) -> str:
    return "".join(
        form.format(base + at) + IMAGE[at : at + size].hex(" ").upper() + "\n" for at in range(0, 64, size)
    )


def held(decoded: Decoded) -> list[tuple[int, bytes]]:
    return [(block.address, block.words.astype(np.uint8).tobytes()) for run in decoded.runs for block in run]


def told(decoded: Decoded) -> list[str]:
    return [one.what for one in decoded.forgiven]


# Printed by xxd 2022-01-14, hexdump (bsdmainutils 12) and od (coreutils 9.1) from bytes that stand here.
PROGRAMS = {
    "xxd.txt": (0, DUMPED),
    "xxd-c8.txt": (0, DUMPED),
    "xxd-o.txt": (0xC000, DUMPED),
    "xxd-a.txt": (0, bytes(64) + DUMPED + bytes(256)),
    "xxd-e.txt": (0, DUMPED[:128]),
    "xxd-g1.txt": (0, DUMPED),
    "xxd-g4.txt": (0, DUMPED),
    "xxd-g8.txt": (0, DUMPED),
    "xxd-i.txt": (0, DUMPED),
    "xxd-ps.txt": (0, DUMPED),
    "hexdump-canonical.txt": (0, DUMPED),
    "hexdump-canonical-blank.txt": (0, b"\xff" * 2048),
    "od-octal-addresses.txt": (0, DUMPED),
    "od-hex-addresses.txt": (0, DUMPED),
    "xxd-b.txt": (0, DUMPED),
    "xxd-c8-g4.txt": (0xC000, DUMPED),
    "xxd-e-g8.txt": (0, DUMPED[:128]),
    "hexdump-blank-words.txt": (0, b"\xff" * 64),
    "od-u1z.txt": (0, DUMPED),
}
UNDECIDED = {
    "hexdump-words.txt": "word_order",
    "od-blank.txt": "address",
    "od-words.txt": "token",
    "od-u1.txt": "token",
    "od-u1-text.txt": "token",
}
PANGRAM = b"THE QUICK BROWN FOX JUMPS OVER THE LAZY DOGS. "


@pytest.mark.parametrize("name", PROGRAMS)
def test_what_the_usual_dump_programs_print_is_read_without_a_question(name: str) -> None:
    address, image = PROGRAMS[name]
    content = (PRINTED / name).read_bytes()
    if name == "xxd-e.txt":
        content = b"".join(content.splitlines(keepends=True)[:8])
    assert held(decode(content)) == [(address, image)]


@pytest.mark.parametrize("name", UNDECIDED)
def test_what_their_output_leaves_open_is_asked_with_the_words_to_write(name: str) -> None:
    with pytest.raises(AmbiguousError, match=f"Write `{UNDECIDED[name]}: "):
        decode((PRINTED / name).read_bytes())


def test_every_output_that_is_kept_is_read_or_asked_about() -> None:
    assert {path.name for path in PRINTED.iterdir()} == {*PROGRAMS, *UNDECIDED}


def test_the_order_that_the_text_column_showed_is_told() -> None:
    assert decode((PRINTED / "xxd.txt").read_bytes()).notes == ("word order big, as the text column shows",)
    little = b"".join((PRINTED / "xxd-e.txt").read_bytes().splitlines(keepends=True)[:8])
    assert decode(little).notes == ("word order little, as the text column shows",)


@pytest.mark.parametrize(
    ("name", "declared", "image"),
    [
        ("od-words.txt", Declared(token="octal", word_order="little"), DUMPED),
        ("od-u1.txt", Declared(token="decimal"), DUMPED),
        ("od-u1-text.txt", Declared(token="decimal"), PANGRAM),
        ("hexdump-words.txt", Declared(word_order="little"), DUMPED),
    ],
)
def test_what_is_asked_is_read_once_it_is_declared(name: str, declared: Declared, image: bytes) -> None:
    assert held(decode((PRINTED / name).read_bytes(), declared)) == [(0, image)]


def test_the_base_and_the_order_that_the_text_column_showed_are_told() -> None:
    assert decode((PRINTED / "xxd-b.txt").read_bytes()).notes == ("token binary, as the text column shows",)
    assert decode((PRINTED / "od-u1z.txt").read_bytes()).notes == ("token decimal, as the text column shows",)
    little = ("word order little, as the text column shows",)
    assert decode((PRINTED / "xxd-e-g8.txt").read_bytes()).notes == little


@pytest.mark.parametrize("group", [4, 8])
@pytest.mark.parametrize("form", ["{:04X}: ", ""])
def test_nobody_is_asked_for_an_order_that_makes_no_difference(group: int, form: str) -> None:
    blank = "".join(
        form.format(at) + " ".join(["FF" * (group // 2)] * (32 // group)) + "\n" for at in range(0, 64, 16)
    )
    assert held(decode(blank.encode())) == [(0, b"\xff" * 64)]
    with pytest.raises(AmbiguousError, match="Write `word_order: big`"):
        decode(blank.replace("FFFF", "FFFE", 1).encode())


@pytest.mark.parametrize("sep", [" ", "  ", ", "])
@pytest.mark.parametrize("form", ["{:04X}: ", ""])
def test_decimal_values_of_two_digits_are_never_taken_for_hexadecimal_unasked(sep: str, form: str) -> None:
    text = "".join(
        form.format(at) + sep.join(str(byte) for byte in PANGRAM[at : at + 16]) + "\n"
        for at in range(0, len(PANGRAM), 16)
    )
    with pytest.raises(AmbiguousError, match="Write `token: decimal` or `token: hex`"):
        decode(text.encode())
    assert held(decode(text.encode(), Declared(token="decimal"))) == [(0, PANGRAM)]
    as_hex = bytes(int(str(byte), 16) for byte in PANGRAM)
    assert held(decode(text.encode(), Declared(token="hex"))) == [(0, as_hex)]


@pytest.mark.parametrize("values", [bytes([0x12, 0x34] * 32), bytes(range(0x10)) * 4, bytes([0, 1, 9, 0x99])])
def test_few_kinds_of_values_and_leading_zeros_are_hexadecimal_as_ever(values: bytes) -> None:
    assert held(decode(values.hex(" ").encode() + b"\n")) == [(0, values)]


@pytest.mark.parametrize(("form", "base"), [("{:04x}", 0xC000), ("{:08x}", 0xF0000), ("0x{:04X}", 0xA00)])
@pytest.mark.parametrize("sep", [": ", "  "])
def test_a_line_of_rising_values_is_no_ruler(form: str, base: int, sep: str) -> None:
    rising = bytes(range(256))
    text = "".join(
        f"{form.format(base + at)}{sep}{rising[at : at + 16].hex(' ')}\n" for at in range(0, 256, 16)
    )
    assert held(decode(text.encode())) == [(base, rising)]


@pytest.mark.parametrize(
    "ruler",
    ["Offset(h) 00 01 02 03 04 05 06 07", "addr  0  1  2  3  4  5  6  7", "     00 01 02 03 04 05 06 07"],
)
def test_a_ruler_above_the_lines_is_none_of_them(ruler: str) -> None:
    assert held(decode((ruler + "\n" + listing("{:04X}: ", size=8)).encode())) == [(0, IMAGE)]


def test_lines_doubled_before_a_last_address_make_no_pass_of_their_own() -> None:
    rows = listing("{:04X}: ").splitlines(keepends=True)
    decoded = decode(("".join(row * 2 for row in rows) + "0040\n").encode())
    assert held(decoded) == [(0, IMAGE)]
    assert told(decoded) == ["a line is doubled"]


def test_passes_of_one_line_stay_passes() -> None:
    assert held(decode(("0000: " + IMAGE[:32].hex(" ") + "\n").encode() * 3)) == [(0, IMAGE[:32])] * 3


def test_a_declared_order_is_not_doubted() -> None:
    content = (PRINTED / "xxd.txt").read_bytes()
    ((_, image),) = held(decode(content, Declared(word_order="little")))
    assert image[:4] == bytes([DUMPED[1], DUMPED[0], DUMPED[3], DUMPED[2]])


def test_the_size_of_the_chip_decides_the_radix_of_a_blank_chips_listing() -> None:
    content = (PRINTED / "od-blank.txt").read_bytes()
    assert held(decode(content, Declared(words=2048))) == [(0, b"\xff" * 2048)]
    with pytest.raises(AmbiguousError):
        decode(content, Declared(words=4096))


@pytest.mark.parametrize(
    ("text", "address", "what"),
    [
        (listing("${:04X}: ", 0xC000), 0xC000, None),
        (listing("{:04X}-", 0xC000), 0xC000, None),
        (listing("{:04X}- ", 0xC000), 0xC000, None),
        (listing("0000:{:04X}  "), 0, "segmented addresses read as one number"),
        (listing("1F00:{:04X}  "), 0x1F000, "segmented addresses read as one number"),
        (listing("{:04X}: ").replace("0020", "\f0020"), 0, "form feeds between pages skipped"),
        ("\f" + BODY.replace("\n", "\n\f\n", 2), 0, "form feeds between pages skipped"),
        (BODY.replace("\n", " ; start\n", 1), 0, "comments after the values skipped"),
        (BODY.replace("\n", " # start 12\n", 1), 0, "comments after the values skipped"),
        (BODY.replace("\n", "\t// start\n"), 0, "comments after the values skipped"),
        (BODY.replace(" ", ";").replace("\n", "; jump table\n", 1), 0, "comments after the values skipped"),
        (listing("{:04X}: ").replace("\n", " ; start\n", 1), 0, "comments after the values skipped"),
        (listing("{:04X}: ").replace("\n", " # start\n", 1), 0, "comments after the values skipped"),
        (listing("{:04X}: ").replace("\n", " // start\n"), 0, "comments after the values skipped"),
        ("DEAD BEEF\n" + BODY, 0, "a title of hex-like words skipped"),
        ("27256\n" + BODY, 0, "a title of hex-like words skipped"),
        ("DEAD BEEF\n" + listing("{:04X}: "), 0, "a title of hex-like words skipped"),
        ("@40\n" + BODY + "q\n", 0x40, "an address of fewer than four digits"),
    ],
)
def test_what_stands_around_the_lines_is_taken_off_and_told(
    text: str, address: int, what: str | None
) -> None:
    decoded = decode(text.encode())
    assert held(decoded) == [(address, IMAGE)]
    assert told(decoded) == ([what] if what else [])


def test_lower_case_s_records_are_read_and_told() -> None:
    written = encode("s-record", [Block(0xC000, np.frombuffer(IMAGE, dtype=np.uint8))])
    decoded = decode(written.lower())
    assert held(decoded) == [(0xC000, IMAGE)]
    assert told(decoded) == ["a lower-case s begins a record"]


@pytest.mark.parametrize("order", [(0, 2, 1, 3), (3, 2, 1, 0), (2, 3, 0, 1)])
def test_lines_out_of_order_are_put_right_where_their_addresses_leave_no_gap(order: tuple[int, ...]) -> None:
    rows = listing("{:04X}: ").splitlines(keepends=True)
    decoded = decode("".join(rows[k] for k in order).encode())
    assert held(decoded) == [(0, IMAGE)]
    assert told(decoded) == ["lines put into the order of their addresses"]


@pytest.mark.parametrize("order", [(0, 0, 1, 1, 2, 2, 3, 3), (1, 0, 2, 3, 0, 1, 3, 2)])
def test_two_passes_mixed_in_one_listing_are_one_where_their_values_agree(order: tuple[int, ...]) -> None:
    rows = listing("{:04X}: ").splitlines(keepends=True)
    decoded = decode("".join(rows[k] for k in order).encode())
    assert held(decoded) == [(0, IMAGE)]
    assert "lines given twice with the same values" in told(decoded)


def test_two_passes_one_behind_the_other_stay_two() -> None:
    assert held(decode((listing("{:04X}: ") * 2).encode())) == [(0, IMAGE)] * 2


@pytest.mark.parametrize(
    ("dress", "what"),
    [
        (lambda text: text.encode("utf-32"), "UTF-32 text, little-endian"),
        (lambda text: text.encode("utf-32-be"), "UTF-32 text without a byte-order mark, big-endian"),
        (lambda text: text.encode("utf-16"), "UTF-16 text, little-endian"),
        (lambda text: ("Gerät 1\n" + text).encode("utf-16"), "UTF-16 text, little-endian"),
        (lambda text: ("Gerät 1\n" + text).encode("utf-32"), "UTF-32 text, little-endian"),
        (
            lambda text: ("Gerät 1\n" + text).encode("utf-16-le"),
            "UTF-16 text without a byte-order mark, little-endian",
        ),
        (
            lambda text: ("Gerät 1\n" + text).encode("utf-32-be"),
            "UTF-32 text without a byte-order mark, big-endian",
        ),
        (lambda text: ("Gerät 1\n" + text).encode("latin-1"), "Latin-1 text"),
        (lambda text: ("Gerät 1\n" + text).encode(), "UTF-8 text"),
        (lambda text: text.replace(" ", "\xa0").encode("latin-1"), "Latin-1 text"),
        (lambda text: text.replace(" ", "\xa0").encode(), "UTF-8 text"),
    ],
)
def test_a_text_is_read_in_its_encoding_which_is_named(dress: Callable[[str], bytes], what: str) -> None:
    decoded = decode(dress(BODY))
    assert held(decoded) == [(0, IMAGE)]
    assert told(decoded) == [what]


@pytest.mark.parametrize(
    ("encoding", "bits"),
    [
        ("utf-16", 16),
        ("utf-16-le", 16),
        ("utf-16-be", 16),
        ("utf-32", 32),
        ("utf-32-le", 32),
        ("utf-32-be", 32),
    ],
)
def test_a_wide_text_that_is_torn_is_refused_and_never_binary(encoding: str, bits: int) -> None:
    with pytest.raises(FormatError, match=f"UTF-{bits} text ends in half a character"):
        decode(BODY.encode(encoding)[:-1])


def test_hexadecimal_digits_that_no_decoder_takes_are_never_binary_unasked() -> None:
    for strange in (b"\x05", b"\x07\x07", b"\xfe", b"\x80\x81"):
        content = BODY.encode().replace(b" ", strange)
        assert "binary" not in detect(content)
        with pytest.raises(FormatError):
            decode(content)
        assert held(decode(content, Declared(format="binary"))) == [(0, content)]


@pytest.mark.parametrize(
    ("content", "name"),
    [
        (b"\x1f\x8b\x08\x00" + bytes(20), "a gzip archive"),
        (b"PK\x03\x04" + bytes(20), "a zip archive"),
        (b"PK\x03\x04" + bytes(26) + b"word/document.xml", "an office document"),
        (b"PK\x03\x04" + bytes(26) + b"xl/workbook.xml", "a spreadsheet"),
        (b"BZh91AY&SY" + bytes(20), "a bzip2 archive"),
        (b"\xfd7zXZ\x00" + bytes(20), "an xz archive"),
        (b"7z\xbc\xaf\x27\x1c" + bytes(20), "a 7z archive"),
        (b"Rar!\x1a\x07\x00" + bytes(20), "a rar archive"),
        (bytes(257) + b"ustar\x0000" + bytes(248), "a tar archive"),
        (b"\x89PNG\r\n\x1a\n" + bytes(20), "a PNG picture"),
        (b"\xff\xd8\xff\xe0" + bytes(20), "a JPEG picture"),
        (b"BM" + (40).to_bytes(4, "little") + bytes(34), "a BMP picture"),
        (b"II*\x00\x08\x00\x00\x00" + bytes(20), "a TIFF picture"),
        (b"%PDF-1.4\n" + bytes(20), "a PDF document"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(20), "an office document"),
        (b"\n<HTML><head>", "a web page"),
        (b"<!-- saved -->\n<html><head>", "a web page"),
        ("<!DOCTYPE html><html><head>".encode("utf-16"), "a web page"),
        (b"\0\0\0\x18ftypheic" + bytes(20), "a picture or film"),
    ],
)
def test_what_is_no_dump_at_all_is_refused_by_name(content: bytes, name: str) -> None:
    assert detect(content) == ()
    with pytest.raises(FormatError, match=f"^offset 0x0: this is {name}"):
        decode(content)
    assert held(decode(content, Declared(format="binary"))) == [(0, content)]


@pytest.mark.parametrize(
    "content",
    [
        b"\x1f\x8b\x08\xff" + bytes(200),
        b"BM" + bytes(200),
        b"BZh0" + bytes(200),
        b"II*\x00\xff\xff\xff\xff" + bytes(200),
        b"RIFF" + bytes(200),
        b"PK\x05" + bytes(200),
        bytes(256) + b"ustar" + bytes(200),
    ],
)
def test_a_chip_that_merely_begins_like_something_else_stays_a_dump(content: bytes) -> None:
    assert held(decode(content)) == [(0, content)]


def record(image: bytes, address: int = 0) -> str:
    raw = bytes([len(image)]) + address.to_bytes(2) + b"\0" + image
    return f":{raw.hex().upper()}{-sum(raw) & 0xFF:02X}\n"


END = ":00000001FF\n"


def test_several_intel_hex_files_in_one_log_are_parted() -> None:
    log = "pass 1\n" + record(IMAGE[:16]) + END + "pass 2\n" + record(IMAGE[16:32]) + END
    decoded = decode(log.encode())
    assert held(decoded) == [(0, IMAGE[:16]), (0, IMAGE[16:32])]
    assert "several Intel HEX files in one, each taken as a pass" in told(decoded)


def test_a_base_record_of_the_first_file_says_nothing_of_the_second() -> None:
    log = ":020000040001F9\n" + record(IMAGE[:16]) + END + record(IMAGE[16:32]) + END
    assert held(decode(log.encode())) == [(0x10000, IMAGE[:16]), (0, IMAGE[16:32])]


def test_records_behind_the_end_that_are_no_file_of_their_own_are_refused() -> None:
    for rest in (record(IMAGE[:16]), END):
        with pytest.raises(FormatError, match="a record after the end record of line 2"):
            decode((record(IMAGE[:16]) + END + rest).encode())


def test_several_s_record_files_in_one_log_are_parted() -> None:
    files = [encode("s-record", [at(0xC000 + 16 * k, 16 + k)]) for k in range(3)]
    decoded = decode(b"pass 1\n" + files[0] + b"pass 2\n" + files[1] + files[2])
    assert held(decoded) == [(0xC000 + 16 * k, IMAGE[: 16 + k]) for k in range(3)]
    assert "several S-record files in one, each taken as a pass" in told(decoded)


def test_s_records_behind_the_end_that_are_no_file_of_their_own_are_refused() -> None:
    whole = encode("s-record", [at(0, 16)])
    for rest in (whole.splitlines(keepends=True)[1], b"S9030000FC\n", b"S0030000FC\nS9030000FC\n"):
        with pytest.raises(FormatError, match="a record after the end record of line 4"):
            decode(whole + rest)


def test_a_binary_file_begins_with_the_first_byte_and_says_where_that_is() -> None:
    made = convert(listing("${:04X}: ", 0xC000).encode(), "binary")
    assert made.output == IMAGE
    assert made.summary()["begins"] == 0xC000


def test_only_gaps_inside_need_a_fill() -> None:
    content = encode("intel-hex", [at(0xC000, 16), at(0xC020, 16)])
    with pytest.raises(UsageError, match="Say --fill 0xFF"):
        convert(content, "binary")
    made = convert(content, "binary", declared=Declared(fill=0xFF))
    assert made.output == IMAGE[:16] + b"\xff" * 16 + IMAGE[:16]


def at(address: int, size: int) -> Block:
    return Block(address, np.frombuffer(IMAGE[:size], dtype=np.uint8))


@pytest.mark.parametrize("apart", [1 << 30, (1 << 32) - 64])
@pytest.mark.parametrize("to", ["intel-hex", "s-record"])
def test_very_sparse_files_convert_into_formats_that_keep_gaps(apart: int, to: str) -> None:
    content = encode("intel-hex", [at(0, 32), at(apart, 32)])
    made = convert(content, to)
    assert made.blocks == ((0, 32), (apart, 32))
    with pytest.raises(UsageError, match="bytes of fill"):
        convert(content, "binary", declared=Declared(fill=0))


def test_a_log_of_several_passes_says_which_was_taken() -> None:
    log = f"pass 1\n{BODY}pass 2\n{BODY}".encode()
    assert (convert(log, "binary").summary()["taken"], convert(log, "binary").summary()["passes"]) == (1, 2)
    assert convert(log, "binary", number=2).summary()["taken"] == 2
    with pytest.raises(AmbiguousError, match="--pass 1 to --pass 2"):
        convert(log.replace(b"1C", b"1D", 1), "binary")


def test_a_remedy_is_told_in_the_words_of_where_the_person_is() -> None:
    with pytest.raises(AmbiguousError) as caught:
        decode((PRINTED / "hexdump-words.txt").read_bytes())
    assert as_options(caught.value.remedy) == (
        "say --word-order big if the digits stand in the order of the bytes, --word-order little if not"
    )
    assert "`- {file: U1.hb.1.txt, word_order: big}`" in at_reading(
        caught.value.remedy, chip="U1", reader="hb", path="dumps/U1.hb.1.txt"
    )
    assert as_options("compare with the source") == "compare with the source"
    assert at_reading("read the chip again", chip="U1", reader="hb", path="dumps/x").startswith(
        "read the chip again; or set"
    )
