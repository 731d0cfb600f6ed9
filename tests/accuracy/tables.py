"""The outcomes of a run as Markdown tables, and which of the promises it keeps."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import NamedTuple

from tests.accuracy.judge import Outcome
from tests.kit.faults import CONSTANTS, LINE_FAULTS

Of = Callable[[Outcome], str]
DECIDABLE_RIGHT_AT_LEAST = 0.995
UNDONE_AT_LEAST = 0.98
HELD_FAULTS_AT_LEAST = 0.98
HELD_HEALTHY_AT_MOST = 0.02
FALSE_FAULTS_AT_MOST = 0.002
PROMISED_FAULTS = frozenset((*LINE_FAULTS, *CONSTANTS))


def upper_bound(failures: int, trials: int) -> float:
    """One-sided 95 % Clopper-Pearson bound.

    Source: scipy.stats.beta; the rule of three where failures is 0.
    """
    from scipy.stats import beta

    if trials == 0 or failures >= trials:
        return 1.0
    return float(beta.ppf(0.95, failures + 1, trials - failures))


_FRAMES_HEAD = (
    "| {title} | decidable: n | settled right | bound | undecidable: n | contested | bound | open: n | "
    "settled | wrong of all | bound |"
)


class Promise(NamedTuple):
    """One of the promises of a run.

    Attributes:
        words: What is promised, with the figure.
        cases: How many it rests on.
        kept: Whether the figure keeps it; never on no cases.
    """

    words: str
    cases: int
    kept: bool


class Count:
    """How many of a list are so."""

    def __init__(self, outcomes: Iterable[Outcome], so: Callable[[Outcome], bool]) -> None:
        self.all = list(outcomes)
        self.so = [one for one in self.all if so(one)]

    @property
    def share(self) -> float:
        return len(self.so) / len(self.all) if self.all else 1.0

    def __str__(self) -> str:
        """`n | share | at least`."""
        if not self.all:
            return "0 | – | –"
        least = 1 - upper_bound(len(self.all) - len(self.so), len(self.all))
        return f"{len(self.all)} | {self.share:.2%} | ≥ {least:.2%}"


def wrong(one: Outcome) -> bool:
    """An image that may be burned, and is not true."""
    return one.state == "wrong"


def unsettled(one: Outcome) -> bool:
    """Kept apart, or no image at all."""
    return one.state in ("faulty", "contested", "held back", "missing", "refused")


def _wrong_cell(outcomes: Sequence[Outcome]) -> str:
    count = Count(outcomes, wrong)
    return f"{len(count.so)} of {len(count.all)} | ≤ {upper_bound(len(count.so), len(count.all)):.2%}"


def _rows(outcomes: Sequence[Outcome], of: Of) -> Iterator[tuple[str, list[Outcome]]]:
    for name in dict.fromkeys(of(one) for one in outcomes):
        yield name, [one for one in outcomes if of(one) == name]


def _table(outcomes: list[Outcome], name: str) -> list[Outcome]:
    return [one for one in outcomes if one.task.table == name and one.state != "unchanged"]


def frames(outcomes: list[Outcome]) -> list[str]:
    """By parties, then by frame."""
    own = _table(outcomes, "frames")
    if not own:
        return []
    out = []
    views: tuple[tuple[str, Of], ...] = (
        ("readers (passes)", lambda one: one.task.row),
        ("frame", lambda one: one.task.how[0]),
        ("content", lambda one: one.task.how[1]),
        ("said beside", lambda one: one.task.how[2]),
    )
    for title, of in views:
        out += [
            _FRAMES_HEAD.format(title=title),
            "|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|",
        ]
        for name, some in (*_rows(own, of), ("**all**", own)):
            right = Count((one for one in some if one.expect == "right"), lambda one: one.state == "right")
            apart = Count((one for one in some if one.expect == "contested"), unsettled)
            free = Count((one for one in some if one.expect == "open"), lambda one: one.state == "right")
            out.append(
                f"| {name} | {right} | {apart} | {len(free.all)} | {len(free.so)} | {_wrong_cell(some)} |"
            )
        out.append("")
    return out


ROLES = {
    "right": "read by two, or declared",
    "undone": "only by the crossed reader: undone",
    "in doubt": "only by the crossed reader: not settled",
    "open": "only by the crossed reader: never settled wrong",
    "as read": "other pinout or organisation, straight: as read",
}


def wirings(outcomes: list[Outcome]) -> list[str]:
    """By what is known of the wiring, and the chip's part in it."""
    out = [
        "| wiring | chip | n | as it should | bound | told | changed wrongly | wrong | bound |",
        "|---|---|--:|--:|--:|--:|--:|--:|--:|",
    ]
    for name, some in _rows(_table(outcomes, "wirings"), lambda one: one.task.row):
        for role, own in _rows(some, lambda one: ROLES[one.expect]):
            good = Count(own, wiring_kept)
            told, changed = sum(one.named for one in own), sum(one.changed for one in own)
            out.append(f"| {name} | {role} | {good} | {told} | {changed} | {_wrong_cell(own)} |")
    return [*out, ""]


def wiring_kept(one: Outcome) -> bool:
    """Whether one chip of a wiring came out as it should."""
    if one.expect in ("right", "undone"):
        return one.state == "right"
    if one.expect == "as read":
        return not one.changed
    return unsettled(one) if one.expect == "in doubt" else not wrong(one)


def faults(outcomes: list[Outcome]) -> list[str]:
    """By fault; the promised ones first."""
    own = _table(outcomes, "faults")
    out = [
        (
            "| fault | in | n | fault or held back | bound | of these `fault` | named | bound | wrong line "
            "| wrong image |"
        ),
        "|---|---|--:|--:|--:|--:|--:|--:|--:|--:|",
    ]
    for name, some in _rows(own, lambda one: one.task.row):
        for where, part in _rows(some, lambda one: one.task.how[0]):
            apart, named = Count(part, unsettled), Count(part, lambda one: one.named)
            mark = "" if name in PROMISED_FAULTS else " °"
            faulty = sum(one.state == "faulty" for one in part)
            cells = str(named).split(" | ", 1)[1]
            out.append(
                f"| {name}{mark} | {where} | {apart} | {faulty} | {cells} | "
                f"{sum(one.wrong_line for one in part)} | {sum(map(wrong, part))} |"
            )
    return [*out, ""]


def healthy(outcomes: list[Outcome], table: str) -> list[str]:
    """By family: what is accused in vain."""
    own = _table(outcomes, table)
    out = [
        f"| {table} | n | false faults | bound | held back | bound | cautions | wrong image |",
        "|---|--:|--:|--:|--:|--:|--:|--:|",
    ]
    for name, some in (*_rows(own, lambda one: one.task.row), ("**all**", own)):
        count, false, held = len(some), sum(one.fault for one in some), sum(map(unsettled, some))
        cautions = sum(one.caution and not one.fault for one in some)
        out.append(
            f"| {name} | {count} | {false} | ≤ {upper_bound(false, count):.2%} | {held} "
            f"| ≤ {upper_bound(held, count):.2%} | {cautions / max(count, 1):.1%} | {sum(map(wrong, some))} |"
        )
    return [*out, ""]


def markdown(outcomes: list[Outcome]) -> str:
    """All tables."""
    lines = [
        *frames(outcomes),
        *wirings(outcomes),
        *faults(outcomes),
        *healthy(outcomes, "healthy"),
        *healthy(outcomes, "look-alikes"),
    ]
    unchanged = sum(one.state == "unchanged" for one in outcomes)
    return "\n".join([*lines, f"{unchanged} further cases showed nothing of their fault in their image."])


def promises(outcomes: list[Outcome]) -> list[Promise]:
    """What is promised, with the figure, and whether it is kept; nothing measured is nothing kept."""
    told = [one for one in outcomes if one.state != "unchanged"]
    asked = [one for one in told if one.examined != "not asked"]
    framed = _table(outcomes, "frames")
    wired = _table(outcomes, "wirings")
    well = _table(outcomes, "healthy")
    lined = [
        one
        for one in _table(outcomes, "faults")
        if one.task.row in PROMISED_FAULTS and one.task.how[0] != "glyphs"
    ]
    return [
        _none(
            "wrong settled images among frames, wirings and healthy chips", [*framed, *wired, *well], wrong
        ),
        _least(
            "decidable frames settled right",
            [one for one in framed if one.expect == "right"],
            lambda one: one.state == "right",
            DECIDABLE_RIGHT_AT_LEAST,
        ),
        _least(
            "undecidable frames not settled",
            [one for one in framed if one.expect == "contested"],
            unsettled,
            1,
        ),
        _least(
            "faults of named wirings undone",
            [one for one in wired if one.expect == "undone"],
            wiring_kept,
            UNDONE_AT_LEAST,
        ),
        _none("projects that ended in a bug", told, lambda one: one.state == "crashed"),
        _none("chips of which examine says otherwise than package", asked, lambda one: one.examined != ""),
        _none("chips changed wrongly", told, lambda one: one.changed),
        _least("line faults told or held back", lined, unsettled, HELD_FAULTS_AT_LEAST),
        _most("healthy chips held back", well, unsettled, HELD_HEALTHY_AT_MOST),
        _most("healthy chips with a false fault", well, lambda one: one.fault, FALSE_FAULTS_AT_MOST),
    ]


def _none(what: str, some: list[Outcome], so: Callable[[Outcome], bool]) -> Promise:
    count = Count(some, so)
    words = f"{what}: {len(count.so)} of {len(count.all)}, none allowed"
    return Promise(words, len(some), bool(some) and not count.so)


def _least(what: str, some: list[Outcome], so: Callable[[Outcome], bool], least: float) -> Promise:
    count = Count(some, so)
    words = f"{what}: {len(count.so)} of {len(count.all)} ({count.share:.2%}), at least {least:.1%}"
    return Promise(words, len(some), bool(some) and count.share >= least)


def _most(what: str, some: list[Outcome], so: Callable[[Outcome], bool], most: float) -> Promise:
    count = Count(some, so)
    words = f"{what}: {len(count.so)} of {len(count.all)} ({count.share:.2%}), at most {most:.1%}"
    return Promise(words, len(some), bool(some) and count.share <= most)
