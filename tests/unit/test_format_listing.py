"""Listings: addresses line by line, the text column never data, several passes in one log."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.errors import AmbiguousError, FormatError
from pipeline.formats import Declared, Decoded, decode

IMAGE = bytes((k * 7 + k // 16 * 31) & 0xFF for k in range(128))


def lines(image: bytes = IMAGE, size: int = 16, form: str = "{:04X}: ") -> list[str]:
    return [form.format(at) + image[at : at + size].hex(" ").upper() for at in range(0, len(image), size)]


def text(rows: list[str]) -> bytes:
    return ("\r\n".join(rows) + "\r\n").encode()


def runs(decoded: Decoded) -> list[tuple[int, bytes]]:
    assert decoded.format == "listing"
    return [(run[0].address, run[0].words.astype(np.uint8).tobytes()) for run in decoded.runs]


@pytest.mark.parametrize(
    "form",
    [
        "{:04X}: ",
        "{:04X} ",
        "{:04X}  ",
        "{:04x}:",
        "0x{:04X}: ",
        "${:04X}: ",
        "{:04X}h: ",
        "{:04X} - ",
        "{:04X} | ",
        "{:08X}  ",
        "{:X}: ",
    ],
)
def test_addresses_are_read_however_they_are_set_off(form: str) -> None:
    assert runs(decode(text(lines(form=form)))) == [(0, IMAGE)]


@pytest.mark.parametrize(("form", "size"), [("{:04o} ", 8), ("{:07o} ", 16), ("{:05d} ", 10), ("{:d}: ", 16)])
def test_octal_and_decimal_addresses_are_told_by_their_steps(form: str, size: int) -> None:
    assert runs(decode(text(lines(size=size, form=form)))) == [(0, IMAGE)]


def test_a_listing_may_start_anywhere() -> None:
    rows = [f"{0xF800 + at:04X}: {IMAGE[at : at + 16].hex(' ')}" for at in range(0, 128, 16)]
    assert runs(decode(text(rows))) == [(0xF800, IMAGE)]


@pytest.mark.parametrize(
    "shown",
    ["DEADBEEFDEADBEEF", "00 11 22 33 44 5", "AB CD EF 01 23 4", "FF FF FF FF FF F", "                "],
)
@pytest.mark.parametrize("gap", ["  ", " ", "   |", "  ; "])
def test_a_text_column_that_spells_values_is_never_data(shown: str, gap: str) -> None:
    image = shown.encode() * 8
    rows = [row + gap + shown + ("|" if "|" in gap else "") for row in lines(image)]
    assert runs(decode(text(rows))) == [(0, image)]


def test_a_short_last_line_ends_where_the_text_columns_begin() -> None:
    image = IMAGE[:32] + b"CAFE"
    rows = [
        f"{at:04X}: {image[at : at + 16].hex(' '):<47}  {'.' * 16 if at < 32 else 'CAFE'}"
        for at in range(0, 36, 16)
    ]
    rows[0] = rows[0][:-16] + "".join(chr(one) if 0x20 <= one < 0x7F else "." for one in image[:16])
    rows[1] = rows[1][:-16] + "".join(chr(one) if 0x20 <= one < 0x7F else "." for one in image[16:32])
    assert runs(decode(text(rows), Declared(address="hex"))) == [(0, image)]


def test_a_text_column_that_does_not_show_its_values_is_reported() -> None:
    image = b"THE QUICK BROWN " * 8
    rows = [row + "  THE QUICK BROWN " for row in lines(image)]
    rows[3] = rows[3].replace("BROWN", "BRAWN")
    decoded = decode(text(rows))
    assert runs(decoded) == [(0, image)]
    assert [(one.what, one.place.line) for one in decoded.forgiven] == [
        ("the text column does not show the values beside it", 4)
    ]


def test_a_lost_line_is_found_and_named() -> None:
    rows = lines()
    with pytest.raises(
        FormatError,
        match=r"^line 4, column 1: address 0x40 where 0x30 is due: 16 addresses \(1 line of 16\) are lost",
    ):
        decode(text(rows[:3] + rows[4:]))


def test_a_lost_line_is_a_reported_hole_where_gaps_are_declared() -> None:
    rows = lines()
    decoded = decode(text(rows[:3] + rows[4:]), Declared(gaps=True))
    ((first, second),) = decoded.runs
    assert (first.address, first.end, second.address, second.end) == (0, 48, 64, 128)
    assert second.words.tobytes() == IMAGE[64:]
    assert [(one.what, one.place.line, one.count) for one in decoded.forgiven] == [
        ("addresses are left out", 4, 16)
    ]


def test_a_doubled_line_is_reported_and_a_differing_one_refused() -> None:
    rows = lines()
    decoded = decode(text(rows[:3] + rows[2:]))
    assert runs(decoded) == [(0, IMAGE)]
    assert [(one.what, one.place.line) for one in decoded.forgiven] == [("a line is doubled", 4)]
    other = rows[2][:-2] + ("00" if rows[2][-2:] != "00" else "01")
    with pytest.raises(
        FormatError, match=r"^line 4, column 1: address 0x20 comes twice with different values"
    ):
        decode(text([*rows[:3], other, *rows[3:]]))


@pytest.mark.parametrize("between", [[], ["pass 2"], [""], ["done", "", "reading again"]])
def test_passes_are_parted_where_the_addresses_start_again(between: list[str]) -> None:
    assert runs(decode(text(["reader", *lines(), *between, *lines()]))) == [(0, IMAGE), (0, IMAGE)]


def test_every_line_may_carry_a_time_stamp() -> None:
    rows = [f"12:00:{k:02d}.250 -> {row}" for k, row in enumerate(lines())]
    assert runs(decode(text(rows))) == [(0, IMAGE)]


def test_a_column_ruler_is_no_line_of_values() -> None:
    ruler = "Addr  " + " ".join(f"{k:02X}" for k in range(16))
    decoded = decode(text([ruler, "----  " + "-" * 47, *lines()]))
    assert runs(decoded) == [(0, IMAGE)]


def test_stars_stand_for_repeated_lines_up_to_the_last_address() -> None:
    assert runs(decode(b"0000: FF FF FF FF\n*\n0010: 01 02 03 04\n0014\n", Declared(address="hex"))) == [
        (0, b"\xff" * 16 + b"\x01\x02\x03\x04")
    ]


def test_sixteen_bit_words_with_word_or_byte_addresses_are_told_by_the_steps() -> None:
    for step in (1, 2):
        rows = [
            f"{at * step:04X}: " + " ".join(f"{0xA000 + at + k:04X}" for k in range(8))
            for at in range(0, 64, 8)
        ]
        decoded = decode(text(rows), Declared(bits=16))
        ((block,),) = decoded.runs
        assert decoded.unit_bits == 16
        assert block.words.tolist() == list(range(0xA000, 0xA040))


def test_two_digit_addresses_need_a_declaration() -> None:
    rows = lines(IMAGE, form="{:02X} ")
    with pytest.raises(AmbiguousError, match="runs on like an address"):
        decode(text(rows))
    assert runs(decode(text(rows), Declared(format="listing", address="hex"))) == [(0, IMAGE)]
    plain = decode(text(rows), Declared(format="hex-text"))
    assert len(plain.runs[0][0].words) == 128 + 8


def test_values_beyond_the_step_of_the_addresses_are_refused_and_not_taken_for_a_text_column() -> None:
    # Ten values a line, addresses that move on by eight: the last two of each line would be lost.
    rows = [f"{at:04X}: {IMAGE[at : at + 10].hex(' ').upper()}" for at in range(0, 32, 8)]
    with pytest.raises(FormatError, match=r"line 1, column 31: .* is not their text column"):
        decode(text(rows), Declared(address="hex"))
    with pytest.raises(FormatError, match="is not their text column"):
        decode(b"0000: 00 01 02 03 04 05 06 07 08 09\n*\n0020: 11\n", Declared(address="hex"))
