"""Colour by severity: where a terminal wants it, on the program's own words, and never alone."""

from __future__ import annotations

import io
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.edges import console
from pipeline.edges.colour import coloured, wants_colour


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.fixture(autouse=True)
def _plain_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")


@given(st.text())
def test_without_its_colours_a_text_is_what_it_was(text: str) -> None:
    assert re.sub("\x1b" + r"\[(1;31|33|0)m", "", coloured(text)) == text or "\x1b" in text


def test_a_fault_a_caution_and_a_grade_are_coloured_and_a_note_is_not() -> None:
    shown = coloured("  U5  faulty  fault slipped, caution slipped\n  U6  repeatable  note fill\nproblem: no")
    assert shown.splitlines() == [
        "  U5  \x1b[1;31mfaulty\x1b[0m  \x1b[1;31mfault\x1b[0m slipped, \x1b[33mcaution\x1b[0m slipped",
        "  U6  repeatable  note fill",
        "\x1b[1;31mproblem\x1b[0m: no",
    ]


def test_words_within_a_sentence_keep_their_colour() -> None:
    told = "  means  No fault was found, and a problem of the wire is no caution."
    assert coloured(told) == told


def test_no_colour_where_nobody_looks_or_somebody_refused_it(monkeypatch: pytest.MonkeyPatch) -> None:
    # Source: no-color.org: present and not empty, whatever its value.
    assert wants_colour(Terminal())
    assert not wants_colour(io.StringIO())
    monkeypatch.setenv("NO_COLOR", "0")
    assert not wants_colour(Terminal())
    monkeypatch.setenv("NO_COLOR", "")
    assert wants_colour(Terminal())
    monkeypatch.setenv("TERM", "dumb")
    assert not wants_colour(Terminal())


def test_escapes_from_outside_stay_inert_beside_our_colours(monkeypatch: pytest.MonkeyPatch) -> None:
    out = Terminal()
    monkeypatch.setattr("sys.stdout", out)
    console.say("caution: \x1b[31mred")
    assert out.getvalue() == "\x1b[33mcaution\x1b[0m: \\x1b[31mred\n"
