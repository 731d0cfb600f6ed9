"""An image that is held back is treated as a contested one everywhere, until somebody bears it out."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.journey.cli import Ran, wellread
from tests.kit.example_bags import EPOCH
from tests.kit.images import code
from tests.kit.project import Chip, Reader, Reading, plain, project
from tests.kit.wires import Bench, Image

WORDS, BITS = 2048, 8
ANSWER = "A10: the 1K program was burned twice; the board ties A10"
HOME, CLUB = Reader("bench", "home-built"), Reader("club", "home-built")


@pytest.fixture(autouse=True)
def _clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)


def _half_read() -> Image:
    """A program of which one half was read twice: the top address line was dead, or it is stored twice."""
    return Bench(code(np.random.default_rng(7), WORDS)[0], BITS).kill_address_line(10, 0).read()


def _project(folder: Path, readings: tuple[Reading, ...], answers: Mapping[str, str] | None = None) -> Path:
    whole = code(np.random.default_rng(8), WORDS)[0]
    says: dict[str, Any] = {"board": "main"}
    answered = {"answers": answers} if answers else {}
    root = project(
        folder,
        [
            Chip("U1", _half_read(), BITS, readings, "2716", {**says, **answered}),
            Chip("U2", whole, BITS, (plain(whole, BITS, HOME, 2),), "2716", says),
        ],
    )
    sheet = json.loads((root / "sheet.yaml").read_text(encoding="utf-8"))
    lanes = [{"at": "0", "lanes": ["U1"]}, {"at": "0x800", "lanes": ["U2"]}]
    sheet["spaces"] = [{"name": "program", "width": 8, "placements": lanes}]
    sheet["custodian"] = {"organisation": "The weaving shed"}
    sheet["rights"] = {"statement": "http://rightsstatements.org/vocab/CNE/1.0/"}
    sheet["release"] = {"allowed_by": "the shed", "ground": "its own machine"}
    (root / "sheet.yaml").write_text(json.dumps(sheet), encoding="utf-8")
    return root


def _packaged(place: Path, readings: tuple[Reading, ...], answers: Mapping[str, str] | None = None) -> Path:
    ran = wellread(
        "package", _project(place / "p", readings, answers), "--into", place / "b", "--json", "--quiet"
    )
    assert ran.code == 0, ran.err
    return Path(ran.document["bag"])


def _chip(bag: Path, name: str = "U1") -> dict[str, Any]:
    record = json.loads((bag / "metadata/record.json").read_bytes())
    return next(one for one in record["chips"] if one["chip"] == name)


def _burn(bag: Path, output: Path, *more: str) -> Ran:
    return wellread("burn", bag, "--chip", "U1", "--into", "2716", "--format", "binary", "-o", output, *more)


@pytest.fixture(scope="module")
def held(tmp_path_factory: pytest.TempPathFactory) -> Path:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", EPOCH)
        return _packaged(tmp_path_factory.mktemp("held"), (plain(_half_read(), BITS, HOME, 2),))


def test_the_record_names_what_holds_it_back_and_its_image_lies_apart(held: Path) -> None:
    chip = _chip(held)
    assert (chip["grade"], chip["held_back"]) == ("repeatable", ["address-line-dead"])
    assert chip["image"]["path"] == "data/images-unsettled/main/U1.bin"
    assert not (held / "data/images/main/U1.bin").exists()


def test_burn_refuses_it_and_burns_it_only_even_so(held: Path, tmp_path: Path) -> None:
    refused = _burn(held, tmp_path / "u1.bin")
    assert refused.code == 23
    assert "held back: address-line-dead" in refused.err
    assert not (tmp_path / "u1.bin").exists()
    done = _burn(held, tmp_path / "u1.bin", "--even-so")
    assert done.code == 0
    assert "The image is HELD BACK" in done.out


def test_the_space_holds_an_unsettled_chip_and_is_called_complete_nowhere(held: Path) -> None:
    record = json.loads((held / "metadata/record.json").read_bytes())
    assert [one["unsettled"] for one in record["spaces"]] == [True]
    notes = (held / "metadata/provenance.txt").read_text(encoding="utf-8")
    (line,) = (one for one in notes.splitlines() if "4096 words of 8 bits" in one)
    assert line.endswith("not settled")


def test_strict_asks_for_a_person(tmp_path: Path) -> None:
    root = _project(tmp_path / "p", (plain(_half_read(), BITS, HOME, 2),))
    ran = wellread("package", root, "--into", tmp_path / "b", "--strict")
    assert ran.code == 1
    assert "U1  repeatable, held back" in ran.out


@pytest.mark.parametrize("path", ["data/report/index.html", "metadata/premis.xml", "metadata/provenance.txt"])
def test_report_premis_and_provenance_say_so(held: Path, path: str) -> None:
    said = re.sub(r"<[^>]+>", "", (held / path).read_text(encoding="utf-8"))
    assert "held back: address-line-dead" in said.lower()


def test_the_bundle_says_so_and_burns_it_only_even_so(held: Path, tmp_path: Path) -> None:
    released = wellread("release", held, "--into", tmp_path, "--json")
    assert released.code == 0, released.err
    bundle = Path(released.document["bundle"])
    assert _chip(bundle)["held_back"] == ["address-line-dead"]
    readme = (bundle / "README.txt").read_text(encoding="utf-8")
    assert "held back         1" in readme
    assert "--chip U2" in readme
    assert _burn(bundle, tmp_path / "u1.bin").code == 23


def test_a_second_reader_that_saw_the_same_releases_it(tmp_path: Path) -> None:
    seen = _half_read()
    chip = _chip(_packaged(tmp_path, (plain(seen, BITS, HOME), plain(seen, BITS, CLUB))))
    assert (chip["grade"], chip.get("held_back")) == ("corroborated", None)
    assert chip["image"]["settled"]


def test_a_second_reader_that_read_the_lower_half_alone_releases_nothing(tmp_path: Path) -> None:
    seen = _half_read()
    half = Reading(CLUB, (seen[: WORDS // 2].tobytes(),), {"format": "binary"})
    chip = _chip(_packaged(tmp_path, (plain(seen, BITS, HOME, 2), half)))
    assert chip["held_back"] == ["address-line-dead"]


def test_an_answer_that_begins_with_the_line_releases_it_and_stands_everywhere(tmp_path: Path) -> None:
    bag = _packaged(tmp_path, (plain(_half_read(), BITS, HOME, 2),), {"address-line-dead": ANSWER})
    chip = _chip(bag)
    assert (chip.get("held_back"), chip["image"]["settled"]) == (None, True)
    released = wellread("release", bag, "--into", tmp_path / "out", "--json")
    assert released.code == 0, released.err
    bundle = Path(released.document["bundle"])
    for root in (bag, bundle):
        for path in ("metadata/record.json", "metadata/premis.xml", "metadata/provenance.txt"):
            assert "burned twice" in (root / path).read_text(encoding="utf-8"), path
        (report,) = (root / "data").rglob("index.html")
        assert "burned twice" in report.read_text(encoding="utf-8")


@pytest.mark.parametrize("answer", ["A9: the board ties it", "the board ties A10", "A10 and A9: both"])
def test_an_answer_to_another_line_releases_nothing_and_is_told(tmp_path: Path, answer: str) -> None:
    chip = _chip(_packaged(tmp_path, (plain(_half_read(), BITS, HOME, 2),), {"address-line-dead": answer}))
    assert chip["held_back"] == ["address-line-dead"]
    (found,) = (one for one in chip["findings"] if one["code"] == "address-line-dead")
    assert "does not begin with A10" in found["means"]


def test_an_answer_lowers_a_fault_to_an_answered_caution(tmp_path: Path) -> None:
    seen = Bench(code(np.random.default_rng(7), WORDS)[0], BITS).kill_address_line(4, 0).read()
    answer = {"address-line-dead": "A4: the board drives two chips with it"}
    chip = _chip(_packaged(tmp_path / "1", (plain(seen, BITS, HOME),)))
    assert chip["grade"] == "faulty"
    chip = _chip(_packaged(tmp_path / "2", (plain(seen, BITS, HOME),), answer))
    assert (chip["grade"], chip["image"]["settled"]) == ("single", True)
    (found,) = (one for one in chip["findings"] if one["code"] == "address-line-dead")
    assert (found["severity"], found["evidence"]["answer"]) == ("caution", answer["address-line-dead"])
