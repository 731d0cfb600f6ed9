"""Records that manuals print, read as their manuals say; the two that are printed wrongly are refused."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest

from pipeline.errors import FormatError
from pipeline.formats import Declared, Decoded, decode

IHEX_END = ":00000001FF\n"


def bytes_at(decoded: Decoded) -> list[tuple[int, str]]:
    (run,) = decoded.runs
    return [(block.address, block.words.astype(np.uint8).tobytes().hex()) for block in run]


def test_the_data_record_of_a_compiler_manual_decodes_to_its_text() -> None:
    # Source: Keil OH51 User's Guide, "Data Record".
    decoded = decode((":10246200464C5549442050524F46494C4500464C33\n" + IHEX_END).encode())
    assert bytes_at(decoded) == [(9314, "464c5549442050524f46494c4500464c")]
    assert b"FLUID PROFILE" in bytes.fromhex(bytes_at(decoded)[0][1])


def test_the_segmented_file_of_a_board_manual_decodes_with_its_start_address() -> None:
    # Source: Artesyn BajaPPC-750 manual (May 2002), section 10.9.4, "Complete Hex-Intel File".
    lines = (
        ":080000002082E446A80A6CCE40",
        ":020000020001FB",
        ":08000000D0ED0A2744617EFFE8",
        ":0400000300010002F6",
        ":04003000902BB4FD60",
        ":00000001FF",
    )
    decoded = decode("\n".join(lines).encode() + b"\n")
    assert bytes_at(decoded) == [(0, "2082e446a80a6cce"), (16, "d0ed0a2744617eff"), (64, "902bb4fd")]
    assert decoded.notes == ("start address 0001:0002",)


@pytest.mark.parametrize(
    ("record", "address"),
    [
        (":0400100050D55ADF8E", 0x10),  # Artesyn BajaPPC-750 manual, section 10.9.4
        (":04FEDC00210080CFB2", 0xFEDC),  # C Users Journal 7(4) disk, V7N4028A
        (":10E0000002E003E4F588758910F58DF58BD28E302A", 0xE000),  # ASEM-51 manual, appendix E
        (":040100003C58E01B6C", 0x100),  # Renesas CC-RH compiler manual, Intel expanded hex
        (":0600100090D9226BB4FD43", 0x10),  # Fujitsu Linkage Kit Manual V6, appendix B
    ],
)
def test_a_printed_intel_hex_record_is_accepted_and_any_changed_digit_is_refused(
    record: str, address: int
) -> None:
    decoded = decode(f"{record}\n{IHEX_END}".encode())
    assert bytes_at(decoded) == [(address, record[9:-2].lower())]
    for at in range(9, len(record)):
        changed = record[:at] + ("0" if record[at] != "0" else "1") + record[at + 1 :]
        with pytest.raises(FormatError, match=r"^line 1, column"):
            decode(f"{changed}\n{IHEX_END}".encode())


@pytest.mark.parametrize(
    ("record", "stated", "computed"),
    [
        # Two records seen in print with wrong sums.
        (":0D011C0000000000C3E0FF0000000000C30F", "0F", "71"),
        (":00000001FE", "FE", "FF"),
    ],
)
def test_a_wrongly_printed_record_is_refused_with_both_sums(record: str, stated: str, computed: str) -> None:
    with pytest.raises(FormatError, match=rf"the sum is {stated}, the record's bytes give {computed}"):
        decode(f"{record}\n{IHEX_END}".encode())


def test_the_example_of_the_evaluation_board_manuals_decodes_with_its_header() -> None:
    # Source: Motorola M68EVB912B32 / M68HC12A4EVB / M68HC11EVBU user's manuals, appendix A, "S-Record
    # Example".
    lines = (
        "S00600004844521B",
        "S1130000285F245F2212226A000424290008237C2A",
        "S11300100002000800082629001853812341001813",
        "S113002041E900084E42234300182342000824A952",
        "S107003000144ED492",
        "S9030000FC",
    )
    decoded = decode("\n".join(lines).encode())
    ((address, payload),) = bytes_at(decoded)
    assert address == 0
    assert len(payload) == 2 * 52
    assert hashlib.sha256(bytes.fromhex(payload)).hexdigest() == (
        "3c294e25e13c0829339bffc842d3a0b6f0fa15d412e7c506d4314807ae75e32d"
    )
    assert decoded.notes == ("header: HDR",)


@pytest.mark.parametrize(
    ("record", "note"),
    [
        ("S008763330627567736D", "header: v30bugs"),  # Emerson PmE1 manual, 8-24: an S0 without address field
        ("S00C000054455354312E4845586F", "header: TEST1.HEX"),  # DTS Insight knowledge base
    ],
)
def test_printed_headers_are_read(record: str, note: str) -> None:
    data = "S107FEDC210080CFAE"  # C Users Journal 7(4)
    decoded = decode(f"{record}\n{data}\nS9030000FC\n".encode())
    assert decoded.notes == (note,)
    assert bytes_at(decoded) == [(0xFEDC, "210080cf")]


def test_a_printed_wide_record_with_its_end_is_read() -> None:
    # Source: DTS Insight knowledge base, S3 and S7 records.
    decoded = decode(b"S315CAFE010055AA55AA55AA55AA55AA55AA55AA55AA29\nS70500000000FA\n")
    assert bytes_at(decoded) == [(0xCAFE0100, "55aa" * 8)]
    assert decoded.forgiven == ()


def test_the_paper_tape_record_of_the_microcomputer_manual_is_read() -> None:
    # Source: KIM-1 User Manual, appendix F (from memory; its 16-bit sum 0AFC holds by arithmetic).
    record = ";180000FFEEDDCCBBAA0099887766554433221122334455667788990AFC"
    decoded = decode(f"{record}\n;0000010001\n".encode())
    assert bytes_at(decoded) == [(0, "ffeeddccbbaa009988776655443322112233445566778899")]


def test_the_printed_paper_tape_end_counts_its_records_twice() -> None:
    # Source: sbprojects.net, MOS Technology page: the end record ";0001230123" of a file of 0123 hex records.
    lines = []
    for number in range(0x123):
        body = bytes([1, number >> 8, number & 0xFF, 0xA5])
        lines.append(f";{body.hex().upper()}{sum(body):04X}")
    decoded = decode("\r\n".join([*lines, ";0001230123"]).encode() + b"\r\n")
    assert bytes_at(decoded) == [(0, "a5" * 0x123)]
    with pytest.raises(FormatError, match="counts 291 data records, 290 came before"):
        decode("\r\n".join([*lines[1:], ";0001230123"]).encode() + b"\r\n")


def test_the_example_of_the_tools_manual_decodes_to_its_two_sections() -> None:
    # Source: TI MSP430 tools manual (SLAU101), appendix A.2, TI-TXT.
    lines = (
        "@F000",
        "31 40 00 03 B2 40 80 5A 20 01 D2 D3 22 00 D2 E3",
        "21 00 3F 40 E8 FD 1F 83 FE 23 F9 3F",
        "@FFFE",
        "00 F0",
        "q",
    )
    assert bytes_at(decode("\n".join(lines).encode() + b"\n")) == [
        (0xF000, "31400003b240805a2001d2d32200d2e321003f40e8fd1f83fe23f93f"),
        (0xFFFE, "00f0"),
    ]


def test_the_printed_extended_record_counts_its_whole_head() -> None:
    # Source: TI SPRU513 / SPNU118, hex-conversion chapter: %1561C3100020202020202 is 15 hex = 21 characters,
    # six bytes of 02 from 0100. (One OCR copy drops a character.)
    decoded = decode(b"%1561C3100020202020202\n%0781010\n")
    assert bytes_at(decoded) == [(0x100, "020202020202")]


def test_a_byte_sum_in_standard_tektronix_hex_is_accepted_and_reported() -> None:
    # Source: one published example sums bytes (52) where several manuals define a sum of digits (B0).
    decoded = decode(b"/00000D0D48656C6C6F2C20576F726C640A52\n/00000000\n")
    assert bytes.fromhex(bytes_at(decoded)[0][1]) == b"Hello, World\n"
    assert [one.what for one in decoded.forgiven] == ["a sum of bytes where the format has a sum of digits"]


def test_digit_sums_in_standard_tektronix_hex_are_the_rule() -> None:
    # Source: sample file printed in manuals; byte sums would be 10, 50 and F0.
    decoded = decode(
        b"/00001001FFFFFFFFFFFFFFFFFFFFFFFFFFFFFFFFE0\n"
        b"/00401005FFFFFFFFFFFFFFFFFFFFFFFFFFFFFFFFE0\n/00000000\n"
    )
    assert bytes_at(decoded) == [(0, "ff" * 16), (0x40, "ff" * 16)]
    assert decoded.forgiven == ()


def test_the_fuse_sum_of_the_standard_holds() -> None:
    # Source: JEDEC Standard 3-A / JESD3-C, fuse information fields: C019E.
    fields = b"F0*L0 01010101* L0008 01010111* L1000 0101*C019E*"
    (run,) = decode(fields, Declared(format="jesd3")).runs
    assert run[0].words[:16].tolist() == [0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 1, 1]
    assert len(run[0].words) == 1004
    with pytest.raises(FormatError, match="the fuse sum is 019F, the fuses give 019E"):
        decode(fields.replace(b"C019E", b"C019F"), Declared(format="jesd3"))
