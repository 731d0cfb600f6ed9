"""A sitting at the bench to look at: a screen of the package, one line an event, one document an event.

Marks and words, no colour, plain ASCII but for the strip: it reads on 80 by 24 characters, over any line. The
last line of every screen, and a field of every document, says when hands may move something.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.bench.live.lines import LineState, Shown
from pipeline.bench.live.next_step import with_pin
from pipeline.bench.live.sitting import BenchSitting, Happened
from pipeline.bench.sockets import wiring
from pipeline.catalogue import pins_of
from pipeline.catalogue.advice import advise
from pipeline.catalogue.cautions import ALWAYS, DEFERENCE, own_cautions
from pipeline.views.parts import package_drawing
from pipeline.views.strip import Cut, strip

if TYPE_CHECKING:
    from schemas.answers import WatchAnswer, WatchedLine

LEGEND = "+ proved  ? not yet shown  ! power off, then look  * changed"
MARKS = "last passes: . first, = alike, ~ unlike, x not whole, | rest"
STRIP_CELLS = 32
_PHASES = {
    "waiting": "waiting",
    "reading": "reading",
    "testing": "line test",
    "tested": "line test over",
    "pulsed": "pulse test over",
    "off": "silent",
    "gone": "the port is gone",
    "no-text": "no text",
    "unplaced": "no beginning",
    "other-chip": "set to another chip",
    "good": "good",
}


def heading(sitting: BenchSitting, port: str, baud: int) -> str:
    """Which line, which chip, and where it stands."""
    kind = f"{sitting.part.part} " if sitting.part is not None else ""
    before = ", states as before" if sitting.stale else ""
    return f"{port}, {baud} baud: {kind}{sitting.organisation}, {_PHASES[sitting.phase]}{before}"


def screen(
    sitting: BenchSitting,
    *,
    port: str,
    baud: int,
    regions: Sequence[Cut] = (),
    width: int = 80,
    height: int = 24,
    blocks: bool = False,
) -> list[str]:
    """What the terminal shows, at most `height` lines of at most `width` characters.

    Args:
        sitting: What is known.
        port: Its name.
        baud: Speed of the line.
        regions: Of the latest whole pass, for the strip.
        width: Of the terminal.
        height: Of the terminal.
        blocks: Whether it has block characters.
    """
    said = textwrap.wrap(f"Before: {sitting.said}", width) if sitting.said else []
    below = [*said, *textwrap.wrap(f"Next: {sitting.next}", width), advise("watch-power-off")]
    first = heading(sitting, port, baud)[:width]
    if sitting.phase == "waiting":
        told = [one for text in before_hands(sitting) for one in textwrap.wrap(text, width)]
        return [first, *told[: height - 1 - len(below)], *below]
    passes = _passes(sitting)[:width]
    body = _body(sitting, width)
    spare = height - len(below) - 2 - len(body)
    if spare < 0 and sitting.part is not None and len(body) > sitting.part.pins // 2:
        body = body[1:-1]  # a tall package is drawn without its ends
        spare += 2
    if spare < 0:
        body = _in_columns(sitting, width)[: height - len(below) - 2]
        spare = height - len(below) - 2 - len(body)
    more: list[str] = []
    if spare > 0 and sitting.words is not None and regions:
        more.append(strip(sitting.words.size, regions, cells=STRIP_CELLS, blocks=blocks)[:width])
    if spare > 1:
        more.append(LEGEND[:width])
    if spare > 2:
        more.append(MARKS[:width])
    return [first, *body, passes, *more, *below][:height]


def before_hands(sitting: BenchSitting) -> list[str]:
    """The usual cautions, the part's own first, and that the data sheet comes before them."""
    own = [f"! {one.text}" for one in own_cautions(sitting.part) if one.dangerous] if sitting.part else []
    return [*own, f"! {ALWAYS}", DEFERENCE]


def _passes(sitting: BenchSitting) -> str:
    rate = f", {sitting.words_a_second:,.0f} words/s" if sitting.words_a_second else ""
    coming = f", {sitting.came} of {sitting.organisation.words} words" if sitting.came else ""
    alike = f" ({sitting.alike} alike)" if sitting.alike > 1 else ""
    return f"Passes {sitting.whole}{alike}{rate}{coming}  {sitting.marks}"


def _body(sitting: BenchSitting, width: int) -> list[str]:
    part = sitting.part
    if part is not None and part.address_pins:
        drawn = package_drawing(part, _beside_pins(sitting)).split("\n")
        if max(map(len, drawn)) <= width:
            return drawn
    return _in_columns(sitting, width)


def _beside_pins(sitting: BenchSitting) -> dict[int, str]:
    """Beside every pin its name, and the state of its line or what it must be."""
    part = sitting.part
    assert part is not None
    must_be = wiring(part)
    texts = {}
    for use in part.pin_table:
        left = use.pin <= part.pins // 2
        one = sitting.states.get(use.name)
        if one is None:
            texts[use.pin] = _side(str(must_be[use.pin]), use.name, " ", left=left)
        else:
            texts[use.pin] = _side(_words(one, use.name, sitting), use.name, one.mark, left=left)
    return texts


def _side(words: str, name: str, mark: str, *, left: bool) -> str:
    words = words[:22]
    if name == words:
        name = ""
    return f"{words} {name:>4} {mark}" if left else f"{mark} {name:<4} {words}"


def _words(one: LineState, line: str, sitting: BenchSitting) -> str:
    changed = "*" if line in sitting.changed and not sitting.stale else ""
    return f"{one.words}{changed}"


def _in_columns(sitting: BenchSitting, width: int) -> list[str]:
    texts = [
        f"{one.mark} {line:<3} {_words(one, line, sitting)}"[:25] for line, one in sitting.states.items()
    ]
    columns = max(1, width // 26)
    rows = -(-len(texts) // columns)
    return ["".join(f"{text:<26}" for text in texts[row::rows]).rstrip() for row in range(rows)]


def event_line(event: Happened, sitting: BenchSitting) -> str:
    """One event for a log: what happened, in one line that stands by itself."""
    if event.kind == "line":
        one = sitting.states[event.lines[0]]
        return f"{one.mark} {one.words}: {', '.join(with_pin(line, sitting.part) for line in event.lines)}"
    if event.kind == "next":
        return f"next: {event.text}"
    if event.kind == "pass" and sitting.alike:
        alive = sum(one.state is Shown.ALIVE for one in sitting.states.values())
        return f"{event.text}: {alive} of {len(sitting.states)} lines proved"
    return event.text


def event_document(event: Happened | None, sitting: BenchSitting, port: str, baud: int) -> WatchAnswer:
    """One event as plain JSON values; None for the first of all, which carries the cautions."""
    lines: list[WatchedLine] = [
        {
            "line": line,
            "pin": pins[0]["pin"] if (pins := pins_of(sitting.part, (line,))) else None,
            "state": one.state.value,
            "words": one.words,
            "others": list(one.others),
            "level": one.level,
            "changed": line in sitting.changed,
        }
        for line, one in sitting.states.items()
    ]
    return {
        "schema": "wellread/watch/1",
        "command": "watch",
        "event": event.kind if event is not None else "start",
        "text": event.text if event is not None else heading(sitting, port, baud),
        "about": list(event.lines) if event is not None else [],
        "port": port,
        "baud": baud,
        "part": sitting.part.part if sitting.part is not None else None,
        "organisation": str(sitting.organisation),
        "phase": sitting.phase,
        "stale": sitting.stale,
        "passes": sitting.whole,
        "alike": sitting.alike,
        "words_a_second": round(sitting.words_a_second, 1),
        "marks": sitting.marks,
        "lines": lines,
        "next": sitting.next,
        "good": sitting.good,
        "power_off": advise("watch-power-off"),
        "cautions": before_hands(sitting) if event is None else [],
    }
