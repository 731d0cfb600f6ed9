"""What names and contents of loose files say, and what is proposed from them."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.catalogue import load
from pipeline.draft.chips import DraftedReading, chips_of
from pipeline.draft.contents import look_into
from pipeline.draft.file_names import named_file
from pipeline.draft.proposals import find_part, marked_in_notes, propose
from schemas.names import as_id


def find(text: str) -> str:
    return find_part(load(), text)


def drafted(*files: tuple[str, bytes]) -> list[DraftedReading]:
    return [DraftedReading(path, named_file(path, find), look_into(content)) for path, content in files]


def noise(seed: int, size: int = 256) -> bytes:
    return random.Random(seed).randbytes(size)


@pytest.mark.parametrize(
    ("name", "chip", "part", "more"),
    [
        ("U12.prog.2.bin", "U12", "", "numbered"),
        ("dumps/U12_2716.bin", "U12", "2716", ""),
        ("U12 TMS2716JL pass 2.hex", "U12", "TMS2716", "numbered"),
        ("IC 7 27C256.bin", "IC7", "27256", ""),
        ("EPROM U4 verified.bin", "U4", "", ""),
        ("U4 - Copy.bin", "U4", "", "copy"),
        ("U4 (2).bin", "U4", "", "copy"),
        ("Kopie von U4.bin", "U4", "", "copy"),
        ("U4-read2.bin", "U4", "", "numbered"),
        ("main board U5 (first try).txt", "main-board-U5", "", ""),
        ("2716.bin", "2716", "2716", ""),
        ("sound 4F.bin", "sound-4F", "", ""),
        ("U1 2716 or 2732.bin", "U1", "", ""),
    ],
)
def test_a_name_says_the_chip_the_part_and_whether_it_is_a_copy(
    name: str, chip: str, part: str, more: str
) -> None:
    found = named_file(name, find)
    assert (found.chip, found.part) == (chip, part)
    assert (found.copy, found.numbered) == (more == "copy", more == "numbered")


@given(st.text(min_size=1, max_size=80))
def test_any_name_gives_an_id(name: str) -> None:
    found = named_file(name, find)
    assert as_id(found.chip) == found.chip
    assert as_id(found.whole) == found.whole


@given(st.binary(max_size=400))
def test_any_content_is_looked_into(content: bytes) -> None:
    found = look_into(content)
    assert bool(found.belongs) + bool(found.refused) + bool(found.organisation) == 1


def test_equal_files_of_two_places_stay_two_chips() -> None:
    same = noise(1)
    chips = chips_of(drafted(("U1.bin", same), ("U2.bin", same)))
    assert [chip.chip for chip in chips] == ["U1", "U2"]
    assert all(len(chip.heard) == 1 for chip in chips)


def test_unlike_files_of_one_place_stay_two_chips_under_their_whole_names() -> None:
    chips = chips_of(drafted(("U3 old.bin", noise(1)), ("U3 new.bin", noise(2))))
    assert [chip.chip for chip in chips] == ["U3-new", "U3-old"]


def test_nearly_equal_files_are_passes_and_equal_ones_without_a_number_a_copy() -> None:
    image = noise(3)
    again = bytes([image[0] ^ 1]) + image[1:]
    (chip,) = chips_of(drafted(("U1.bin", image), ("U1 again.bin", again), ("old backup.bin", image)))
    assert [one.path for one in chip.heard] == ["U1.bin", "U1 again.bin"]
    assert [one.path for one in chip.readings if one.set_aside] == ["old backup.bin"]


def test_blank_files_without_a_place_are_not_joined_to_a_blank_chip() -> None:
    chips = chips_of(drafted(("U1.bin", b"\xff" * 256), ("some.bin", b"\xff" * 256)))
    assert len(chips) == 2


def test_a_part_is_proposed_only_where_the_size_fits() -> None:
    (fits,) = chips_of(drafted(("U1 2716.bin", noise(4, 2048))))
    (short,) = chips_of(drafted(("U1 2716.bin", noise(4, 1024))))
    assert propose(fits, "", load()).part == "2716"
    proposal = propose(short, "", load())
    assert proposal.part == ""
    assert "although U1 2716.bin names a 2716, which is 2048x8" in proposal.why[0]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("U1: marked D2716, label 7", {"U1": "2716 n.txt"}),
        ("u1 (2716)", {"U1": "2716 n.txt"}),
        ("U1 and U2 are 2716", {}),
        ("U1 is a 2716 or a 2732", {}),
        ("U1 2716\nU1 2732", {}),
        ("U9 2716", {}),
    ],
)
def test_a_note_names_a_part_where_a_line_names_one_chip_and_one_part(
    text: str, says: dict[str, str]
) -> None:
    assert marked_in_notes({"n.txt": text}, ["U1", "U2"], load()) == says


@pytest.mark.parametrize(
    ("content", "organisation"),
    [
        (bytes(k & 0xF for k in range(256)), "256x4"),
        (bytes(0xF0 | k & 0xF for k in range(256)), "256x4"),
        (noise(5), "256x8"),
        (b"\x00" * 256, "256x8"),
        (noise(6, 255), "256x8"),
        (noise(7, 2000), "2048x8"),
        (noise(8, 1500), "1500x8"),
    ],
)
def test_the_width_and_the_size_that_was_meant(content: bytes, organisation: str) -> None:
    assert str(look_into(content).organisation) == organisation
