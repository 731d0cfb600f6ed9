"""The page of a shelf: what to read next, every machine, every chip; ten thousand chips on one page."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any

from pipeline.to_do import GRADES_WORST_FIRST
from pipeline.views.report import marks
from pipeline.views.report.pages import assets_of
from pipeline.views.report.templating import template
from pipeline.views.report.wording import counted

if TYPE_CHECKING:
    from pipeline.views.report.head import View
    from schemas.answers import HeldChip, HoldingsAnswer

MOST_NEXT = 100
"""So many chips to be read next are spelled out; `--next` lists all."""


def shelf_page(
    answer: HoldingsAnswer, chips: Sequence[HeldChip], wanting: Sequence[HeldChip], wanted: int, day: str
) -> bytes:
    """The page, self-contained: nothing is fetched, and no script runs but the report's own.

    Args:
        answer: Of `holdings`, for counts and troubles.
        chips: All of the newest bags, machine by machine.
        wanting: The first of those that want reading, weightiest first.
        wanted: How many want it.
        day: On which the page is made, ISO 8601.
    """
    anchors = {_key(chip): f"c{number}" for number, chip in enumerate(chips)}
    text = template("shelf_page.html").render(
        **assets_of(first=True),
        defs=marks.defined(),
        meanings=marks.MEANINGS,
        day=day,
        bags=counted(len({chip["path"] for chip in chips}), "bag"),
        chips=counted(len(chips), "chip"),
        counts=[(grade, answer["grades"].get(grade, 0)) for grade in GRADES_WORST_FIRST],
        wanting=[{**one, "anchor": anchors.get(_key(one), "chips")} for one in wanting[:MOST_NEXT]],
        wanted=wanted,
        machines=list(_machines(chips, anchors)),
        troubled=answer["troubled"],
    )
    return text.encode("utf-8", "backslashreplace")


def _key(chip: HeldChip) -> tuple[str, str]:
    return chip["path"], chip["chip"]


def _machines(chips: Sequence[HeldChip], anchors: dict[tuple[str, str], str]) -> Iterator[View]:
    for number, (_, group) in enumerate(groupby(chips, key=lambda one: one["path"])):
        rows = list(group)
        grades = Counter(one["grade"] for one in rows)
        yield {
            "anchor": f"m{number}",
            "bag": rows[0]["bag"],
            "custodian": rows[0]["custodian"],
            "checked": f"{rows[0]['last_check']} {rows[0]['last_outcome']}".strip(),
            "grades": ", ".join(f"{grades[one]} {one}" for one in GRADES_WORST_FIRST if grades[one]),
            "rows": [_row(one, anchors[_key(one)]) for one in rows],
        }


def _row(chip: HeldChip, anchor: str) -> dict[str, Any]:  # a row as the template takes it
    place = ", ".join(one for one in (chip["board"], chip["socket"]) if one)
    return {**chip, "anchor": anchor, "place": place}
