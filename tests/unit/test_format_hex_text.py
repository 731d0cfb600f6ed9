"""Hex text as readers print it: what is data, what is not, and what nobody can tell."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from pipeline.errors import AmbiguousError, FormatError
from pipeline.formats import Declared, Decoded, decode

IMAGE = bytes((k * 7 + k // 16 * 31) & 0xFF for k in range(64))
BODY = "".join(IMAGE[at : at + 16].hex(" ").upper() + "\r\n" for at in range(0, 64, 16))


def runs(decoded: Decoded) -> list[bytes]:
    assert all(len(run) == 1 and run[0].address == 0 for run in decoded.runs)
    return [run[0].words.astype(np.uint8).tobytes() for run in decoded.runs]


def read(text: str, declared: Declared | None = None) -> Decoded:
    decoded = decode(text.encode(), declared)
    assert decoded.format == "hex-text"
    return decoded


@pytest.mark.parametrize(
    "text",
    [
        "C3 00 E0 31\n10 AF\n",
        "c3 00 e0 31\n10 af\n",
        "C3,00,E0,31\n10,AF\n",
        "C3, 00, E0, 31,\n10, AF\n",
        "C3;00;E0;31\n10;AF\n",
        "C3-00-E0-31\n10-AF\n",
        "C3:00:E0:31\n10:AF\n",
        "C3\t00\tE0\t31\r10\tAF\r",
        '"C3","00","E0","31"\n"10","AF"\n',
        "C300E03110AF\n",
        "C300E0\n3110AF\n",
        "C3\n00\nE0\n31\n10\nAF\n",
        "C3\r\n0\r\nE0\r\n31\r\n10\r\nAF\r\n",
        "0xC3 0x00 0xE0 0x31\n0x10 0xAF\n",
        "0xC3, 0x0, 0xE0, 0x31, 0x10, 0xAF\n",
        "$C3 $00 $E0 $31\n$10 $AF\n",
        "C3h 00h E0h 31h\n10h AFh\n",
        "\\xC3\\x00\\xE0\\x31\\x10\\xAF\n",
        '"\\xC3\\x00\\xE0"\n"\\x31\\x10\\xAF"\n',
        "table:  DB 0C3h,00h,0E0h ; start 12h\n        DB 31h,10h,0AFh\n",
        "  .byte $C3,$00,$E0 ; ten\n  .byte $31,$10,$AF\n",
        "  dc.b $C3,$00,$E0,$31\n  dc.b $10,$AF\n",
        "const uint8_t rom[6] = {\n 0xC3, 0x00, /* 0x11 */ 0xE0,\n 0x31, 0x10, 0xAF // 0x22\n};\n",
        "unsigned char rom[] = {0xC3, 0x00, 0xE0, 0x31, 0x10, 0xAF};\nunsigned int rom_len = 6;\n",
    ],
)
def test_each_clothing_of_the_same_six_bytes_reads_alike(text: str) -> None:
    assert runs(read(text)) == [bytes.fromhex("C300E03110AF")]


@pytest.mark.parametrize(
    ("dress", "what"),
    [
        (lambda text: b"\xef\xbb\xbf" + text, "a byte-order mark (UTF-8) at the start"),
        (lambda text: b"\xff\xfe" + text.decode().encode("utf-16-le"), "UTF-16 text, little-endian"),
        (lambda text: b"\xfe\xff" + text.decode().encode("utf-16-be"), "UTF-16 text, big-endian"),
        (
            lambda text: text.decode().encode("utf-16-le"),
            "UTF-16 text without a byte-order mark, little-endian",
        ),
        (lambda text: bytes(30) + text + bytes(30), "padding (NUL, rubout or Ctrl-Z) before the text"),
        (lambda text: text + b"\x1a" * 20, "padding (NUL, rubout or Ctrl-Z) after the text"),
        (lambda text: text.replace(b"\r\n", b"\r\n\x00\x00\x00"), "NUL padding at line ends"),
        (
            lambda text: bytes(one | (one.bit_count() & 1) << 7 for one in text),
            "bit 7 carries even parity and was cleared",
        ),
        (
            lambda text: bytes(one | (~one.bit_count() & 1) << 7 for one in text),
            "bit 7 carries odd parity and was cleared",
        ),
        (lambda text: bytes(one | 0x80 for one in text), "bit 7 carries mark and was cleared"),
    ],
)
def test_what_the_line_or_the_editor_did_to_the_text_is_undone_and_reported(
    dress: Callable[[bytes], bytes], what: str
) -> None:
    decoded = decode(dress(BODY.encode()))
    assert runs(decoded) == [IMAGE]
    assert what in [one.what for one in decoded.forgiven]


def test_banners_prompts_and_trailers_are_skipped_and_quoted() -> None:
    decoded = read(
        "EPROM reader 1.2\r\nready.\r\n>\r\n> dump 0 64\r\n" + BODY + "64 bytes done\r\n>".replace("64 ", "")
    )
    assert runs(decoded) == [IMAGE]
    assert decoded.notes == (
        "skipped text, line 1: EPROM reader 1.2",
        "skipped text, line 2: ready.",
        "skipped text, line 4: > dump 0 64",
        "skipped text, line 9: bytes done",
    )


@pytest.mark.parametrize("heading", ["DEAD BEEF", "ADDED", "face 0ff", "BAD", "27256", "C0DE"])
def test_a_heading_of_another_shape_than_the_lines_below_it_is_skipped_and_told(heading: str) -> None:
    decoded = read(f"{heading}\r\n{BODY}")
    assert runs(decoded) == [IMAGE]
    assert [one.what for one in decoded.forgiven] == ["a title of hex-like words skipped"]


@pytest.mark.parametrize("heading", ["DECADE 1", "FACE 0FF AB", "DEADBEEFDEADBEEFDEADBEEFDEADBEEF"])
def test_a_heading_that_could_be_a_damaged_line_is_refused(heading: str) -> None:
    with pytest.raises(AmbiguousError, match=r"^line 1, column 1: .*could be a heading"):
        decode(f"{heading}\r\n{BODY}".encode())


def test_a_heading_is_refused_where_the_chip_has_more_words_than_stand_below_it() -> None:
    with pytest.raises(AmbiguousError, match=r"^line 1, column 1: .*could be a heading"):
        decode(f"DEAD BEEF\r\n{BODY}".encode(), Declared(words=68))
    assert runs(read(f"DEAD BEEF\r\n{BODY}", Declared(words=64))) == [IMAGE]


@pytest.mark.parametrize(
    "heading", ["pass 2", "Done", "Reading 27C64", "Dump of IC 3:", "-- ADDED --x ok", "ROM"]
)
def test_a_heading_with_a_word_that_no_number_is_made_of_is_skipped(heading: str) -> None:
    assert runs(decode(f"{heading}\r\n{BODY}".encode())) == [IMAGE]


def test_one_unpadded_value_a_line_with_a_banner_reads_single_digits_as_small_values() -> None:
    decoded = read("Reading...\r\n" + "".join(f"{byte:X}\r\n" for byte in IMAGE) + "Done.\r\n")
    assert runs(decoded) == [IMAGE]
    small = [k for k, byte in enumerate(IMAGE) if byte < 16]
    (single,) = decoded.forgiven
    assert single.what == "single digits read as values below 16"
    assert (single.count, single.place.line) == (len(small), 2 + small[0])


def test_passes_are_parted_where_the_marker_comes_again() -> None:
    other = BODY.replace("1F", "1E")
    decoded = read(f"pass 1\r\n{BODY}pass 2\r\n{other}pass 3\r\n{BODY}end\r\n")
    assert runs(decoded) == [IMAGE, bytes(0x1E if one == 0x1F else one for one in IMAGE), IMAGE]


def test_a_pass_cut_short_stays_a_pass_of_its_own() -> None:
    first_two = "".join(BODY.splitlines(keepends=True)[:2])
    decoded = read(f"reader ready\r\n{first_two}reader ready\r\n{BODY}")
    assert runs(decoded) == [IMAGE[:32], IMAGE]


def test_text_that_comes_once_between_data_is_refused() -> None:
    with pytest.raises(AmbiguousError, match=r"^line 5, column 1: text between data lines"):
        decode((BODY + "timeout!\r\n" + BODY).encode())


def test_parts_that_only_together_make_the_chip_are_refused() -> None:
    with pytest.raises(AmbiguousError, match="only together make the chip's 128"):
        decode(f"page 0\r\n{BODY}page 1\r\n{BODY}".encode(), Declared(words=128))


@pytest.mark.parametrize(
    "stamp",
    [
        "12:30:{:02d} ",
        "12:30:{:02d}.125 -> ",
        "[12:30:{:02d}] ",
        "2031-04-05 12:30:{:02d} ",
        "[  17.0{:02d}] ",
    ],
)
def test_time_stamps_before_every_line_are_skipped(stamp: str) -> None:
    lines = ["reader ready", *BODY.splitlines(), "done"]
    text = "".join(stamp.format(k) + line + "\n" for k, line in enumerate(lines))
    decoded = read(text)
    assert runs(decoded) == [IMAGE]
    assert decoded.forgiven[0].what == "time stamps before lines skipped"
    assert decoded.forgiven[0].count == len(lines)


def test_a_torn_last_line_is_reported_with_its_place() -> None:
    decoded = read(BODY[: BODY.rindex(" ") - 3])
    assert runs(decoded) == [IMAGE[:62]]
    assert [(one.what, one.place.line) for one in decoded.forgiven] == [
        ("the last line has no line end: it may be torn", 4)
    ]


def test_a_torn_first_line_is_reported_or_refused() -> None:
    decoded = read(BODY[9:])
    assert runs(decoded) == [IMAGE[3:]]
    assert [(one.what, one.place.line) for one in decoded.forgiven] == [
        ("a line does not hold 16 values like most: values may be lost or torn", 1)
    ]
    with pytest.raises(FormatError, match="line 1, column 1: a 1-digit value among 2-digit ones"):
        decode(BODY[10:].encode())


def test_a_lost_value_gives_a_shorter_run_and_names_the_line() -> None:
    decoded = read(BODY.replace(" 5B", "", 1))
    assert runs(decoded) == [IMAGE[:13] + IMAGE[14:]]
    assert [one.place.line for one in decoded.forgiven] == [1]


@pytest.mark.parametrize("bad", ["０0", "٣1", "1_2", "+1", "-1", "1e+3", "1F1F", "G0", "0b1"])
def test_what_only_looks_like_a_digit_is_refused(bad: str) -> None:
    text = BODY.replace(BODY[3:5], bad, 1)
    with pytest.raises(FormatError):
        decode(text.encode())


@pytest.mark.parametrize(
    ("text", "declared", "expected"),
    [
        ("FA3C\n71\n", Declared(token="nibble", bits=4), [15, 10, 3, 12, 7, 1]),
        ("F A 3\nC 7 1\n", Declared(bits=4), [15, 10, 3, 12, 7, 1]),
        ("303 000 340\n061\n", Declared(token="octal"), [0o303, 0, 0o340, 0o61]),
        ("195 0 224\n49\n", Declared(token="decimal"), [195, 0, 224, 49]),
        ("11000011\n00000000\n", Declared(token="binary"), [0xC3, 0]),
        ("101 011\n110 000\n", Declared(token="binary", bits=3), [5, 3, 6, 0]),
        ("C300 E031\n0010 AFD3\n", Declared(bits=16), [0xC300, 0xE031, 0x10, 0xAFD3]),
        ("C300 E031\n0010 AFD3\n", Declared(word_order="big"), [0xC3, 0, 0xE0, 0x31, 0, 0x10, 0xAF, 0xD3]),
        ("C300 E031\n0010 AFD3\n", Declared(word_order="little"), [0, 0xC3, 0x31, 0xE0, 0x10, 0, 0xD3, 0xAF]),
        ("3FF 0A1\n200 001\n", Declared(bits=10), [0x3FF, 0xA1, 0x200, 1]),
        ("0xC300, 0xE031\n", Declared(bits=16), [0xC300, 0xE031]),
        ("177777 000001\n", Declared(bits=16, token="octal"), [0xFFFF, 1]),
    ],
)
def test_declared_tokens_and_words_are_read_as_declared(
    text: str, declared: Declared, expected: list[int]
) -> None:
    ((block,),) = read(text, declared).runs
    assert block.words.tolist() == expected


@pytest.mark.parametrize(
    ("text", "declared"),
    [
        ("400 000\n", Declared(token="octal")),
        ("256 0\n", Declared(token="decimal")),
        ("1100001 00000000\n", Declared(token="binary")),
        ("3FF 7A1\n400 001\n", Declared(bits=10)),
        ("888 000\n", Declared(token="octal")),
    ],
)
def test_values_wider_than_a_word_are_refused(text: str, declared: Declared) -> None:
    with pytest.raises(FormatError):
        decode(text.encode(), declared)


def test_more_values_than_the_limit_are_refused_at_their_line() -> None:
    with pytest.raises(FormatError, match=r"^line 3, column 1: more than 40 values"):
        decode(BODY.encode(), Declared(limit=40))


def test_an_odd_line_in_another_case_is_refused() -> None:
    lines = [IMAGE.hex().upper()] * 9
    with pytest.raises(AmbiguousError, match="could be a word or data"):
        decode("\n".join(["deadbeef", *lines, ""]).encode())
