"""Which reading is bad: it contradicts another of its reader, and shows a fault that the other has not.

Two readings of which one has a dead line differ in thousands of words and in no one data line. What tells is
that the one, by itself, shows the relation of the fault, and the other does not.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from pipeline.catalogue.advice import step
from pipeline.flow import Pass
from pipeline.stages.examine.passes import far_apart
from pipeline.stages.examine.suspicion import Suspicion
from schemas.finding import Code, Severity

RELATIONS = frozenset(
    [
        Code.ADDRESS_LINE_DEAD,
        Code.ADDRESS_LINES_JOINED,
        Code.DATA_LINE_STUCK,
        Code.DATA_LINES_JOINED,
        Code.BLANK,
        Code.CONSTANT,
        Code.FOLLOWS_ADDRESS,
    ]
)
"""Faults of a whole reading that one image shows by itself."""
MOST_LOOKED_AT = 6
"""Distinct passes of one reader that are looked at one by one; more of them flicker, and are no other
reading.
"""

Judge = Callable[[Pass], Sequence[Suspicion]]


def faults_of_one_reading(passes: Sequence[Pass], judge: Judge) -> tuple[list[Suspicion], set[str]]:
    """Faults that some readings of a reader show and others of it do not, and the readings that show them.

    Args:
        passes: Distinct, in one frame.
        judge: What one pass shows by itself.
    """
    found: list[Suspicion] = []
    at_fault: set[str] = set()
    for reader in dict.fromkeys(one.reader for one in passes):
        own = [one for one in passes if one.reader == reader]
        if not 1 < len(own) <= MOST_LOOKED_AT or not any(far_apart(own[0], one) for one in own[1:]):
            continue
        shown = [{one.key: one for one in judge(each) if one.code in RELATIONS} for each in own]
        common = set.intersection(*(set(each) for each in shown))
        for each, faults in zip(own, shown, strict=True):
            extra = [one for key, one in faults.items() if key not in common]
            if extra and any(set(other) == common for other in shown):
                at_fault.add(each.reading)
                found += [_told(one, each, own) for one in extra]
    return _once(found), at_fault


def _once(found: Sequence[Suspicion]) -> list[Suspicion]:
    """Passes of one reading that show the same fault tell it once."""
    kept: dict[tuple[object, ...], Suspicion] = {}
    for one in found:
        kept.setdefault((one.key, tuple(one.where["readings"])), one)
    return list(kept.values())


def _told(suspicion: Suspicion, one: Pass, own: Sequence[Pass]) -> Suspicion:
    others = sorted({other.reading for other in own} - {one.reading})
    against = f" {' and '.join(others)} of the same reader does not show it." if others else ""
    lines = " and ".join(suspicion.lines) or suspicion.code.value
    return replace(
        suspicion,
        severity=Severity.FAULT,
        where={**suspicion.where, "readings": [one.reading], "readers": [one.reader]},
        means=f"{suspicion.means} Only {one.reading} shows it.{against}",
        next=step("set-aside-reading", reading=one.reading, fault=f"{suspicion.code.value} {lines}"),
    )
