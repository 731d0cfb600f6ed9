"""Another specimen's bag is evidence beside a chip's own readings: it settles nothing, and lifts rarely."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest

from pipeline.twins.corroboration import against
from pipeline.twins.specimen import Specimen, specimen
from tests.journey.cli import Ran, wellread
from tests.kit.example_bags import EPOCH
from tests.kit.images import blank, code
from tests.kit.specimens import Held, Owner, machine
from tests.kit.wires import Image

SHED = Owner("loom-a", "The weaving shed", "bench")
CLUB = Owner("loom-b", "The owners' club", "clubprog", {"kind": "device-programmer"})
TRUTH: Image = code(np.random.default_rng(7), 2048)[0]


@pytest.fixture(autouse=True)
def _clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)


def bag_of(place: Path, owner: Owner, chips: Sequence[Held]) -> Path:
    folder = machine(place, owner, chips)
    ran = wellread("package", folder, "--quiet")
    assert ran.code == 0, ran.err
    return Path(ran.out.strip())


def with_twin(bag: str, their: str = "X5", chip: str = "U5", owner: Owner = SHED) -> Owner:
    return replace(owner, more={"twins": [{"chip": chip, "bag": bag, "their": their}]})


def record(bag: Path, chip: str = "U5") -> dict[str, Any]:
    whole = json.loads((bag / "metadata/record.json").read_text(encoding="utf-8"))
    (found,) = (one for one in whole["chips"] if one["chip"] == chip)
    return dict(found)


def ours(
    tmp_path: Path,
    *,
    theirs: Held | None = None,
    own: Held | None = None,
    owner: Owner = SHED,
    other: Owner = CLUB,
) -> dict[str, Any]:
    """Our chip's record, packaged with one twin named."""
    bag = bag_of(tmp_path, other, [theirs or Held("X5", (TRUTH, TRUTH))])
    return record(bag_of(tmp_path, with_twin(bag.name, owner=owner), [own or Held("U5", (TRUTH, TRUTH))]))


def codes(chip: Mapping[str, Any]) -> list[str]:
    return [one["code"] for one in chip["findings"] if one["code"].startswith("twin")]


def test_an_original_read_by_another_reader_for_another_custodian_corroborates(tmp_path: Path) -> None:
    chip = ours(tmp_path)
    (twin,) = chip["twins"]
    assert (chip["grade"], codes(chip), twin["corroborates"], twin["against"]) == (
        "corroborated",
        ["twin-same"],
        True,
        [],
    )
    assert chip["reasons"][0].startswith("Another specimen, read by another reader")


def test_receipt_and_digest_stand_in_record_premis_provenance_and_report(tmp_path: Path) -> None:
    theirs = bag_of(tmp_path, CLUB, [Held("X5", (TRUTH,))])
    receipt = wellread("recheck", theirs, "--json").document["bags"][0]["receipt"]
    bag = bag_of(tmp_path, with_twin(theirs.name), [Held("U5", (TRUTH,))])
    (twin,) = record(bag)["twins"]
    assert (twin["receipt"], twin["image_sha256"]) == (receipt, record(theirs, "X5")["image"]["sha256"])
    for name in ("metadata/premis.xml", "metadata/provenance.txt", "data/report/index.html"):
        text = (bag / name).read_text(encoding="utf-8")
        assert receipt in text, name
        assert twin["image_sha256"] in text, name


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"own": Held("U5", (TRUTH,), says={"original": False})}, "stated to be a copy"),
        ({"theirs": Held("X5", (TRUTH,), says={"original": False})}, "stated to be a copy"),
        ({"other": replace(CLUB, custodian="the Weaving  Shed")}, "the same custodian"),
        ({"other": replace(CLUB, reader="bench")}, "the same reader"),
        (
            {
                "owner": replace(SHED, facts={"name": "Drum reader 2"}),
                "other": replace(CLUB, facts={"name": "drum reader 2"}),
            },
            "the same reader",
        ),
        ({"own": Held("U5", (blank(np.random.default_rng(1), 2048)[0],) * 2)}, "held back|not settled|blank"),
    ],
)
def test_each_condition_that_is_not_met_keeps_the_grade_and_is_named(
    tmp_path: Path, change: Mapping[str, Any], why: str
) -> None:
    if "own" in change and why.startswith("held"):
        change = {**change, "theirs": replace(change["own"], chip="X5")}
    chip = ours(tmp_path, **change)
    (twin,) = chip["twins"]
    assert chip["grade"] != "corroborated"
    assert not twin["corroborates"]
    assert any(word in reason for word in why.split("|") for reason in twin["against"]), twin["against"]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("The owners' club", "The Owners\u2019 Club"),
        ("Mus\u00e9e du M\u00e9tier", "Muse\u0301e du metier"),
        ("Weaving shed", "\uff37eaving\u200b\u00a0 shed."),
    ],
    ids=["apostrophe", "accents", "widths and blanks"],
)
def test_one_custodian_spelled_in_two_ways_is_one(one: str, other: str) -> None:
    def seen(name: str) -> Specimen:
        head: Any = {"bag": "b", "machine": {"id": "m"}, "readers": {}, "custodian": {"name": name}}
        return specimen(head, cast("Any", {"chip": "U5", "grade": "single"}), "")

    assert "both are kept by the same custodian" in list(against(seen(one), seen(other), TRUTH))
    assert "both are kept by the same custodian" not in list(against(seen(one), seen("Somebody"), TRUTH))


def test_serial_numbers_tell_two_readers_of_one_name_apart(tmp_path: Path) -> None:
    chip = ours(
        tmp_path,
        owner=replace(SHED, facts={"name": "Drum reader", "serial": "S-1001"}),
        other=replace(CLUB, reader="bench", facts={"name": "Drum reader", "serial": "S-1002"}),
    )
    assert chip["grade"] == "corroborated"


def test_what_no_sheet_states_counts_as_not_so(tmp_path: Path) -> None:
    their = machine(tmp_path, CLUB, [Held("X5", (TRUTH,))])
    sheet = json.loads((their / "sheet.yaml").read_text(encoding="utf-8"))
    del sheet["chips"][0]["original"], sheet["custodian"]
    (their / "sheet.yaml").write_text(json.dumps(sheet), encoding="utf-8")
    assert wellread("package", their).code == 0
    chip = record(bag_of(tmp_path, with_twin("loom-b-v1"), [Held("U5", (TRUTH,))]))
    assert chip["grade"] == "single"
    assert len(chip["twins"][0]["against"]) == 2


def test_a_copy_from_our_own_bundle_does_not_bear_itself_out(tmp_path: Path) -> None:
    """The image of the other's bag lies among our dumps under its own name."""
    theirs = bag_of(tmp_path, CLUB, [Held("X5", (TRUTH,))])
    folder = machine(tmp_path, with_twin(theirs.name), [Held("U5", (TRUTH,))])
    (folder / "dumps/U5.bench.1.bin").rename(folder / "dumps/X5.bin")
    sheet = json.loads((folder / "sheet.yaml").read_text(encoding="utf-8"))
    sheet["readings"] = [{"chip": "U5", "reader": "bench", "file": "X5.bin", "format": "binary"}]
    (folder / "sheet.yaml").write_text(json.dumps(sheet), encoding="utf-8")
    assert wellread("package", folder).code == 0
    chip = record(tmp_path / "loom-a-v1")
    assert chip["grade"] == "single"
    assert "a dump file is the other bag's image" in chip["twins"][0]["against"]


def test_a_bag_of_the_same_machine_bears_nothing_out(tmp_path: Path) -> None:
    first = bag_of(tmp_path / "before", replace(CLUB, machine="loom-a"), [Held("U5", (TRUTH,))])
    shutil.copytree(first, tmp_path / "before-v1")
    chip = record(bag_of(tmp_path, with_twin("before-v1", their="U5"), [Held("U5", (TRUTH,))]))
    assert chip["grade"] == "single"
    assert "name the same machine" in chip["twins"][0]["against"][0]


def test_a_twin_settles_no_bit_and_is_told_beside_a_contested_chip(tmp_path: Path) -> None:
    other = TRUTH.copy()
    other[77] ^= 1
    chip = ours(tmp_path, own=Held("U5", (TRUTH, other)))
    (twin,) = chip["twins"]
    assert (chip["grade"], chip["contested"]["bits"]) == ("contested", 1)
    assert twin["told"] == [{"address": 77, "mask": 1, "other": int(TRUTH[77]) & 1}]
    assert "settling none of them" in chip["findings"][-1]["means"] + chip["findings"][0]["means"]


def test_a_chip_without_an_image_is_told_who_has_one(tmp_path: Path) -> None:
    theirs = bag_of(tmp_path, CLUB, [Held("X5", (TRUTH,))])
    own = [Held("U5", (), says={"state": "socket-empty"}), Held("U6", (TRUTH,))]
    chip = record(bag_of(tmp_path, with_twin(theirs.name), own))
    assert (chip["grade"], chip["twins"][0]["verdict"]) == ("missing", "only-there")


@pytest.mark.parametrize("content", [True, False])
def test_a_zipped_bundle_is_a_twin_with_content_or_without(tmp_path: Path, content: bool) -> None:  # noqa: FBT001
    owner = CLUB if content else replace(CLUB, release=None)
    bag = bag_of(tmp_path, owner, [Held("X5", (TRUTH,))])
    released = wellread("release", bag, "--json").document
    name = Path(released["zip"]).name
    chip = record(bag_of(tmp_path, with_twin(name), [Held("U5", (TRUTH,))]))
    (twin,) = chip["twins"]
    assert (twin["verdict"], twin["released"], chip["grade"]) == ("same", True, "corroborated")


@pytest.mark.parametrize("content", [True, False])
def test_a_zip_with_a_broken_member_is_no_twin_and_nothing_is_packaged(tmp_path: Path, content: bool) -> None:  # noqa: FBT001
    bag = bag_of(tmp_path, CLUB, [Held("X5", (TRUTH,))])
    packed = Path(wellread("release", bag, "--json").document["zip"])
    with zipfile.ZipFile(packed) as members:
        wanted = "/data/images/" if content else "/metadata/record.json"
        member = next(one for one in members.infolist() if wanted in one.filename and one.compress_size)
    broken = bytearray(packed.read_bytes())
    broken[member.header_offset + 30 + len(member.filename.encode()) + member.compress_size // 2] ^= 0x55
    packed.write_bytes(broken)
    folder = machine(tmp_path, with_twin(packed.name), [Held("U5", (TRUTH,))])
    for command in ("check", "package"):
        ran = wellread(command, folder)
        assert ran.code in (1, 10), ran.err
        assert packed.name in ran.out + ran.err
    assert not (tmp_path / "loom-a-v1").exists()


def test_a_damaged_bag_is_no_twin_and_nothing_is_packaged(tmp_path: Path) -> None:
    bag = bag_of(tmp_path, CLUB, [Held("X5", (TRUTH,))])
    image = next((bag / "data/images").rglob("*.bin"))
    image.write_bytes(image.read_bytes()[:-1] + b"\0")
    folder = machine(tmp_path, with_twin(bag.name), [Held("U5", (TRUTH,))])
    for command in ("check", "package"):
        ran = wellread(command, folder)
        assert ran.code in (1, 10), ran.err
        assert "does not pass recheck" in ran.out + ran.err
    assert not (tmp_path / "loom-a-v1").exists()


@pytest.mark.parametrize(
    ("bag", "their", "said"), [("nowhere-v1", "X5", "nor beside it"), ("loom-b-v1", "Y9", "no chip")]
)
def test_a_twin_that_is_not_there_is_a_problem_of_the_sheet(
    tmp_path: Path, bag: str, their: str, said: str
) -> None:
    bag_of(tmp_path, CLUB, [Held("X5", (TRUTH,))])
    folder = machine(tmp_path, with_twin(bag, their), [Held("U5", (TRUTH,))])
    ran = wellread("package", folder)
    assert ran.code == 10
    assert said in ran.err


def test_another_receipt_of_the_twin_makes_a_new_version(tmp_path: Path) -> None:
    theirs = bag_of(tmp_path, CLUB, [Held("X5", (TRUTH,))])
    folder = machine(tmp_path, with_twin(theirs.name), [Held("U5", (TRUTH,))])
    assert wellread("package", folder).code == 0
    assert wellread("package", folder, "--json").document["same_as"] == "loom-a-v1"
    shutil.rmtree(theirs)
    bag_of(tmp_path / "again", replace(CLUB, custodian="Another club"), [Held("X5", (TRUTH,))])
    shutil.move(tmp_path / "again/loom-b-v1", theirs)
    assert wellread("package", folder, "--json").document["supersedes"] == "loom-a-v1"


def test_nothing_of_a_twin_goes_into_the_public_bundle(tmp_path: Path) -> None:
    theirs = bag_of(tmp_path, CLUB, [Held("X5", (TRUTH ^ np.uint8(1),))])
    receipt = wellread("recheck", theirs, "--json").document["bags"][0]["receipt"]
    bag = bag_of(tmp_path, with_twin(theirs.name), [Held("U5", (TRUTH,))])
    released: Ran = wellread("release", bag, "--json")
    with zipfile.ZipFile(released.document["zip"]) as packed:
        names = packed.namelist()
        assert names
        for name in names:
            content = packed.read(name)
            assert receipt.encode() not in content, name
            assert b"loom-b" not in content, name


def test_the_report_line_says_what_a_revision_is(tmp_path: Path) -> None:
    later = TRUTH.copy()
    later[0x200:0x20C] = np.frombuffer(b"VERSION 2.07", np.uint8)
    mine = TRUTH.copy()
    mine[0x200:0x20C] = np.frombuffer(b"VERSION 1.31", np.uint8)
    mine[0x210:0x250] = np.random.default_rng(3).integers(0, 256, 64)
    chip = ours(tmp_path, theirs=Held("X5", (later,)), own=Held("U5", (mine,)))
    (twin,) = chip["twins"]
    assert (twin["verdict"], chip["grade"]) == ("revision", "single")
    assert twin["texts"][0]["version"]
    assert "VERSION 1.31" in twin["texts"][0]["this"]
