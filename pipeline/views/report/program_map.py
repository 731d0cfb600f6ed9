"""The map of a chip's program on its page: kinds of words, entries, routines, calls, the unreached."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.views.report import wording
from pipeline.views.report.summary import page_beside

if TYPE_CHECKING:
    from pipeline.views.report.head import View
    from schemas.record import CallRecord, ChipRecord, ProgramRecord, RoutineRecord

MOST_ROUTINES, MOST_CALLS, MOST_GAPS, MOST_CALLERS = 1000, 200, 24, 8
"""As many routines as the record lists: other chips' pages link to them."""
_KINDS = {
    "code": "of code",
    "text": "of text",
    "table": "of tables",
    "decode": "of tables",
    "repeat": "of repeats",
    "fill": "empty",
    "dense": "of no known kind",
    "absent": "not read",
}
"""Kinds of region as the map sums them up, in this order."""
_ADDRESS_BY = {
    "sheet": "as the sheet's space has it",
    "calls": "as the calls of the chips beside it say",
    "own calls": "as its own calls say",
}
FAMILIES = {"z80": "Z80 or 8080", "65c02": "6502", "pdp11": "PDP-11", "9900": "9900"}


def program_view(chip: ChipRecord, *, one_page: bool) -> View | None:
    """What the template prints of a chip's program; None where its content may be none.

    Args:
        chip: Its record.
        one_page: Whether all chips are on one page, or each on its own.
    """
    program = chip.get("program")
    shares = _shares(chip)
    if program is None:
        dense = next((words for name, words in shares if name == _KINDS["dense"]), 0)
        said = (
            "No processor that Wellread knows: for none of them do branches land where instructions begin. "
            "The processor is not known; this may be a program for another, or no program."
        )
        if read := chip.get("read_for"):
            said += f" Odds {int(read['odds'] * 100)} in 100."
        return {"shares": _said(shares), "unknown": said} if dense else None
    link = _Links(chip, one_page=one_page)
    return {
        "shares": _said(shares),
        "unknown": "",
        "about": _about(program),
        "entries": [wording.hexa(at, link.digits) for at in program["entries"]],
        "routines": [_routine(one, link) for one in program["routines"][:MOST_ROUTINES]],
        "more_routines": max(0, program["routines_found"] - MOST_ROUTINES),
        "out": [_call(one, link) for one in program["calls_out"][:MOST_CALLS]],
        "more_out": max(0, program["calls_out_found"] - MOST_CALLS),
        "reached": wording.counted(program["reached"], "word"),
        "unreached": [
            wording.span_text(one[0], one[1], link.digits) for one in program["unreached"][:MOST_GAPS]
        ],
        "more_unreached": max(0, len(program["unreached"]) - MOST_GAPS),
    }


class _Links:
    """From a chip and a word of it to the place on a page that shows it."""

    def __init__(self, chip: ChipRecord, *, one_page: bool) -> None:
        organisation = str(chip.get("organisation") or "0x8")
        self.chip, self.one_page = chip["chip"], one_page
        self.digits = max(3, len(f"{max(1, int(organisation.split('x', maxsplit=1)[0])) - 1:X}"))

    def anchor(self, chip: str, at: int) -> str:
        """The id of a routine on its page."""
        return f"at-{chip}-{at:X}"

    def to(self, chip: str, at: int) -> tuple[str, str]:
        """What a link says, and where it leads."""
        page = "" if self.one_page or chip == self.chip else page_beside(chip)
        said = wording.hexa(at, self.digits)
        return (said if chip == self.chip else f"{chip} {said}", f"{page}#{self.anchor(chip, at)}")

    def to_chip(self, chip: str, at: int) -> tuple[str, str]:
        """The same of a word that is no routine's start: the link leads to its chip."""
        page = "" if self.one_page or chip == self.chip else page_beside(chip)
        return f"{chip} {wording.hexa(at, self.digits)}", f"{page}#chip-{chip}"


def _shares(chip: ChipRecord) -> list[tuple[str, int]]:
    """How many words are of each kind."""
    words = dict.fromkeys(_KINDS.values(), 0)
    for region in chip.get("regions") or ():
        words[_KINDS.get(region["kind"], _KINDS["dense"])] += region["end"] - region["start"]
    return [(name, count) for name, count in words.items() if count]


def _said(shares: Sequence[tuple[str, int]]) -> str:
    return wording.listed([f"{wording.counted(words, 'word')} {name}" for name, words in shares])


def _about(program: ProgramRecord) -> str:
    family = FAMILIES.get(program["family"], program["family"])
    if program["address"] is None:
        return f"Read as a program for {family}; at which address it stands is not known."
    at, by = wording.hexa(program["address"], 4), _ADDRESS_BY.get(program["address_by"] or "", "")
    return f"Read as a program for {family}; its first word stands at {at}, {by}."


def _routine(one: RoutineRecord, link: _Links) -> View:
    shown = one["callers"][:MOST_CALLERS]
    return {
        "id": link.anchor(link.chip, one["at"]),
        "at": wording.hexa(one["at"], link.digits),
        "callers": [link.to_chip(caller["chip"], caller["at"]) for caller in shown],
        "more": max(0, one["called"] - len(shown)),
    }


def _call(one: CallRecord, link: _Links) -> tuple[str, str, str, str]:
    """Where it stands, what it is, what its link says and where that leads, if a chip is known."""
    at = wording.hexa(one["at"], link.digits)
    if "chip" in one:
        known = link.to if one["kind"] == "call" else link.to_chip
        return at, one["kind"], *known(one["chip"], one["to"])
    address = one.get("address")
    return at, one["kind"], "outside" if address is None else f"{wording.hexa(address, 4)}, no chip known", ""
