"""The bit raster: every bit of an image in its place, with addresses at its edge and regions marked.

A blank half or a stretch of text is seen at a glance where a table of numbers hides it. Without a script,
resting on the picture tells address and words by SVG titles; with one, the exact word and bit.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from markupsafe import Markup, escape

from pipeline.views.report import wording
from pipeline.views.report.frame import RULER, TOP, PictureFrame, frame_of, unread_text
from pipeline.views.report.image import Bits, ChipWords, PictureLayout, unread_pixels
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import RegionRecord

MOST_MARKS = 128
TELLING = frozenset(["fill", "text", "vectors"])
"""Kinds of region that are named and drawn first; program and tables say less."""


@lru_cache(maxsize=64)
def _columns(organisation: Organisation, layout: PictureLayout) -> str:
    """Along the top the words' offsets in a row, and over the first word the lines of its bits."""
    frame = frame_of(organisation, layout)
    wide = organisation.bits * frame.scale
    per = max(1, layout.words_a_row // 4)
    marks = [
        f'<path d="M{RULER + offset * wide:.5g} {TOP - 5}v5"/><text class="t" '
        f'x="{RULER + offset * wide + 2:.5g}" y="{TOP - 18}">+{offset:X}</text>'
        for offset in range(0, layout.words_a_row, per)
    ]
    top = f"D{organisation.bits - 1}"
    lines = f"{top}…D0" if organisation.bits > 1 else top
    room = min(per, layout.words_a_row) * wide
    if room >= 6.5 * len(lines):
        marks.append(f'<text class="t" x="{RULER + 2}" y="{TOP - 7}">{lines}</text>')
    return f'<g class="ruler">{"".join(marks)}</g>'


def _region_marks(frame: PictureFrame, regions: Sequence[RegionRecord]) -> str:
    marks = []
    first = sorted(regions, key=lambda region: region.get("kind") not in TELLING)
    for region in first[:MOST_MARKS]:
        span = wording.span_of(region)
        if span is None:
            continue
        top = frame.y_of(max(0, span[0]))
        tall = max(2.0, frame.y_of(min(span[1], frame.organisation.words)) - top)
        kind = str(region.get("kind", ""))
        style = kind if kind in {"fill", "text"} else "other"
        marks.append(
            f'<rect class="r-{style}" x="{RULER + frame.width + 5:.5g}" y="{top:.5g}" width="9" '
            f'height="{tall:.5g}"><title>{escape(region_text(region, frame.digits))}</title></rect>'
        )
    return "".join(marks)


def region_text(region: RegionRecord, digits: int = 3) -> str:
    """A region in a line: its kind, where it lies, and its preview."""
    span = wording.span_of(region)
    where = wording.span_text(*span, digits) if span else ""
    preview = region.get("preview", region.get("value", region.get("word", "")))
    told = isinstance(preview, (str, int, float)) and preview != ""
    tail = f": {wording.short(wording.say(preview), 48)}" if told else ""
    return f"{wording.short(region.get('kind', 'region'), 20)} {where}{tail}"


@lru_cache(maxsize=64)
def _stripes(
    organisation: Organisation, layout: PictureLayout, most: int
) -> tuple[tuple[int, int, str, str], ...]:
    """(first word told, word behind the last, markup before the words, markup behind them) of each stripe."""
    frame = frame_of(organisation, layout)
    rows = layout.averaged
    while layout.rows / rows > most:
        rows *= 2
    per = rows * layout.words_a_row
    shown = min(per, 16 if organisation.bytes_a_word == 1 else 8)
    tall = rows / layout.averaged * frame.scale
    out = []
    for start in range(0, organisation.words, per):
        end = min(organisation.words, start + per)
        before = (
            f'<path d="M{RULER} {frame.y_of(start):.5g}h{frame.width:.5g}v{tall:.5g}h-{frame.width:.5g}z">'
            f"<title>{wording.span_text(start, end, frame.digits)}"
        )
        behind = " …</title></path>" if end - start > shown else "</title></path>"
        out.append((start, min(end, start + shown), before, behind))
    return tuple(out)


@lru_cache(maxsize=64)
def _plain_bands(organisation: Organisation, layout: PictureLayout, most: int) -> str:
    """Clear stripes that tell their addresses only: the listing on the same page has the words."""
    told = "".join(f"{before}</title></path>" for _, _, before, _ in _stripes(organisation, layout, most))
    return f'<g class="bands">{told}</g>'


def _bands(content: ChipWords, layout: PictureLayout, most: int) -> str:
    """Clear stripes over the picture, each with a title.

    The addresses under it and the words it begins with.
    """
    nibbles = max(1, (content.organisation.bits + 3) // 4)
    out = [
        f"{before}: {_told_words(content, start, end, nibbles)}{behind}"
        for start, end, before, behind in _stripes(content.organisation, layout, most)
    ]
    return f'<g class="bands">{"".join(out)}</g>'


def _told_words(content: ChipWords, start: int, end: int, nibbles: int) -> str:
    """Words in hexadecimal; `--` stands where none was read."""
    told = _hex_words(content.octets[start:end], nibbles)
    if content.known is None or content.known[start:end].all():
        return told
    known = content.known[start:end].tolist()
    return " ".join(word if there else "-" * nibbles for word, there in zip(told.split(), known, strict=True))


def _hex_words(octets: Any, nibbles: int) -> str:
    if octets.shape[1] == 1 and nibbles == 2:
        return str(octets.tobytes().hex(" ").upper())
    return " ".join(f"{int.from_bytes(word.tobytes(), 'big'):0{nibbles}X}" for word in octets)


def raster_svg(
    content: ChipWords,
    layout: PictureLayout,
    dots: Bits,
    *,
    label: str,
    name: str,
    regions: Sequence[RegionRecord] = (),
    most_bands: int,
    listed: bool = False,
) -> Markup:
    """The whole image as a picture with rulers, region marks and hover text.

    Args:
        content: The image.
        layout: How its words lie.
        dots: What `picture_pixels` gave.
        label: What the picture shows, for someone who cannot see it.
        name: The only one of this name on the page.
        regions: Stretches with a kind and a range.
        most_bands: How many stripes carry a title.
        listed: Whether the words are listed on the same page, so that titles need not tell them.
    """
    frame = frame_of(content.organisation, layout)
    told = f"{unread_text(content.known, frame.digits)}: words here were not read"
    parts = [
        frame.open_tag("raster", label),
        frame.image_tag(dots, "bits"),
        frame.ruler,
        _columns(content.organisation, layout),
        _region_marks(frame, regions),
        (
            _plain_bands(content.organisation, layout, most_bands)
            if listed
            else _bands(content, layout, most_bands)
        ),
        frame.hatched(unread_pixels(content, layout), name, told),
        "</svg>",
    ]
    return Markup("".join(parts))  # noqa: S704 - numbers and escaped text only
