"""A project's chip examined, and two of its readings compared, by the ids of its sheet."""

from __future__ import annotations

from pathlib import Path

import pytest

from schemas.glossary import GLOSSARY
from tests.journey.cli import wellread
from tests.kit.example_bags import example_bag, record_of
from tests.kit.examples import drilled_but

EXAMPLE = Path(__file__).parents[2] / "example_project"


@pytest.fixture(scope="module")
def recorded() -> dict[str, dict[str, object]]:
    """The chips of the example as its bag has them."""
    return {chip["chip"]: chip for chip in record_of(example_bag())["chips"]}


@pytest.mark.parametrize("chip", drilled_but(["PAT-U5", "MEM-U3", "PAT-U4", "BOX-U2"], "PAT-U5", "BOX-U2"))
def test_a_chip_is_examined_as_the_bag_records_it(chip: str, recorded: dict[str, dict[str, object]]) -> None:
    told = wellread("examine", "--project", EXAMPLE, "--chip", chip, "--json").document
    kept = recorded[chip]
    assert told["chip"] == chip
    for key in ("grade", "reasons", "bears", "organisation", "contested"):
        assert told[key] == kept[key], key
    assert sorted(one["code"] for one in told["findings"]) == sorted(
        one["code"]
        for one in kept["findings"]  # type: ignore[attr-defined]
    )
    image = kept["image"]
    assert told["image_sha256"] == (image["sha256"] if isinstance(image, dict) else None)


def test_what_all_chips_say_together_is_told_of_a_chip_examined_in_its_project(tmp_path: Path) -> None:
    """Two chips that hold the same know of each other only in the project."""
    (tmp_path / "dumps").mkdir()
    image = (EXAMPLE / "dumps" / "MEM-U1.prog.1.bin").read_bytes()
    for chip in ("U1", "U2"):
        (tmp_path / "dumps" / f"{chip}.prog.1.bin").write_bytes(image)
    (tmp_path / "sheet.yaml").write_text(
        "machine: {id: m, name: M}\nreaders: {prog: {}}\nchips:\n"
        "  - {chip: U1, part: '2716'}\n  - {chip: U2, part: '2716'}\n"
    )
    alone = wellread("examine", tmp_path / "dumps" / "U1.prog.1.bin", "--part", "2716", "--json").document
    together = wellread("examine", "--project", tmp_path, "--chip", "U1", "--json").document
    said = [{one["code"] for one in document["findings"]} for document in (alone, together)]
    assert said[1] - said[0] == {"same-content"}


def test_the_sheets_readers_count_for_a_chip_examined_in_its_project() -> None:
    files = sorted((EXAMPLE / "dumps").glob("MEM-U1.*"))
    assert wellread("examine", *files, "--part", "2716", "--json").document["grade"] == "repeatable"
    document = wellread("examine", "--project", EXAMPLE, "--chip", "MEM-U1", "--json").document
    assert document["grade"] == "corroborated"


def test_a_fault_ends_with_1_and_the_words_to_type_explain_what_was_told() -> None:
    done = wellread("examine", "--project", EXAMPLE, "--chip", "PAT-U5")
    assert done.code == 1
    last = done.out.splitlines()[-1]
    assert last.startswith("More on each: wellread explain faulty address-line-dead")
    codes = last.split("explain ")[1].split()
    assert set(codes) <= set(GLOSSARY)
    explained = wellread("explain", *codes)
    assert explained.code == 0
    assert all(f" {code}\n" in explained.out for code in codes)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "nothing was named. Name dump files, or a chip: `wellread examine --project FOLDER --chip U1`."),
        (("--project", EXAMPLE), "which chip is not said. Say one of SEQ-U1,"),
        (("--project", EXAMPLE, "--chip", "PAT-U55"), "no chip 'PAT-U55'. Did you mean --chip PAT-U5?"),
        (("x.bin", "--project", EXAMPLE, "--chip", "PAT-U5"), "do not go with a project's chip"),
        (("--project", EXAMPLE, "--chip", "PAT-U5", "--part", "2716"), "Leave them out: the sheet says"),
    ],
)
def test_what_cannot_be_examined_says_what_to_type(arguments: tuple[str | Path, ...], says: str) -> None:
    done = wellread("examine", *arguments)
    assert done.code == 2
    assert says in done.err


def test_two_readings_are_compared_by_their_ids() -> None:
    done = wellread("compare", "--project", EXAMPLE, "MEM-U1.prog.1", "MEM-U1.hb.1/2")
    assert done.code == 0, done.err
    assert done.out.splitlines()[0] == "MEM-U1.prog.1/1 against MEM-U1.hb.1/2 (2048x8): identical"
    document = wellread("compare", "--project", EXAMPLE, "BOX-U2.adapter.1", "BOX-U2/1", "--json").document
    assert (document["first"], document["second"]) == ("BOX-U2.adapter.1", "BOX-U2/1")


def test_the_readings_of_a_crossed_reader_are_told_as_crossed() -> None:
    document = wellread("compare", "--project", EXAMPLE, "MEM-U3/1", "MEM-U3/2", "--json").document
    assert document["relation"] == "mapped"


@pytest.mark.parametrize(
    ("first", "second", "says"),
    [
        ("MEM-U1.prg.1", "MEM-U1.hb.1", "no such reading. Did you mean MEM-U1.prog.1?"),
        ("MEM-U1/9", "MEM-U1.hb.1", "no such reading. Did you mean MEM-U1.prog.1 or MEM-U1.hb.1?"),
        ("MEM-U1.hb.1/9", "MEM-U1.hb.1", "MEM-U1.hb.1 has 3 passes. Say MEM-U1.hb.1/1 to MEM-U1.hb.1/3."),
        ("MEM-U1.hb.1", "SEQ-U9/1", "words of 8 and of 4 bits cannot be compared"),
    ],
)
def test_readings_that_are_not_there_say_which_are(first: str, second: str, says: str) -> None:
    done = wellread("compare", "--project", EXAMPLE, first, second)
    assert done.code == 2
    assert says in done.err


def test_a_listing_that_asks_is_examined_and_compared_with_the_option_that_the_message_names(
    tmp_path: Path,
) -> None:
    image = (EXAMPLE / "dumps" / "MEM-U1.prog.1.bin").read_bytes()
    lines = [
        f"{at:07x} " + " ".join(image[k : k + 2].hex() for k in range(at, at + 16, 2))
        for at in range(0, len(image), 16)
    ]
    dump = tmp_path / "u1.txt"
    dump.write_text("\n".join([*lines, f"{len(image):07x}", ""]))
    for arguments in (("examine", dump), ("compare", dump, dump)):
        asked = wellread(*arguments)
        assert asked.code == 12
        assert "Say --word-order big if" in asked.err
        assert wellread(*arguments, "--word-order", "big").code == 0
