"""What is still to be done about each chip: the one list, in the one order, that every view takes.

The terminal, `check`, `burn`, the spaces, PREMIS, the provenance text and the report say what is held back or
cautioned. None of them walks the record for it: what one of them left out, or told in another order, somebody
would believe to be settled.

Within a chip: faults, then what keeps the image apart, then other cautions, each in the order of the record.
Chips: worst first, and in the sheet's order where they are alike. What the sheet answers is done.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Literal, NamedTuple

from pipeline.catalogue.advice import advise
from schemas.finding import Severity
from schemas.vocabulary import Grade

if TYPE_CHECKING:
    from schemas.finding import Details
    from schemas.record import ChipRecord, SpaceRecord, ToDoChip
    from schemas.recorded_finding import FindingRecord
    from schemas.recorded_sheet import AttemptRecord

MISSING = "missing"
GRADES_WORST_FIRST = (
    "faulty",
    "contested",
    "missing",
    "single",
    "repeatable",
    "corroborated",
    "self-checked",
)
"""An image that is wrong comes before one that nobody has; common practice, no source."""
UNSETTLED = frozenset([MISSING, "faulty", "contested"])
"""Grades with which no image may be burned unaware."""
_SEVERITY = {Severity.FAULT.value: 0, Severity.CAUTION.value: 1, Severity.NOTE.value: 2}
_ELSEWHERE = frozenset(["socket-empty", "on-loan"])
"""Missing chips that nobody can read at this bench."""
_MISSING_MEANS = {
    "not-read": "Not read yet.",
    "read-failed": "Tried, and no reading was usable.",
    "socket-empty": "The socket is empty.",
    "on-loan": "The chip is on loan.",
}


class Task(NamedTuple):
    """One thing to do about one chip.

    Attributes:
        severity: `fault` or `caution`.
        code: Of the finding; the grade, or the chip's state, where no finding tells it.
        means: What it most likely means.
        bench: What to do, as the catalogue advises.
        lines: Lines that it is about, `A6`; none where it names none.
    """

    severity: Literal["fault", "caution"]
    code: str
    means: str
    bench: str
    lines: tuple[str, ...] = ()


class ToDo(NamedTuple):
    """Everything to do about one chip.

    Attributes:
        chip: Its id.
        grade: Of its evidence.
        held_back: Codes that keep its image apart although its grade does not.
        elsewhere: It is missing, and not at this bench.
        tasks: In order; empty where nothing is to be done.
    """

    chip: str
    grade: str
    held_back: tuple[str, ...]
    elsewhere: bool
    tasks: tuple[Task, ...]

    @property
    def apart(self) -> bool:
        """Its image lies under `images-unsettled/`: nobody may burn it unaware."""
        return self.grade in UNSETTLED or bool(self.held_back)

    @property
    def needs_person(self) -> bool:
        """It has no image, one that is kept apart, or a fault in a reading; a caution alone wants a look."""
        faulty = any(task.severity == "fault" for task in self.tasks)
        return self.apart or faulty

    @property
    def rank(self) -> int:
        """The lower the worse; chips of one rank keep the sheet's order; unknown grades come last."""
        if self.grade == MISSING:
            return 4 if self.elsewhere else 3
        if self.grade not in UNSETTLED and self.held_back:
            return 2
        if self.grade not in GRADES_WORST_FIRST:
            return len(GRADES_WORST_FIRST) + 2
        return GRADES_WORST_FIRST.index(self.grade) + (2 if self.grade not in UNSETTLED else 0)

    @property
    def codes(self) -> tuple[str, ...]:
        """`fault address-line-dead`, each once and in order, but for what the grade says already."""
        told = (f"{one.severity} {one.code}" for one in self.tasks if one.code != self.grade)
        return tuple(dict.fromkeys(told))

    @property
    def brief(self) -> ToDo:
        """The same without sentences: little enough to hold for ten thousand chips."""
        return self._replace(tasks=tuple(one._replace(means="", bench="") for one in self.tasks))

    def to_json(self) -> ToDoChip:
        """The list as the record and the answers keep it."""
        return {
            "chip": self.chip,
            "grade": Grade(self.grade),
            "held_back": list(self.held_back),
            "tasks": [{"severity": one.severity, "code": one.code} for one in self.tasks],
        }


def to_do(chip: ChipRecord) -> ToDo:
    """What is to be done about a chip.

    Args:
        chip: Its record, its findings in the order of `in_order`.
    """
    held = tuple(chip.get("held_back") or ())
    return ToDo(
        chip=str(chip["chip"]),
        grade=str(chip["grade"]),
        held_back=held,
        elsewhere=str(chip.get("state") or "") in _ELSEWHERE,
        tasks=tuple(_tasks(chip, held)),
    )


def _tasks(chip: ChipRecord, held: Sequence[str]) -> list[Task]:
    found = [
        Task(
            "fault" if one["severity"] == Severity.FAULT else "caution",
            str(one["code"]),
            str(one.get("means", "")),
            str(one.get("next", "")),
            lines_of(one.get("where") or {}),
        )
        for one in in_order(chip.get("findings") or (), held)
        if one["severity"] != Severity.NOTE and not (one.get("evidence") or {}).get("answer")
    ]
    grade = chip["grade"]
    if grade == MISSING:
        return [_missing(chip), *found]
    if grade == "contested" and not found:
        contested = chip.get("contested")
        bits, words = (contested["bits"], contested["words"]) if contested else (0, 0)
        means = f"{bits:,} bit{'s' * (bits != 1)} in {words:,} word{'s' * (words != 1)} unresolved."
        return [Task("caution", "contested", means, advise("contested"))]
    if grade == "faulty" and not any(one.severity == "fault" for one in found):
        reasons = " ".join(str(reason) for reason in chip.get("reasons") or ())
        return [Task("fault", "faulty", reasons, advise("faulty")), *found]
    return found


def lines_of(where: Details) -> tuple[str, ...]:
    """The lines that a finding is about; of an order of lines, those that are out of place or inverted.

    Args:
        where: The place of a finding.

    Example:
        >>> lines_of({"line": "A6"}), lines_of({"address": [0, 2, 1], "invert_data": [3]})
        (('A6',), ('A1', 'A2', 'D3'))
    """
    if where.get("line"):
        return (str(where["line"]),)
    if where.get("lines"):
        return tuple(str(line) for line in where["lines"])
    found = []
    for letter, kind in (("A", "address"), ("D", "data")):
        order, inverted = where.get(kind), where.get(f"invert_{kind}")
        moved = {k for k, line in enumerate(order) if line != k} if isinstance(order, list) else set()
        turned = set(inverted) if isinstance(inverted, list) else set()
        found += [f"{letter}{k}" for k in sorted(moved | turned)]
    return tuple(found)


def _missing(chip: ChipRecord) -> Task:
    state = str(chip.get("state") or "")
    attempts: Sequence[AttemptRecord] = chip.get("attempts") or ()
    means = _MISSING_MEANS.get(state, "No usable reading.")
    if attempts:
        means += f" Last attempt: {attempts[-1].get('outcome', '')}"
    return Task("caution", MISSING, means, advise(state if state in _MISSING_MEANS else "not-read"))


def in_order(findings: Iterable[FindingRecord], held_back: Sequence[str] = ()) -> list[FindingRecord]:
    """A chip's findings as every document lists them: faults, what holds the image back, cautions, notes."""
    return sorted(findings, key=lambda one: _rank(one, held_back))


def _rank(one: FindingRecord, held_back: Sequence[str]) -> tuple[int, bool, str]:
    apart = one["severity"] == Severity.CAUTION and one["code"] in held_back
    return _SEVERITY[one["severity"]], not apart, one["code"]


def worst_first(chips: Iterable[ToDo]) -> list[ToDo]:
    """The chips about which something is to be done, in the one order.

    Args:
        chips: In the sheet's order.
    """
    return sorted((one for one in chips if one.tasks), key=lambda one: one.rank)


def of_space(space: SpaceRecord, chips: Iterable[ToDo]) -> list[ToDo]:
    """What is to be done about the chips that a space places, in the order given."""
    placed = {lane.split("[")[0].strip() for one in space.get("placements", ()) for lane in one["lanes"]}
    return [one for one in chips if one.chip in placed]


def to_do_words(chip: ToDoChip) -> str:
    """A chip of the list as documents keep it, in a line: `U5 is faulty: fault address-line-dead`."""
    held = ", held back" if chip["held_back"] else ""
    told = (f"{one['severity']} {one['code']}" for one in chip["tasks"] if one["code"] != chip["grade"])
    codes = ", ".join(dict.fromkeys(told))
    return f"{chip['chip']} is {chip['grade']}{held}" + (f": {codes}" if codes else "")


def space_state(space: SpaceRecord) -> str:
    """What a space is good for, in a word or two; complete only where every chip of it is settled.

    Example:
        >>> named = {"name": "s", "width": 8, "byte_order": "big", "unit": "word"}
        >>> space_state({**named, "path": "p", "unsettled": True})
        'not settled'
    """
    if not space.get("path"):
        return "withheld" if space.get("withheld") else "not written"
    doubts = ["incomplete"] * bool(space.get("incomplete")) + ["not settled"] * bool(space.get("unsettled"))
    doubts += ["in doubt"] * bool(space.get("cautions"))
    return ", ".join(doubts) or "complete"
