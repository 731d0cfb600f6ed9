"""The lane view: one column a data line with its package pin above it, addresses downwards.

A stuck line is a lane of one level, joined lines are twins, and the contested mask drawn the same way puts an
intermittent line into one lane. Lanes are as wide as a row has words, so that every bit keeps its own dot.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from markupsafe import Markup, escape

from pipeline.views.report import wording
from pipeline.views.report.activity import Line, tenths
from pipeline.views.report.frame import ALARM, EDGE, RULER, TOP, PictureFrame, frame_of, unread_text
from pipeline.views.report.image import (
    Bits,
    ChipWords,
    PictureLayout,
    in_lanes,
    mask_pixels,
    unread_pixels,
)
from pipeline.words import block_starts

if TYPE_CHECKING:
    from schemas.names import Organisation
    from schemas.record import Contested

BELOW = 18
LABEL_WIDE = 20
"""Display units that the name of a line needs."""


class Lane(NamedTuple):
    """One lane of the view.

    Attributes:
        line: The data line and how often it is 1.
        like: Name of a higher line that says the same in every word, or "".
    """

    line: Line
    like: str = ""

    @property
    def mark(self) -> str:
        """What stands beneath it: `0` and `1` for a line of one level, `=D3` for a twin."""
        if self.line.share in (0.0, 1.0):
            return f"all {self.line.share:.0f}"
        return f"={self.like}" if self.like else ""


def lanes_of(content: ChipWords, lines: Sequence[Line]) -> list[Lane]:
    """The lanes, D0 first; a line that agrees with a higher one in every word that was read is its twin.

    Args:
        content: The image.
        lines: What `activity.data_lines` gave.
    """
    if len({line.share for line in lines}) == len(lines):
        return [Lane(line) for line in lines]
    top = len(lines) - 1
    alike: dict[float, list[int]] = {}
    for number, line in enumerate(lines):
        alike.setdefault(line.share, []).append(number)
    twins: dict[int, str] = {}
    for share, numbers in alike.items():
        for number in numbers if 0.0 < share < 1.0 else ():
            column = content.bits[:, top - number]
            higher = [k for k in numbers if k > number and np.array_equal(content.bits[:, top - k], column)]
            if higher:
                twins[number] = lines[higher[-1]].name
    return [Lane(line, twins.get(number, "")) for number, line in enumerate(lines)]


@lru_cache(maxsize=64)
def _posts(
    organisation: Organisation, layout: PictureLayout, lines: tuple[tuple[str, int | None], ...]
) -> tuple[str, tuple[str, ...]]:
    """What chips of one part share: names, pins and rules, and the beginning of each lane's hover stripe."""
    frame = frame_of(organisation, layout)
    wide = layout.words_a_row * frame.scale
    step = max(1, -int(-LABEL_WIDE // wide))
    names, stripes = [], []
    for place, (name, pin) in enumerate(reversed(lines)):
        x = RULER + place * wide
        if place % step == 0:
            names.append(f'<text class="c" x="{x + wide / 2:.5g}" y="{TOP - 17}">{name}</text>')
            if pin is not None:
                names.append(f'<text class="c pin" x="{x + wide / 2:.5g}" y="{TOP - 6}">{pin}</text>')
        if place:
            names.append(f'<path d="M{x:.5g} {TOP}v{frame.height:.5g}"/>')
        stripes.append(
            f'<path d="M{x:.5g} {TOP}h{wide:.5g}v{frame.height:.5g}h-{wide:.5g}z">'
            f"<title>{_called(name, pin)}: "
        )
    if any(pin is not None for _, pin in lines):
        names.append(f'<text x="{RULER - 6}" y="{TOP - 6}">pin</text>')
    return f'<g class="ruler">{"".join(names)}</g>', tuple(stripes)


def _called(name: str, pin: int | None) -> str:
    return f"{name}, pin {pin}" if pin is not None else name


def _mark_texts(frame: PictureFrame, marks: Sequence[str], kinds: Sequence[str]) -> str:
    """What stands beneath each lane, the highest line's left; names that need more room are left out."""
    if not any(marks):
        return ""
    wide = frame.layout.words_a_row * frame.scale
    return "".join(
        f'<text class="c {kind}" x="{RULER + (place + 0.5) * wide:.5g}" '
        f'y="{TOP + frame.height + 13:.5g}">{escape(mark)}</text>'
        for place, (mark, kind) in enumerate(zip(marks, kinds, strict=True))
        if mark and 6 * len(mark) <= 2 * wide
    )


def lanes_svg(
    content: ChipWords, layout: PictureLayout, dots: Bits, lanes: Sequence[Lane], *, label: str, name: str
) -> Markup:
    """The image by data lines.

    Args:
        content: The image.
        layout: How its words lie.
        dots: What `picture_pixels` gave.
        lanes: D0 first.
        label: What the picture shows.
        name: The only one of this name on the page.
    """
    organisation = content.organisation
    frame = frame_of(organisation, layout)
    posts, stripes = _posts(organisation, layout, tuple((lane.line.name, lane.line.pin) for lane in lanes))
    down = lanes[::-1]
    told = "".join(
        [
            f"{stripe}{tenths(lane.line.share)} of the words are 1{_also(lane)}</title></path>"
            for stripe, lane in zip(stripes, down, strict=True)
        ]
    )
    unread = unread_pixels(content, layout)
    parts = [
        frame.open_tag("lanes", label, below=BELOW),
        frame.image_tag(in_lanes(dots, layout, organisation.bits), "bits"),
        frame.ruler,
        posts,
        _mark_texts(frame, [lane.mark for lane in down], ["still"] * len(down)),
        f'<g class="bands">{told}</g>',
        frame.hatched(
            None if unread is None else in_lanes(unread, layout, organisation.bits),
            name,
            f"{unread_text(content.known, frame.digits)}: not read",
        ),
        "</svg>",
    ]
    return Markup("".join(parts))  # noqa: S704 - numbers and escaped text only


def _also(lane: Lane) -> str:
    return f"; the same as {lane.like} in every word" if lane.like else ""


def lanes_words(lanes: Sequence[Lane]) -> str:
    """The lanes as a sentence: what stands still, what are twins."""
    low = [lane.line.name for lane in lanes if lane.line.share == 0]
    high = [lane.line.name for lane in lanes if lane.line.share == 1]
    twins = [f"{lane.line.name} is the same as {lane.like} in every word" for lane in lanes if lane.like]
    parts = ([f"{wording.listed(low)} always 0"] if low else []) + (
        [f"{wording.listed(high)} always 1"] if high else []
    )
    said = "; ".join([*parts, *twins]) or "every line takes both values, and no two are the same"
    return f"One lane a data line, a 1 is ink: {said}."


def doubt_svg(
    content: ChipWords, mask: Bits, layout: PictureLayout, lines: Sequence[Line], contested: Contested | None
) -> Markup:
    """Bits without settlement by data lines, how many under each lane, how many words at each stretch's edge.

    Args:
        content: The image, for where it was read.
        mask: Shape (words, bits); a 1 bit has no settlement.
        layout: How words lie.
        lines: What `activity.data_lines` gave, D0 first.
        contested: The record's counts, where it has them.
    """
    organisation = content.organisation
    frame = frame_of(organisation, layout)
    posts, stripes = _posts(organisation, layout, tuple((line.name, line.pin) for line in lines))
    counts = mask.sum(axis=0, dtype=np.int64).tolist()
    told = "".join(
        f"{stripe}{wording.counted(count, 'bit')} unresolved</title></path>"
        for stripe, count in zip(stripes, counts, strict=True)
    )
    marks = [f"{count:,}" if count else "" for count in counts]
    parts = [
        frame.open_tag("lanes doubt", _doubt_label(lines, counts), below=BELOW),
        frame.image_tag(in_lanes(mask_pixels(mask, layout), layout, organisation.bits), "mask", ALARM),
        frame.ruler,
        posts,
        _mark_texts(frame, marks, ["count"] * len(marks)),
        f'<g class="density">{_density(frame, mask, contested)}</g>',
        f'<g class="bands">{told}</g></svg>',
    ]
    return Markup("".join(parts))  # noqa: S704 - numbers and escaped text only


def difference_svg(
    content: ChipWords, layout: PictureLayout, lines: Sequence[Line], *, label: str, name: str
) -> Markup:
    """Where two readings differ, by data lines; hatched where one of them lacks the word.

    Args:
        content: Bits that differ, and the words that both have.
        layout: How words lie.
        lines: With their pins, D0 first.
        label: What the picture shows.
        name: The only one of this name on the page.
    """
    organisation = content.organisation
    frame = frame_of(organisation, layout)
    posts, _ = _posts(organisation, layout, tuple((line.name, line.pin) for line in lines))
    counts = content.bits.sum(axis=0, dtype=np.int64).tolist()
    marks = [f"{count:,}" if count else "" for count in counts]
    unread = unread_pixels(content, layout)
    parts = [
        frame.open_tag("lanes difference", label, below=BELOW),
        frame.image_tag(
            in_lanes(mask_pixels(content.bits, layout), layout, organisation.bits), "mask", ALARM
        ),
        frame.ruler,
        posts,
        _mark_texts(frame, marks, ["count"] * len(marks)),
        frame.hatched(
            None if unread is None else in_lanes(unread, layout, organisation.bits), name, "not read by both"
        ),
        "</svg>",
    ]
    return Markup("".join(parts))  # noqa: S704 - numbers and escaped text only


def _doubt_label(lines: Sequence[Line], counts: Sequence[int]) -> str:
    by_line = {f"D{len(lines) - 1 - place}": count for place, count in enumerate(counts) if count}
    told = wording.listed([f"{name} {count:,}" for name, count in by_line.items()])
    return f"Unresolved bits by data line: {told or 'none'}"


def _density(frame: PictureFrame, mask: Bits, contested: Contested | None) -> str:
    """A bar a stretch of addresses, as long as it has contested words; its title says whose they are."""
    starts = block_starts(frame.organisation.words)
    words = np.add.reduceat(mask.any(axis=1), starts[:-1], dtype=np.int64).tolist()
    most = max(words, default=0)
    between = (contested.get("between") if contested else None) or [0] * len(words)
    out = []
    for start, end, count, apart in zip(starts.tolist(), starts.tolist()[1:], words, between, strict=False):
        if not count:
            continue
        top, tall = frame.y_of(start), max(2.0, frame.y_of(end) - frame.y_of(start) - 0.5)
        said = f"{wording.counted(count, 'word')} unresolved"
        said += f"; readers differ in {apart:,}" if apart else "; passes of one reader differ"
        out.append(
            f'<rect x="{RULER + frame.width + 3:.5g}" y="{top:.5g}" '
            f'width="{3 + (EDGE - 7) * count / most:.3g}" height="{tall:.4g}">'
            f"<title>{wording.span_text(start, end, frame.digits)}: {said}</title></rect>"
        )
    return "".join(out)
