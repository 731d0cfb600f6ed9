"""`wellread bench PART --project FOLDER`.

Which of the project's chips try the wiring, by what packaging finds.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.journey.cli import wellread
from tests.kit.example_bags import EXAMPLE, example_bag, record_of

GOOD = ("corroborated", "self-checked")


@pytest.mark.parametrize("number", ["2716", "82S129"])
def test_the_chips_named_are_those_that_packaging_finds_good(number: str) -> None:
    done = wellread("bench", number, "--project", EXAMPLE, "--json")
    assert done.code == 0, done.err
    record = record_of(example_bag())
    # every catalogued part of the example has known address pins; the sheet's own part has too
    wanted = {chip["chip"]: chip["grade"] for chip in record["chips"] if chip["grade"] in GOOD}
    assert {one["chip"]: one["grade"] for one in done.document["exercises"]} == wanted
    assert len(wanted) > 5
    for one in done.document["exercises"]:
        missing = set(one["missing"])
        assert missing.isdisjoint(one["lines"])
        assert (
            len(missing) + len(one["lines"])
            == len(set(one["lines"]) | missing)
            == {"2716": 19, "82S129": 12}[number]
        )


def test_the_first_chip_named_is_of_the_same_wiring_and_stands_in_the_plan_and_on_the_page(
    tmp_path: Path,
) -> None:
    page = tmp_path / "page.html"
    done = wellread("bench", "2716", "--project", EXAMPLE, "--html", page)
    assert done.code == 0, done.err
    assert (
        "programmed from a known image and compared with it (the image of MEM-U1 tries 19 of 19 lines)"
        in " ".join(done.out.split())
    )
    assert "MEM-U1 (2716, corroborated): tries every line\n" in done.out
    text = page.read_text(encoding="utf-8")
    assert "MEM-U1" in text
    assert "Ilsabet" not in text


def test_a_project_of_which_nothing_is_read_well_says_so(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(EXAMPLE, tmp_path / "p"))
    sheet = folder / "sheet.yaml"
    sheet.write_text(
        "machine: {id: bench-1, name: A bench}\nreaders: {hb: {kind: home-built}}\n"
        "chips:\n  - {chip: MEM-U1, part: 2716}\n",
        encoding="utf-8",
    )
    for dump in (folder / "dumps").iterdir():
        if dump.name.split(".")[:2] != ["MEM-U1", "hb"]:
            dump.unlink()
    done = wellread("bench", "2716", "--project", folder)
    assert done.code == 0, done.err
    assert "(no image of this project is both read well and of this wiring)" in " ".join(done.out.split())
    assert "Images of this project" not in done.out


def test_a_sheet_with_problems_is_refused_and_not_passed_over(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(EXAMPLE, tmp_path / "p"))
    sheet = folder / "sheet.yaml"
    sheet.write_text(sheet.read_text(encoding="utf-8") + "\nsurprise: 1\n", encoding="utf-8")
    done = wellread("bench", "2716", "--project", folder)
    assert done.code == 10
    assert "surprise" in done.err


def test_a_wiring_with_twelve_volts_is_offered_no_chip_of_five_and_says_why(tmp_path: Path) -> None:
    """Pins 18 to 21 of a 2708 and a 2716 differ: a good 2716 tried in the new wiring would be destroyed."""
    page = tmp_path / "page.html"
    done = wellread("bench", "2708", "--project", EXAMPLE, "--html", page)
    assert done.code == 0, done.err
    said = " ".join(done.out.split())
    assert "Read MEM-U1" not in said
    assert "! MEM-U1 (2716, corroborated): pin 19 carries +12 V, its A10 wants address bit 10" in done.out
    assert "Images of this project" not in done.out
    text = page.read_text(encoding="utf-8")
    assert "No chip of these kinds into this wiring" in text
    assert "Images that try" not in text
