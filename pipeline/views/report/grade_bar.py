"""The set in one picture: a bar to scale, one stretch a grade, its mark and its number outside.

Two of four hundred are half a hundredth of the bar and look like it; their label stands beneath, on a line of
its own to the stretch, wherever there is room.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import accumulate

from markupsafe import Markup

from pipeline.to_do import GRADES_WORST_FIRST

MARK, DIGIT = 6.0, 2.4
"""A mark, and each digit beside it, need so much of a 360 px screen, in hundredths."""
TALL = 26
MARKS_AT = 42


def grades_in_order(counts: Mapping[str, int]) -> list[tuple[str, int]]:
    """Every grade with its number, worst first: the order of the terminal, the record and every page.

    Args:
        counts: Chips of each grade; grades of a later version come last.
    """
    later = sorted(set(counts) - set(GRADES_WORST_FIRST))
    return [(grade, counts.get(grade, 0)) for grade in (*GRADES_WORST_FIRST, *later)]


def grade_bar(counts: Mapping[str, int]) -> Markup:
    """The bar of grades, to scale, its labels outside.

    Args:
        counts: Chips of each grade.
    """
    total = sum(counts.values()) or 1
    present = [(grade, number) for grade, number in grades_in_order(counts) if number]
    ends = list(accumulate(100 * number / total for _, number in present))
    starts = [0.0, *ends][: len(ends)]
    wide = MARK + DIGIT * max((len(f"{number:,}") for _, number in present), default=1)
    places = label_places([(start + end) / 2 for start, end in zip(starts, ends, strict=True)], wide)
    parts = [
        _stretch(grade, number, (start, end), place)
        for (grade, number), start, end, place in zip(present, starts, ends, places, strict=True)
    ]
    said = ", ".join(f"{number:,} {grade}" for grade, number in present) or "no chips"
    return Markup(  # noqa: S704 - numbers and our own words only
        f'<svg class="bar" role="img" aria-label="The set by grade, to scale: {said}" width="100%" '
        f'height="62">{"".join(parts)}</svg>'
    )


def label_places(wanted: Sequence[float], wide: float) -> list[float]:
    """Where labels stand so that none covers another, as near as can be to where each is wanted.

    Args:
        wanted: Middles of the stretches, ascending, in hundredths.
        wide: Of a label, in hundredths.

    Example:
        >>> label_places([0.5, 1.0, 60.0], 11.0)
        [5.5, 16.5, 60.0]
    """
    places: list[float] = []
    for middle in wanted:
        places.append(max(middle, places[-1] + wide if places else wide / 2))
    limit = 100 - wide / 2
    for at in range(len(places) - 1, -1, -1):
        places[at] = min(places[at], limit)
        limit = places[at] - wide
    return places


def _stretch(grade: str, number: int, span: tuple[float, float], place: float) -> str:
    start, end = span
    return (
        f'<g class="g-{grade}"><title>{number:,} {grade}</title>'
        f'<rect class="seg" x="{start:.5g}%" y="1" width="{end - start:.5g}%" height="{TALL}"/>'
        f'<line class="lead" x1="{(start + end) / 2:.5g}%" y1="{TALL + 1}" x2="{place:.5g}%" '
        f'y2="{MARKS_AT - 3}"/>'
        f'<svg x="{place:.5g}%" y="{MARKS_AT}" width="14" height="14" overflow="visible">'
        f'<use class="m" href="#m-{grade}" x="-15" width="14" height="14"/></svg>'
        f'<text x="{place:.5g}%" y="{MARKS_AT + 12}">{number:,}</text></g>'
    )
