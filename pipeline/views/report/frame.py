"""Where a picture's dots lie on the page: addresses beside them, hatching where nobody read."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from markupsafe import escape
from numpy.typing import NDArray

from pipeline.views.report import wording
from pipeline.views.report.image import Bits, PictureLayout
from pipeline.views.report.png import Ink, data_uri, dots_png
from pipeline.words import true_ranges
from schemas.names import Organisation

INK: Ink = (29, 78, 120)
ALARM: Ink = (176, 84, 0)
WHITE: Ink = (255, 255, 255)
WIDEST = 384
"""Display units of the widest picture: with ruler and edge as wide as the page's column of pictures."""
RULER = 46
TOP = 30
EDGE = 18
MOST_UNREAD_NAMED = 4


class PictureFrame:
    """The coordinates of one picture on the page: dots times a scale, beside a ruler.

    Attributes:
        organisation: Words and bits.
        layout: How words lie in rows.
        scale: Display units of a dot.
        width, height: Display units of all dots.
        digits: Of an address.
        ruler: Its markup.
    """

    def __init__(self, organisation: Organisation, layout: PictureLayout) -> None:
        self.organisation = organisation
        self.layout = layout
        fitting = WIDEST / layout.width
        self.scale = min(12.0, int(fitting * 2) / 2) if fitting >= 1 else fitting
        self.width = layout.width * self.scale
        self.height = layout.height * self.scale
        self.digits = max(3, (organisation.address_bits + 3) // 4)
        self.ruler = _address_ruler(self)
        self._dots = (
            f'x="{RULER}" y="{TOP}" width="{self.width:.6g}" height="{self.height:.6g}" '
            'preserveAspectRatio="none" href="'
        )

    def y_of(self, address: int) -> float:
        """How far down a word lies."""
        return TOP + address / self.layout.words_a_row / self.layout.averaged * self.scale

    def open_tag(self, name: str, label: str, *, below: int = 4) -> str:
        """The beginning of the picture, with what a pointer needs to tell words.

        Args:
            name: Its classes.
            label: What it shows, for someone who cannot see it.
            below: Room under the dots.
        """
        return f'<svg class="{name}" role="img" aria-label="{escape(label)}" {_sizes(self, below)}'

    def image_tag(self, dots: Bits, name: str, ink: Ink = INK) -> str:
        """The dots themselves."""
        kind = f"{name} px" if self.scale >= 1 else name
        png = dots_png(dots, ink, levels=self.layout.averaged > 1)
        return f'<image class="{kind}" {self._dots}{data_uri(png)}"/>'

    def hatched(self, dots: Bits | None, name: str, told: str) -> str:
        """Hatching over the dots of words that nobody read: their ink would be nobody's.

        Args:
            dots: What `unread_pixels` gave.
            name: Of the picture, the only one of this name on the page.
            told: What is said of them to someone who rests on one.
        """
        if dots is None:
            return ""
        return hatching(
            name,
            self.image_tag(dots, "unread-dots", WHITE),
            f'x="{RULER}" y="{TOP}" width="{self.width:.6g}" height="{self.height:.6g}"',
            told,
        )


def hatching(name: str, image: str, place: str, told: str) -> str:
    """A stretch hatched where a picture's dots are set.

    Args:
        name: The only one of this name on the page.
        image: The dots, white.
        place: Attributes of the rectangle that is hatched.
        told: Its title.
    """
    return (
        f'<defs><pattern id="{name}-h" width="4" height="4" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><path class="hatch" d="M0 0v4"/></pattern>'
        f'<mask id="{name}-m">{image}</mask></defs>'
        f'<rect class="unread" fill="url(#{name}-h)" mask="url(#{name}-m)" {place}>'
        f"<title>{escape(told)}</title></rect>"
    )


@lru_cache(maxsize=64)
def frame_of(organisation: Organisation, layout: PictureLayout) -> PictureFrame:
    """Chips of one organisation share their frame and its ruler."""
    return PictureFrame(organisation, layout)


@lru_cache(maxsize=128)
def _sizes(frame: PictureFrame, below: int) -> str:
    """The rest of a picture's beginning, which chips of one organisation share."""
    total = RULER + max(frame.width, 150) + EDGE
    tall = TOP + frame.height + below
    layout, organisation = frame.layout, frame.organisation
    return (
        f'width="{total:.0f}" height="{tall:.0f}" viewBox="0 0 {total:.6g} {tall:.6g}" '
        f'data-w="{organisation.words} {organisation.bits} {layout.words_a_row} {layout.averaged} '
        f'{RULER} {TOP} {frame.scale:.6g}">'
        f'<rect class="ground" x="{RULER}" y="{TOP}" width="{frame.width:.6g}" height="{frame.height:.6g}"/>'
    )


def _address_ruler(frame: PictureFrame) -> str:
    """Addresses down the left side, at a step of a power of two rows."""
    step = frame.layout.words_a_row * frame.layout.averaged
    while step / frame.layout.words_a_row / frame.layout.averaged * frame.scale < 30:
        step *= 2
    marks = "".join(
        f'<path d="M{RULER - 5} {frame.y_of(address):.5g}h5"/><text x="{RULER - 8}" '
        f'y="{frame.y_of(address) + 8:.5g}">{address:0{frame.digits}X}</text>'
        for address in range(0, frame.organisation.words, step)
    )
    return f'<g class="ruler">{marks}</g>'


def unread_text(known: NDArray[np.bool_] | None, digits: int = 3) -> str:
    """Which words nobody read, as a phrase; "" where every word was read."""
    if known is None:
        return ""
    ranges = true_ranges(~known)
    told = ", ".join(wording.span_text(start, end, digits) for start, end in ranges[:MOST_UNREAD_NAMED])
    left = len(ranges) - MOST_UNREAD_NAMED
    return f"{told} and {wording.counted(left, 'more stretch', 'more stretches')}" if left > 0 else told
