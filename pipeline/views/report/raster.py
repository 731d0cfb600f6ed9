"""The bit raster: every bit of an image in its place, with addresses at its edge and regions marked.

A dead line, a blank half or a stretch of text is seen at a glance where a table of numbers hides it. Without
a script, resting on the picture tells address and words by SVG titles; with one, the exact word and bit.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from pipeline.views.report import wording
from pipeline.views.report.image import ChipWords, PictureLayout, layout_of, pixel_bits, pixel_levels
from pipeline.views.report.png import Ink, bits_png, data_uri, levels_png
from pipeline.words import true_ranges
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import RegionRecord

INK: Ink = (29, 78, 120)
ALARM: Ink = (176, 84, 0)
WIDEST = 360
"""Display units of the longest picture's width: with its ruler it fits a 360 px screen when scaled."""
RULER = 56
TOP = 18
EDGE = 22
MOST_RINGS = 200
MOST_MARKS = 128
TELLING = frozenset(["fill", "text", "vectors"])
"""Kinds of region that are named and drawn first; program and tables say less."""


def picture_of(bits: Any, layout: PictureLayout, ink: Ink, *, keep_single: bool = False) -> bytes:
    """The PNG alone: one pixel a bit, or sixteen levels where rows are averaged."""
    if layout.averaged == 1:
        return bits_png(pixel_bits(bits, layout), ink)
    return levels_png(pixel_levels(bits, layout, keep_single=keep_single), ink)


class _Frame:
    """The coordinates of one raster on the page: pixels times a scale, beside a ruler."""

    def __init__(self, organisation: Organisation, layout: PictureLayout) -> None:
        self.organisation = organisation
        self.layout = layout
        fitting = WIDEST / layout.width
        self.scale = min(8.0, float(int(fitting))) if fitting >= 1 else fitting
        self.width = layout.width * self.scale
        self.height = layout.height * self.scale
        self.digits = max(3, (organisation.address_bits + 3) // 4)
        self.ruler = _ruler(self)

    def y_of(self, address: int) -> float:
        return TOP + address / self.layout.words_a_row / self.layout.averaged * self.scale

    def x_of(self, address: int, line: int) -> float:
        column = address % self.layout.words_a_row * self.organisation.bits
        return RULER + (column + self.organisation.bits - 1 - line) * self.scale

    def open_tag(self, name: str, label: str) -> str:
        total = RULER + self.width + EDGE
        tall = TOP + self.height + 4
        layout = self.layout
        return (
            f'<svg class="{name}" role="img" aria-label="{escape(label)}" width="{total:.0f}" '
            f'height="{tall:.0f}" '
            f'viewBox="0 0 {total:.6g} {tall:.6g}" data-w="{self.organisation.words} '
            f"{self.organisation.bits} "
            f'{layout.words_a_row} {layout.averaged} {RULER} {TOP} {self.scale:.6g}">'
        )

    def image_tag(self, png: bytes, name: str) -> str:
        kind = f"{name} px" if self.scale >= 1 else name
        return (
            f'<image class="{kind}" x="{RULER}" y="{TOP}" width="{self.width:.6g}" '
            f'height="{self.height:.6g}" '
            f'preserveAspectRatio="none" href="{data_uri(png)}"/>'
        )


@lru_cache(maxsize=64)
def _frame(organisation: Organisation, layout: PictureLayout) -> _Frame:
    """Chips of one organisation share their frame and its ruler."""
    return _Frame(organisation, layout)


def _ruler(frame: _Frame) -> str:
    """Addresses down the left side at a power-of-two step, word offsets along the top."""
    step = frame.layout.words_a_row * frame.layout.averaged
    while step / frame.layout.words_a_row / frame.layout.averaged * frame.scale < 30:
        step *= 2
    marks = []
    for address in range(0, frame.organisation.words, step):
        y = frame.y_of(address)
        marks.append(
            f'<path d="M{RULER - 5} {y:.5g}h5"/><text x="{RULER - 8}" y="{y + 8:.5g}">'
            f"{address:0{frame.digits}X}</text>"
        )
    per = max(1, frame.layout.words_a_row // 4)
    for offset in range(0, frame.layout.words_a_row, per):
        x = RULER + offset * frame.organisation.bits * frame.scale
        marks.append(
            f'<path d="M{x:.5g} {TOP - 5}v5"/><text class="t" x="{x + 2:.5g}" '
            f'y="{TOP - 7}">+{offset:X}</text>'
        )
    return f'<g class="ruler">{"".join(marks)}</g>'


def _region_marks(frame: _Frame, regions: Sequence[RegionRecord]) -> str:
    marks = []
    first = sorted(regions, key=lambda region: region.get("kind") not in TELLING)
    for region in first[:MOST_MARKS]:
        span = wording.span_of(region)
        if span is None:
            continue
        top = frame.y_of(max(0, span[0]))
        tall = max(2.0, frame.y_of(min(span[1], frame.organisation.words)) - top)
        kind = str(region.get("kind", ""))
        style = kind if kind in {"fill", "text", "table"} else "other"
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
    told = isinstance(preview, str | int | float) and preview != ""
    tail = f": {wording.short(wording.say(preview), 48)}" if told else ""
    return f"{wording.short(region.get('kind', 'region'), 20)} {where}{tail}"


@lru_cache(maxsize=64)
def _stripes(
    organisation: Organisation, layout: PictureLayout, most: int
) -> tuple[tuple[int, int, str, str], ...]:
    """(first word told, word behind the last, markup before the words, markup behind them) of each stripe."""
    frame = _frame(organisation, layout)
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
            f"<title>{wording.span_text(start, end, frame.digits)}: "
        )
        behind = " …</title></path>" if end - start > shown else "</title></path>"
        out.append((start, min(end, start + shown), before, behind))
    return tuple(out)


def _bands(content: ChipWords, layout: PictureLayout, most: int) -> str:
    """Clear stripes over the picture, each with a title.

    The addresses under it and the words it begins with.
    """
    nibbles = max(1, (content.organisation.bits + 3) // 4)
    out = [
        before + _told_words(content, start, end, nibbles) + behind
        for start, end, before, behind in _stripes(content.organisation, layout, most)
    ]
    return f'<g class="bands">{"".join(out)}</g>'


def _unread(frame: _Frame, known: NDArray[np.bool_] | None) -> str:
    """Rows in which words were not read, covered: their ink would be nobody's."""
    if known is None:
        return ""
    row = frame.layout.words_a_row * frame.layout.averaged
    padded = np.ones(frame.layout.height * row, np.bool_)
    padded[: known.size] = known
    out = []
    for start, end in true_ranges(np.any(~padded.reshape(-1, row), axis=1))[:MOST_MARKS]:
        top, tall = frame.y_of(start * row), frame.y_of(end * row) - frame.y_of(start * row)
        there = np.flatnonzero(~padded[start * row : end * row]) + start * row
        where = wording.span_text(int(there[0]), int(there[-1]) + 1, frame.digits)
        out.append(
            f'<rect class="unread" x="{RULER}" y="{top:.5g}" width="{frame.width:.5g}" height="{tall:.5g}">'
            f"<title>{where}: words here were not read</title></rect>"
        )
    return "".join(out)


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
    *,
    label: str,
    regions: Sequence[RegionRecord] = (),
    most_pixels: int,
    most_bands: int,
) -> tuple[Markup, PictureLayout]:
    """The whole image as a picture with rulers, region marks and hover text.

    Args:
        content: The image.
        label: What the picture shows, for someone who cannot see it.
        regions: Stretches with a kind and a range.
        most_pixels: Above so many bits, rows are averaged.
        most_bands: How many stripes carry a title.

    Returns:
        The SVG and the layout that its caption speaks of.
    """
    layout = layout_of(content.organisation, most_pixels)
    frame = _frame(content.organisation, layout)
    parts = [
        frame.open_tag("raster", label),
        f'<rect class="ground" x="{RULER}" y="{TOP}" width="{frame.width:.6g}" height="{frame.height:.6g}"/>',
        frame.image_tag(picture_of(content.bits, layout, INK), "bits"),
        frame.ruler,
        _unread(frame, content.known),
        _region_marks(frame, regions),
        _bands(content, layout, most_bands),
        "</svg>",
    ]
    return Markup("".join(parts)), layout  # noqa: S704 - numbers and escaped text only


def contested_svg(
    content: ChipWords,
    mask: ChipWords,
    *,
    label: str,
    marks: Sequence[tuple[int, int, str]],
    flicker: Sequence[int] = (),
    most_pixels: int,
) -> Markup:
    """Where bits have no settlement, over a faint picture of the image.

    Each listed bit has a ring and a title.

    Args:
        content: The image.
        mask: The same shape; a 1 bit has no settlement.
        label: What the picture shows.
        marks: (address, line, who says what) of the listed bits.
        flicker: Addresses of words where passes disagree.
        most_pixels: As for the raster.
    """
    layout = layout_of(content.organisation, most_pixels)
    frame = _frame(content.organisation, layout)
    half = frame.scale / 2
    rings = "".join(
        f'<circle cx="{frame.x_of(address, line) + half:.5g}" cy="{_row_middle(frame, address):.5g}" r="6">'
        f"<title>{escape(text)}</title></circle>"
        for address, line, text in marks[:MOST_RINGS]
        if 0 <= address < content.organisation.words and 0 <= line < content.organisation.bits
    )
    bars = "".join(
        f'<rect x="{frame.x_of(address, content.organisation.bits - 1):.5g}" '
        f'y="{_row_middle(frame, address) + half + 1:.5g}" '
        f'width="{max(3.0, content.organisation.bits * frame.scale):.5g}" height="2.5">'
        f"<title>{wording.hexa(address, frame.digits)}: passes disagree</title></rect>"
        for address in flicker[:MOST_RINGS]
        if 0 <= address < content.organisation.words
    )
    parts = [
        frame.open_tag("raster doubt", label),
        f'<rect class="ground" x="{RULER}" y="{TOP}" width="{frame.width:.6g}" height="{frame.height:.6g}"/>',
        frame.image_tag(picture_of(content.bits, layout, INK), "faint"),
        frame.image_tag(picture_of(mask.bits, layout, ALARM, keep_single=True), "mask"),
        frame.ruler,
        f'<g class="rings">{rings}{bars}</g>',
        "</svg>",
    ]
    return Markup("".join(parts))  # noqa: S704 - numbers and escaped text only


def _row_middle(frame: _Frame, address: int) -> float:
    row = address // frame.layout.words_a_row // frame.layout.averaged
    return TOP + (row + 0.5) * frame.scale
