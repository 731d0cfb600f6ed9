"""A project folder for hostile drills, and what each command must do whatever lies there."""

from __future__ import annotations

import os
import signal
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.journey.cli import Ran

SHEET = """\
machine: {{id: m, name: M}}
readers: {{prog: {{kind: device-programmer}}}}
chips:
  - {{chip: U1, part: '2716'}}
readings:
  - {{chip: U1, reader: prog, file: {file}}}
"""
SECRET = b"# what lies outside the project folder\n"
IMAGE = bytes(range(256)) * 8
Words = Sequence[str | Path]


def project_at(folder: Path, sheet: str = SHEET.format(file="dumps/u1.bin")) -> Path:
    (folder / "dumps").mkdir(parents=True)
    (folder / "dumps" / "u1.bin").write_bytes(IMAGE)
    (folder / "sheet.yaml").write_text(sheet, encoding="utf-8")
    return folder


@contextmanager
def deep(folder: Path) -> Iterator[Path]:
    """A folder in which others may be nested deeper than Python's own ways of removing them go."""
    folder.mkdir()
    try:
        yield folder
    finally:
        subprocess.run(["rm", "-rf", "--", str(folder)], check=True)


def nested(folder: Path, depth: int) -> None:
    """Folders named `d`, each in the one before, deeper than the system takes a path."""
    handle = os.open(folder, os.O_RDONLY)
    for _ in range(depth):
        os.mkdir("d", dir_fd=handle)
        inner = os.open("d", os.O_RDONLY, dir_fd=handle)
        os.close(handle)
        handle = inner
    os.close(handle)


def in_words(ran: Ran) -> None:
    """Refused, never a bug (70), and no control character reaches the terminal."""
    assert ran.code not in {0, 70}, ran.err
    inert(ran)


def inert(ran: Ran) -> None:
    assert ran.code != 70, ran.err
    assert "Traceback" not in ran.err
    shown = ran.out + ran.err
    assert not [char for char in shown if (ord(char) < 32 and char not in "\n\t") or 127 <= ord(char) < 160]


class TooLongError(AssertionError):
    """A command went on where it should have ended."""


WAIT_SECONDS = 120
"""By the clock: whoever waits for ever, as for a pipe nobody writes to, takes no time of the processor."""


@contextmanager
def within(seconds: int) -> Iterator[None]:
    """End what takes more of the processor's time than this, or waits for ever, instead of waiting with it.

    By the clock alone, a machine with other work would be no better than a program that hangs.
    """

    def over(number: int, frame: object) -> None:
        del number, frame
        raise TooLongError(f"not done within {seconds} s")

    if not hasattr(signal, "setitimer"):
        yield
        return
    limits = (
        (signal.ITIMER_PROF, signal.SIGPROF, seconds),
        (signal.ITIMER_REAL, signal.SIGALRM, max(WAIT_SECONDS, 5 * seconds)),
    )
    handlers = [signal.signal(number, over) for _, number, _ in limits]
    left = [signal.setitimer(timer, limit)[0] for timer, _, limit in limits]
    try:
        yield
    finally:
        for (timer, number, _), handler, before in zip(limits, handlers, left, strict=True):
            signal.setitimer(timer, 0)
            signal.signal(number, handler)
            signal.setitimer(timer, before)  # that of the test itself, which may be a little later now
