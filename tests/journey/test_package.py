"""The main job on the example project: a folder of dumps and a sheet become a verified, archive-ready bag."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import bagit
import jsonschema
import numpy as np
import pytest
from bagit_profile import Profile

from example_project.making import card
from pipeline.steps import image_bytes, replay
from schemas.base import follows
from schemas.record import Record
from tests.journey.cli import Ran, wellread
from tests.kit.example_bags import example_bag, record_of
from tests.outside.rfc8493 import problems as by_the_text

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "example_project"
TRUTH: dict[str, Any] = json.loads((EXAMPLE / "truth.json").read_text(encoding="utf-8"))
EPOCH = "1767225600"


@pytest.fixture(scope="module")
def packaged(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """The example, packaged once with a fixed clock."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", EPOCH)
        return wellread("package", EXAMPLE, "--into", tmp_path_factory.mktemp("bags"), "--json")


@pytest.fixture(scope="module")
def bag(packaged: Ran) -> Path:
    """The example's bag."""
    assert packaged.code == 0, packaged.err
    return Path(packaged.document["bag"])


@pytest.fixture(scope="module")
def record(bag: Path) -> dict[str, Any]:
    """Its record."""
    parsed: dict[str, Any] = json.loads((bag / "metadata/record.json").read_text(encoding="utf-8"))
    return parsed


def test_the_json_document_gives_the_bag_and_every_chips_grade(packaged: Ran, bag: Path) -> None:
    assert bag.name == "loom-78-v1"
    assert {one["chip"]: one["grade"] for one in packaged.document["chips"]} == {
        chip: facts["grade"] for chip, facts in TRUTH["chips"].items()
    }


def test_grades_and_findings_are_the_ones_the_scenario_intends(record: dict[str, Any]) -> None:
    for chip in record["chips"]:
        intended = TRUTH["chips"][chip["chip"]]
        codes = {finding["code"] for finding in chip["findings"]}
        must, may = set(intended["codes"]["must"]), set(intended["codes"]["may"])
        assert chip["grade"] == intended["grade"], (chip["chip"], chip["reasons"], intended["why"])
        assert must <= codes <= must | may, (chip["chip"], codes, intended["why"])


def test_every_settled_image_equals_the_truth_bit_for_bit(bag: Path, record: dict[str, Any]) -> None:
    compared = 0
    for chip in record["chips"]:
        intended = TRUTH["chips"][chip["chip"]]
        if not intended["image_is_true"] or not chip["image"]:
            continue
        digits, nibbles = "".join(intended["words"]), (int(intended["organisation"].split("x")[1]) + 3) // 4
        true = bytes(int(digits[at : at + nibbles], 16) for at in range(0, len(digits), nibbles))
        assert (bag / chip["image"]["path"]).read_bytes() == true, chip["chip"]
        compared += 1
    assert compared >= 16


def test_the_spaces_are_the_true_ones(bag: Path, record: dict[str, Any]) -> None:
    found = {
        space["name"]: (bag / space["path"]).read_bytes()
        for space in record["spaces"]
        if not space["incomplete"]
    }
    assert len(found) >= 4
    for name, content in found.items():
        intended = TRUTH["spaces"][name.replace(".", ", ")] if "." in name else TRUTH["spaces"][name]
        assert hashlib.sha256(content).hexdigest() == intended["sha256"], name


def test_two_independent_validators_and_our_own_accept_the_bag(bag: Path) -> None:
    bagit.Bag(str(bag)).validate()
    assert by_the_text(bag) == []
    done = wellread("recheck", bag, "--json")
    assert done.code == 0
    assert done.document["bags"][0]["valid"]


def test_the_bag_meets_the_profile_that_it_names(bag: Path) -> None:
    document = json.loads((bag / "metadata/schemas/bagit-profile.json").read_text(encoding="utf-8"))
    opened = bagit.Bag(str(bag))
    assert (
        opened.info["BagIt-Profile-Identifier"] == document["BagIt-Profile-Info"]["BagIt-Profile-Identifier"]
    )
    profile = Profile(document["BagIt-Profile-Info"]["BagIt-Profile-Identifier"], profile=document)
    assert profile.validate(opened), profile.report.errors
    # BagIt Profiles 1.4.0, Payload-Files-Allowed and -Required: the library does not look at them.
    allowed = tuple(one.removesuffix("*") for one in document["Payload-Files-Allowed"])
    assert all(path.startswith(allowed) for path in opened.payload_entries())
    assert (bag / "data/report/index.html").is_file()
    assert any((bag / "data/sheet").iterdir())


def test_the_record_follows_its_published_schema(bag: Path, record: dict[str, Any]) -> None:
    schema = json.loads((bag / "metadata/schemas/record.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate(record, schema)
    follows(Record, json.dumps(record), unknown="forbid")
    assert len(record["chips"]) == len(TRUTH["chips"])


def test_replaying_the_recorded_steps_gives_the_recorded_words(bag: Path, record: dict[str, Any]) -> None:
    replayed = 0
    for chip in record["chips"]:
        bits = int(chip["organisation"].split("x")[1])
        for reading in chip["readings"]:
            for one in reading["passes"]:
                content = (bag / reading["files"][one["file"]]["path"]).read_bytes()
                words = replay(content, one["steps"]).values
                assert hashlib.sha256(image_bytes(words, bits)).hexdigest() == one["words_sha256"], reading[
                    "reading"
                ]
                replayed += 1
    assert replayed >= 30


def test_the_dumps_lie_in_the_bag_byte_for_byte(bag: Path, record: dict[str, Any]) -> None:
    stored = {
        one["original_name"]: one["path"]
        for chip in record["chips"]
        for reading in chip["readings"]
        for one in reading["files"]
    }
    originals = [path for path in (EXAMPLE / "dumps").rglob("*") if path.is_file()]
    assert len(originals) >= 20
    for path in originals:
        name = path.relative_to(EXAMPLE).as_posix()
        assert (bag / stored[name]).read_bytes() == path.read_bytes()


def test_sums_are_those_of_the_image(bag: Path, record: dict[str, Any]) -> None:
    import zlib

    for chip in record["chips"]:
        if not chip["image"] or not chip["organisation"].endswith("x8"):
            continue
        content = (bag / chip["image"]["path"]).read_bytes()
        sums = {(one["method"], one["form"]): one["value"] for one in chip["image"]["sums"]}
        assert sums["crc32", "as-stored"] == f"{zlib.crc32(content):08X}"
        assert sums["sum16", "as-stored"] == f"{sum(content) & 0xFFFF:04X}"


def test_unsettled_images_are_kept_apart_with_their_masks(bag: Path, record: dict[str, Any]) -> None:
    for chip in record["chips"]:
        if not chip["image"]:
            continue
        apart = chip["image"]["path"].startswith("data/images-unsettled/")
        assert apart == (chip["grade"] in ("faulty", "contested"))
        if chip["contested"]:
            mask = np.frombuffer((bag / chip["image"]["mask_path"]).read_bytes(), np.uint8)
            assert int(np.bitwise_count(mask).sum()) == chip["contested"]["bits"]


def test_the_home_built_reader_is_qualified_on_some_chips_and_used_on_others(record: dict[str, Any]) -> None:
    standing = {tuple(one["readers"]): one for one in record["qualification"]["readers"]}
    assert standing["hb",]["disagreements"] == 0
    assert standing["hb",]["agreed_chips"]
    assert ("adapter",) not in standing, (
        "a reading brought into another's order proves nothing about its own lines"
    )
    alone = [
        chip for chip in record["chips"] if any("hb is qualified" in reason for reason in chip["reasons"])
    ]
    assert alone
    assert all(chip["grade"] not in ("faulty", "missing") for chip in alone)


def test_packaging_again_says_that_nothing_changed(bag: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    again = wellread("package", EXAMPLE, "--into", bag.parent, "--json")
    assert again.code == 0
    assert again.document["same_as"] == bag.name
    assert [path.name for path in bag.parent.iterdir()] == [bag.name]


def test_a_change_makes_the_next_version_which_names_what_it_supersedes(
    bag: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    project = tmp_path / "loom"
    shutil.copytree(EXAMPLE, project)
    shutil.copytree(bag, tmp_path / "bags" / bag.name)
    sheet = project / "sheet.yaml"
    sheet.write_text(sheet.read_text(encoding="utf-8") + "# one more line\n", encoding="utf-8")
    done = wellread("package", project, "--into", tmp_path / "bags", "--json")
    assert done.code == 0, done.err
    assert done.document["supersedes"] == bag.name
    new = Path(done.document["bag"])
    assert new.name == "loom-78-v2"
    record = json.loads((new / "metadata/record.json").read_text(encoding="utf-8"))
    assert record["supersedes"]["why"] == ["the sheet was edited"]
    assert (
        record["supersedes"]["receipt"] == wellread("recheck", bag, "--json").document["bags"][0]["receipt"]
    )
    info = bagit.Bag(str(new)).info
    assert info["Bag-Group-Identifier"] == bagit.Bag(str(bag)).info["Bag-Group-Identifier"]
    assert 'relationshipSubType/sup">supersedes' in (new / "metadata/premis.xml").read_text(encoding="utf-8")


def test_the_same_project_with_the_same_epoch_gives_the_same_bytes(bag: Path, tmp_path: Path) -> None:
    script = "import sys; from pipeline.__main__ import run; sys.exit(run(sys.argv[1:]))"
    env = {
        "SOURCE_DATE_EPOCH": EPOCH,
        "PYTHONHASHSEED": "77",
        "TZ": "Asia/Tokyo",
        "PATH": "/usr/bin:/bin",
        "PYTHONPATH": str(ROOT),
    }
    command = [sys.executable, "-c", script, "package", str(EXAMPLE), "--into", str(tmp_path), "--quiet"]
    subprocess.run(command, env=env, check=True, capture_output=True)
    other = tmp_path / bag.name
    ours = {path.relative_to(bag): path.read_bytes() for path in bag.rglob("*") if path.is_file()}
    theirs = {path.relative_to(other): path.read_bytes() for path in other.rglob("*") if path.is_file()}
    assert ours.keys() == theirs.keys()
    assert [str(path) for path in ours if ours[path] != theirs[path]] == []


def test_an_epoch_before_the_last_capture_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "0")
    done = wellread("package", EXAMPLE, "--into", tmp_path)
    assert done.code == 18
    assert "lies before" in done.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("value", ["tomorrow", "-1", "1e9", "٣"])
def test_a_malformed_epoch_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, value: str) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", value)
    done = wellread("package", EXAMPLE, "--into", tmp_path)
    assert done.code == 18


def test_the_destination_may_not_lie_inside_the_project(tmp_path: Path) -> None:
    project = tmp_path / "loom"
    shutil.copytree(EXAMPLE, project)
    done = wellread("package", project, "--into", project / "bags")
    assert done.code == 15
    assert "inside the project folder" in done.err


def test_check_writes_nothing_and_finds_the_example_sound(tmp_path: Path) -> None:
    project = tmp_path / "loom"
    shutil.copytree(EXAMPLE, project)
    before = sorted(path for path in project.rglob("*"))
    done = wellread("check", project, "--json")
    assert done.code == 0
    assert done.document["sound"]
    assert sorted(path for path in project.rglob("*")) == before


@pytest.mark.drill
def test_output_survives_a_narrow_encoding(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "pipeline", "package", str(EXAMPLE), "--into", str(tmp_path)]
    env = {"PYTHONIOENCODING": "cp1252", "PATH": "/usr/bin:/bin", "PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, env=env, capture_output=True, check=False, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    assert b"loom-78-v1" in done.stdout
    assert b"\x1b" not in done.stdout + done.stderr
    done.stdout.decode("cp1252")


def test_the_odds_of_a_wrong_settled_bit_are_stated_where_every_reader_has_a_bound(
    record: dict[str, Any],
) -> None:
    rates = {one["readers"][0]: one["upper_bound"] for one in record["qualification"]["readers"]}
    stated = [chip for chip in record["chips"] if chip["odds"]]
    assert stated
    for chip in stated:
        readers = {one["reader"] for one in chip["readings"] if one["passes"]}
        # Two independent readers are both wrong, or one is wrong while the other is silent: `lasting` has no
        # silence.
        expected = 1.0
        for reader in readers:
            expected *= rates[reader]
        assert chip["odds"]["wrong"] == pytest.approx(expected, rel=1e-9)
        assert chip["odds"]["model"] == "lasting"


def test_a_reversed_data_bus_is_brought_into_line_and_suggested_as_board_wiring(tmp_path: Path) -> None:
    project = tmp_path / "m"
    (project / "dumps").mkdir(parents=True)
    words = (EXAMPLE / "dumps" / "MEM-U1.prog.1.bin").read_bytes()
    (project / "dumps" / "U1.prog.1.bin").write_bytes(words)
    (project / "dumps" / "U1.hb.1.bin").write_bytes(bytes(int(f"{byte:08b}"[::-1], 2) for byte in words))
    (project / "sheet.yaml").write_text(
        "machine: {id: m, name: M}\nreaders: {prog: {kind: device-programmer}, hb: {kind: home-built}}\n"
        "chips:\n  - {chip: U1, part: '2716'}\n"
    )
    done = wellread("package", project, "--json")
    assert done.code == 0, done.err
    (finding,) = [one for one in done.document["chips"][0]["findings"] if one["code"] == "lines-reordered"]
    assert finding["where"]["data"] == [7, 6, 5, 4, 3, 2, 1, 0]
    assert finding["evidence"]["suggested_board_wiring"]["wiring"] == {"data": [7, 6, 5, 4, 3, 2, 1, 0]}
    assert done.document["chips"][0]["grade"] == "corroborated"


def test_the_terminal_cards_banks_are_placed_by_their_calls_and_no_program_of_the_invented_processor_is() -> (
    None
):
    chips = {chip["chip"]: chip for chip in record_of(example_bag())["chips"]}
    stands = {
        name: finding["where"]["address"]
        for name, chip in chips.items()
        for finding in chip["findings"]
        if finding["code"] == "stands-at"
    }
    assert stands == dict(zip(("CRT-U1", "CRT-U2"), card.BASES, strict=True))
    assert {name for name, chip in chips.items() if chip.get("program")} == set(stands)
    for name, other in (("CRT-U1", "CRT-U2"), ("CRT-U2", "CRT-U1")):
        program = chips[name]["program"]
        routines = {routine["at"] for routine in chips[other]["program"]["routines"]}
        calls = [call for call in program["calls_out"] if call["kind"] == "call"]
        assert len(calls) > 10
        assert all(call["chip"] == other and call["to"] in routines for call in calls)
        # What the processor, or the other chip, enters first is code from its first byte on.
        assert (chips[name]["regions"][0]["kind"], chips[name]["regions"][0]["start"]) == ("code", 0)
