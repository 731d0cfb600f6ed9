"""`wellread watch`: what a reader prints, pass after pass, as states of lines on a screen; writes nothing."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from pipeline.bench.live.contacts import PassRead
from pipeline.bench.live.evidence import judge_lines
from pipeline.bench.live.sitting import BenchSitting, Happened
from pipeline.bench.stream import LineText
from pipeline.catalogue.advice import advise
from pipeline.edges.console import Screen, can_draw, notice, ring, say, say_json_line
from pipeline.edges.serial import Listener, open_port
from pipeline.errors import NothingToDoError, PortError, UsageError
from pipeline.formats.records.reader_log import parse_line, parse_tested
from pipeline.result import Result
from pipeline.run.bench.capture import CaptureWish, capture, chosen_for
from pipeline.run.bench.watched_line import TICK_SECONDS, SerialLine, Show, Watching
from pipeline.run.look.files import kind_of, one_image
from pipeline.stages.content.regions import regions
from pipeline.views.live import before_hands, event_document, event_line, screen
from pipeline.views.strip import Cut
from pipeline.words import words_dtype

if TYPE_CHECKING:
    from schemas.answers import CaptureAnswer

REDRAW_SECONDS = 0.2
"""How often the count of words is drawn anew while a pass comes."""
USUAL_SPEEDS = (
    *(115_200, 9600, 57_600, 38_400, 19_200, 230_400, 250_000, 460_800, 500_000, 921_600),
    *(1_000_000, 2_000_000, 4800, 2400, 1200),
)
"""Common practice, no source; the commonest first."""
LISTEN_SECONDS = 1.5
"""How long each speed is listened to: longer than a reader rests between passes."""
LEAST_LINES = 3
"""Lines of words, or one that proves itself, by which a speed is known as right."""


class WatchWish(NamedTuple):
    """What was asked for on the command line."""

    port: str
    part: str | None
    organisation: str | None
    baud: int
    like: Path | None
    bell: str | None
    quiet_seconds: float
    find_speed: bool


BELLS = ("good", "change")


def watch_port(
    wish: WatchWish, *, then: CaptureWish | None, as_json: bool, quiet: bool
) -> Result[CaptureAnswer] | None:
    """Watch until a reading is good, then capture where that was asked for.

    Args:
        wish: What was asked for.
        then: The capture that follows, but for the speed of the line; None to end with the good reading.
        as_json: One document a line.
        quiet: Nothing is shown.

    Returns:
        What `capture` says, or None.

    Raises:
        WellreadError: As `watch` and `capture`.
    """
    if wish.bell is not None and wish.bell not in BELLS:
        raise UsageError(
            where="--bell", problem=f"{wish.bell!r} is not known", remedy=f"Say {' or '.join(BELLS)}"
        )
    if then is not None:
        # before anything is watched: what cannot be captured in the end is told at once
        chosen = chosen_for(then)
        wish = wish._replace(part=chosen.part, organisation=str(chosen.organisation))
    show, over = shown(wish.port, as_json=as_json, quiet=quiet, bell=wish.bell)
    try:
        baud = watch(wish, show=show)
    finally:
        over()
    if then is not None:
        return capture(then._replace(baud=baud), quiet=quiet or as_json)
    if not quiet:
        notice(
            f"Keep it: wellread capture {wish.port} --chip CHIP --reader READER --baud {baud}; the next time "
            f"--then-capture --chip CHIP --reader READER goes on by itself"
        )
    return None


def watch(wish: WatchWish, *, show: Show, until: Callable[[BenchSitting], bool] | None = None) -> int:
    """Watch until a reading is good; the speed at which it was.

    Args:
        wish: What was asked for.
        show: Told everything.
        until: When to end; once the reading is good where not said.

    Raises:
        PortError: The port cannot be opened at first.
        WellreadError: The options do not fit, or the trusted reading cannot be decoded.
    """
    if wish.baud < 1 or not wish.quiet_seconds > 0:
        raise UsageError(
            where="watch",
            problem="baud and quiet seconds must be above zero",
            remedy="Say numbers above zero",
        )
    sitting = _sitting(wish)
    _warm(sitting)
    baud = _speed(wish) if wish.find_speed else wish.baud
    enough = until or (lambda one: one.good)
    line = SerialLine(wish.port, baud, open_port(wish.port, baud))
    watching = Watching(line, sitting, wish.quiet_seconds, show)
    show(sitting, [], baud)
    try:
        while not enough(sitting):
            watching.turn(enough)
    finally:
        line.close()
    return baud


def _sitting(wish: WatchWish) -> BenchSitting:
    kind = kind_of(wish.part, wish.organisation)
    if kind.organisation is None:
        raise UsageError(
            where="--part",
            problem="nothing says how large the chip is",
            remedy="Say --part or --organisation",
        )
    trusted = None if wish.like is None else one_image(wish.like, kind)
    return BenchSitting(kind.organisation, kind.part, trusted)


def _warm(sitting: BenchSitting) -> None:
    """Judge two made-up passes, so that nothing is loaded for the first time while a reader prints."""
    random = np.random.default_rng(0)
    kind = words_dtype(sitting.organisation.bits)
    most = (1 << sitting.organisation.bits) - 1
    words = random.integers(0, most, sitting.organisation.words, dtype=kind, endpoint=True)
    judge_lines([PassRead(1, words), PassRead(2, words)], sitting.organisation.bits)


def _speed(wish: WatchWish) -> int:
    """The first usual speed at which what arrives is words.

    Raises:
        NothingToDoError: Nothing came, or no text at any of them.
    """
    came = 0
    for baud in (wish.baud, *(one for one in USUAL_SPEEDS if one != wish.baud)):
        notice(f"{wish.port}: listening at {baud} baud")
        try:
            port = open_port(wish.port, baud)
        except PortError as error:
            if baud == wish.baud:
                raise
            notice(f"{error}")
            continue
        heard = _heard(port)
        came += len(heard)
        if _is_words(heard):
            notice(f"{wish.port}: the reader prints at {baud} baud")
            return baud
    raise NothingToDoError(
        where=wish.port,
        problem="no text came at any usual speed" if came else "nothing came from the reader",
        remedy="Check that the reader has power and prints, and the cable",
    )


def _heard(port: Any) -> bytes:
    listener, heard = Listener(port), b""
    listener.start()  # a slow machine takes as long for that as a line is listened to
    until = time.monotonic() + LISTEN_SECONDS
    while time.monotonic() < until and not (_is_words(heard)):
        _, block = listener.new(TICK_SECONDS)
        if block is None:
            break
        heard += block
    listener.stop()
    port.close()
    return heard


def _is_words(heard: bytes) -> bool:
    """Whether a line proves itself, or several are nothing but text."""
    lines = heard.split(b"\n")[1:-1]
    if any(parse_line(one) is not None or parse_tested(one) is not None for one in lines):
        return True
    text = LineText()
    text.feed(b"\n".join(lines))
    return len(lines) >= LEAST_LINES and text.no_text == 0


def shown(port: str, *, as_json: bool, quiet: bool, bell: str | None) -> tuple[Show, Callable[[], None]]:
    """How a sitting is shown: a screen on a terminal, else a line or a document an event; and what ends it.

    Args:
        port: Its name.
        as_json: One document a line.
        quiet: Nothing is shown.
        bell: `good` or `change`: when the terminal's bell rings.
    """
    page = Screen()
    begun = drawn = 0.0
    pictured: dict[int, list[Cut]] = {}

    def events(sitting: BenchSitting, told: list[Happened], baud: int) -> None:
        nonlocal begun
        if not begun:
            begun = time.monotonic()
            for one in _opening(sitting, port, baud, as_json=as_json):
                one()
        for each in told:
            if as_json:
                say_json_line(event_document(each, sitting, port, baud))
            else:
                say(event_line(each, sitting), whole=True, now=True)
        silent(sitting, told, baud)

    def live(sitting: BenchSitting, told: list[Happened], baud: int) -> None:
        nonlocal drawn
        at = time.monotonic()
        if not told and at - drawn < REDRAW_SECONDS:
            return
        drawn = at
        columns, rows = page.size()
        cuts = pictured.get(id(sitting.words), []) if sitting.words is not None else []
        lines = screen(
            sitting, port=port, baud=baud, regions=cuts, width=columns, height=rows, blocks=_blocks()
        )
        page.draw(lines, bell=_rings(bell, told))
        if sitting.words is not None and id(sitting.words) not in pictured and not sitting.came:
            pictured.clear()
            pictured[id(sitting.words)] = _cuts(sitting)

    def over() -> None:
        if drawn:
            page.done()

    def silent(sitting: BenchSitting, told: list[Happened], baud: int) -> None:
        del sitting, baud
        if _rings(bell, told):
            ring()

    if quiet:
        return silent, over
    return live if page.live and not as_json else events, over


def _opening(sitting: BenchSitting, port: str, baud: int, *, as_json: bool) -> Iterator[Callable[[], None]]:
    if as_json:
        yield lambda: say_json_line(event_document(None, sitting, port, baud))
        return
    for text in (*before_hands(sitting), advise("watch-power-off"), f"next: {sitting.next}"):
        yield lambda text=text: say(text, whole=True, now=True)  # type: ignore[misc]


def _rings(bell: str | None, told: list[Happened]) -> bool:
    good = any(one.kind == "good" for one in told)
    return good if bell == "good" else bell == "change" and any(one.kind == "line" for one in told)


def _blocks() -> bool:
    """Whether the terminal has block characters, by its encoding and by what the environment says."""
    said = os.environ.get("LC_ALL") or os.environ.get("LC_CTYPE") or os.environ.get("LANG") or ""
    return can_draw() and said not in ("C", "POSIX")


def _cuts(sitting: BenchSitting) -> list[Cut]:
    assert sitting.words is not None
    found = regions(sitting.words, sitting.organisation.bits, erased_state=None, part=sitting.part)
    return [(one.kind, one.start, one.end) for one in found]
