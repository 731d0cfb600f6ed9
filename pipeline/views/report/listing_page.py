"""Listings that are too long for a fold of the chip's page: pages of their own beside it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from markupsafe import Markup

from pipeline.views.report import listing, pictures, wording
from pipeline.views.report.chipview import Options, folded, listing_name
from pipeline.views.report.pages import render_listing_page
from pipeline.views.report.summary import chip_page_name
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import ChipRecord, RecordHead


def pages_of(
    head: RecordHead, chip: ChipRecord, load: Callable[[str], bytes], options: Options
) -> Iterator[tuple[str, bytes]]:
    """The pages of one chip's listing: (name inside `data/report/`, bytes); none where a fold holds it.

    Args:
        head: The record without its chips.
        chip: The chip's record.
        load: Bytes of a path in the bag.
        options: Of the page that the chip stands on.
    """
    said = chip.get("organisation")
    organisation = Organisation.parse(said) if said else None
    if organisation is None or folded(organisation, options):
        return
    content, mask = pictures.content_of_chip(chip, organisation, load)
    if content is None:
        return
    marks = pictures.marks_of(pictures.Drawing(chip, content, None, mask, told=listing.told_addresses(chip)))
    name, up = str(chip["chip"]), "../../"
    back = f"{up}index.html#chip-{name}" if options.anchors else f"{name}.html"
    starts = range(0, organisation.words, listing.MOST_A_PAGE)
    digits = listing.digits_of(organisation)
    for number, start in enumerate(starts):
        end = min(organisation.words, start + listing.MOST_A_PAGE)
        page = render_listing_page(
            head,
            {
                "id": name,
                "back": back,
                "span": wording.span_text(start, end, digits),
                "listing": Markup(listing.listing(content, name, marks, start, end).decode()),  # noqa: S704
                "before": listing_name(name, number - 1) if number else "",
                "after": listing_name(name, number + 1) if number + 1 < len(starts) else "",
            },
            up=up,
        )
        folder = chip_page_name(chip).rsplit("/", 1)[0]
        yield f"{folder}/{listing_name(name, number)}", page
