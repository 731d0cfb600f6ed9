"""What earlier runs made of a chip: taken only where every input is the same, and believed by its digests."""

from __future__ import annotations

import json
import os
import pickle
import shutil
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.edges.packs import CHOSEN, FORGOTTEN_AFTER_DAYS, Packs, kept_at, packs_of
from pipeline.flow import PlannedChip
from pipeline.run.package import worked_before as module
from pipeline.run.package.among_images import BoardImages
from pipeline.run.package.names_in_bag import DumpNames
from pipeline.run.package.open_project import Project, open_project
from pipeline.run.package.package import package
from pipeline.run.package.worked_before import Before, Keeping, worked_before
from pipeline.stages.content import Signature, signature
from pipeline.stages.content.among_chips import ChipImage, Join, joins
from pipeline.views.report import chip_body
from schemas.names import Organisation
from schemas.sheet import Chip as ChipRow
from schemas.sheet import ReadingRow
from tests.kit.images import firmware_like
from tests.kit.project import Chip, Reader, plain, project
from tests.kit.wires import flip_bits

BENCH, HOME = Reader("bench", "device-programmer"), Reader("hb")


def made_project(folder: Path) -> Path:
    """Two readers that agree, two that differ, one chip read once."""
    first, second, third = (firmware_like(seed, 256) for seed in (1, 2, 3))
    says = {"organisation": "256x8", "board": "b"}
    differs = flip_bits(second, 8, 3)
    return project(
        folder,
        [
            Chip("U1", first, 8, (plain(first, 8, BENCH), plain(first, 8, HOME, 2)), says=says),
            Chip("U2", second, 8, (plain(second, 8, BENCH), plain(differs, 8, HOME)), says=says),
            Chip("U3", third, 8, (plain(third, 8, HOME),), says=says),
        ],
    )


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "2000000000")
    monkeypatch.setenv(CHOSEN, str(tmp_path / "kept"))
    return tmp_path / "kept"


def bag_of(root: Path, into: Path) -> dict[str, bytes]:
    bag = package(root, into, quiet=True).bag
    return {str(path.relative_to(bag)): path.read_bytes() for path in bag.rglob("*") if path.is_file()}


def odds_in(bag: Path) -> dict[str, object]:
    """Of each chip, that a settled bit is wrong."""
    record = json.loads((bag / "metadata" / "record.json").read_bytes())
    return {chip["chip"]: chip["odds"] for chip in record["chips"]}


def flipped(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(bytes([content[0] ^ 1]) + content[1:])


def replaced(old: str, new: str) -> Callable[[Path], None]:
    def change(root: Path) -> None:
        sheet = (root / "sheet.yaml").read_text()
        assert old in sheet
        (root / "sheet.yaml").write_text(sheet.replace(old, new, 1))

    return change


def with_document(root: Path) -> None:
    (root / "docs").mkdir()
    (root / "docs/a.txt").write_text("seen")


def with_photograph(root: Path) -> None:
    (root / "photos").mkdir()
    (root / "photos/u1.jpg").write_bytes(b"seen")
    sheet = root / "sheet.yaml"
    said = json.loads(sheet.read_text())
    said["photos"] = [{"file": "u1.jpg", "chip": "U1", "caption": "U1 in its socket"}]
    sheet.write_text(json.dumps(said))


def without_second(root: Path) -> None:
    sheet = root / "sheet.yaml"
    said = json.loads(sheet.read_text())
    for rows in ("chips", "readings"):
        said[rows] = [one for one in said.get(rows, ()) if one.get("chip") != "U2"]
    sheet.write_text(json.dumps(said))


CHANGES: dict[str, Callable[[Path], None]] = {
    "a bit of a dump": lambda root: flipped(min((root / "dumps").glob("U1*"))),
    "a reader's kind": replaced('"kind": "device-programmer"', '"kind": "home-built"'),
    "a chip's label": replaced('"chip": "U2"', '"label": "0117", "chip": "U2"'),
    "nothing that is known": with_document,
    "a photograph of a chip": with_photograph,
    "a chip gone between two": without_second,
}


@pytest.mark.parametrize("change", CHANGES)
def test_the_next_version_is_the_same_to_the_last_byte_whether_or_not_anything_was_kept(
    change: str, kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    a_page_a_chip(monkeypatch)
    root = made_project(tmp_path / "p")
    bag_of(root, tmp_path / "with")
    shutil.copytree(tmp_path / "with", tmp_path / "without")
    assert list(kept.glob("*/*.pack"))
    CHANGES[change](root)

    with_kept = bag_of(root, tmp_path / "with")
    monkeypatch.setenv(CHOSEN, "off")

    assert bag_of(root, tmp_path / "without") == with_kept


def a_page_a_chip(monkeypatch: pytest.MonkeyPatch) -> None:
    """As large sets have them."""
    for place in ("chip_pages", "texts"):
        monkeypatch.setattr(f"pipeline.run.package.{place}.SINGLE_PAGE_BELOW", 1)


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The chips whose pages are drawn, one after the other."""
    a_page_a_chip(monkeypatch)
    drawn: list[str] = []

    def drawing(head: Any, chip: Any, *more: Any, **named: Any) -> bytes:
        drawn.append(chip["chip"])
        return chip_body(head, chip, *more, **named)

    monkeypatch.setattr("pipeline.run.package.drawn_before.chip_body", drawing)
    return drawn


def test_only_the_page_that_is_drawn_from_something_else_is_drawn_again(
    kept: Path, tmp_path: Path, drawn: list[str]
) -> None:
    root = made_project(tmp_path / "p")
    bag_of(root, tmp_path / "a")
    flipped(min((root / "dumps").glob("U3*")))
    bag_of(root, tmp_path / "a")
    assert drawn == ["U1", "U2", "U3", "U3"]
    before = odds_in(tmp_path / "a" / "kit-v2")
    flipped(root / "dumps" / "U2_2_1.dump")
    bag_of(root, tmp_path / "a")
    assert drawn[4:] == ["U2", "U3"]  # the grade of U3 tells how many wrong bits its reader leaves
    assert odds_in(tmp_path / "a" / "kit-v3")["U1"] != before["U1"], "they change with every chip and no page"

    packs = {place.pack for place in opened(root)[0].index.values()}
    assert {path.name for path in kept.glob("*/*.pack")} == packs, "nothing is left of what was drawn once"
    for piece in kept.glob("*/*.pack"):
        flipped(piece)  # its head: nothing that stands in it is believed
    with_document(root)
    bag_of(root, tmp_path / "a")
    assert drawn[6:] == ["U1", "U2", "U3"]


def test_a_page_that_is_not_in_the_bag_before_as_it_was_written_is_drawn_again(
    kept: Path, tmp_path: Path, drawn: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    del kept
    root = made_project(tmp_path / "p")
    bag_of(root, tmp_path / "altered")
    shutil.copytree(tmp_path / "altered", tmp_path / "whole")
    pages = tmp_path / "altered" / "kit-v1" / "data" / "report" / "chips" / "b"
    flipped(pages / "U1.html")
    (pages / "U2.html").unlink()
    with_document(root)
    found = bag_of(root, tmp_path / "altered")

    assert drawn[3:] == ["U1", "U2"]
    monkeypatch.setenv(CHOSEN, "off")
    assert bag_of(root, tmp_path / "whole") == found


def test_without_a_bag_before_every_page_is_drawn(kept: Path, tmp_path: Path, drawn: list[str]) -> None:
    del kept
    root = made_project(tmp_path / "p")
    assert bag_of(root, tmp_path / "a") == bag_of(root, tmp_path / "b")
    assert drawn == ["U1", "U2", "U3"] * 2


def test_only_the_chip_whose_reading_changed_is_worked_out_again(kept: Path, tmp_path: Path) -> None:
    root = made_project(tmp_path / "p")
    package(root, tmp_path / "a", quiet=True)
    first = set(kept.glob("*/*.pack"))
    with_document(root)
    package(root, tmp_path / "a", quiet=True)
    assert set(kept.glob("*/*.pack")) == first

    flipped(min((root / "dumps").glob("U1*")))
    package(root, tmp_path / "a", quiet=True)

    before, _, keys = opened(root)
    (board,) = (key for key in before.index if key.startswith("joins "))
    new = {pack.name for pack in set(kept.glob("*/*.pack")) - first}
    assert {key for key, place in before.index.items() if place.pack in new} == {keys[0], board}


def test_chips_are_held_against_each_other_again_only_where_an_image_of_their_board_changed(
    kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    del kept
    held: list[list[str]] = []

    def looked_for(chips: Any, load: Any) -> Any:
        held.append([one.chip for one in chips])
        return joins(chips, load)

    monkeypatch.setattr("pipeline.run.package.among_images.joins", looked_for)
    root = project(
        tmp_path / "p",
        [
            Chip(chip, image, 8, (plain(image, 8, HOME),), says={"organisation": "256x8", "board": board})
            for seed, (chip, board) in enumerate([("U1", "a"), ("U2", "b"), ("U3", "a"), ("U4", "b")])
            for image in [firmware_like(seed, 256)]
        ],
    )
    package(root, tmp_path / "a", quiet=True)
    flipped(min((root / "dumps").glob("U4*")))
    package(root, tmp_path / "a", quiet=True)

    assert held == [["U1", "U3"], ["U2", "U4"], ["U2", "U4"]]


BOARD = BoardImages((ChipImage("U1", signature(firmware_like(1, 256), 8), "a", 1),), (8,))


def test_a_pair_is_taken_as_it_was_found(kept: Path, tmp_path: Path) -> None:
    del kept
    before, _, _ = opened(made_project(tmp_path / "p"))
    found = (Join(("U1", "U2"), "odd/even", 16, "big", order_known=True, score=7.5, evidence={"pairs": [1]}),)
    keeping = Keeping(before)
    keeping.add(before.joins_key(BOARD, ["0"]), found, lambda _pack: None)
    keeping.add(before.joins_key(BOARD, ["1"]), ("none",), lambda _pack: None)  # type: ignore[arg-type]
    keeping.write()
    after = replace(before, index=before.packs.index()).of_joins()

    assert after.find_joins(after.joins_key(BOARD, ["0"])) == found
    assert after.find_joins(after.joins_key(BOARD, ["1"])) is None
    assert after.find_joins(after.joins_key(BOARD, ["2"])) is None


@pytest.mark.parametrize("name", ChipImage._fields)
def test_whatever_is_compared_of_a_boards_chips_makes_another_key(name: str) -> None:
    said: dict[str, Any] = {name: "something else"}
    other = BOARD.images[0]._replace(**said)

    assert NOWHERE.joins_key(BOARD._replace(images=(other,)), ["0"]) != NOWHERE.joins_key(BOARD, ["0"])


@pytest.mark.parametrize("name", Signature._fields)
def test_whatever_a_signature_says_makes_another_key(name: str) -> None:
    (one,) = BOARD.images
    said: dict[str, Any] = {name: "something else"}
    other = one._replace(signature=one.signature._replace(**said))

    assert NOWHERE.joins_key(BOARD._replace(images=(other,)), ["0"]) != NOWHERE.joins_key(BOARD, ["0"])


def test_an_image_that_is_not_the_one_told_of_is_worked_out_again(kept: Path, tmp_path: Path) -> None:
    root = made_project(tmp_path / "p")
    honest = bag_of(root, tmp_path / "a")
    before, _, keys = opened(root)
    keeping = Keeping(before)
    for key in keys:
        found = before.find(key)
        assert found is not None
        altered = found.made._replace(kept={**found.made.kept, ".bin": bytes(256)})
        keeping.add(key, altered, lambda _pack: None)
    before.packs.keep_only(())
    keeping.write()
    (packed,) = kept.glob("*/*.pack")

    assert bag_of(root, tmp_path / "b") == honest
    assert not packed.exists()


def opened(root: Path) -> tuple[Before, Project, list[str]]:
    """What is kept of a project, and the key of each of its chips."""
    looked_over = open_project(root)
    assert looked_over.plan is not None
    before = worked_before(looked_over.folder, looked_over.plan)
    assert before is not None
    names, chips = DumpNames(looked_over.plan.chips), looked_over.plan.chips
    digests = {path: sha256((root / path).read_bytes()).hexdigest() for one in chips for path in one.files}
    return before, looked_over, [before.key(one, names.of(one), digests) for one in chips]


def test_every_chip_of_a_bag_is_kept_under_its_key(kept: Path, tmp_path: Path) -> None:
    del kept
    root = made_project(tmp_path / "p")
    package(root, quiet=True)

    before, _, keys = opened(root)

    assert len(set(keys)) == 3
    assert {key for key in before.index if not key.startswith("joins ")} == set(keys)


PLANNED = PlannedChip(ChipRow(chip="U1"), Organisation(256, 8), None, 1, (), "sheet.yaml:1")
NOWHERE = Before(Packs(Path("nowhere")), "common", {})


@pytest.mark.filterwarnings("ignore::UserWarning")  # values of no field's type: only that they differ counts
@pytest.mark.parametrize("name", [*ChipRow.model_fields])
def test_whatever_the_sheet_says_of_a_chip_makes_another_key(name: str) -> None:
    said = PLANNED.chip.model_copy(update={name: "something else"})

    assert NOWHERE.key(PLANNED._replace(chip=said), {}, {}) != NOWHERE.key(PLANNED, {}, {})


@pytest.mark.filterwarnings("ignore::UserWarning")
@pytest.mark.parametrize("name", [*ReadingRow.model_fields])
def test_whatever_the_sheet_says_of_a_reading_makes_another_key(name: str, tmp_path: Path) -> None:
    plan = open_project(made_project(tmp_path / "p")).plan
    assert plan is not None
    chip = plan.chips[0]
    own = {path: "0" * 64 for one in chip.readings for path in one.files}
    first = chip.readings[0]
    other = first._replace(row=first.row.model_copy(update={name: "something else"}))
    changed = chip._replace(readings=(other, *chip.readings[1:]))

    assert NOWHERE.key(changed, {}, own) != NOWHERE.key(chip, {}, own)


def test_a_files_content_its_place_the_order_and_the_cell_make_another_key(tmp_path: Path) -> None:
    plan = open_project(made_project(tmp_path / "p")).plan
    assert plan is not None
    chip = plan.chips[0]
    own = {path: "0" * 64 for one in chip.readings for path in one.files}
    path = next(iter(own))
    part = open_project(made_project(tmp_path / "q")).catalogue.find("2716")
    keys = [
        NOWHERE.key(chip, {}, own),
        NOWHERE.key(chip, {}, {**own, path: "1" * 64}),
        NOWHERE.key(chip, {path: "data/elsewhere"}, own),
        NOWHERE.key(chip._replace(readings=chip.readings[::-1]), {}, own),
        NOWHERE.key(chip._replace(readings=chip.readings[1:]), {}, own),
        NOWHERE.key(chip._replace(organisation=Organisation(128, 16)), {}, own),
        NOWHERE.key(chip._replace(erased_state=0), {}, own),
        NOWHERE.key(chip._replace(processor="z80"), {}, own),
        NOWHERE.key(chip._replace(part=part), {}, own),
        replace(NOWHERE, common="another program").key(chip, {}, own),
    ]

    assert len(set(keys)) == len(keys)


@pytest.mark.parametrize(
    "what", ["pipeline.run.package.worked_before.program_digest", "importlib.metadata.version"]
)
def test_another_program_or_library_finds_nothing(
    what: str, kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    del kept
    root = made_project(tmp_path / "p")
    first, _, _ = opened(root)
    monkeypatch.setattr(what, lambda *_: "another")
    second, _, _ = opened(root)

    assert first.common != second.common


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"kind": "device-programmer"', '"kind": "home-built"'),
        ('"readers"', '"wirings": {"w": {}}, "readers"'),
    ],
)
def test_what_the_sheet_says_of_readers_and_wirings_concerns_every_chip(
    old: str, new: str, kept: Path, tmp_path: Path
) -> None:
    del kept
    root = made_project(tmp_path / "p")
    first, _, _ = opened(root)
    replaced(old, new)(root)

    assert opened(root)[0].common != first.common


@given(st.lists(st.binary(max_size=40), min_size=1, max_size=4), st.data())
def test_a_pack_that_was_altered_anywhere_gives_what_was_put_in_or_nothing(
    pieces: list[bytes], data: st.DataObject
) -> None:
    with tempfile.TemporaryDirectory() as place:
        packs = Packs(Path(place))
        put = {f"{number}": piece for number, piece in enumerate(pieces)}
        pack = Path(place) / packs.write([*put.items()])
        whole = pack.read_bytes()
        at = data.draw(st.integers(0, len(whole) - 1))
        cut = data.draw(st.booleans())
        pack.write_bytes(whole[:at] + (b"" if cut else bytes([whole[at] ^ 0x20]) + whole[at + 1 :]))

        found = {key: packs.read(where) for key, where in packs.index().items()}

        assert all(found[key] in (put[key], None) for key in found)
        assert found.keys() in (put.keys(), set())


@given(st.binary(max_size=200))
def test_bytes_of_no_meaning_are_nothing_that_was_made(content: bytes) -> None:
    assert module._unpacked(content) is None
    assert module._unpacked(pickle.dumps((content, content, {}))) is None


class _Calls:
    def __init__(self, function: Any, *arguments: Any) -> None:
        self._told = function, arguments

    def __reduce__(self) -> tuple[Any, tuple[Any, ...]]:
        return self._told


@pytest.mark.parametrize(
    "call",
    [
        _Calls(os.mkdir, "made-by-a-piece"),
        _Calls(eval, "__import__('os').mkdir('made-by-a-piece')"),
        _Calls(package, Path("made-by-a-piece")),
        _Calls(Packs.write, Packs(Path()), [("made-by-a-piece", b"")]),
    ],
    ids=["system", "eval", "our own command", "our own disk"],
)
def test_a_piece_that_calls_something_is_not_read(
    call: _Calls, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)

    assert module._unpacked(pickle.dumps((call, call, call))) is None
    assert module._unpacked(pickle.dumps((b"{}", pickle.dumps(call), {}))) is None
    assert not list(tmp_path.iterdir())


def test_what_is_kept_lies_where_nobody_else_may_write(kept: Path, tmp_path: Path) -> None:
    packs = packs_of(tmp_path)
    assert packs is not None
    assert packs.folder.parent == kept
    if sys.platform != "win32":
        assert packs.folder.stat().st_mode & 0o077 == 0
        packs.folder.chmod(0o777)
        assert packs_of(tmp_path) is None


def test_a_project_that_nobody_packages_any_more_is_forgotten(kept: Path, tmp_path: Path) -> None:
    old, new = packs_of(tmp_path / "old"), packs_of(tmp_path / "new")
    assert old is not None
    assert new is not None
    (kept / "notes.txt").write_text("not ours")
    long_ago = old.folder.stat().st_mtime - (FORGOTTEN_AFTER_DAYS + 1) * 86_400
    for path in (old.folder, kept / "notes.txt"):
        os.utime(path, (long_ago, long_ago))

    assert packs_of(tmp_path / "new") == new
    assert sorted(path.name for path in kept.iterdir()) == sorted([new.folder.name, "notes.txt"])


def test_what_is_not_ours_stays_however_old_it_is(kept: Path, tmp_path: Path) -> None:
    """The variable may name a folder of the user's, with folders named after digests in it."""
    theirs = kept / sha256(b"theirs").hexdigest()[:32]
    theirs.mkdir(parents=True)
    (theirs / "letter.txt").write_text("kept", encoding="utf-8")
    named = kept / ("a folder with 32 letters " + "x" * 7)
    named.mkdir()
    long_ago = theirs.stat().st_mtime - (FORGOTTEN_AFTER_DAYS + 1) * 86_400
    for folder in (theirs, named):
        os.utime(folder, (long_ago, long_ago))
    packs = packs_of(tmp_path / "mine")
    assert packs is not None
    (packs.folder / "note.txt").write_text("kept", encoding="utf-8")
    packs.keep_only(())
    assert (theirs / "letter.txt").exists()
    assert named.is_dir()
    assert (packs.folder / "note.txt").exists()


def test_a_disk_that_takes_nothing_is_no_trouble(kept: Path, tmp_path: Path) -> None:
    kept.write_text("a file where the folder should be")

    assert packs_of(tmp_path) is None
    assert Packs(tmp_path / "absent").write([("key", b"piece")]) == ""
    assert Packs(tmp_path / "absent").index() == {}


@pytest.mark.skipif(sys.platform == "win32", reason="the variable is of the XDG specification")
def test_the_folder_is_the_systems_own_unless_another_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Source: XDG Base Directory Specification 0.8: a relative path is ignored."""
    monkeypatch.delenv(CHOSEN)
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setenv("HOME", "/home/anna")
    monkeypatch.setenv("XDG_CACHE_HOME", "/else")
    assert kept_at() == Path("/else/wellread")
    monkeypatch.setenv("XDG_CACHE_HOME", "relative")
    assert kept_at() == Path("/home/anna/.cache/wellread")
    monkeypatch.setenv(CHOSEN, "off")
    assert kept_at() is None


def test_pieces_of_contents_that_are_gone_do_not_gather_for_ever(kept: Path, tmp_path: Path) -> None:
    del kept
    root = made_project(tmp_path / "p")
    before, looked_over, _ = opened(root)
    assert looked_over.plan is not None
    stale = [(json.dumps(number), b"") for number in range(17 * len(looked_over.plan.chips))]
    before.packs.write(stale)

    assert opened(root)[0].index == {}
    assert before.packs.index() == {}
