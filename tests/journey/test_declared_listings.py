"""What a refused listing tells people to declare can be declared: in the sheet, and to `convert`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import FormatError
from pipeline.formats import Declared, decode
from pipeline.steps import DECLARED, image_bytes, replay
from pipeline.street import declared_of
from schemas.names import Organisation
from schemas.sheet import Reader, ReadingRow
from tests.journey.cli import wellread

IMAGE = bytes((k * 37 + 11) & 0xFF for k in range(64))
ROWS = [f"{at:04X}: {IMAGE[at : at + 8].hex(' ').upper()}" for at in range(0, 64, 8)]
HOLED = "\n".join([*ROWS[:3], *ROWS[4:], ""]).encode()
SEVERAL = b"".join(
    f"pass {n}\n".encode() + f"{content.hex(' ').upper()}\n".encode()
    for n, content in enumerate((IMAGE, IMAGE[::-1]), start=1)
)


def test_a_known_gap_is_declared_to_convert_and_filled(tmp_path: Path) -> None:
    file, out = tmp_path / "a.txt", tmp_path / "a.bin"
    file.write_bytes(HOLED)
    refused = wellread("convert", file, "--to", "binary", "--output", out)
    assert refused.code == 11
    assert "say --gaps if gaps are meant" in refused.err
    done = wellread("convert", file, "--to", "binary", "--output", out, "--gaps", "--fill", "0xFF")
    assert done.code == 0
    assert out.read_bytes() == IMAGE[:24] + b"\xff" * 8 + IMAGE[32:]


@pytest.mark.parametrize("radix", ["hex", "decimal"])
def test_the_radix_of_the_addresses_is_declared_to_convert(tmp_path: Path, radix: str) -> None:
    # Lines of eight at 0 and 10: a line between them in hexadecimal; in decimal the star stands for two
    # values.
    file, out = tmp_path / "a.txt", tmp_path / "a.bin"
    file.write_bytes(b"0000: " + b"01 02 03 04 05 06 07 08\n" + b"*\n0010: " + b"11 12 13 14 15 16 17 18\n")
    gone = wellread("convert", file, "--to", "binary", "--output", out, "--address", "roman")
    assert gone.code == 2
    done = wellread("convert", file, "--to", "binary", "--output", out, "--address", radix)
    if radix == "hex":
        assert done.code == 0
        assert len(out.read_bytes()) == 0x18
    else:
        assert done.code == 11
        assert "not a whole number of lines" in done.err


def test_one_pass_of_several_is_chosen_for_convert(tmp_path: Path) -> None:
    assert len(decode(SEVERAL).runs) == 2
    file, out = tmp_path / "a.txt", tmp_path / "a.bin"
    file.write_bytes(SEVERAL)
    refused = wellread("convert", file, "--to", "binary", "--output", out)
    assert refused.code == 12
    assert "--pass" in refused.err
    done = wellread("convert", file, "--to", "binary", "--output", out, "--pass", "2")
    assert done.code == 0
    assert out.read_bytes() == IMAGE[::-1]


def test_what_the_sheet_declares_of_a_listing_is_replayed_from_the_record() -> None:
    row = ReadingRow.model_validate({"chip": "u1", "gaps": "true"})
    reader = Reader.model_validate({"address": "hex"})
    declared = declared_of(row, reader, Organisation(64, 8))
    assert declared["gaps"] is True
    assert declared["address"] == "hex"
    assert set(declared) <= set(DECLARED)
    settings: dict[str, Any] = {"run": 0, "units": 64, **declared}
    with pytest.raises(FormatError):
        decode(HOLED, Declared(bits=8, words=64))
    units = replay(HOLED, [{"action": "decode", "settings": settings}])
    assert image_bytes(units.values, 8) == IMAGE[:24] + bytes(8) + IMAGE[32:]
    assert units.present is not None
    assert int((~units.present).sum()) == 8
