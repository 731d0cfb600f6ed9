"""What the first page must know of each chip.

Little enough to hold for ten thousand, enough to send a person on.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from urllib.parse import quote

from pipeline.catalogue.advice import advise
from pipeline.views.report import wording
from schemas.record import Grade

if TYPE_CHECKING:
    from schemas.finding import FindingRecord
    from schemas.record import ChipRecord
    from schemas.recorded_sheet import AttemptRecord, BoardRecord

GRADES = tuple(grade.value for grade in Grade)
UNPLACED = "_"
"""Stands for the board where a chip names none; no id begins so."""
MOST_STEPS = 3
_SEVERITIES = ("fault", "caution")
_NEEDS_A_PERSON = {"missing": 0, "faulty": 1, "contested": 2}
_ELSEWHERE = frozenset(["socket-empty", "on-loan"])
_MISSING_MEANS = {
    "not-read": "Not read yet.",
    "read-failed": "Tried, and no reading was usable.",
    "socket-empty": "The socket is empty.",
    "on-loan": "The chip is on loan.",
}


@dataclass(frozen=True, slots=True)
class BenchStep:
    """One thing for a person to do about one chip: what it is about, and what to do."""

    severity: str
    code: str
    means: str
    next: str


@dataclass(frozen=True, slots=True)
class Summary:
    """One chip on the first page.

    Attributes:
        chip: Its id.
        board: Its board's id, or "".
        socket: Its socket, or "".
        grade: One of `GRADES`.
        part: As the sheet names it, or "".
        organisation: `2048x8`, or "".
        state: Why there is no reading, or "".
        steps: What a person must still do, worst first, at most `MOST_STEPS`.
        more: How many further findings ask for something.
        page: Where its own page lies, from the first page.
        entry: Its catalogue entry, where one was used.
    """

    chip: str
    board: str
    socket: str
    grade: str
    part: str
    organisation: str
    state: str
    page: str
    entry: str = ""
    steps: tuple[BenchStep, ...] = field(default=())
    more: int = 0

    @property
    def rank(self) -> int:
        """How urgent: 0 to 2 as the grades, 3 what someone else must bring, 4 a caution, 9 nothing to do."""
        if self.grade == "missing" and self.state in _ELSEWHERE:
            return 3
        return _NEEDS_A_PERSON.get(self.grade, 4 if self.steps else 9)


def chip_page_name(chip: ChipRecord) -> str:
    """Where a chip's own page lies beside `index.html`, laid out as the images are.

    `chips/BOARD/CHIP.html`.
    """
    return f"chips/{chip.get('board') or UNPLACED}/{chip['chip']}.html"


def summary_of(chip: ChipRecord) -> Summary:
    """The first page's share of one chip's record.

    Args:
        chip: A chip's record as plain JSON data.
    """
    steps = _steps(chip)
    return Summary(
        chip=str(chip["chip"]),
        board=str(chip.get("board") or ""),
        socket=str(chip.get("socket") or ""),
        grade=str(chip["grade"]),
        part=str(chip.get("part") or ""),
        organisation=str(chip.get("organisation") or ""),
        state=str(chip.get("state") or ""),
        page=quote(chip_page_name(chip)),
        entry=str(chip.get("catalogued") or chip.get("part") or ""),
        steps=tuple(steps[:MOST_STEPS]),
        more=max(0, len(steps) - MOST_STEPS),
    )


def _steps(chip: ChipRecord) -> list[BenchStep]:
    findings: Sequence[FindingRecord] = chip.get("findings") or ()
    steps = [
        BenchStep(severity, str(found["code"]), str(found.get("means", "")), str(found["next"]))
        for severity in _SEVERITIES
        for found in findings
        if found.get("severity") == severity and found.get("next")
    ]
    grade = chip["grade"]
    if grade == "missing":
        steps.insert(0, _missing_step(chip))
    elif grade == "contested" and not steps:
        contested = chip.get("contested")
        bits, words = (contested["bits"], contested["words"]) if contested else (0, 0)
        means = f"{wording.counted(bits, 'bit')} in {wording.counted(words, 'word')} unresolved."
        steps.append(BenchStep("caution", "contested", means, advise("contested")))
    elif grade == "faulty" and not steps:
        reasons = " ".join(str(reason) for reason in chip.get("reasons") or ())
        steps.append(BenchStep("fault", "faulty", reasons, advise("faulty")))
    return steps


def _missing_step(chip: ChipRecord) -> BenchStep:
    state = str(chip.get("state") or "")
    attempts: Sequence[AttemptRecord] = chip.get("attempts") or ()
    means = _MISSING_MEANS.get(state, "No usable reading.")
    if attempts:
        means += f" Last attempt: {attempts[-1].get('outcome', '')}"
    return BenchStep(
        "fault", state or "missing", means, advise(state if state in _MISSING_MEANS else "not-read")
    )


_BOARD_FACTS = (("name", ""), ("number", "number"), ("revision", "revision"))
_NUMBERS = re.compile(r"(\d+)")


def natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """Sorts `U2` before `U10`."""
    return tuple(
        (0, int(p), "") if p.isdecimal() and p.isascii() else (1, 0, p) for p in _NUMBERS.split(text) if p
    )


def counts_of(summaries: Iterable[Summary]) -> dict[str, int]:
    """How many chips have each grade, in the order of the grades."""
    counts = dict.fromkeys(GRADES, 0)
    for summary in summaries:
        counts[summary.grade] = counts.get(summary.grade, 0) + 1
    return counts


def state_sentence(counts: Mapping[str, int]) -> str:
    """The state of the whole set in one sentence.

    Example:
        >>> state_sentence({"corroborated": 2, "faulty": 1})
        'Of 3 chips, 2 are confirmed by a second reader or an embedded check; 1 is faulty.'
    """
    total = sum(counts.values())
    sound = counts.get("self-checked", 0) + counts.get("corroborated", 0)
    repeatable, single = counts.get("repeatable", 0), counts.get("single", 0)
    good = (
        [f"{sound:,} {'is' if sound == 1 else 'are'} confirmed by a second reader or an embedded check"]
        if sound
        else []
    )
    rests = [(repeatable, "on repeated passes of one reader"), (single, "on a single pass")]
    there = [(number, words) for number, words in rests if number]
    good += [
        f"{number:,} {('rests ' if number == 1 else 'rest ') if place == 0 else ''}{words}"
        for place, (number, words) in enumerate(there)
    ]
    doubts = [(counts.get(grade, 0), grade) for grade in ("contested", "faulty", "missing")]
    waiting = [(number, grade) for number, grade in doubts if number]
    bad = [
        f"{number:,} {('is ' if number == 1 else 'are ') if place == 0 else ''}{grade}"
        for place, (number, grade) in enumerate(waiting)
    ]
    said = "; ".join(part for part in (wording.listed(good), wording.listed(bad)) if part)
    return (
        f"Of {wording.counted(total, 'chip')}, {said}."
        if said
        else f"{wording.counted(total, 'chip').capitalize()}."
    )


@dataclass(frozen=True, slots=True)
class BoardView:
    """One board as a reader sees it: its sockets in the sheet's order, None where no chip is told of."""

    board: str
    about: tuple[tuple[str, str], ...]
    sockets: tuple[tuple[str, Summary | None], ...]


def boards_of(boards: Mapping[str, BoardRecord], summaries: Iterable[Summary]) -> list[BoardView]:
    """Each board's sockets in the sheet's order, then chips in sockets it does not list, then the unplaced.

    Args:
        boards: The record's boards.
        summaries: All chips.
    """
    by_board: dict[str, list[Summary]] = {name: [] for name in boards}
    for summary in summaries:
        by_board.setdefault(summary.board, []).append(summary)
    views = []
    for board, there in by_board.items():
        facts = boards.get(board, {})
        order = [str(socket) for socket in facts.get("sockets") or ()]
        by_socket: dict[str, list[Summary]] = {}
        for summary in there:
            by_socket.setdefault(summary.socket, []).append(summary)
        sockets: list[tuple[str, Summary | None]] = []
        for socket in order:
            found: list[Summary | None] = [*by_socket.pop(socket, [])]
            sockets.extend((socket, summary) for summary in found or [None])
        rest = [summary for left in by_socket.values() for summary in left]
        rest.sort(key=lambda summary: (natural(summary.socket), natural(summary.chip)))
        sockets.extend((summary.socket, summary) for summary in rest)
        if sockets or board in boards:
            about = [(title, str(facts.get(key))) for key, title in _BOARD_FACTS if facts.get(key)]
            views.append(BoardView(board, tuple(about), tuple(sockets)))
    return views
