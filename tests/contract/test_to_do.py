"""What is held back or cautioned is told everywhere from one list in one order: no view leaves any out."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Callable
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import numpy as np
import pytest

from pipeline.to_do import MISSING, in_order, to_do, worst_first
from pipeline.views.report import trips
from tests.journey.cli import wellread
from tests.kit.example_bags import EXAMPLE
from tests.kit.examples import drilled_but
from tests.kit.faults import FAULTS
from tests.kit.files import binary
from tests.kit.frames import FRAMES
from tests.kit.images import silent_code
from tests.kit.project import Chip, Reader, Reading, plain, project
from tests.kit.wires import UnchangedError

pytestmark = pytest.mark.xdist_group("to do")
"""One process packages each project, once."""
Told = list[tuple[str, list[str]]]
"""(chip, its codes with their severities), in the order told."""
WORDS = 1024
HOME, OTHER = Reader("hb"), Reader("prog", "device-programmer")


def _faults() -> list[Chip]:
    """A chip for each fault that shows in an image or between passes, and for each frame."""
    random = np.random.default_rng(20)
    out = []
    for number, (name, inject) in enumerate(FAULTS.items(), start=1):
        truth = silent_code(random, WORDS)[0]
        try:
            streams = inject(random, truth, 8).streams
        except UnchangedError:
            continue
        files = tuple(binary(one) for one in streams)
        out.append(Chip(f"F{number}-{name[:6].strip()}".replace(" ", "-"), truth, 8, (Reading(HOME, files),)))
    for number, frame in enumerate(FRAMES.values(), start=1):
        truth = silent_code(random, WORDS)[0]
        try:
            moved = frame(random, truth, 8).stream
        except UnchangedError:
            continue
        out.append(
            Chip(f"M{number}", truth, 8, (plain(truth, 8, HOME), Reading(OTHER, (binary(moved),))), "2708")
        )
    return out


def _held() -> Chip:
    """A chip whose image is held back: one level all through, by one reader, that level not known."""
    words = np.full(WORDS, 0xFF, np.uint8)
    return Chip("H1", words, 8, (plain(words, 8, HOME),))


def _many_faults(folder: Path) -> Path:
    made = project(folder / "many", [_held(), *_faults()])
    first = json.loads((made / "sheet.yaml").read_text())["chips"][1]["chip"]
    sheet = json.loads((made / "sheet.yaml").read_text())
    sheet["chips"].append({"chip": "N1", "organisation": "1024x8", "state": "on-loan"})
    sheet["chips"].append({"chip": "N2", "organisation": "1024x8"})
    sheet["spaces"] = [
        {
            "name": "all",
            "width": 8,
            "placements": [{"at": 0, "lanes": ["H1"]}, {"at": WORDS, "lanes": [first]}],
        }
    ]
    (made / "sheet.yaml").write_text(json.dumps(sheet))
    return made


def _cautioned(folder: Path) -> Path:
    del folder
    return EXAMPLE


PROJECTS: dict[str, Callable[[Path], Path]] = {"example": _cautioned, "many faults": _many_faults}


class Packed:
    """A project once packaged, and what `check` and `package` said of it."""

    def __init__(self, folder: Path, make: Callable[[Path], Path]) -> None:
        self.project = make(folder)
        self.package = wellread("package", self.project, "--into", folder / "bags")
        assert self.package.code == 0, self.package.err
        (self.bag,) = (folder / "bags").iterdir()
        self.check = wellread("check", self.project)
        self.check_json = wellread("check", self.project, "--json").document
        self.record: dict[str, Any] = json.loads((self.bag / "metadata" / "record.json").read_bytes())
        self.expected = _expected(self.record)

    def text(self, name: str) -> str:
        return (self.bag / name).read_text(encoding="utf-8")


def _expected(record: dict[str, Any]) -> Told:
    """The list by the rule, written out once more: faults, what holds back, cautions; worst chip first."""
    order = ["faulty", "contested", "held back", MISSING, "elsewhere", "single", "repeatable", "corroborated"]
    ranked = []
    for place, chip in enumerate(record["chips"]):
        held = chip.get("held_back", [])
        codes = [
            (rank, f"{one['severity']} {one['code']}")
            for one in chip["findings"]
            if one["severity"] != "note" and "answer" not in one["evidence"]
            for rank in [0 if one["severity"] == "fault" else 1 if one["code"] in held else 2]
        ]
        state = "held back" if held and chip["grade"] not in ("faulty", "contested") else chip["grade"]
        if state == MISSING and chip.get("state") in ("on-loan", "socket-empty"):
            state = "elsewhere"
        if codes or state in order[:5]:
            rank = order.index(state) if state in order else len(order)
            told = dict.fromkeys(code for _, code in sorted(codes, key=lambda one: one[0]))
            ranked.append((rank, place, chip["chip"], list(told)))
    return [(name, codes) for _, _, name, codes in sorted(ranked, key=lambda one: one[:2])]


@cache
def packed(name: str) -> Packed:
    return Packed(Path(mkdtemp(prefix="wellread-to-do-")), PROJECTS[name])


def _rows(text: str) -> Told:
    """The block of the terminal."""
    lines = text.splitlines()
    block = lines[lines.index("Still to be done by a person:") + 1 :]
    out: Told = []
    for line in block:
        if not line.startswith("  ") or line.startswith("  …"):
            break
        chip = line.split()[0]
        out.append((chip, re.findall(r"(?:fault|caution) [a-z0-9-]+", line[len(chip) + 2 :])))
    return out


def _json(chips: list[dict[str, Any]]) -> Told:
    return [
        (
            one["chip"],
            list(
                dict.fromkeys(
                    f"{each['severity']} {each['code']}"
                    for each in one["tasks"]
                    if each["code"] != one["grade"]
                )
            ),
        )
        for one in chips
    ]


@pytest.mark.parametrize("name", drilled_but(PROJECTS, "example"))
def test_the_terminal_of_package_and_of_check_tell_the_same_list(name: str) -> None:
    made = packed(name)
    assert len(made.expected) > 5
    shown = made.expected[:20]
    assert _rows(made.package.out) == shown
    assert _rows(made.check.out) == shown
    assert _json(made.check_json["to_do"]) == made.expected


@pytest.mark.parametrize("name", drilled_but(PROJECTS, "example"))
def test_check_says_of_programs_chips_and_spaces_what_package_says(name: str) -> None:
    made = packed(name)

    def said(text: str) -> list[str]:
        lines = text.splitlines()
        first = ("  program for ", "  no processor ", "  space ", "Still to be")
        begins = [number for number, line in enumerate(lines) if line.startswith(first)]
        ends = [number for number, line in enumerate(lines) if line.startswith("  ")]
        # What is odd about the sheet `check` says first, `package` in between.
        return [line for line in lines[begins[0] : ends[-1] + 1] if not line.startswith("caution: ")]

    assert said(made.check.out) == said(made.package.out)
    assert "no program found for a processor that Wellread knows" in made.check.out
    assert made.check_json["programs"]


@pytest.mark.parametrize("name", drilled_but(PROJECTS, "example"))
def test_the_report_lists_the_tasks_in_that_order(name: str) -> None:
    made = packed(name)
    page = made.text("data/report/index.html")
    # By trips to the bench, each chip with its number in the one list.
    stops = re.findall(r'<li value="(\d+)">(.*?)</li>', page, re.DOTALL)
    by_number = {int(number): said for number, said in stops}
    shown = made.expected[: trips.MOST_TASKS]
    assert sorted(by_number) == list(range(1, len(shown) + 1))
    by_chip = {chip["chip"]: chip for chip in made.record["chips"]}
    for number, (chip, _) in enumerate(shown, start=1):
        said = by_number[number]
        assert re.findall(r'<div class="who"><a href="[^"]*">([^<]+)</a>', said) == [chip]
        means = [one.means for one in to_do(by_chip[chip]).tasks][:3]
        told = re.findall(r'<p class="why">(.*?)</p>', said, re.DOTALL)
        assert [html.unescape(one)[:60] for one in told] == [one[:60] for one in means], chip


@pytest.mark.parametrize("name", drilled_but(PROJECTS, "example"))
def test_every_chip_s_section_of_the_report_has_the_codes_in_that_order(name: str) -> None:
    made = packed(name)
    boards = {chip["chip"]: chip.get("board") or "_" for chip in made.record["chips"]}
    for chip, codes in made.expected:
        own = f"data/report/chips/{boards[chip]}/{chip}.html"
        page = made.text("data/report/index.html") + made.text(own)
        head = f'<section class="chip" id="chip-{chip}"'
        if head not in page:  # nothing was read: it stands in the list alone
            assert codes == []
            continue
        section = page[page.index(head) :]
        section = section[: section.index("</section>")]
        found = re.findall(r"</span> (fault|caution)</span> <code>([a-z0-9-]+)</code>", section)
        assert list(dict.fromkeys(f"{one} {code}" for one, code in found)) == codes, chip


@pytest.mark.parametrize("name", drilled_but(PROJECTS, "example"))
def test_the_provenance_text_tells_the_list_and_each_chip_in_that_order(name: str) -> None:
    made = packed(name)
    text = made.text("metadata/provenance.txt")
    block = text[text.index("STILL TO BE DONE BY A PERSON") : text.index("\nREADERS")]
    lines = [line for line in block.splitlines()[2:] if line]
    told = [(line.split()[0], re.findall(r"(?:fault|caution) [a-z0-9-]+", line)) for line in lines]
    assert told == made.expected
    chips = text[text.index("\nCHIPS\n") :].split("\n\n")
    for chip, codes in made.expected:
        (own,) = [one for one in chips if one.split()[:1] == [chip]]
        found = re.findall(r"^  (fault|caution) ([a-z0-9-]+):", own, re.MULTILINE)
        assert list(dict.fromkeys(f"{one} {code}" for one, code in found)) == codes, chip


@pytest.mark.parametrize("name", drilled_but(PROJECTS, "example"))
def test_premis_tells_the_codes_of_each_chip_in_that_order(name: str) -> None:
    made = packed(name)
    text = html.unescape(made.text("metadata/premis.xml"))
    for chip, codes in made.expected:
        event = re.search(rf"#event/validation/{re.escape(chip)}<.*?</event>", text, re.DOTALL)
        if not event:
            assert chip in ("N1", "N2", "PAT-U4"), "only a chip without a file has no validation"
            continue
        assert (
            re.findall(r"(?:fault|caution) [a-z0-9-]+", event[0].split("still to be done:")[-1]) == codes
        ), chip


@pytest.mark.parametrize("name", drilled_but(PROJECTS, "example"))
def test_burn_says_a_chip_s_own_findings_before_any_general_advice(name: str, tmp_path: Path) -> None:
    made = packed(name)
    tried = 0
    for chip, codes in made.expected:
        record = next(one for one in made.record["chips"] if one["chip"] == chip)
        if not record["image"] or record["organisation"] == "512x8":
            continue
        socket = [] if record["catalogued"] else ["--socket", "2708"]
        into = ["--into", record["catalogued"] or "2708", *socket]
        arguments = ("burn", made.bag, "--chip", chip, *into, "-o", tmp_path / f"{chip}.bin")
        refused = wellread(*arguments)
        apart = record["grade"] in ("faulty", "contested") or bool(record.get("held_back"))
        assert (refused.code == 23) == apart, (chip, refused.err)
        done = refused if not apart else wellread(*arguments, "--even-so")
        if done.code == 22:
            continue
        assert done.code == 0, done.err
        own = done.out.index("Still to be done about what is burned")
        advice = [
            done.out.find(word) for word in ("\nImage ", "\nPins ", "\nWarnings", "\nCautions", "\nFirst")
        ]
        assert own < min(at for at in advice if at >= 0)
        block = done.out[own : min(at for at in advice if at >= 0)]
        found = re.findall(r"^- \S+ (fault|caution) ([a-z0-9-]+):", block, re.MULTILINE)
        assert list(dict.fromkeys(f"{one} {code}" for one, code in found)) == codes, chip
        tried += 1
    assert tried > 2


@pytest.mark.parametrize("name", drilled_but(PROJECTS, "example"))
def test_a_space_names_its_chips_and_is_complete_only_where_they_are_settled(name: str) -> None:
    made = packed(name)
    expected = dict(made.expected)
    unsettled = 0
    for space in made.record["spaces"]:
        placed = {lane.split("[")[0] for one in space["placements"] for lane in one["lanes"]}
        assert _json(space["to_do"]) == [(chip, codes) for chip, codes in made.expected if chip in placed]
        line = next(
            one
            for one in made.text("metadata/provenance.txt").splitlines()
            if one.startswith(f"  {space['name']} ")
        )
        by_chip = {chip["chip"]: chip for chip in made.record["chips"]}
        sound = all(
            by_chip[chip]["grade"] not in ("faulty", "contested", MISSING)
            and not by_chip[chip].get("held_back")
            for chip in placed
        )
        unsettled += not sound
        assert line.endswith(", complete") == (sound and not space.get("cautions")), line
        assert set(expected) >= {one["chip"] for one in space["to_do"]}
    assert unsettled


@pytest.mark.parametrize("name", drilled_but(PROJECTS, "example"))
def test_the_record_lists_findings_in_the_one_order(name: str) -> None:
    for chip in packed(name).record["chips"]:
        assert in_order(chip["findings"], chip.get("held_back", ())) == chip["findings"]
    done = worst_first(map(to_do, packed(name).record["chips"]))
    assert [one.chip for one in done] == [chip for chip, _ in packed(name).expected]


def test_strict_of_package_and_of_release_hear_of_a_chip_that_is_held_back(tmp_path: Path) -> None:
    folder = project(tmp_path / "p", [_held()])
    sheet = json.loads((folder / "sheet.yaml").read_text())
    sheet["rights"] = {"statement": "http://rightsstatements.org/vocab/CNE/1.0/"}
    (folder / "sheet.yaml").write_text(json.dumps(sheet))
    done = wellread("package", folder, "--into", tmp_path / "b", "--strict", "--json")
    assert done.code == 1
    assert done.document["needs_person"] == ["H1"]
    (chip,) = done.document["chips"]
    assert chip["grade"] == "single"
    assert chip["held_back"]
    released = wellread("release", done.document["bag"], "--strict")
    assert released.code == 1
    assert "  H1  single, held back" in released.out
    bundle = Path(f"{done.document['bag']}-public")
    assert "held back" in (bundle / "README.txt").read_text()


def test_what_the_sheet_answers_is_done(tmp_path: Path) -> None:
    chip = _held()
    answered = Chip(
        "H1", chip.truth, 8, chip.readings, says={"answers": {"constant": "a blank spare", "blank": "x"}}
    )
    done = wellread("check", project(tmp_path / "p", [answered]), "--json").document
    assert done["to_do"] == []
    assert done["needing"] == []
