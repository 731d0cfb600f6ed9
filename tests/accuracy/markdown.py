"""The figures of a run as Markdown tables for DEVELOPERS.md: a row a fault, on images of 1 K words and more."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from tests.accuracy.cases import PROMISED, Outcome

Bound = Callable[[int, int], float]


def tables(
    outcomes: Sequence[Outcome], judged: Callable[[Outcome], bool], group: Callable[[str], str], bound: Bound
) -> str:
    """Both tables.

    Args:
        outcomes: Of a run.
        judged: Whether a case is of an image for which a share is promised.
        group: The family's name, or `firmware`.
        bound: Upper 95 % bound of a share, from failures and trials.
    """
    injected = [one for one in outcomes if one.kind == "fault" and judged(one)]
    faults = list(dict.fromkeys(one.fault for one in outcomes if one.kind == "fault"))
    lines = [
        "| fault | code: n | named | bound | firmware: n | named | bound | no change | wrong line |",
        "|---|--:|--:|--:|--:|--:|--:|--:|--:|",
    ]
    for fault in faults:
        rows = [one for one in injected if one.fault == fault]
        own = [[one for one in rows if (group(one.family) == "firmware") is real] for real in (False, True)]
        told = [one for one in rows if not one.unchanged]
        mark = "" if fault in PROMISED else " °"
        cells = " | ".join(_found(part, bound) for part in own)
        wrong = sum(one.wrong for one in told)
        lines.append(f"| {fault}{mark} | {cells} | {len(rows) - len(told)} | {wrong} of {len(told)} |")
    return "\n".join([*lines, "", *_healthy([one for one in outcomes if one.kind != "fault"], group, bound)])


def _found(outcomes: Iterable[Outcome], bound: Bound) -> str:
    told = [one for one in outcomes if not one.unchanged]
    if not told:
        return "0 | – | –"
    named = sum(one.named for one in told)
    return f"{len(told)} | {named / len(told):.2%} | ≥ {1 - bound(len(told) - named, len(told)):.2%}"


def _healthy(outcomes: list[Outcome], group: Callable[[str], str], bound: Bound) -> list[str]:
    lines = [
        "| healthy images | n | false faults | bound | cautions | notes |",
        "|---|--:|--:|--:|--:|--:|",
    ]
    for kind, title in (("healthy", ""), ("look-alike", "look-alike: ")):
        own = [one for one in outcomes if one.kind == kind]
        families = sorted({group(one.family) for one in own})
        lines += [
            _quiet(f"{title}{family}", [one for one in own if group(one.family) == family], bound)
            for family in families
        ]
        lines.append(_quiet(f"**all {kind}**", own, bound))
    return lines


def _quiet(title: str, outcomes: list[Outcome], bound: Bound) -> str:
    count = len(outcomes)
    if not count:
        return f"| {title} | 0 | | | | |"
    faults = sum(one.as_fault for one in outcomes)
    cautions, notes = sum(one.caution for one in outcomes), sum(one.only_note for one in outcomes)
    return (
        f"| {title} | {count} | {faults} | ≤ {bound(faults, count):.2%} | {cautions / count:.1%} "
        f"| {notes / count:.1%} |"
    )
