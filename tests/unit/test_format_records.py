"""What the record formats forgive, note and keep: nothing that is out of the ordinary goes unsaid."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.errors import FormatError
from pipeline.formats import Declared, Decoded, decode

END = ":00000001FF\n"
DATA = ":10010000C300E0310010AFD32076FFFF48490D0A4D\n"
BYTES = "c300e0310010afd32076ffff48490d0a"


def blocks(decoded: Decoded) -> list[tuple[int, str]]:
    (run,) = decoded.runs
    return [(block.address, block.words.astype(np.uint8).tobytes().hex()) for block in run]


def forgiven(decoded: Decoded) -> list[tuple[str, int | None, int | None, int]]:
    return [(one.what, one.place.line, one.place.column, one.count) for one in decoded.forgiven]


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("a comment\n" + DATA + END, ("text outside records skipped", 1, 1, 1)),
        (DATA[:-1] + "  first\n" + END, ("text after a record skipped", 1, 44, 1)),
        ("> " + DATA + END, ("text before a record skipped", 1, 1, 1)),
        (DATA + DATA + END, ("addresses given twice with the same bytes", 2, 1, 16)),
        (DATA + ":00000000" + "00\n", ("an end record in the old form (type 00 without data)", 2, 1, 1)),
        (":00000000" + "00\n" + DATA + END, ("a data record without data", 1, 1, 1)),
        (DATA + END + "\x1a\x1a", ("padding (NUL, rubout or Ctrl-Z) after the text", 3, 1, 2)),
        (
            ":02010002E0001B\n:020000020000FC\n" + DATA + END,
            ("a record of type 02 with an address that means nothing", 1, 4, 1),
        ),
    ],
)
def test_what_intel_hex_forgives_is_listed_with_its_place(text: str, what: tuple[str, int, int, int]) -> None:
    decoded = decode(text.encode())
    assert blocks(decoded) == [(0x100, BYTES)]
    assert what in forgiven(decoded)


def test_offsets_wrap_inside_a_segment_and_not_behind_a_linear_base() -> None:
    # Source: Intel's specification, data record: offsets are taken modulo 64 K in a segment (from memory).
    segment = ":020000021000EC\n:04FFFE00AABBCCDDF1\n" + END
    decoded = decode(segment.encode())
    assert blocks(decoded) == [(0x10000, "ccdd"), (0x1FFFE, "aabb")]
    assert forgiven(decoded) == [("a record wraps to the start of its 64 K segment", 2, 1, 1)]
    linear = ":020000040001F9\n:04FFFE00AABBCCDDF1\n" + END
    assert blocks(decode(linear.encode())) == [(0x1FFFE, "aabbccdd")]


def test_lower_case_and_a_carriage_return_alone_are_read_everywhere() -> None:
    assert blocks(decode((DATA + END).lower().replace("\n", "\r").encode())) == [(0x100, BYTES)]


SREC = "S1130100C300E0310010AFD32076FFFF48490D0A49\n"


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("a comment\n" + SREC + "S9030000FC\n", ("text outside records skipped", 1, 1, 1)),
        (SREC + "S804000000FB\n", ("an end record S8 of another address width than the data", 2, 1, 1)),
        (
            SREC + "S5030001FB\n",
            ("the end record is missing, but the record count proves the data whole", 3, 1, 1),
        ),
        (SREC + SREC + "S9030000FC\n", ("addresses given twice with the same bytes", 2, 1, 16)),
    ],
)
def test_what_s_records_forgive_is_listed_with_its_place(text: str, what: tuple[str, int, int, int]) -> None:
    decoded = decode(text.encode())
    assert blocks(decoded) == [(0x100, BYTES)]
    assert forgiven(decoded) == [what]


def test_start_addresses_and_headers_are_notes() -> None:
    assert decode((SREC + "S9031234B6\n").encode()).notes == ("start address 0x1234",)
    assert decode((DATA + ":04000005000000CD2A\n" + END).encode()).notes == ("start address 0x000000CD",)
    assert decode((DATA + ":00123401B9\n").encode()).notes == ("the end record carries address 0x1234",)


def test_an_address_beyond_the_chip_is_refused_at_its_record() -> None:
    for text in (DATA + END, SREC + "S9030000FC\n"):
        assert blocks(decode(text.encode(), Declared(limit=0x110))) == [(0x100, BYTES)]
        with pytest.raises(
            FormatError, match=r"^line 1, column 1: address 0x10F is beyond the chip, whose last is 0x10E"
        ):
            decode(text.encode(), Declared(limit=0x10F))


def test_the_worked_example_of_ascii_hex_holds_in_each_of_its_manners() -> None:
    # The sum 06A2 was recomputed; the grammar is that of several programmer manuals (common practice).
    values = "C3 00 E0 31 00 10 AF D3 20 76 FF FF 48 49 0D 0A "
    for text in (
        f"\x02$A0100,\r\n{values}\r\n\x03$S06A2,",
        f"\x01$A0100,{values.replace(' ', '%')}\x03$S06A2,",
        f"\x02$A0100,{values.replace(' ', chr(39))}\x03$S06A2,",
        f"\x12$A0100.{values.replace(' ', ',')}\x14$S06A2.",
        f"\x00\x00\x00\x02$A0100,\r\n{values}\r\n\x03$S06A2,\x00\x00",
    ):
        decoded = decode(text.encode())
        assert decoded.format == "ascii-hex"
        assert blocks(decoded) == [(0x100, BYTES)]
    reported = forgiven(decode(f"\x02$A0100,{values}\x03".encode()))
    assert [one[0] for one in reported] == ["no sum field, so nothing proves the bytes"]


def test_bpnf_words_are_read_in_their_three_alphabets() -> None:
    for letters in ("PN", "HL", "10"):
        text = "BPPPNF 0 BPPNPF 1 BPNPPF 2 BNPPPF".replace("P", letters[0]).replace("N", letters[1])
        decoded = decode(text.encode(), Declared(format="bpnf", bits=4))
        assert blocks(decoded) == [(0, "0e0d0b07")]


def test_rubouts_over_a_mistaken_word_cancel_it() -> None:
    decoded = decode(b"BPPPPPPPPF \x7f\x7f\x7f\x7f\x7f\x7f\x7f\x7f\x7f\x7f BNNNNNNNPF")
    assert blocks(decoded) == [(0, "ff01")]


def test_a_fuse_map_without_its_sums_says_that_nothing_proves_it() -> None:
    decoded = decode(b"\x02x*QF8*L0 10101010*\x03")
    assert [one[0] for one in forgiven(decoded)] == [
        "no fuse sum (C), so nothing proves the fuses",
        "no transmission sum",
    ]
