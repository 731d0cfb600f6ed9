"""One watched line: bytes to events, events to the sitting, the sitting to whoever shows it."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Protocol

from pipeline.bench.live.events import Event, PassEnded, PortBack, PortGone, ReadAgain, Silent
from pipeline.bench.live.following import Follower
from pipeline.bench.live.sitting import BenchSitting, Happened
from pipeline.edges.serial import Listener, ask, open_port
from pipeline.errors import PortError

TICK_SECONDS = 0.05
"""How long nothing is waited for at most before requests and silence are looked at."""
AGAIN_SECONDS = 0.25
"""How often a port that went away is tried again."""

Show = Callable[[BenchSitting, list[Happened], int], None]
"""Told what has happened, with the speed of the line; called too where nothing has, to draw progress."""


class BenchLine(Protocol):
    """A line that comes and goes."""

    baud: int

    def new(self) -> tuple[float, bytes | None]:
        """What has come and when; None where the line is gone, and b"" where nothing has come."""

    def back(self) -> bool:
        """Whether a line that was gone is there again."""

    def ask(self, request: bytes) -> None:
        """Send a request."""


class SerialLine:
    """A port while it comes and goes."""

    def __init__(self, name: str, baud: int, port: Any) -> None:
        self.name, self.baud, self.port = name, baud, port
        self._tried = 0.0
        self._listen()

    def _listen(self) -> None:
        self._listener: Listener | None = Listener(self.port)
        self._listener.start()

    def new(self) -> tuple[float, bytes | None]:
        """What has come and when; None where the port is gone, and b"" while it stays away."""
        if self._listener is None:
            time.sleep(TICK_SECONDS)
            return time.monotonic(), b""
        at, block = self._listener.new(TICK_SECONDS)
        if block is None:
            self._stop()
        return at, block

    def back(self) -> bool:
        """Whether a port that was gone has just been opened again."""
        if self._listener is not None or time.monotonic() - self._tried < AGAIN_SECONDS:
            return False
        self._tried = time.monotonic()
        try:
            self.port = open_port(self.name, self.baud)
        except PortError:
            return False
        self._listen()
        return True

    def ask(self, request: bytes) -> None:
        """Send a request, where there is somebody to send it to."""
        if request and self._listener is not None:
            ask(self.port, request)

    def _stop(self) -> None:
        if self._listener is not None:
            self._listener.stop()
            self._listener = None
            with suppress(OSError):
                self.port.close()

    def close(self) -> None:
        """Leave the line alone."""
        self._stop()


class Watching:
    """A sitting over one line.

    Args:
        line: Where bytes come from.
        sitting: Takes what they mean.
        quiet_seconds: A line still for so long may be without power.
        show: Told everything.
    """

    def __init__(self, line: BenchLine, sitting: BenchSitting, quiet_seconds: float, show: Show) -> None:
        self._line, self._sitting, self._show = line, sitting, show
        self._follower, self._quiet = Follower(sitting.organisation, line.baud), _Quiet(quiet_seconds)

    def turn(self, until: Callable[[BenchSitting], bool]) -> None:
        """What has come by now, taken and shown.

        What is known at once is shown first; holding the pass against a trusted reading takes longer.
        """
        at, events = self._events()
        told: list[Happened] = []
        for event in events:
            told += self._sitting.take(event, at)
            if until(self._sitting):
                break  # what came behind it is for whoever captures
        self._show(self._sitting, told, self._line.baud)
        if any(isinstance(one, PassEnded | ReadAgain) for one in events):
            if more := self._sitting.hold_against_trusted():
                self._show(self._sitting, more, self._line.baud)
            self._sitting.weigh_ahead()

    def _events(self) -> tuple[float, list[Event]]:
        """What has happened on the line by now, and when; what the reader is asked for is sent."""
        at, block = self._line.new()
        events: list[Event] = []
        if self._quiet.told(at):
            self._follower.forget()
            events.append(Silent())
        if block is None:
            self._follower.forget()
            self._quiet.forget()
            events.append(PortGone())
        elif block:
            self._quiet.hear(at)
            events += self._follower.feed(block, at)
        elif self._line.back():
            events.append(PortBack())
        self._line.ask(self._follower.request(at, events))
        return at, events


class _Quiet:
    """Whether a line that was heard has been still for too long; told once."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._heard: float | None = None

    def hear(self, at: float) -> None:
        self._heard = at

    def told(self, at: float) -> bool:
        """Whether this is the moment at which it counts as silent."""
        if self._heard is None or at - self._heard <= self._seconds:
            return False
        self._heard = None
        return True

    def forget(self) -> None:
        self._heard = None
