"""What to read next across a shelf: each chip with its reasons, each reason with its weight.

The weights are judgement and are shown with every answer. A chip that needs no reading has no reason and is
not listed; one that nobody can read here (an empty socket, a chip on loan) is not either.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from pipeline.holdings.rows import Facts

GRADES = {
    "missing": (100, "not read yet"),
    "faulty": (90, "what was read carries a reading fault"),
    "contested": (80, "its readings disagree"),
    "single": (40, "read once, by one reader"),
    "repeatable": (20, "read by one reader alone"),
}
"""Grade → weight and reason. Chosen by us, no source."""
FAILED = (70, "tried and not read: look at what failed before trying again")
HELD_BACK = (50, "its image is held back")
FADES = (30, "cells of its kind change with age")
OLD = ((50, 25), (40, 20), (30, 10))
"""(years, weight): older cells have kept their charge for longer. Chosen by us, no source."""
SOLE = (25, "no other specimen of it is on this shelf")
NO_TWIN = (10, "no other specimen bears it out")
ELSEWHERE = frozenset(["socket-empty", "on-loan"])


class Reason(NamedTuple):
    """Why a chip should be read, and how much that counts."""

    weight: int
    words: str


def reasons(chip: Facts, year: int) -> list[Reason]:
    """Why a chip should be read next; empty where nothing asks for it.

    Args:
        chip: Its row, with `others`: how many other machines of the shelf hold the same chip.
        year: In which this is asked.
    """
    grade = str(chip["grade"])
    if chip["state"] in ELSEWHERE or not (grade in GRADES or chip["held_back"]):
        return []
    return list(_reasons(chip, grade, year))


def _reasons(chip: Facts, grade: str, year: int) -> Iterator[Reason]:
    if grade in GRADES:
        failed = grade == "missing" and chip["state"] == "read-failed"
        yield Reason(*(FAILED if failed else GRADES[grade]))
    if chip["held_back"]:
        yield Reason(HELD_BACK[0], f"{HELD_BACK[1]} ({chip['held_back']})")
    if chip["fades_to"] is not None:
        yield Reason(FADES[0], f"{FADES[1]} ({chip['kind']})")
        made = chip["year"]
        if isinstance(made, int):
            yield from _old(year - made, made)
    if not chip["others"]:
        yield Reason(*SOLE)
    if not chip["twins"] and grade != "missing":
        yield Reason(*NO_TWIN)


def _old(age: int, made: int) -> Iterator[Reason]:
    for years, weight in OLD:
        if age >= years:
            yield Reason(weight, f"made in {made}, {age} years ago")
            return


def score(found: list[Reason]) -> int:
    """By which chips are ranked: the weights of all reasons."""
    return sum(one.weight for one in found)
