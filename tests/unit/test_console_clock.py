"""The terminal and the clock: nothing acts on a terminal, progress only where somebody watches."""

from __future__ import annotations

import io
import os
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.edges import console
from pipeline.edges.clock import now
from pipeline.errors import ClockError
from pipeline.views.notes import plain
from pipeline.views.premis import text
from tests.kit.forked import coming, ending

ROOT = Path(__file__).parents[2]


@given(st.text(max_size=80))
def test_inert_text_has_nothing_that_acts_on_a_terminal(raw: str) -> None:
    shown = console.inert(raw)
    assert not any(ord(char) < 32 and char not in "\n\t" for char in shown)
    assert not any(char in shown for char in "\x7f\x9b\u202e\u2066\u200f\ud800")


@given(st.text(max_size=80))
def test_a_note_stays_on_its_line(raw: str) -> None:
    assert len((plain(raw) + "x").splitlines()) == 1


@given(st.text(max_size=80))
def test_xml_text_is_well_formed_whatever_it_holds(raw: str) -> None:
    from lxml import etree

    etree.fromstring(f"<a>{text(raw)}</a>".encode("utf-8", "surrogatepass"))


@pytest.mark.parametrize(
    ("value", "shown"), [("0", "1970-01-01T00:00:00Z"), ("1767225600", "2026-01-01T00:00:00Z")]
)
def test_source_date_epoch_fixes_the_clock(value: str, shown: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", value)
    assert now().text == shown
    assert now().fixed


@pytest.mark.parametrize("value", ["1.5", "-1", " 1", "1_0", "٣", "9" * 20])
def test_a_malformed_epoch_ends_the_run(value: str, monkeypatch: pytest.MonkeyPatch) -> None:
    # Source: the SOURCE_DATE_EPOCH specification: a malformed value should end the process with a non-zero
    # code.
    monkeypatch.setenv("SOURCE_DATE_EPOCH", value)
    with pytest.raises(ClockError):
        now()


def test_the_clock_runs_where_nothing_fixes_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("SOURCE_DATE_EPOCH", raising=False)
    assert not now().fixed


def test_text_that_an_encoding_lacks_is_written_escaped(monkeypatch: pytest.MonkeyPatch) -> None:
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="cp1252"))
    console.say("Größe █ 字")
    sys.stdout.flush()
    assert raw.getvalue() == "Größe \\u2588 \\u5b57".encode("cp1252") + os.linesep.encode()


@pytest.mark.drill
@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals as POSIX has them")
def test_progress_shows_on_a_terminal_and_not_when_piped(tmp_path: Path) -> None:
    import pty
    import subprocess

    root = tmp_path / "m"
    (root / "dumps").mkdir(parents=True)
    for n in range(60):
        (root / "dumps" / f"U{n}.p.1.bin").write_bytes(bytes([n]) * 512 + bytes(range(256)) * 6)
    chips = "\n".join(f"  - {{chip: U{n}, organisation: 2048x8}}" for n in range(60))
    (root / "sheet.yaml").write_text(f"machine: {{id: m, name: M}}\nreaders: {{p: {{}}}}\nchips:\n{chips}\n")
    command = [sys.executable, "-m", "pipeline", "check", str(root)]
    piped = subprocess.run(command, capture_output=True, check=True, cwd=ROOT)
    assert piped.stderr == b""
    parent, child = pty.openpty()
    with ending(subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=child, cwd=ROOT)) as watched:
        os.close(child)
        # read while it draws: a slow machine draws more often than a terminal holds that nobody reads
        shown = b"".join(coming(parent))
        assert watched.wait(timeout=120) == 0
    os.close(parent)
    assert b"chips read" in shown
    assert b"60 of 60" in shown
