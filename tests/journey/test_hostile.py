"""Hostile dumps folders and sheets: each is refused or told in words, at once, and nothing of it acts on anything."""

from __future__ import annotations

import os
import time
import zipfile
from pathlib import Path

import pytest

from tests.journey.cli import Ran, wellread

SHEET = """\
machine: {{id: m, name: M}}
readers: {{prog: {{kind: device-programmer}}}}
chips:
  - {{chip: U1, part: '2716'}}
readings:
  - {{chip: U1, reader: prog, file: {file}}}
"""


def _project(folder: Path, sheet: str = SHEET.format(file="dumps/u1.bin")) -> Path:
    (folder / "dumps").mkdir(parents=True)
    (folder / "dumps" / "u1.bin").write_bytes(bytes(range(256)) * 8)
    (folder / "sheet.yaml").write_text(sheet, encoding="utf-8")
    return folder


def test_the_project_of_these_drills_is_sound_by_itself(tmp_path: Path) -> None:
    assert wellread("check", _project(tmp_path / "p")).code == 0


def _in_words(ran: Ran) -> None:
    """Refused, never a bug (70), and no control character reaches the terminal."""
    assert ran.code not in {0, 70}, ran.err
    assert "Traceback" not in ran.err
    shown = ran.out + ran.err
    assert not [char for char in shown if (ord(char) < 32 and char not in "\n\t") or 127 <= ord(char) < 160]


@pytest.mark.parametrize(
    "sheet",
    [
        "a: &a [x,x,x,x,x,x,x,x,x]\n"
        + "".join(
            f"{new}: &{new} [{','.join([f'*{old}'] * 9)}]\n"
            for old, new in zip("abcdefgh", "bcdefghi", strict=True)
        ),
        "chips: " + "[" * 50_000,
        "chips: " + "{a: " * 5_000,
        "!!python/object/apply:os.system ['touch hostile']",
        "project: {title: '\x1b]0;owned\x07'}\n",
    ],
    ids=["billion laughs", "deep lists", "deep maps", "object tag", "raw escape"],
)
def test_a_hostile_yaml_sheet_is_refused_in_words_and_at_once(tmp_path: Path, sheet: str) -> None:
    project = _project(tmp_path / "p", sheet)
    started = time.monotonic()
    _in_words(wellread("check", project))
    assert time.monotonic() - started < 20
    assert not Path("hostile").exists()


def test_an_xml_bomb_in_an_xlsx_is_refused_in_words_and_at_once(tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    project = _project(tmp_path / "p", "machine: {id: m, name: M}\nchips: chips.xlsx\n")
    plain = tmp_path / "plain.xlsx"
    book = openpyxl.Workbook()
    book.active.title = "chips"
    book.active.append(["chip", "part"])
    book.save(plain)
    (project / "chips.xlsx").write_bytes(plain.read_bytes())
    assert "no XLSX" not in wellread("check", project).out
    entities = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 10))
    bomb = f'<!DOCTYPE b [<!ENTITY e0 "0123456789">{entities}]>'
    with zipfile.ZipFile(plain) as old, zipfile.ZipFile(project / "chips.xlsx", "w") as new:
        for name in old.namelist():
            content = old.read(name).decode("utf-8")
            if name == "xl/worksheets/sheet1.xml":
                body = content.split("?>", 1)[1] if content.startswith("<?xml") else content
                content = bomb + body.replace("<v>0</v>", "<v>&e9;</v>", 1)
            new.writestr(name, content)
    started = time.monotonic()
    ran = wellread("check", project)
    _in_words(ran)
    assert "chips.xlsx: found no XLSX" in ran.out
    assert time.monotonic() - started < 20


@pytest.mark.parametrize(
    "name",
    ["../../secret", "/etc/hostname", "C:\\\\x.bin", "\\\\\\\\host\\\\x", "CON", "a/../../b", "x" * 256],
)
def test_a_dump_named_outside_the_folder_or_by_no_name_is_refused(tmp_path: Path, name: str) -> None:
    project = _project(tmp_path / "p", SHEET.format(file=f'"{name}"'))
    ran = wellread("check", project)
    _in_words(ran)
    assert "readings[1].file: found" in ran.out


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes")
def test_a_pipe_named_as_a_dump_is_never_waited_for(tmp_path: Path) -> None:
    project = _project(tmp_path / "p")
    (project / "dumps/u1.bin").unlink()
    os.mkfifo(project / "dumps/u1.bin")
    _in_words(wellread("check", project))


def test_folders_nested_two_hundred_deep_and_names_of_255_bytes_end_in_words(tmp_path: Path) -> None:
    project = _project(tmp_path / "p")
    (project / "dumps" / ("n" * 255)).write_bytes(b"x")
    deep = project / "dumps"
    for _ in range(200):
        deep /= "d"
    deep.mkdir(parents=True)
    (deep / "x.bin").write_bytes(b"x")
    ran = wellread("check", project)
    assert ran.code != 70
    assert "Traceback" not in ran.err


@pytest.mark.slow
def test_a_hundred_thousand_files_in_dumps_are_told_and_not_a_bug(tmp_path: Path) -> None:
    project = _project(tmp_path / "p")
    for number in range(100_000):
        (project / "dumps" / f"stray{number:06d}").touch()
    ran = wellread("check", project)
    assert ran.code in {0, 1}, ran.err[-2000:]
    assert "stray000000" in ran.out
