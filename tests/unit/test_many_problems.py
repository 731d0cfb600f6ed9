"""Ten thousand problems at once are told in seconds and in few lines, whatever kind they are of."""

from __future__ import annotations

import time
from collections.abc import Iterable
from functools import cache

import pytest

from pipeline.catalogue import load
from pipeline.flow import FoundFile, Problem
from pipeline.stages.sheet import parse_sheet, read_sheet
from pipeline.summed_up import MOST_LINES, kind_of, summed_up
from tests.kit.examples import drilled_but

COUNT = 10_000
HEAD = "machine: {{id: m, name: M}}\nreaders: {{prog: {{}}}}\nboards: {}\nchips:\n"
MOST_TIMES_A_SOUND_SHEET = 12
"""The worst kind, files that are not there, took 6 times as long as a sound sheet of as many rows."""


def chips(says: str) -> str:
    return "".join(
        f"  - {{chip: C{k}, state: not-read, organisation: 16x8, {says.format(k)}}}\n" for k in range(COUNT)
    )


def rows(section: str, says: str) -> str:
    return f"{section}:\n" + "".join(f"  - {{{says.format(k)}}}\n" for k in range(COUNT))


ONE = HEAD.format("{mem: {}}")
SOUND = ONE + chips("board: mem")
MANY = HEAD.format("{" + ", ".join(f"b{k}: {{}}" for k in range(COUNT)) + "}")
FILES = {path: FoundFile(16, "") for path in (f"dumps/X{k}.prog.1.bin" for k in range(COUNT))}
KINDS: dict[str, tuple[str, bool]] = {
    "a board of none": (ONE + chips("board: nix{0}"), False),
    "a board of ten thousand": (MANY + chips("board: x{0}"), False),
    "parts that nobody knows": (ONE + chips("part: Z{0}"), False),
    "fields that nobody knows": (ONE + chips("revison{0}: x"), False),
    "answers to nothing": (ONE + chips("answers: {{adress{0}: x}}"), False),
    "readers of other names": (
        SOUND + rows("readings", "file: X{0}.prog.1.bin, chip: C{0}, reader: porg"),
        True,
    ),
    "parts read as others": (
        SOUND + rows("readings", "file: X{0}.prog.1.bin, chip: C{0}, reader: prog, read_as: Q{0}"),
        True,
    ),
    "files that are not there": (SOUND + rows("readings", "file: Y{0}.bin, chip: C{0}, reader: prog"), True),
    "files of unknown chips": (SOUND, True),
    "dates of local forms": (
        SOUND + rows("readings", "file: X{0}.prog.1.bin, chip: C{0}, reader: prog, date: 1.2.2024"),
        True,
    ),
    "photographs of nothing": (SOUND + rows("photos", "file: P{0}.jpg, chip: X{0}"), False),
}


def told(sheet: str, *, files: bool) -> tuple[Problem, ...]:
    document = parse_sheet(sheet.encode(), "sheet.yaml")
    return read_sheet(document, tables={}, files=FILES if files else {}, catalogue=load())[1]


def timed(sheet: str, *, files: bool) -> tuple[float, tuple[Problem, ...]]:
    """Seconds of this process's own time, which other work beside it does not lengthen, and the problems."""
    began = time.process_time()
    problems = told(sheet, files=files)
    return time.process_time() - began, problems


def lines(problems: Iterable[Problem]) -> list[str]:
    return summed_up((kind_of(one.field, one.found, one.expected), str(one)) for one in problems)


@cache
def sound_seconds() -> float:
    """What a sheet of as many rows takes that has no problem, the best of three."""
    told(ONE + "  - {chip: U1, part: Z1}\n", files=False)  # what is loaded once is no time of the problems
    return min(timed(SOUND, files=False)[0] for _ in range(3))


@pytest.mark.clock
@pytest.mark.parametrize("kind", drilled_but(KINDS, "files that are not there", "fields that nobody knows"))
def test_ten_thousand_problems_are_told_in_few_lines_that_count_all_of_them_and_soon(kind: str) -> None:
    sheet, files = KINDS[kind]
    taken, problems = timed(sheet, files=files)
    assert len(problems) >= COUNT
    said = lines(problems)
    assert len(said) <= MOST_LINES + 1
    more = [int(line.split()[2].replace(",", "")) for line in said if line.startswith("… and ")]
    assert len(said) - len(more) + sum(more) == len(problems)
    assert taken < MOST_TIMES_A_SOUND_SHEET * sound_seconds()


def test_few_problems_are_all_told_whole() -> None:
    assert summed_up(("a", f"text {k}") for k in range(5)) == [f"text {k}" for k in range(5)]
