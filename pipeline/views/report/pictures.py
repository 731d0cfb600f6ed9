"""All pictures of one chip, each with its words: a picture alone tells some people nothing."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from pipeline.views.report import (
    activity,
    agreement,
    glyphs,
    lanes,
    listing,
    partners,
    passes,
    raster,
    wording,
)
from pipeline.views.report.frame import unread_text
from pipeline.views.report.image import ChipWords, PictureLayout, content_of, layout_of, picture_pixels
from pipeline.views.report.listing import ListingMarks
from schemas.names import Organisation

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.views.report.head import View
    from schemas.record import ChipRecord, RecordHead
    from schemas.recorded_sheet import PartRecord

MOST_REGIONS = 8
DRAWN = ("raster", "lanes", "doubt", "passes", "partners", "agreement", "glyphs", "listing")
"""Of what `pictures` gives, the large pieces of markup, each printed once."""


class Drawing(NamedTuple):
    """What the pictures of a chip are drawn from.

    Attributes:
        chip: Its record.
        content: Its image.
        part: Its catalogue entry, where known.
        mask: Bits without settlement; None where there are none.
        read: The differing contents of its passes, where they are at hand.
        most_pixels: Bits drawn one by one before rows are averaged.
        most_bands: Stripes with a title on each raster.
        most_titles: Glyphs with a title.
        told: Addresses that the page speaks of.
        folded: Whether a listing may lie in a fold of the page.
        far: Whether agreement against distance is measured: the dearest of the pictures.
    """

    chip: ChipRecord
    content: ChipWords
    part: PartRecord | None
    mask: ChipWords | None = None
    read: Sequence[passes.ReadWords] = ()
    most_pixels: int = 1 << 19
    most_bands: int = 64
    most_titles: int = 256
    told: frozenset[int] = frozenset()
    folded: bool = True
    far: bool = True

    @property
    def name(self) -> str:
        """The chip's id, safe in a page."""
        return wording.short(self.chip["chip"])

    @property
    def layout(self) -> PictureLayout:
        """How its words lie in the large pictures."""
        return layout_of(self.content.organisation, self.most_pixels)


def content_of_chip(
    chip: ChipRecord, organisation: Organisation, load: Callable[[str], bytes]
) -> tuple[ChipWords | None, ChipWords | None]:
    """The image of a chip and its mask; None where it has none, or one of another length than it should."""
    image = chip.get("image")
    if not image or not image.get("path"):
        return None, None
    absent = chip.get("absent") or ()
    content = content_of(organisation, load(str(image["path"])), absent)
    mask_path = image.get("mask_path")
    mask = content_of(organisation, load(str(mask_path)), absent) if mask_path else None
    return content, mask if mask is not None and mask.bits.any() else None


def part_of(head: RecordHead, chip: ChipRecord) -> PartRecord | None:
    """A chip's catalogue entry, where the record has it."""
    return head.get("parts", {}).get(str(chip.get("catalogued") or chip.get("part") or ""))


def pictures(drawing: Drawing) -> View:
    """Everything that the template prints of pictures."""
    data = activity.data_lines(drawing.content, drawing.part)
    return (
        _raster_and_lanes(drawing, data)
        | _doubt(drawing, data)
        | _passes(drawing, data)
        | _address_lines(drawing)
        | _glyphs(drawing)
        | _listing(drawing)
    )


def _raster_and_lanes(drawing: Drawing, data: Sequence[activity.Line]) -> View:
    """The whole image word by word, and by data line; both are made of the same dots."""
    content, layout, organisation = drawing.content, drawing.layout, drawing.content.organisation
    dots = picture_pixels(content, layout)
    regions = drawing.chip.get("regions") or ()
    by_line = lanes.lanes_of(content, data)
    telling = [one for one in regions if one.get("kind") in raster.TELLING][:MOST_REGIONS]
    return {
        "none": "",
        "unread": unread_text(content.known),
        "raster": raster.raster_svg(
            content,
            layout,
            dots,
            label=f"All bits of {drawing.name}, {organisation}; the text below says what stands out",
            name=f"{drawing.name}-unread",
            regions=regions,
            most_bands=drawing.most_bands,
            listed=drawing.folded,
        ),
        "raster_words": _raster_words(organisation, layout),
        "regions": [raster.region_text(one) for one in telling],
        "more_regions": len(regions) - len(telling),
        "lanes": lanes.lanes_svg(
            content,
            layout,
            dots,
            by_line,
            label=f"The image of {drawing.name} by data line; the text below says what stands out",
            name=f"{drawing.name}-lanes",
        ),
        "lanes_words": lanes.lanes_words(by_line),
    }


@lru_cache(maxsize=64)
def _raster_words(organisation: Organisation, layout: PictureLayout) -> str:
    a_row = wording.counted(layout.words_a_row, "word")
    words = f"{a_row} a row, the highest bit of each word at the left, a 1 is ink"
    if layout.averaged > 1:
        return f"{words}; each dot is the average of {layout.averaged} rows of one data line."
    return f"{words}; one dot a bit, {organisation.words * organisation.bits:,} in all."


def _address_lines(drawing: Drawing) -> View:
    found = partners.partners_of(drawing.content, drawing.part)
    if found is None:
        return {"partners": "", "agreement": ""}
    out: View = {
        "partners": partners.partners_svg(
            found,
            label=f"What each address line of {drawing.name} does; the text below says which do nothing",
            name=f"{drawing.name}-partners",
        ),
        "partners_words": partners.partners_words(found.lines),
        "agreement": "",
    }
    agreeing = agreement.agreement_of(drawing.content) if drawing.far else None
    if agreeing is not None:
        out |= {
            "agreement": agreement.agreement_svg(
                agreeing,
                drawing.content.organisation.words,
                label=f"Agreement of the words of {drawing.name} with words further on",
            ),
            "agreement_words": agreement.agreement_words(agreeing),
        }
    return out


def _doubt(drawing: Drawing, data: Sequence[activity.Line]) -> View:
    """The map of bits without settlement."""
    mask, contested = drawing.mask, drawing.chip.get("contested")
    if mask is None:
        return {"doubt": ""}
    svg = lanes.doubt_svg(drawing.content, mask.bits, drawing.layout, data, contested)
    bits = wording.counted(int(mask.bits.sum()), "bit")
    words = wording.counted(int(mask.bits.any(axis=1).sum()), "word")
    return {"doubt": svg, "doubt_words": f"{bits} in {words} unresolved. {_whose(contested)}"}


def _whose(contested: object) -> str:
    """Whether readers differ, or one reader's own passes."""
    if not isinstance(contested, dict) or "between" not in contested:
        return "Beneath each lane, how many; at the edge, where they lie dense."
    between, within = sum(contested["between"]), sum(contested["within"])
    said = [f"readers differ in {wording.counted(between, 'word')}"] if between else []
    said += [f"passes of one reader differ in {wording.counted(within, 'word')}"] if within else []
    told = wording.listed(said).capitalize()
    return f"{told}. Beneath each lane, how many; at the edge, where they lie dense."


def _passes(drawing: Drawing, data: Sequence[activity.Line]) -> View:
    """Passes against the image, and against each other; nothing where all read the same."""
    if not passes.any_departs(drawing.chip):
        return {"passes": "", "differences": []}
    rows = passes.rows_of(drawing.chip.get("readings") or ())
    return {
        "passes": passes.passes_svg(
            rows,
            drawing.content.organisation.words,
            label=f"Where each pass over {drawing.name} departs from the image; the text below says how many",
        ),
        "passes_words": passes.passes_words(rows),
        "differences": passes.differences_of(drawing.read, drawing.layout, data, f"{drawing.name}-differ"),
    }


def _glyphs(drawing: Drawing) -> View:
    view, content = drawing.chip.get("view"), drawing.content
    geometry = (
        glyphs.geometry_of(view, content.organisation.bits)
        if view
        else glyphs.guess_of(content, drawing.chip, drawing.part)
    )
    svg = geometry and glyphs.glyphs_svg(
        content, geometry, chip=drawing.name, most_titles=drawing.most_titles
    )
    if not geometry or not svg:
        return {"glyphs": ""}
    return {"glyphs": svg, "glyphs_words": glyphs.glyphs_words(content, geometry)}


def marks_of(drawing: Drawing) -> ListingMarks:
    """What is to be found in the listing of a chip."""
    mask = drawing.mask
    if mask is None:
        return ListingMarks(drawing.told)
    return ListingMarks(drawing.told, frozenset(np.flatnonzero(mask.bits.any(axis=1)).tolist()))


def _listing(drawing: Drawing) -> View:
    if not drawing.folded:
        return {"listing": ""}
    return {"listing": listing.listing(drawing.content, str(drawing.chip["chip"]), marks_of(drawing))}
