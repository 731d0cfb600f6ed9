"""`wellread holdings`: a shelf's index brought up to date, and asked one thing."""

from __future__ import annotations

import json
from collections.abc import Generator, Iterable, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal, cast

from pipeline.edges.clock import now
from pipeline.edges.console import caution_once
from pipeline.edges.disk_errors import absent
from pipeline.edges.holdings_index import HoldingsIndex
from pipeline.edges.new_file import need_folder, write_new
from pipeline.edges.progress import Progress
from pipeline.errors import NothingToDoError, UsageError
from pipeline.holdings import questions, ranking
from pipeline.holdings.rows import Facts
from pipeline.result import Result
from pipeline.run.holdings.likeness import like_image
from pipeline.run.holdings.update import (
    MOST_TOGETHER,
    PIECES,
    ReadRows,
    Updated,
    rows_batch,
    rows_given_up,
    update,
    with_checks,
)
from pipeline.views.holdings import held as held_bags
from pipeline.views.holdings import holdings_csv

if TYPE_CHECKING:
    from schemas.answers import HeldChip, HoldingsAnswer


MOST = 200
"""Chips given where nothing else was said: more is a table, which `--csv` writes whole."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What a shelf is asked.

    Attributes:
        conditions: Keys of `QUESTIONS` with their values, "" for those that take none; all must hold.
        to_read: Rank what to read next.
        file: A dump on the disk: have we got this?
        part: The dump's part.
        organisation: The dump's words x bits.
        all_versions: Earlier versions and bundles as well.
        csv: Where the table goes, or None.
        page: Where the page goes, or None.
        most: So many chips at most are given; 0 for all.
    """

    conditions: Mapping[str, str] = field(default_factory=dict)
    to_read: bool = False
    file: Path | None = None
    part: str | None = None
    organisation: str | None = None
    all_versions: bool = False
    csv: Path | None = None
    page: Path | None = None
    most: int = MOST


def holdings(
    shelves: Sequence[Path],
    wish: Wish,
    *,
    index: Path | None,
    ledger: Path | None,
    quiet: bool = False,
    scheduler: str | None = None,
) -> Result[HoldingsAnswer]:
    """What `holdings` says.

    Args:
        shelves: Bags, archives that hold one, or folders to be searched; none where an index is only asked.
        wish: What is asked.
        index: The index's file; None for one in memory.
        ledger: A ledger that knows the bags.
        quiet: No progress.
        scheduler: Address of a scheduler whose workers read the bags; None: this process does.

    Raises:
        ClusterError: The scheduler cannot be reached, or none of its workers may do this.
        NothingToDoError: There is no bag: asking nothing is no answer.
        HoldingsError, LedgerError, StorageError, UsageError: As those who do it raise them.
    """
    _refuse_early(shelves, wish, index)
    progress = Progress(quiet=quiet)
    with HoldingsIndex(index) as held:
        done = Updated(0, 0, 0)
        if shelves:
            with _readers(scheduler, shelves) as read_rows:
                done = update(held, shelves, lambda read, of: progress.show("bags read", read, of), read_rows)
            progress.done()
        if ledger is not None:
            with_checks(held, ledger)
        (counted,) = held.ask(questions.BAGS)
        if not counted["bags"]:
            raise NothingToDoError(
                where=", ".join(map(str, shelves)) or str(index),
                problem="there is no bag",
                remedy="Give the path of a bag, or of a folder that holds some",
            )
        asked, total, found = _asked(held, wish)
        answer: HoldingsAnswer = {
            "schema": "wellread/holdings/1",
            "command": "holdings",
            "index": str(index) if index else None,
            "bags": cast("int", counted["bags"]),
            "chips": cast("int", counted["chips"]),
            "read": done.read,
            "gone": done.gone,
            "grades": {str(one["grade"]): cast("int", one["chips"]) for one in held.ask(questions.COUNTS)},
            "troubled": [
                {"path": str(one["path"]), "trouble": str(one["trouble"])}
                for one in held.ask(questions.TROUBLED)
            ],
            "asked": asked,
            "total": total,
            "found": found,
            "written": [],
        }
        answer["written"] = list(_written(held, wish, answer))
    return Result(answer, held_bags(answer))


@contextmanager
def _readers(scheduler: str | None, shelves: Sequence[Path]) -> Generator[ReadRows | None]:
    """The workers of a cluster, where a scheduler is given."""
    if scheduler is None:
        yield None
        return
    from pipeline.edges.cluster import Cluster

    with Cluster(scheduler, shelves, caution_once) as cluster:
        cluster.members.first()
        yield lambda changed: cluster.each(
            rows_batch,
            None,
            changed,
            places=lambda one: [one[0]],
            lost=rows_given_up,
            weight=lambda _: 1 / min(MOST_TOGETHER, max(1, len(changed) // PIECES)),
        )


def _refuse_early(shelves: Sequence[Path], wish: Wish, index: Path | None) -> None:
    """What cannot be done is said before a shelf is searched."""
    if not shelves and index is None:
        raise UsageError(
            where="holdings",
            problem="neither a shelf nor an index was named",
            remedy="Name a folder of bags, or --index FILE",
        )
    if not shelves and index is not None and not index.exists():
        raise absent(index, "index", "Name the shelf as well, and it is made")
    for shelf in shelves:
        if not shelf.exists():
            raise absent(shelf, "bag", "Give the path of a bag, or of a folder that holds some")
    for target in (wish.csv, wish.page, index):
        if target is not None:
            need_folder(target)


def _asked(held: HoldingsIndex, wish: Wish) -> tuple[str, int, list[HeldChip]]:
    """The question in words, how many chips it finds, and the first of them."""
    if wish.file is not None:
        found = list(_like(held, wish, wish.file))
        return f"like {wish.file.name}", len(found), found
    if wish.to_read:
        return "what to read next", *to_read(held, wish)
    if not wish.conditions:
        return "", 0, []
    words = " and ".join(
        f"{questions.QUESTIONS[name].says}{f' ({value})' if value else ''}"
        for name, value in wish.conditions.items()
    )
    return f"chips {words}", *chips_asked(held, wish)


def chips_asked(held: HoldingsIndex, wish: Wish) -> tuple[int, list[HeldChip]]:
    """How many chips meet all conditions, and the first of them.

    Content is looked for in every version, all else in the newest.
    """
    everywhere = wish.all_versions or "content" in wish.conditions
    text = questions.chips_where(tuple(wish.conditions), all_versions=everywhere)
    rows = held.ask(text, _values(text, wish))
    return _total(rows), [held_chip(one) for one in rows]


def _values(text: str, wish: Wish) -> dict[str, object]:
    """What stands for the marks of a question."""
    values = {name: value for name, value in wish.conditions.items() if f":{name}" in text}
    return {**values, "most": wish.most or -1}


def _total(rows: Sequence[Facts]) -> int:
    return cast("int", rows[0]["total"]) if rows else 0


def to_read(held: HoldingsIndex, wish: Wish) -> tuple[int, list[HeldChip]]:
    """How many chips want reading, and the first of them, those with the weightiest reasons first."""
    year = int(now().day[:4])
    text = questions.to_read(questions.condition(tuple(wish.conditions)))
    rows = held.ask(text, {**_values(text, wish), "year": year})
    out = []
    for row in rows:
        found = ranking.reasons(row, year)
        chip = held_chip(row)
        chip["rank"] = ranking.score(found)
        chip["why"] = [{"weight": one.weight, "words": one.words} for one in found]
        out.append(chip)
    return _total(rows), out


def _like(held: HoldingsIndex, wish: Wish, file: Path) -> Iterable[HeldChip]:
    from pipeline.run.look.files import first_pass

    words, organisation = first_pass(file, part=wish.part, organisation=wish.organisation)
    for one in like_image(held, words, organisation.bits):
        chip = held_chip(one.chip)
        chip["like"] = cast("Literal['same', 'near', 'lines', 'half', 'holds']", one.how)
        chip["share"] = round(one.share, 4)
        yield chip


def held_chip(row: Facts) -> HeldChip:
    """A row of the index as the answer has it."""

    def text(name: str) -> str:
        return str(row[name])

    return {
        "path": text("path"),
        "bag": text("bag"),
        "machine": text("machine"),
        "custodian": text("custodian"),
        "released": bool(row["released"]),
        "chip": text("chip"),
        "board": text("board"),
        "socket": text("socket"),
        "part": text("part"),
        "label": text("label"),
        "marking": text("marking"),
        "inventory": text("inventory"),
        "organisation": text("organisation"),
        "grade": text("grade"),
        "state": text("state"),
        "held_back": text("held_back").split(),
        "findings": [str(one) for one in json.loads(text("findings"))],
        "read": text("read"),
        "sha256": text("sha256"),
        "rights": text("rights"),
        "last_check": text("last_check"),
        "last_outcome": text("last_outcome"),
    }


def _written(held: HoldingsIndex, wish: Wish, answer: HoldingsAnswer) -> Iterable[str]:
    """The files that were asked for, never over another; a table has every chip."""
    if wish.csv is not None:
        whole = replace(wish, most=0)
        rows = _asked(held, whole)[2] if answer["asked"] else every_chip(held)
        write_new(wish.csv, holdings_csv(rows).encode("utf-8", "backslashreplace"))
        yield str(wish.csv)
    if wish.page is not None:
        from pipeline.views.report.shelf import MOST_NEXT, shelf_page

        wanted, wanting = to_read(held, Wish(most=MOST_NEXT))
        write_new(wish.page, shelf_page(answer, every_chip(held), wanting, wanted, now().day))
        yield str(wish.page)


def every_chip(held: HoldingsIndex) -> list[HeldChip]:
    """All chips of the newest bags, machine by machine."""
    return chips_asked(held, Wish(most=0))[1]
