"""Content drawn as glyphs or pattern rows, by the sheet's geometry or a guess that says it is one.

A character generator read with two lines crossed is seen to be wrong by anyone who can read.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from markupsafe import Markup, escape

from pipeline.views.report import wording
from pipeline.views.report.frame import INK
from pipeline.views.report.image import Bits, ChipWords
from pipeline.views.report.png import bits_png, data_uri

if TYPE_CHECKING:
    from schemas.record import ChipRecord
    from schemas.recorded_sheet import PartRecord, ViewRecord

MOST_WORDS = 8192
MOST_TITLES = 256
_HINTS = ("character", "glyph", "font", "pattern", "display", "dot matrix")
_GUESSED_ROWS = (8, 16, 10, 12, 7, 9)


class Geometry(NamedTuple):
    """How words become dots.

    Attributes:
        rows: Words a glyph.
        columns: Bits of a word used, the lowest ones.
        left_high: Whether the highest used bit is the left (or top) dot.
        ink_one: Whether a 1 is a dot.
        glyphs_a_line: Glyphs side by side.
        by_columns: Whether one word is a column of dots.
        start: Word address of the first glyph.
        guessed: Whether the sheet did not say.
    """

    rows: int
    columns: int
    left_high: bool = True
    ink_one: bool = True
    glyphs_a_line: int = 16
    by_columns: bool = False
    start: int = 0
    guessed: bool = False

    @property
    def dots(self) -> tuple[int, int]:
        """Dots down and across of one glyph as seen."""
        return (self.columns, self.rows) if self.by_columns else (self.rows, self.columns)


def geometry_of(view: ViewRecord, bits: int) -> Geometry:
    """The sheet's geometry; what it does not say is the usual.

    High bit left, 1 is ink, one word a row of dots.
    """
    columns = min(int(view["columns"]), bits)
    rows = int(view["rows"])
    by_columns = view.get("scan") == "columns"
    across = rows if by_columns else columns
    return Geometry(
        rows=rows,
        columns=columns,
        left_high=view.get("left") != "low",
        ink_one=view.get("ink") != "zero",
        glyphs_a_line=int(view.get("glyphs_a_line") or max(1, min(16, 160 // (across + 1)))),
        by_columns=by_columns,
        start=int(view.get("start") or 0),
    )


def guess_of(content: ChipWords, chip: ChipRecord, part: PartRecord | None) -> Geometry | None:
    """A guess where the sheet's words or the catalogue speak of characters or patterns.

    None where nothing does.

    The rows a glyph are those at which rows of dots repeat in ink the most (a blank row between glyphs, a
    height common to all), the shorter where it comes near; the whole word is taken as the row.
    """
    told = (
        " ".join(str(chip.get(key) or "") for key in ("role", "label")) + " " + (part["kind"] if part else "")
    )
    if not any(hint in told.casefold() for hint in _HINTS) or content.organisation.words < 16:
        return None
    ink = content.bits.sum(axis=1).astype(np.float64)
    best, most = 8, -1.0
    for rows in _GUESSED_ROWS:
        whole = len(ink) - len(ink) % rows
        if whole // rows < 2 or (rows & (rows - 1) and len(ink) % rows):
            continue
        spread = float(ink[:whole].reshape(-1, rows).mean(axis=0).var())
        if spread > most * 1.5:
            best, most = rows, spread
    width = content.organisation.bits
    return Geometry(rows=best, columns=width, glyphs_a_line=max(1, min(16, 160 // (width + 1))), guessed=True)


def glyph_dots(content: ChipWords, geometry: Geometry) -> Bits:
    """Shape (glyphs, down, across): the dots of each whole glyph, 1 is ink."""
    bits = content.bits[
        geometry.start : geometry.start + MOST_WORDS, content.organisation.bits - geometry.columns :
    ]
    count = len(bits) // geometry.rows
    dots = bits[: count * geometry.rows].reshape(count, geometry.rows, geometry.columns)
    dots = dots if geometry.ink_one else 1 - dots
    if content.known is not None:
        # Ink where nobody read would be nobody's, in either polarity.
        read = content.known[geometry.start : geometry.start + count * geometry.rows]
        dots = dots * read.reshape(count, geometry.rows, 1).astype(np.uint8)
    if not geometry.left_high:
        dots = dots[:, :, ::-1]
    if geometry.by_columns:
        dots = dots.transpose(0, 2, 1)
    return dots


def sheet_of_dots(dots: Bits, glyphs_a_line: int) -> Bits:
    """All glyphs on one sheet, a clear dot between them."""
    count, down, across = dots.shape
    lines = -(-count // glyphs_a_line)
    across_all = min(count, glyphs_a_line)
    sheet = np.zeros((lines * glyphs_a_line, down + 1, across + 1), np.uint8)
    sheet[:count, :down, :across] = dots
    sheet = sheet.reshape(lines, glyphs_a_line, down + 1, across + 1)[:, :across_all]
    return sheet.transpose(0, 2, 1, 3).reshape(lines * (down + 1), across_all * (across + 1))


def glyphs_svg(
    content: ChipWords, geometry: Geometry, *, chip: str, most_titles: int = MOST_TITLES
) -> Markup | None:
    """The sheet of glyphs; resting on one tells its number and address. None where not one glyph is whole."""
    dots = glyph_dots(content, geometry)
    if not len(dots):
        return None
    sheet = sheet_of_dots(dots, geometry.glyphs_a_line)
    height, width = sheet.shape
    scale = max(1.0, float(min(4, int(352 / width)))) if width <= 352 else 352 / width
    down, across = geometry.dots
    titles = []
    for number in range(min(len(dots), most_titles)):
        x = number % geometry.glyphs_a_line * (across + 1) * scale
        y = number // geometry.glyphs_a_line * (down + 1) * scale
        address = geometry.start + number * geometry.rows
        titles.append(
            f'<path d="M{x:.5g} {y:.5g}h{across * scale:.5g}v{down * scale:.5g}h-{across * scale:.5g}z">'
            f"<title>{number} ({number:02X}) at {wording.hexa(address, 3)}</title></path>"
        )
    label = f"{wording.counted(len(dots), 'glyph')} of {chip}, {down} dots high and {across} wide"
    return Markup(  # noqa: S704 - numbers and escaped text only
        f'<svg class="glyphs" role="img" aria-label="{escape(label)}" width="{width * scale:.0f}" '
        f'height="{height * scale:.0f}" viewBox="0 0 {width * scale:.6g} {height * scale:.6g}">'
        f'<image class="bits px" width="{width * scale:.6g}" height="{height * scale:.6g}" '
        f'preserveAspectRatio="none" href="{data_uri(bits_png(sheet, INK))}"/>'
        f'<g class="bands">{"".join(titles)}</g></svg>'
    )


def glyphs_words(content: ChipWords, geometry: Geometry) -> str:
    """The geometry as a sentence, and whether it is the sheet's or a guess."""
    down, across = geometry.dots
    said = f"{down} dots high, {across} wide, the {'high' if geometry.left_high else 'low'} bit first"
    said += ", one word a column" if geometry.by_columns else ""
    said += "" if geometry.ink_one else ", a 0 is ink"
    limit = (
        f" The first {MOST_WORDS:,} words."
        if content.organisation.words - geometry.start > MOST_WORDS
        else ""
    )
    if geometry.guessed:
        return f"A guess: {said}. Say it in the sheet under view.{limit}"
    return f"As the sheet says: {said}.{limit}"
