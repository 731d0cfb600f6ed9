"""A reading of one chip that turns up under another chip's name."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.stages.content.among_chips import ChipNamed, Stray, digest_of, misnamed_findings
from tests.journey.cli import wellread
from tests.kit.project import Chip, Reader, plain, project
from tests.kit.subjects import program

HB, PROG = Reader("hb"), Reader("prog", "device-programmer")
ONE, TWO = digest_of(program(seed=1)), digest_of(program(seed=2))
APART = ChipNamed("U2", ONE, ("hb", "prog"), (Stray("U2.hb.1", "hb", ONE), Stray("U2.prog.1", "prog", TWO)))


def test_an_image_that_another_reader_read_under_another_name_is_held_back() -> None:
    (found,) = misnamed_findings([APART, ChipNamed("U3", TWO, ("hb",))])
    assert (found.chip, found.where["with"], found.evidence["reading"]) == ("U3", ["U2"], "U2.prog.1")
    assert found.evidence["holds_back"]


@pytest.mark.parametrize(
    "other",
    [
        ChipNamed("U3", TWO, ("prog",)),
        ChipNamed("U3", TWO, ("hb", "two")),
        ChipNamed("U3", None, ("hb",)),
        ChipNamed("U3", digest_of(program(seed=3)), ("hb",)),
    ],
)
def test_the_same_reader_two_readers_blanks_and_other_content_are_not_doubted(other: ChipNamed) -> None:
    assert not list(misnamed_findings([APART, other]))


def test_readings_of_two_chips_exchanged_by_one_reader_leave_no_image_to_burn(tmp_path: Path) -> None:
    first, second = program(seed=1), program(seed=2)
    chips = [
        Chip("U2", first, 8, (plain(second, 8, HB, 2), plain(first, 8, PROG))),
        Chip("U3", second, 8, (plain(first, 8, HB, 2),)),
        Chip("U4", program(seed=3), 8, (plain(program(seed=3), 8, HB, 2),)),
    ]
    done = wellread("package", project(tmp_path / "p", chips), "--into", tmp_path, "--json")
    bag = Path(done.document["bag"])
    assert [path.stem for path in sorted((bag / "data/images").rglob("*.bin"))] == ["U4"]
    assert np.array_equal(np.fromfile(next((bag / "data/images").rglob("U4.bin")), np.uint8), program(seed=3))
