"""What the first page must know of each chip.

Little enough to hold for ten thousand, enough to send a person on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple
from urllib.parse import quote

from pipeline.to_do import ToDo, in_order, to_do
from pipeline.views.report import wording
from schemas.names import Organisation, by_numbers
from schemas.vocabulary import Grade

if TYPE_CHECKING:
    from schemas.record import ChipRecord, ReadingRecord
    from schemas.recorded_sheet import BoardRecord

GRADES = tuple(grade.value for grade in Grade)
UNPLACED = "_"
"""Stands for the board where a chip names none; no id begins so."""
MOST_STEPS = 3


class Near(NamedTuple):
    """The chips before and after one in the sheet's order, as (board, chip); None at either end."""

    before: tuple[str, str] | None
    after: tuple[str, str] | None


ALONE = Near(None, None)


def neighbours(chips: Sequence[tuple[str, str]]) -> Iterator[Near]:
    """Each chip's neighbours.

    Args:
        chips: (board or "", chip), in the sheet's order.
    """
    for before, _, after in zip([None, *chips], chips, [*chips[1:], None], strict=False):
        yield Near(before, after)


class Taking(NamedTuple):
    """One reading as the first page tells it.

    Attributes:
        reader: Its id.
        date: As the sheet says, or "".
        wiring: The name of its wires, or "".
        passes: That count; 0 where it was set aside.
        private: Whether the sheet keeps it from the public.
    """

    reader: str
    date: str
    wiring: str
    passes: int
    private: bool = False


class Summary(NamedTuple):
    """One chip on the first page.

    Attributes:
        chip: Its id.
        board: Its board's id, or "".
        socket: Its socket, or "".
        grade: One of `GRADES`.
        part: As the sheet names it, or "".
        organisation: `2048x8`, or "".
        to_do: What a person must still do, at most `MOST_STEPS` of it.
        more: How many further findings ask for something.
        page: Where its own page lies, from the first page.
        entry: Its catalogue entry, where one was used.
        state: What the sheet says of a chip that was not read.
        sitting: By whom and when the reading was taken that its first task is about: `hb, 2023-09-16`.
        takings: Its readings.
        crc32: Of its image, as eight hexadecimal digits, or "".
        thumbnail: What `thumbnails.thumbnail` gave, or b"".
        private: Whether the sheet keeps it from the public.
    """

    chip: str
    board: str
    socket: str
    grade: str
    part: str
    organisation: str
    to_do: ToDo
    page: str
    entry: str = ""
    more: int = 0
    state: str = ""
    sitting: str = ""
    takings: tuple[Taking, ...] = ()
    crc32: str = ""
    thumbnail: bytes = b""
    private: bool = False


def chip_page_name(chip: ChipRecord) -> str:
    """Where a chip's own page lies beside `index.html`, laid out as the images are.

    `chips/BOARD/CHIP.html`.
    """
    return page_name(chip.get("board"), chip["chip"])


def page_beside(chip: str) -> str:
    """The way from one chip's own page to that of another of its board."""
    return f"{chip}.html"


def page_name(board: str | None, chip: str) -> str:
    """The same from the board's and the chip's id."""
    return f"chips/{board or UNPLACED}/{chip}.html"


def summary_of(chip: ChipRecord, load: Callable[[str], bytes] | None = None) -> Summary:
    """The first page's share of one chip's record.

    Args:
        chip: A chip's record as plain JSON data.
        load: Bytes of an image by its path in the bag; None draws no thumbnail.
    """
    whole = to_do(chip)
    return Summary(
        chip=str(chip["chip"]),
        board=str(chip.get("board") or ""),
        socket=str(chip.get("socket") or ""),
        grade=str(chip["grade"]),
        part=str(chip.get("part") or ""),
        organisation=str(chip.get("organisation") or ""),
        to_do=whole._replace(tasks=whole.tasks[:MOST_STEPS]),
        page=quote(chip_page_name(chip)),
        entry=str(chip.get("catalogued") or chip.get("part") or ""),
        more=max(0, len(whole.tasks) - MOST_STEPS),
        state=str(chip.get("state") or ""),
        sitting=_sitting(chip),
        takings=tuple(_taking(one) for one in chip.get("readings") or ()),
        crc32=_crc32(chip),
        thumbnail=_thumbnail(chip, load) if load else b"",
        private=bool(chip.get("private")),
    )


def _taking(reading: ReadingRecord) -> Taking:
    how = reading.get("how") or {}
    passes = 0 if reading.get("set_aside") else len(reading.get("passes") or ())
    date, wiring = str(how.get("date") or ""), str(how.get("wiring") or "")
    return Taking(str(reading["reader"]), date, wiring, passes, bool(reading.get("private")))


def _crc32(chip: ChipRecord) -> str:
    """The CRC-32 of the image file's bytes."""
    image = chip.get("image")
    sums = [one for one in (image.get("sums") or () if image else ()) if one.get("method") == "crc32"]
    stored = [one["value"] for one in sums if one["form"] in ("as-stored", "big-endian", "upper-bits-0")]
    return str(stored[0]) if stored else ""


def _thumbnail(chip: ChipRecord, load: Callable[[str], bytes]) -> bytes:
    from pipeline.views.report.image import content_of
    from pipeline.views.report.thumbnails import thumbnail

    image, said = chip.get("image"), chip.get("organisation")
    if not image or not image.get("path") or not said:
        return b""
    content = content_of(Organisation.parse(said), load(str(image["path"])), chip.get("absent") or ())
    return thumbnail(content) if content is not None else b""


def _sitting(chip: ChipRecord) -> str:
    """Reader and date of the reading that the first task is about, else of the last one that counts."""
    readings = [one for one in chip.get("readings") or () if not one.get("set_aside")]
    tasks = in_order(chip.get("findings") or (), chip.get("held_back") or ())
    named = (tasks[0].get("where") or {}).get("readings") if tasks else None
    about = [one for one in readings if isinstance(named, list) and one["reading"] in named] or readings
    if not about:
        return ""
    how = about[-1].get("how") or {}
    return ", ".join(str(part) for part in (about[-1]["reader"], how.get("date"), how.get("wiring")) if part)


_BOARD_FACTS = (("name", ""), ("number", "number"), ("revision", "revision"))


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


class BoardView(NamedTuple):
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
        rest.sort(key=lambda summary: (by_numbers(summary.socket), by_numbers(summary.chip)))
        sockets.extend((summary.socket, summary) for summary in rest)
        if sockets or board in boards:
            about = [(title, str(facts.get(key))) for key, title in _BOARD_FACTS if facts.get(key)]
            views.append(BoardView(board, tuple(about), tuple(sockets)))
    return views
