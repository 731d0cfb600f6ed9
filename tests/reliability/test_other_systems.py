"""What Windows does differently, as far as it can be played on another system.

Nothing of the program is patched: streams, names and calls of the standard library behave as Windows' do.
"""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import zipfile
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

import pytest

from pipeline.__main__ import run
from pipeline.edges import names
from pipeline.edges.disk_errors import storage_trouble
from pipeline.errors import StorageError
from tests.journey.cli import wellread
from tests.kit.example_bags import EXAMPLE, ROOT, example_bag, example_bundle, released
from tests.kit.examples import drilled_but

FORBIDDEN = set('<>:"|?*\\') | {chr(code) for code in range(32)}
DEVICES = {
    "con",
    "prn",
    "aux",
    "nul",
    *(f"{port}{digit}" for port in ("com", "lpt") for digit in range(1, 10)),
}
"""Source: Microsoft, "Naming Files, Paths, and Namespaces"."""


def unfit(name: str) -> bool:
    """Whether Windows could not have a file of this name below a folder, or would have it elsewhere."""
    there = PureWindowsPath(name)
    return (
        bool(there.drive or there.root)
        or there.parts != PurePosixPath(name).parts
        or any(
            set(part) & FORBIDDEN or part[-1] in ". " or part.split(".")[0].rstrip().casefold() in DEVICES
            for part in there.parts
        )
    )


def test_every_name_that_is_written_is_one_on_windows_and_none_is_there_twice() -> None:
    folders = [example_bag(), example_bundle()]
    written = [
        [one.relative_to(folder).as_posix() for one in folder.rglob("*") if one.is_file()]
        for folder in folders
    ]
    with zipfile.ZipFile(released()["zip"]) as packed:
        written.append(packed.namelist())
    for names_of_one in written:
        assert len(names_of_one) > 50
        assert [one for one in names_of_one if unfit(one)] == []
        assert len({one.casefold() for one in names_of_one}) == len(names_of_one)


@pytest.mark.parametrize(
    "name", ["con.txt", "a/NUL", "a./b", "a /b", "C:/x", "//host/share/x", "a\\b", "a:b"]
)
def test_the_test_above_knows_what_windows_cannot_have(name: str) -> None:
    assert unfit(name)


COMMANDS: dict[str, tuple[str, ...]] = {
    "check": ("check", "{example}"),
    "package": ("package", "{example}", "--into", "{out}"),
    "recheck": ("recheck", "{bag}"),
    "changes": ("changes", "{bag}", "{bundle}"),
    "release": ("release", "{bag}", "--into", "{out}", "--dry-run"),
    "parts": ("parts", "2716"),
    "explain": ("explain",),
    "bench": ("bench", "2716"),
    "examine": ("examine", "{example}/dumps/PAT-U5.hb.1.log", "--part", "2716"),
}


def filled(command: str, out: Path) -> list[str]:
    place = {"example": EXAMPLE, "bag": example_bag(), "bundle": example_bundle(), "out": out}
    return [word.format(**place) for word in COMMANDS[command]]


@pytest.mark.parametrize("command", drilled_but(COMMANDS, "package", "recheck", "explain"))
def test_a_console_of_windows_1252_gets_every_command_s_words(command: str, tmp_path: Path) -> None:
    """In a process of its own: a character that its streams lack does not end it."""
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", *filled(command, tmp_path)],
        cwd=ROOT,
        env={**os.environ, "PYTHONIOENCODING": "cp1252", "PYTHONUTF8": "0", "PYTHONPATH": str(ROOT)},
        capture_output=True,
        check=False,
    )
    said = (done.stdout + done.stderr).decode("cp1252")
    assert done.returncode in (0, 1), said
    assert said.strip()
    assert "UnicodeEncodeError" not in said


@pytest.mark.parametrize("command", drilled_but(COMMANDS, "check", "changes", "parts"))
def test_a_console_that_ends_lines_with_cr_and_lf_gets_each_once(command: str, tmp_path: Path) -> None:
    out = io.TextIOWrapper(io.BytesIO(), encoding="cp1252", newline="\r\n")
    with redirect_stdout(out), redirect_stderr(io.StringIO()):
        code = run([*filled(command, tmp_path), "--json"])
    out.flush()
    raw = out.buffer
    assert isinstance(raw, io.BytesIO)
    assert code in (0, 1)
    assert b"\r\r" not in raw.getvalue()
    assert json.loads(raw.getvalue())["command"] == command


def test_a_sheet_saved_by_an_editor_of_windows_says_the_same(tmp_path: Path) -> None:
    project = tmp_path / "p"
    (project / "dumps").mkdir(parents=True)
    sheet = "machine: {id: m, name: Wéber}\nreaders: {prog: {kind: device-programmer}}\n"
    sheet += "chips:\n  - {chip: U1, part: '2716'}\nreadings:\n  - {chip: U1, reader: prog, file: U1.bin}\n"
    (project / "dumps" / "U1.bin").write_bytes(bytes(range(256)) * 8)
    (project / "sheet.yaml").write_bytes(b"\xef\xbb\xbf" + sheet.replace("\n", "\r\n").encode())
    assert wellread("check", project).code == 0


class Held:
    """A step of the system while another program has the file open: refused so often, then carried out."""

    def __init__(self, times: int, step: Callable[[Any, Any], None], number: int) -> None:
        self.left, self.step, self.number = times, step, number

    def __call__(self, source: Any, target: Any) -> None:
        if self.left:
            self.left -= 1
            refused = PermissionError(13, "it is being used by another process", str(target))
            refused.winerror = self.number  # type: ignore[attr-defined]  # as on Windows
            raise refused
        self.step(source, target)


STEPS = {"replace": names.replace_patiently, "rename": names.rename_patiently}


def _two(folder: Path, step: str) -> tuple[Path, Path]:
    old, new = folder / "sheet.yaml", folder / "new"
    if step == "replace":
        old.write_text("old", encoding="utf-8")
    new.write_text("new", encoding="utf-8")
    return old, new


@pytest.mark.parametrize("number", [5, 32, 33])
@pytest.mark.parametrize("step", ["replace", "rename"])
def test_a_file_that_another_program_has_open_is_replaced_once_it_lets_go(
    step: str, number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old, new = _two(tmp_path, step)
    held = Held(1, getattr(os, step), number)
    monkeypatch.setattr(os, step, held)
    STEPS[step](new, old)
    assert (held.left, old.read_text(encoding="utf-8")) == (0, "new")


@pytest.mark.parametrize("step", ["replace", "rename"])
def test_a_file_that_stays_open_is_left_as_it_was_and_the_remedy_is_told(
    step: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old, new = _two(tmp_path, step)
    monkeypatch.setattr(os, step, Held(10_000, getattr(os, step), 32))
    monkeypatch.setattr(names, "_LOOK_SECONDS", 0.0)
    with pytest.raises(StorageError, match="close that program"), storage_trouble(old):
        STEPS[step](new, old)
    assert new.read_text(encoding="utf-8") == "new"
    assert not old.exists() or old.read_text(encoding="utf-8") == "old"


def test_what_is_refused_for_another_reason_is_not_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old, new = _two(tmp_path, "replace")
    held = Held(2, os.replace, 0)
    monkeypatch.setattr(os, "replace", held)
    with pytest.raises(PermissionError):
        names.replace_patiently(new, old)
    assert held.left == 1
