"""The report: which chips are safe, which need a person and where, and whence each byte came.

A set below `SINGLE_PAGE_BELOW` chips is one self-contained page. A larger set has a first page and a page a
chip, laid out as the images are. Pages hold no link outside, no request and no byte that depends on the
machine they were made on: the same record gives the same pages.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING

from pipeline.views.report.summary import (
    ALONE,
    Near,
    Summary,
    chip_page_name,
    neighbours,
    page_name,
    summary_of,
)

if TYPE_CHECKING:
    from pipeline.views.report.chipview import ReadOf
    from pipeline.views.report.head import ReportHead
    from pipeline.views.report.pages import Around
    from schemas.record import ChipRecord, RecordHead

__all__ = [
    "SINGLE_PAGE_BELOW",
    "Near",
    "Summary",
    "chip_page",
    "chip_page_name",
    "first_page",
    "listing_pages",
    "neighbours",
    "photographs_page",
    "report_pages",
    "summary_of",
]

SINGLE_PAGE_BELOW = 40
Load = Callable[[str], bytes]
_NO_PARTS: Mapping[str, object] = MappingProxyType({})


def report_pages(
    head: ReportHead,
    chips: Callable[[], Iterable[ChipRecord]],
    load: Load,
    *,
    public: bool = False,
    with_content: bool = True,
    parts: Mapping[str, object] = _NO_PARTS,
    read: ReadOf | None = None,
) -> Iterator[tuple[str, bytes]]:
    """The report's files, the first page first: (name inside `data/report/`, bytes).

    Args:
        head: The record's fields without `chips`, as plain JSON data; `events` for the time line, if given.
        chips: Iterates the chips' records as plain JSON data; called twice.
        load: Bytes of an image or a mask by its path in the bag.
        public: The caller hands over a stripped record; private fields are left out once more.
        with_content: False draws no picture of content and links to no payload.
        parts: Catalogue entries beyond `head["parts"]`.
        read: The differing contents of a chip's passes, where they are at hand.

    Yields:
        `index.html`, `chips/BOARD/CHIP.html` for each chip (its page, or the way to its section where a small
        set stands on one page), and `photos.html` where there are photographs. `index.html#chip-CHIP` leads
        to a chip at any size as well. Listings that are too long for a fold lie beside the chips' pages.

    Raises:
        Whatever `load` raises.
    """
    seen = load if with_content else None
    summaries = [summary_of(chip, seen) for chip in chips()]
    if len(summaries) < SINGLE_PAGE_BELOW:
        yield (
            "index.html",
            _single_page(
                head, summaries, chips, load, public=public, with_content=with_content, parts=parts, read=read
            ),
        )
        yield from _ways(head, summaries)
        yield from photographs_page(head, summaries)
        for chip in chips():
            yield from listing_pages(head, chip, load, with_content=with_content, single=True)
        return
    yield (
        "index.html",
        first_page(head, summaries, public=public, with_content=with_content, parts=parts, load=load),
    )
    yield from photographs_page(head, summaries)
    near = neighbours([(one.board, one.chip) for one in summaries])
    for chip, beside in zip(chips(), near, strict=True):
        page = chip_page(head, chip, load, near=beside, public=public, with_content=with_content, read=read)
        yield chip_page_name(chip), page
        yield from listing_pages(head, chip, load, with_content=with_content)


def photographs_page(head: ReportHead, summaries: Sequence[Summary]) -> Iterator[tuple[str, bytes]]:
    """`photos.html` where there are photographs: they stand apart, so that the first page stays small.

    Args:
        head: As for `report_pages`.
        summaries: `summary_of` each chip.
    """
    from pipeline.views.report.pages import render_photographs

    page = render_photographs(head, summaries)
    if page:
        yield "photos.html", page


def _ways(head: ReportHead, summaries: Sequence[Summary]) -> Iterator[tuple[str, bytes]]:
    """A small set's chip addresses: each leads on to the chip's section."""
    from pipeline.views.report.pages import render_way

    for one in summaries:
        yield page_name(one.board, one.chip), render_way(head, one.chip)


def first_page(
    head: ReportHead,
    summaries: Sequence[Summary],
    *,
    public: bool = False,
    with_content: bool = True,
    parts: Mapping[str, object] = _NO_PARTS,
    load: Load | None = None,
) -> bytes:
    """The first page of a large set.

    Chips have pages of their own, made elsewhere, perhaps by other processes.

    Args:
        head: As for `report_pages`.
        summaries: `summary_of` each chip, in the sheet's order.
        public: As for `report_pages`.
        with_content: As for `report_pages`.
        parts: As for `report_pages`.
        load: As for `report_pages`; None shows no text of a space.
    """
    from pipeline.views.report.pages import render_first_page

    return render_first_page(
        head, summaries, None, public=public, with_content=with_content, parts=parts, load=load
    )


def chip_page(
    head: RecordHead,
    chip: ChipRecord,
    load: Load,
    *,
    near: Near = ALONE,
    public: bool = False,
    with_content: bool = True,
    read: ReadOf | None = None,
) -> bytes:
    """The page of one chip; its name is `chip_page_name(chip)`.

    Args:
        head: As for `report_pages`; only `machine`, `bag`, `parts` and `attachments` are looked at.
        chip: The chip's record as plain JSON data.
        load: As for `report_pages`.
        near: The chips before and after it.
        public: As for `report_pages`.
        with_content: As for `report_pages`.
        read: As for `report_pages`.
    """
    body = chip_body(head, chip, load, near=near, public=public, with_content=with_content, read=read)
    return around_chip(head, chip, public=public).page(body)


def chip_body(
    head: RecordHead,
    chip: ChipRecord,
    load: Load,
    *,
    near: Near,
    public: bool = False,
    with_content: bool = True,
    read: ReadOf | None = None,
) -> bytes:
    """What the page of one chip says of it; the arguments are `chip_page`'s.

    Of the head only `parts` and `attachments` are looked at: the next version's may say the same.
    """
    from pipeline.views.report.chipview import chip_view, nothing_read, own_page
    from pipeline.views.report.pages import render_chip_body

    options = own_page(public=public, with_content=with_content)
    view = chip_view(head, chip, load, options, read or nothing_read)
    return render_chip_body(view, near=near, up=options.up)


def around_chip(head: RecordHead, chip: ChipRecord, *, public: bool = False) -> Around:
    """The page of one chip around what `chip_body` gives; the arguments are `chip_page`'s."""
    from pipeline.views.report.pages import render_around

    return render_around(head, chip, public=public)


def listing_pages(
    head: RecordHead,
    chip: ChipRecord,
    load: Load,
    *,
    with_content: bool = True,
    single: bool = False,
) -> Iterator[tuple[str, bytes]]:
    """The pages that list a chip's words, where they lie in no fold of its page: (name, bytes).

    Args:
        head: As for `report_pages`.
        chip: The chip's record as plain JSON data.
        load: As for `report_pages`.
        with_content: As for `report_pages`.
        single: Whether all chips stand on the first page.
    """
    from pipeline.views.report.chipview import OWN_PAGE, SINGLE_PAGE
    from pipeline.views.report.listing_page import pages_of

    if with_content:
        yield from pages_of(head, chip, load, SINGLE_PAGE if single else OWN_PAGE)


def _single_page(
    head: ReportHead,
    summaries: Sequence[Summary],
    chips: Callable[[], Iterable[ChipRecord]],
    load: Load,
    *,
    public: bool,
    with_content: bool,
    parts: Mapping[str, object],
    read: ReadOf | None,
) -> bytes:
    from pipeline.views.report.chipview import SINGLE_PAGE, chip_view, nothing_read
    from pipeline.views.report.pages import render_first_page

    options = SINGLE_PAGE._replace(public=public, with_content=with_content)
    views = (chip_view(head, chip, load, options, read or nothing_read) for chip in chips())
    return render_first_page(
        head, summaries, views, public=public, with_content=with_content, parts=parts, load=load
    )
