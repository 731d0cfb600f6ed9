"""Forty loose files as people name and save them: drafted, confirmed by one line a chip, packed."""

from __future__ import annotations

import gzip
import random
import re
from pathlib import Path

import numpy as np
import pytest

from pipeline.formats import Block, encode
from tests.journey.cli import wellread
from tests.kit.files import hex_text, intel_hex, listing, octal_listing
from tests.kit.format_writers import fuse_map

CONFIRM = re.compile(r"^    unconfirmed: .*?(?:    # proposed; put in its place: (part: .*)|    #.*)$")
"""A line to be confirmed, and the line that is typed in its place."""


def image(seed: int, size: int = 2048, bits: int = 8) -> bytes:
    """A chip's content: code-like bytes, then blank."""
    made = random.Random(seed)
    used = size * 3 // 4
    top = (1 << bits) - 1
    return bytes(
        made.choice((0xC3, 0x21, 0x3E, 0xCD, 0, made.randrange(256))) & top for _ in range(used)
    ) + bytes([top]) * (size - used)


def s_records(content: bytes, address: int = 0) -> bytes:
    return encode("s-record", [Block(address, np.frombuffer(content, dtype=np.uint8))])


def pairs_swapped(content: bytes) -> bytes:
    """As a dump program prints words of two bytes on most of today's computers."""
    rows = []
    for at in range(0, len(content), 16):
        line = content[at : at + 16]
        rows.append(f"{at:07x} " + " ".join(line[k : k + 2][::-1].hex() for k in range(0, len(line), 2)))
    return "\n".join([*rows, f"{len(content):07x}", ""]).encode()


def words_of_16(content: bytes) -> bytes:
    """As a home-built reader of a 16-bit chip prints: addresses count words."""
    rows = []
    for at in range(0, len(content), 16):
        line = content[at : at + 16]
        rows.append(f"{at // 2:04X}: " + " ".join(line[k : k + 2].hex().upper() for k in range(0, 16, 2)))
    return ("\r\n".join(rows) + "\r\n").encode()


def nibbles(content: bytes) -> bytes:
    return "".join(
        " ".join(f"{byte:X}" for byte in content[at : at + 16]) + "\n" for at in range(0, len(content), 16)
    ).encode()


def decimal(content: bytes) -> bytes:
    return "".join(
        ", ".join(str(byte) for byte in content[at : at + 16]) + "\n" for at in range(0, len(content), 16)
    ).encode()


def flickering(content: bytes) -> bytes:
    """The same chip read again: two bits differ."""
    changed = bytearray(content)
    changed[17] ^= 0x04
    changed[301] ^= 0x80
    return bytes(changed)


U1, U2, U3, U4, U5, U6 = (image(seed) for seed in range(1, 7))
IC7, IC8 = image(7, 4096), image(8, 8192)
R1, R2 = image(9, 256, 4), image(10, 256, 4)
WIDE, X1, X2, X3 = image(11, 2048), image(12, 512), image(13, 1024), image(14, 32)
X5 = intel_hex(image(16)).replace(b":10", b":11", 1)
FILES: dict[str, bytes] = {
    "U1.prog.1.bin": U1,
    "U1.prog.2.bin": U1,
    "U1.hb.1.txt": listing(U1),
    "U2_2716.bin": U2,
    "U2_2716 (2).bin": U2,
    "U2_2716 pass 2.bin": flickering(U2),
    "U3 2716 read 1.hex": intel_hex(U3),
    "U3 2716 read 2.hex": intel_hex(U3),
    "u3.s19": s_records(U3, 0xC000),
    "Kopie von U3.bin": U3,
    "U4.BIN": U4,
    "EPROM U4 verified.bin": U4,
    "U4 - Copy.bin": U4,
    "main board U5 (first try).txt": hex_text(U5).decode("ascii").encode("utf-16"),
    "U5-hexdump.txt": pairs_swapped(U5),
    "U6.hb.1.log": b"ROM reader 3\r\npass 1\r\n" + hex_text(U6) + b"pass 2\r\n" + hex_text(U6),
    "IC 7 2732A.bin": IC7,
    "ic7_2732A_2.bin": IC7,
    "IC8.2764.bin": IC8,
    "IC8 od.txt": octal_listing(IC8),
    "R1 82S129.txt": nibbles(R1),
    "R1 82S129.bin": R1,
    "R2_82S129_1.bin": bytes(0xF0 | byte for byte in R2),
    "R2_82S129_2.bin": bytes(0xF0 | byte for byte in R2),
    "D3 words.txt": words_of_16(WIDE),
    "X1.txt": decimal(X1),
    "X2-74S.bin": X2,
    "X3 82S123.bin": X3,
    "X3 82S123 second.bin": X3,
    "X4.hex": intel_hex(image(15, 2047)),
    "X5 broken.hex": X5,
    "dump from the old disk.bin": U1,
    "blank U9.bin": b"\xff" * 2048,
    "blank U10.bin": b"\xff" * 2048,
    "logic U11.jed": fuse_map(bytes(byte & 1 for byte in image(17, 512))),
    "board front.JPG": b"\xff\xd8\xff\xe0" + bytes(200),
    "IMG_0412.png": b"\x89PNG\r\n\x1a\n" + bytes(100),
    "notes.txt": b"Machine opened in the workshop.\nU4: marked TMS2516JL, label 0117\nIC8 is a 2764\n",
    "manual.pdf": b"%PDF-1.4 " + bytes(80),
    "all dumps.zip": b"PK\x03\x04" + bytes(80),
    "older.bin.gz": gzip.compress(U1, mtime=0),
}

CHIPS = {
    "D3": WIDE,
    "IC7": IC7,
    "IC8": IC8,
    "R1": R1,
    "R2": R2,
    "U1": U1,
    "U3": U3,
    "U4": U4,
    "U5": U5,
    "U6": U6,
    "X1": X1,
    "X2-74S": X2,
    "X3": X3,
}
"""What the settled chips truly hold."""


@pytest.fixture
def drafted(tmp_path: Path) -> Path:
    """The forty files beside each other, with the sheet that `start` drafts."""
    root = tmp_path / "forty"
    root.mkdir()
    for name, content in FILES.items():
        (root / name).write_bytes(content)
    done = wellread("start", root)
    assert done.code == 0, done.err
    return root


def confirmed(sheet: str) -> tuple[str, int]:
    """The sheet with each chip confirmed by one edit of one line; and how many edits that were."""
    lines, edits = [], 0
    for line in sheet.splitlines():
        found = CONFIRM.fullmatch(line)
        if found is None:
            lines.append(line)
            continue
        edits += 1
        if found[1]:
            lines.append(f"    {found[1]}")
    return "\n".join(lines) + "\n", edits


def test_there_are_forty_files_in_many_formats() -> None:
    assert len(FILES) >= 40
    assert len({name.rsplit(".", 1)[-1].casefold() for name in FILES}) >= 10


def test_each_chip_of_forty_files_is_confirmed_by_one_line_and_all_is_packed(drafted: Path) -> None:
    sheet = drafted / "sheet.yaml"
    text, edits = confirmed(sheet.read_text("utf-8"))
    assert edits == text.count("- chip: ")
    assert wellread("check", drafted).code == 1
    sheet.write_text(text, "utf-8")
    checked = wellread("check", drafted)
    assert checked.code == 0, checked.out
    packed = wellread("package", drafted, "--json")
    assert packed.code == 0, packed.err
    images = Path(packed.document["bag"]) / "data" / "images" / "unplaced"
    for chip, content in CHIPS.items():
        assert (images / f"{chip}.bin").read_bytes() == content, chip
    grades = {one["chip"]: one["grade"] for one in packed.document["chips"]}
    assert grades["U1"] == "corroborated"
    assert grades["U2"] == "contested"
    assert {grades[chip] for chip in ("U3", "IC7", "R2", "U6")} == {"repeatable"}
    assert {grades[chip] for chip in ("U4", "IC8", "R1", "U5", "X1", "X3")} == {"single"}
    assert grades["X5"] == "missing"


def test_a_part_is_proposed_behind_the_line_and_never_asserted(drafted: Path) -> None:
    text = (drafted / "sheet.yaml").read_text("utf-8")
    assert not re.search(r"(?m)^ +part:", text)
    proposed = dict(re.findall(r'- chip: "(.*)"\n.*\n.*put in its place: part: "(.*)"\n', text))
    assert proposed == {
        "IC7": "2732",
        "IC8": "2764",
        "R1": "82S129",
        "R2": "82S129",
        "U2": "2716",
        "U3": "2716",
        "U4": "2516",
        "X3": "82S123",
    }


def test_every_guess_is_one_short_sentence_of_its_own_chip(drafted: Path) -> None:
    said = re.findall(r'unconfirmed: \["(.*)"\]', (drafted / "sheet.yaml").read_text("utf-8"))
    assert len(said) >= 15
    assert max(len(one.split()) for one in said) <= 20, said


def test_pictures_notes_and_archives_are_told_where_they_belong_and_stay(drafted: Path) -> None:
    assert {path.name for path in drafted.iterdir()} == {*FILES, "sheet.yaml"}
    (drafted / "sheet.yaml").unlink()
    said = wellread("start", drafted).out
    for line in (
        "board front.JPG: a JPEG picture: move it to photos/",
        "manual.pdf: a PDF document: move it to docs/",
        "notes.txt: a text, not a dump: move it to docs/",
        "older.bin.gz: a gzip archive: unpack it, and put the dumps that are in it into dumps/",
        "U4 - Copy.bin: the same bytes as EPROM U4 verified.bin: a copy, as its name has no number of a pass",
        (
            "X5 broken.hex: cannot be read: line 2, column 44: the count 11 asks for 44 digits; this record "
            "has 42"
        ),
    ):
        assert f"\n  {line}" in said
    assert max(map(len, said.splitlines())) <= 300


def test_dumps_that_are_moved_into_their_folder_are_still_found(drafted: Path) -> None:
    sheet = drafted / "sheet.yaml"
    sheet.write_text(confirmed(sheet.read_text("utf-8"))[0], "utf-8")
    moved = [path for path in drafted.iterdir() if path.name != "sheet.yaml"]
    (drafted / "dumps").mkdir()
    for path in moved:
        path.rename(drafted / "dumps" / path.name)
    checked = wellread("check", drafted)
    assert checked.code == 0, checked.out


def test_the_stubs_are_right_once_their_mark_is_taken_away(drafted: Path) -> None:
    sheet = drafted / "sheet.yaml"
    text, stubs = confirmed(sheet.read_text("utf-8"))[0].split("# What no file says.")
    _, *lines = stubs.splitlines()
    assert {line.removeprefix("# ").split(":")[0] for line in lines if not line.startswith("#  ")} == {
        "custodian",
        "rights",
        "boards",
        "wirings",
        "spaces",
    }
    sheet.write_text(text + "\n".join(line.removeprefix("# ") for line in lines) + "\n", "utf-8")
    checked = wellread("check", drafted)
    assert checked.code == 0, checked.out
