"""Names of dump files in the bag, and what the files held, a chip at a time."""

from __future__ import annotations

from hashlib import sha256

import pytest

from pipeline.errors import StorageError
from pipeline.flow import PlannedChip, PlannedReading
from pipeline.run.package.file_digests import FileDigests
from pipeline.run.package.names_in_bag import DumpNames
from schemas.sheet import Chip, ReadingRow


def planned(chip: str, *files: str) -> PlannedChip:
    """A chip with a reading of each file."""
    readings = tuple(
        PlannedReading(f"{chip}.hb.{number}", chip, "hb", (path,), ReadingRow(), path)
        for number, path in enumerate(files, start=1)
    )
    return PlannedChip(Chip(chip=chip, board="main"), None, None, None, readings, "sheet.yaml:1")


ALONE = planned("U1", "dumps/U1.hb.1.bin")
FIRST, SECOND = (
    planned("U2", "dumps/both.bin", "dumps/U2.bin"),
    planned("U3", "dumps/both.bin", "dumps/U3.bin"),
)
CHIPS = (ALONE, FIRST, SECOND)


def digest(text: str) -> str:
    return sha256(text.encode()).hexdigest()


def test_a_file_lies_in_the_folder_of_its_chip() -> None:
    assert DumpNames(CHIPS).of(ALONE) == {"dumps/U1.hb.1.bin": "data/readings/main/U1/U1.hb.1.bin"}


def test_a_file_of_two_chips_lies_with_the_first_and_is_written_by_its_worker_alone() -> None:
    names = DumpNames(CHIPS)

    assert names.of(FIRST)["dumps/both.bin"] == names.of(SECOND)["dumps/both.bin"]
    assert names.of(SECOND)["dumps/both.bin"] == "data/readings/main/U2/both.bin"
    assert names.written_for(FIRST) == {"dumps/both.bin", "dumps/U2.bin"}
    assert names.written_for(SECOND) == {"dumps/U3.bin"}
    assert {path: one.owner for path, one in names.shared.items()} == {"dumps/both.bin": "U2"}


def test_files_of_one_name_in_two_folders_get_names_of_their_own_whichever_chip_has_them_first() -> None:
    chips = planned("U1", "dumps/a/x.bin", "dumps/b/x.bin"), planned("U2", "dumps/b/x.bin", "dumps/c/x.bin")
    names = DumpNames(chips)

    assert names.of(chips[0]) == {
        "dumps/a/x.bin": "data/readings/main/U1/a_x.bin",
        "dumps/b/x.bin": "data/readings/main/U1/b_x.bin",
    }
    # The other's `x.bin` lies elsewhere: beside its own one there is none.
    assert names.of(chips[1])["dumps/c/x.bin"] == "data/readings/main/U2/x.bin"


def test_digests_come_back_under_the_paths_of_their_files() -> None:
    found = FileDigests(CHIPS, {"dumps/both.bin"})
    for chip in CHIPS:
        found.add(chip, [digest(path) for path in chip.files])

    assert dict(found.each()) == {path: digest(path) for chip in CHIPS for path in chip.files}


@pytest.mark.parametrize("chips", [(FIRST, SECOND), (planned("U4", "dumps/x.bin", "dumps/x.bin"),)])
def test_a_file_that_held_something_else_for_another_reading_is_refused(
    chips: tuple[PlannedChip, ...],
) -> None:
    found = FileDigests(chips, {"dumps/both.bin"})
    *before, last = chips
    for chip in before:
        found.add(chip, [digest("once")] * 2)

    with pytest.raises(StorageError, match="changed"):
        found.add(last, [digest("one"), digest("other")])


def test_a_chip_that_is_read_again_must_hold_what_it_held() -> None:
    found = FileDigests(CHIPS, {"dumps/both.bin"})
    for chip in CHIPS:
        found.add(chip, [digest(path) for path in chip.files])

    found.compare(2, [digest(path) for path in SECOND.files])
    with pytest.raises(StorageError, match=r"dumps/U3\.bin"):
        found.compare(2, [digest("dumps/both.bin"), digest("another")])
