"""A row put into a sheet: the old text stays byte for byte, whatever a person's manner of writing it."""

from __future__ import annotations

import difflib
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from pipeline.run.bench.sheet_row import add_row, with_row

ROW = {"file": "U1.hb.2.log", "date": "2026-03-01"}
HEAD = "# top\nwellread: 1\nmachine: {id: m, name: 'M: one'}   # beside\nchips:\n  - {chip: U1}\n"


def added(before: str) -> str:
    """What was put in, after holding the rest to be as it was and the row to be the last reading."""
    after = with_row(before.encode(), ROW)
    assert after is not None
    text = after.decode()
    old, new = (yaml.load(one, Loader=yaml.BaseLoader) for one in (before, text))
    assert new == old | {"readings": [*(old.get("readings") or []), ROW]}
    steps = difflib.SequenceMatcher(None, before, text, autojunk=False).get_opcodes()
    assert {step[0] for step in steps} <= {"equal", "insert"}
    return "".join(text[step[3] : step[4]] for step in steps if step[0] == "insert")


SHEETS = {
    "no readings yet": HEAD,
    "no readings and no line end": HEAD.rstrip("\n"),
    "rows in flow style": HEAD + "readings:\n  - {chip: U1, file: a.bin}   # first\n",
    "rows in block style": HEAD + "readings:\n- chip: U1\n  file: a.bin\n  notes: 'x'   # note\n",
    "rows not set in, then another table": HEAD
    + "readings:\n- {chip: U1, file: a.bin}\n\n# spaces\nspaces: []\n",
    "several tables after it": HEAD
    + "readings:\n  - {chip: U1, file: a.bin}\n\nspaces:\n  - {name: s, width: 8}\n\nparts:\n  - {part: x}\n",
    "a comment of the last row below it": HEAD
    + (
        "readings:\n  - {chip: U1, file: a.bin}\n    # more of it\n  # - {chip: U9}\n# of the "
        "next\nspaces: []\n"
    ),
    "all in one line of brackets": HEAD
    + "readings: [{chip: U1, file: a.bin}, {chip: U1, file: b.bin}]  # all\n",
    "brackets over lines": HEAD
    + (
        "readings: [\n  {chip: U1, file: a.bin},  # a, first\n  {chip: U1, file: b.bin}   # b, "
        "last\n]\nspaces: []\n"
    ),
    "brackets over lines with a comma at the end": HEAD
    + "readings: [\n  {chip: U1, file: a.bin},\n  {chip: U1, file: b.bin},   # last\n]\nspaces: []\n",
    "empty brackets": HEAD + "readings: []   # none yet\nspaces: []\n",
    "an empty entry": HEAD + "readings:   # none yet\n\nspaces: []\n",
    "an empty entry at the end without a line end": HEAD + "readings:",
    "no line end": HEAD + "readings:\n  - {chip: U1, file: a.bin}",
    "a literal text at the end": HEAD
    + "readings:\n  - chip: U1\n    notes: |\n      one\n      two\n\nspaces: []\n",
    "a folded text without a line end": HEAD + "readings:\n  - chip: U1\n    notes: >-\n      one\n      two",
    "a long line": HEAD + f"readings:\n  - {{chip: U1, notes: '{'word ' * 60}'}}\n",
    "quoted text with a comment's sign": HEAD + 'readings:\n  - {chip: U1, notes: "a # b", file: "a,]b"}\n',
    "a last value left empty": HEAD + "readings:\n  - chip: U1\n    notes:\nspaces: []\n",
    "all in braces": '{"machine": {"id": "m", "name": "M"}, "chips": [{"chip": "U1"}]}\n',
    "braces over lines": '{\n  "machine": {"id": "m"},\n  "readings": [\n    {"file": "a.bin"}\n  ]\n}\n',
    "an end of the document's mark before nothing": "---\n" + HEAD,
    "letters outside ASCII": HEAD.replace("M: one", "Müller 計 😀")
    + "readings:\n  - {chip: U1, notes: 読む}   # é\n",
    "a mark at the start": "\ufeff" + HEAD + "readings:\n  - {chip: U1}\n",
}


@pytest.mark.parametrize("name", SHEETS)
def test_the_old_text_stays_and_the_row_is_the_last_reading(name: str) -> None:
    assert "U1.hb.2.log" in added(SHEETS[name])


@pytest.mark.parametrize("name", SHEETS)
def test_the_same_holds_with_the_other_line_end(name: str) -> None:
    put_in = added(SHEETS[name].replace("\n", "\r\n"))
    assert put_in.count("\n") == put_in.count("\r\n")


def test_the_row_stands_where_a_person_would_put_it() -> None:
    assert (
        with_row(SHEETS["a comment of the last row below it"].encode(), ROW)
        == (
            HEAD + "readings:\n  - {chip: U1, file: a.bin}\n    # more of it\n  # - {chip: U9}\n"
            "  - {file: U1.hb.2.log, date: 2026-03-01}\n# of the next\nspaces: []\n"
        ).encode()
    )
    assert (
        with_row(SHEETS["brackets over lines"].encode(), ROW)
        == (
            HEAD
            + "readings: [\n  {chip: U1, file: a.bin},  # a, first\n  {chip: U1, file: b.bin},   # b, last\n"
            "  {file: U1.hb.2.log, date: 2026-03-01}\n]\nspaces: []\n"
        ).encode()
    )
    assert (
        with_row(HEAD.encode(), ROW)
        == (HEAD + "\nreadings:\n  - {file: U1.hb.2.log, date: 2026-03-01}\n").encode()
    )


@pytest.mark.parametrize(
    "sheet",
    [
        HEAD + "readings: readings.csv\n",
        HEAD + "readings: null\n",
        HEAD + "old: &o\n  - {chip: U1}\nreadings: *o\n",
        HEAD + "...\n",
        "- a\n",
        "a: [\n",
        "a: 1\n---\nb: 2\n",
    ],
    ids=["table", "null", "alias", "ended", "list", "broken", "two documents"],
)
def test_a_sheet_that_cannot_be_added_to_safely_is_left_alone(sheet: str, tmp_path: Path) -> None:
    path = tmp_path / "sheet.yaml"
    path.write_bytes(sheet.encode())
    assert not add_row(path, ROW)
    assert path.read_bytes() == sheet.encode()
    assert [one.name for one in tmp_path.iterdir()] == ["sheet.yaml"]


def test_a_sheet_that_is_no_text_is_left_alone() -> None:
    assert with_row(b"machine: {id: \xff}\n", ROW) is None


@given(sitting=st.text(st.characters(blacklist_categories=("Cs", "Cc")), min_size=1, max_size=20))
def test_any_name_of_a_sitting_is_read_back_as_it_was_given(sitting: str) -> None:
    after = with_row(HEAD.encode(), ROW | {"sitting": sitting})
    assert (
        after is None
        or yaml.load(after.decode(), Loader=yaml.BaseLoader)["readings"][-1]["sitting"] == sitting
    )
    if sitting.isprintable() and sitting.isascii():
        assert after is not None


def test_a_link_to_a_sheet_stays_a_link_and_the_sheets_rights_stay(tmp_path: Path) -> None:
    real = tmp_path / "kept" / "sheet.yaml"
    real.parent.mkdir()
    real.write_text(HEAD, encoding="utf-8")
    real.chmod(0o640)
    link = tmp_path / "sheet.yaml"
    link.symlink_to(real)
    assert add_row(link, ROW)
    assert link.is_symlink()
    assert real.stat().st_mode & 0o777 == 0o640
    assert "U1.hb.2.log" in real.read_text(encoding="utf-8")


def test_a_row_typed_beforehand_for_the_file_stands_for_it(tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.yaml"
    before = b"readings:\n  - {file: U1.hb.1.log, notes: typed before the chip went in}  # mine\n"
    sheet.write_bytes(before)
    assert add_row(sheet, {"file": "U1.hb.1.log", "date": "2024-05-01"})
    assert sheet.read_bytes() == before
    assert add_row(sheet, {"file": "U1.hb.2.log", "date": "2024-05-01"})
    assert sheet.read_bytes() == before + b"  - {file: U1.hb.2.log, date: 2024-05-01}\n"
