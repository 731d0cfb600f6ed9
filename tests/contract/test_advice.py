"""Nothing that the program can print leads a hand to harm, and the usual cautions stand beside every advice.

Three ways: over every text by itself, over every finding and kind of part and command together, and with
texts spoiled on purpose, which the same checks must catch.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest

from pipeline.bench.pairing import obstacle
from pipeline.bench.wiring_sheet import bench
from pipeline.catalogue import load
from pipeline.catalogue.advice import STEPS, NextStep, advise, step
from pipeline.catalogue.advice.caution_texts import CAUTIONS
from pipeline.catalogue.advice.findings import FINDINGS
from pipeline.catalogue.cautions import ALWAYS, DEFERENCE, cautions, heeded, replacing
from pipeline.publish.programming import plan_burn
from pipeline.views.bench import bench_html, bench_text
from pipeline.views.burn import burn_text
from pipeline.views.notes import chip_notes, opening
from pipeline.views.parts import part_sheet
from pipeline.views.report.bench_cautions import heeding_of
from pipeline.views.terminal import captured, examined
from pipeline.words import words_dtype
from schemas.answers import CaptureAnswer, Examined
from schemas.finding import Code
from schemas.glossary import GLOSSARY
from schemas.part import Part
from schemas.record import ChipRecord, RecordHead
from tests.advice_walk import (
    GENERAL,
    GENERAL_PROGRAMMING,
    flat,
    kinds_of,
    missing,
    offences,
    out_of_order,
    wanted,
)
from tests.contract.test_house import parsed
from tests.journey.cli import wellread
from tests.kit.examples import drilled_but

ROOT = Path(__file__).parents[2]
CATALOGUE = load()
KINDS = kinds_of(CATALOGUE.parts)
DANGEROUS = [part for part in KINDS if part.part in ("1702A", "2708", "82S114")]
"""Told in every run: supplies of two polarities, three supplies in an order, fuses blown for good."""
FACTS = {"line": "A9", "both": "D2 and D5"}
COMMANDS = (
    "bench",
    "burn",
    "capture",
    "changes",
    "compare",
    "examine",
    "package",
    "parts",
    "release",
    "watch",
)


def told(name: str, part: Part | None) -> str:
    facts = {
        **FACTS,
        **{place: "7" for place in re.findall(r"\{(\w+)[:}]", STEPS[name].text) if place not in FACTS},
    }
    for place in ("pulls", "margins", "hold", "probe", "reseat", "pull_ups", "beside"):
        facts.pop(place, None)
    if name == "slower":
        facts = {"old": 450, "new": 600}  # type: ignore[dict-item]
    return advise(NextStep(name, facts, ("A9",)), part)


# -- every text by itself ---------------------------------------------------------------------------------


@pytest.mark.parametrize("name", STEPS)
def test_a_step_is_told_for_every_part_and_leads_to_no_harm(name: str) -> None:
    assert STEPS[name].ground
    for part in (None, *CATALOGUE.parts):
        text = told(name, part)
        assert not re.search(r"\{\w", text)
        assert offences(text) == []


@pytest.mark.parametrize("key", CAUTIONS)
def test_a_caution_has_its_ground_and_leads_to_no_harm(key: str) -> None:
    entry = CAUTIONS[key]
    assert entry.ground
    assert offences(entry.text) == []


def test_every_ground_is_a_source_by_name_or_says_that_it_has_none() -> None:
    plain = {"common practice, no source", "from memory", "follows from the definition", "second-hand"}
    grounds = {one.ground for one in STEPS.values()} | {one.ground for one in CAUTIONS.values()}
    assert len(grounds) > len(plain)
    for ground in grounds - plain:
        assert re.search(r"data sheet|stackexchange|classiccmp|Micropower|vintage-radio", ground), ground


def literals() -> dict[str, list[str]]:
    """Every string in the program's sources, docstrings left out, and what the command line's help says."""
    out: dict[str, list[str]] = {}
    for path in sorted([*(ROOT / "pipeline").rglob("*.py"), *(ROOT / "schemas").rglob("*.py")]):
        inside = {
            id(part) for node in parsed(path) if isinstance(node, ast.JoinedStr) for part in node.values
        }
        docs = {
            id(node.value)
            for node in parsed(path)
            if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and path.name != "cli.py"
        }
        texts = []
        for node in parsed(path):
            if isinstance(node, ast.JoinedStr):
                texts.append(
                    "".join(
                        str(getattr(part, "value", "X")) if isinstance(part, ast.Constant) else "X"
                        for part in node.values
                    )
                )
            elif (
                isinstance(node, ast.Constant)
                and isinstance(node.value, str)
                and id(node) not in docs | inside
            ):
                texts.append(node.value)
        out[path.relative_to(ROOT).as_posix()] = texts
    return out


@pytest.mark.xdist_group("house")
def test_no_text_in_the_sources_leads_to_harm() -> None:
    found = literals()
    count = sum(map(len, found.values()))
    assert count > 5000
    assert {
        path: bad
        for path, texts in found.items()
        if (bad := [one for text in texts for one in offences(text)])
    } == {}


@pytest.mark.parametrize("path", ["example_project/reader/PROTOCOL.md", "example_project/reader/reader.cpp"])
def test_what_lies_beside_a_reader_carries_the_cautions(path: str) -> None:
    text = (ROOT / path).read_text(encoding="utf-8").replace("\n//", "\n")
    assert offences(text) == []
    said = (
        flat(text)
        .replace("rules for electrical work", "electrical-safety rules")
        .replace("local rules", "your local rules")
    )
    wants = {
        key: says
        for key, says in GENERAL.items()
        if key not in {"static", "local rules", "licensed practice"}
    }
    assert missing(said, None, wants) == []
    assert re.search(r"[Ww]rist strap|static charge", said)
    assert re.search(r"licensed", said)


def test_the_readmes_and_every_help_lead_to_no_harm() -> None:
    for path in sorted(ROOT.glob("*.md")):
        assert offences(path.read_text(encoding="utf-8")) == [], path.name
    for command in COMMANDS:
        assert offences(wellread(command, "--help").out) == []


@pytest.mark.parametrize("command", ["capture", "watch"])
def test_the_help_of_capture_and_watch_says_the_usual_cautions_as_they_are(command: str) -> None:
    assert ALWAYS in flat(wellread(command, "--help").out)


@pytest.mark.parametrize("name", GLOSSARY)
def test_what_explains_a_finding_leads_to_no_harm(name: str) -> None:
    one = GLOSSARY[name]
    assert [bad for text in (one.what, one.told, one.also, one.do) for bad in offences(text)] == []


@pytest.mark.xdist_group("house")
def test_detectors_name_steps_and_write_no_advice_themselves() -> None:
    """A `next` is a step's id, what a step was told as, or a value that came from one: never words."""
    wrong = []
    for path in sorted((ROOT / "pipeline").rglob("*.py")):
        keywords = (node for node in parsed(path) if isinstance(node, ast.keyword) and node.arg == "next")
        wrong += [path.name for one in keywords if _is_words(one.value)]
    assert wrong == []


def _is_words(value: ast.expr) -> bool:
    """Whether an expression is text made on the spot; a step's facts may be."""
    if isinstance(value, ast.IfExp):
        return _is_words(value.body) or _is_words(value.orelse)
    return isinstance(value, (ast.Constant, ast.JoinedStr, ast.BinOp))


# -- cautions by part -------------------------------------------------------------------------------------


@pytest.mark.parametrize("part", CATALOGUE.parts, ids=lambda part: part.part)
def test_a_part_is_told_its_own_dangers_first_then_everybodys(part: Part) -> None:
    found = cautions(part)
    keys = [one.key for one in found]
    own = {one.key for one in wanted(part)}
    assert own <= set(keys)
    general = keys.index("measure-first")
    assert all(keys.index(key) < general for key in own)
    assert {one.key for one in found if one.dangerous} >= {"measure-first", "switch-off", *own}
    assert [one.dangerous for one in found] == sorted((one.dangerous for one in found), reverse=True)


def test_minus_five_volts_first_is_said_of_the_three_supply_parts_alone() -> None:
    said = {
        part.part
        for part in CATALOGUE.parts
        if "-5 V on first" in " ".join(one.text for one in cautions(part))
    }
    assert said == {part.part for part in CATALOGUE.parts if set(part.supplies_v) == {5.0, -5.0, 12.0}}
    assert {"2708", "TMS2716"} <= said
    assert not {"1702A", "2513", "5204"} & said


# -- every finding, kind of part and command --------------------------------------------------------------


def finding(code: str, step: str, part: Part | None) -> dict[str, Any]:
    return {
        "code": code,
        "severity": "caution",
        "chip": "U7",
        "where": {},
        "evidence": {},
        "means": "Something is as it should not be.",
        "also": "Something else.",
        "next": told(step, part),
    }


def document(part: Part | None, *found: dict[str, Any]) -> Examined:
    made = {
        "project": None,
        "chip": None,
        "files": ["x.bin"],
        "organisation": "256x8",
        "part": part.part if part else None,
        "passes": 1,
        "grade": "single",
        "reasons": [],
        "image_sha256": "0" * 64,
        "contested": None,
        "regions": [],
        "findings": list(found),
        **heeded(cautions(part)),
    }
    return cast("Examined", made)


def capture_text(part: Part | None, *found: dict[str, Any], whole: int = 1, asked: int = 1) -> str:
    inner = document(part, *found)
    made = {
        "examined": inner,
        "cautions": inner["cautions"],
        "told": [],
        "protocol": True,
        "damaged_lines": 0,
        "passes_whole": whole,
        "passes_asked": asked,
        "received": 1,
        "worst_stall_ms": None,
        "problems": [],
        "row": {},
        "file": "x.log",
        "row_added": True,
    }
    return captured(cast("CaptureAnswer", made), draw=False)


def provenance(part: Part, found: dict[str, Any]) -> str:
    head: dict[str, Any] = {
        "bag": "x",
        "machine": {"name": "m"},
        "created": "2001",
        "software": {"version": "1"},
        "external_identifier": "x",
        "grades": {},
        "parts": {part.part: part.model_dump(mode="json")},
    }
    chip: dict[str, Any] = {"chip": "U7", "grade": "single", "reasons": [], "findings": [found]}
    return opening(cast("RecordHead", head), ()) + chip_notes(cast("ChipRecord", chip))


@pytest.mark.parametrize(
    "part",
    drilled_but([None, *KINDS], None, *DANGEROUS),
    ids=lambda part: part.part if part else "no part named",
)
def test_every_finding_is_told_with_its_cautions_by_every_command(
    part: Part | None, capsys: pytest.CaptureFixture[str]
) -> None:
    walked = 0
    for one_step in FINDINGS:
        found = [finding(code.value, one_step, part) for code in Code]
        for text in (examined(document(part, *found), draw=False), capture_text(part, *found)):
            assert flat(text).count(flat(found[0]["next"])) == len(Code)
            assert missing(text, part) == [], one_step
            assert out_of_order(text, part, found[0]["next"]) == [], one_step
            walked += len(Code)
        assert offences(examined(document(part, found[0]), draw=False)) == []
    if part is not None:
        for step in FINDINGS:
            text = provenance(part, finding("fill", step, part))
            assert missing(text, part) == []
            assert out_of_order(text, part, told(step, part)) == []
            walked += 1
        for text in (
            part_sheet(part),
            " ".join(
                (
                    *heeding_of({"x": part.model_dump(mode="json")}).always,
                    *heeding_of({"x": part.model_dump(mode="json")}).by_part[0][1],
                    DEFERENCE,
                )
            ),
        ):
            assert missing(text, part) == []
            walked += 1
    with capsys.disabled():
        name = part.part if part else "no part named"
        print(f"\n{name}: {len(Code)} codes x {len(FINDINGS)} steps, by command: {walked} findings told")
    assert walked >= 2 * len(Code) * len(FINDINGS)


@pytest.mark.parametrize(
    "part", drilled_but(CATALOGUE.parts, *DANGEROUS, *CATALOGUE.parts[::6]), ids=lambda part: part.part
)
def test_a_bench_sheet_has_the_cautions_of_its_part_first(part: Part) -> None:
    for sheet in (bench(part), bench(part, from_memory=True)):
        for text in (
            bench_text(sheet),
            re.sub(r"<[^>]+>", " ", bench_html(sheet)).replace("&#39;", "'").replace("&gt;", ">"),
        ):
            assert missing(text, part) == []
            assert offences(text) == []
        shown = bench_text(sheet)
        assert shown.index("Set every supply and measure") < shown.index("[ ]")


def test_every_burn_plan_has_the_cautions_of_programming_and_of_its_socket(
    capsys: pytest.CaptureFixture[str],
) -> None:
    walked = 0
    for source in CATALOGUE.parts:
        for target in KINDS:
            if obstacle(source, target) or (target.words or 0) > 1 << 15:
                continue
            words = np.zeros(source.words or 0, words_dtype(source.bits or 8))
            plan = plan_burn(words, source, target)
            text = burn_text(plan)
            assert missing(text, None, GENERAL_PROGRAMMING) == [], (source.part, target.part)
            assert offences(text) == [], (source.part, target.part)
            own = {one.key for one in wanted(target)} & {"write-enable", "programming-voltage"}
            assert own <= {one.key for one in replacing(source, target)}
            if "EPROM" in target.kind.value and target.kind.value != "EEPROM":
                assert "injure eyes and skin" in flat(text)
                assert "programming voltage differs by marking" in flat(text)
            if min(source.supplies_v) < 0 and source.part != target.part:
                assert "measure every hole" in flat(text).lower()
            walked += 1
    with capsys.disabled():
        print(f"\nburn: {walked} pairs of parts walked")
    assert walked > 200


# -- spoiled texts are caught -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "spoiled",
    [
        "Clean the leg and the socket contact of D3, press the chip home, wriggle it while reading.",
        "Read once more with the top address lines held by hand, first low, then high.",
        "Read three passes now and at both ends of the data sheet's range, log the temperature.",
        "If nothing comes, try it the other way round.",
        "Read the copy back in the machine, at both supply limits.",
        "Measure that A5 toggles at the chip's own leg.",
        "With the power off measure between the two legs.",
        "Read a third time, slower and with flow control.",
        "Read once below the data sheet's lower limit.",
        "Tie the unused data outputs to ground.",
        "Short the line to ground through a clip.",
    ],
)
def test_forbidden_advice_is_caught(spoiled: str) -> None:
    assert offences(spoiled)
    assert offences(f"Switch off first. {spoiled}")


@pytest.mark.parametrize(
    "sound",
    [
        "Never try it the other way round: a reversed chip is a dead chip.",
        "Leave the extra outputs unconnected, never ground them.",
        "Nothing is pressed or moved while the power is on.",
        "Read with the pulls the other way round.",
        "Print with 8 bits and without flow control.",
    ],
)
def test_a_sentence_that_forbids_may_name_what_it_forbids(sound: str) -> None:
    assert offences(sound) == []


def test_three_texts_spoiled_on_purpose_are_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same checks as above, on the program's own output with one text changed each time."""
    part = CATALOGUE.find("2708")
    found = finding("intermittent-line", "loose-contact", part)
    good = examined(document(part, found), draw=False)
    assert (missing(good, part), offences(good), out_of_order(good, part, found["next"])) == ([], [], [])

    steps = dict(STEPS)
    steps["loose-contact"] = steps["loose-contact"]._replace(text="Press the chip home and read again.")
    monkeypatch.setattr("pipeline.catalogue.advice.STEPS", steps)
    worse = finding("intermittent-line", "loose-contact", part)
    assert [
        one for one in offences(examined(document(part, worse), draw=False)) if "pressing the chip" in one
    ]
    monkeypatch.undo()

    texts = dict(CAUTIONS)
    first = texts["several-supplies/bias-first"]
    texts["several-supplies/bias-first"] = first._replace(text="Three supplies ({volts}): in any order.")
    monkeypatch.setattr("pipeline.catalogue.cautions.CAUTIONS", texts)
    assert "several-supplies: -5 V on first and off last" in missing(
        examined(document(part, found), draw=False), part
    )
    monkeypatch.undo()

    texts = dict(CAUTIONS)
    texts["write-enable"] = texts["write-enable"]._replace(dangerous=False)
    monkeypatch.setattr("pipeline.catalogue.cautions.CAUTIONS", texts)
    flash = CATALOGUE.find("28C256")
    spoiled = examined(document(flash, finding("fill", "fill-pulls", flash)), draw=False)
    assert any(one.startswith("write-enable") for one in missing(spoiled, flash))


class Word(str):
    """A fact that takes every format."""

    __slots__ = ()

    def __format__(self, _: str) -> str:
        return str(self)


@pytest.mark.parametrize("name", STEPS)
def test_a_step_is_asked_for_with_all_its_facts_and_no_others(name: str) -> None:
    def told(facts: dict[str, object]) -> str:
        return advise(step(name, **facts))

    facts: dict[str, object] = {}
    try:
        step(name)
    except KeyError as error:
        lacking = str(error.args[0]).partition(" lacks: ")[2].split(", ")
        facts = dict.fromkeys(lacking, Word("A5"))
    assert not re.search(r"{\w", told(facts))
    for fact in facts:
        with pytest.raises(KeyError, match=f"lacks: {fact}'"):
            told({key: value for key, value in facts.items() if key != fact})
    with pytest.raises(KeyError, match="no place for: odd"):
        told({**facts, "odd": 1})
