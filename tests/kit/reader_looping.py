"""A reader in its loop mode at the far end of a pseudo-terminal, with a simulated board: pass after pass.

It rests while a supply is off, begins to count anew when all of them stand, answers what it is asked, and
tests the lines of an empty socket. Every byte that the system takes is counted; none is thrown away.
"""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time
from collections.abc import Callable
from typing import Self

import numpy as np
from numpy.typing import NDArray

from pipeline.formats.records.reader_log import check
from tests.kit.board_simulated import Board
from tests.kit.reader_simulated import Line, print_line
from tests.kit.wires import Image

PIECE = 1024
"""Bytes after which the far end of a reader in the same thread has its turn."""
SILENCE_SECONDS = 0.05
"""How much time passes where nothing comes, for such a reader."""


class LoopingReader:
    """One reader.

    Args:
        line: Its serial line.
        board: What it reads.
        a_line: Words on a line.
        listens: Whether it hears what it is asked.
        plain: Whether it prints plain hex.
        patient: Seconds for which it waits for a request.

    Attributes:
        passes: Whole passes printed, each with its words.
        again: Addresses and words that were read once more in the latest of them.
        before_pass, in_pass: Called before a pass begins, and in the middle of it.
        may_begin: Whether a pass may begin.
        wants_test: Whether it tests the lines of an empty socket next.
        idle: Set while it prints nothing and waits.
        ended_at: When the last byte of the last pass was given to the line.
    """

    def __init__(
        self,
        line: Line,
        board: Board,
        *,
        a_line: int = 16,
        listens: bool = True,
        plain: bool = False,
        patient: float = 2.0,
    ) -> None:
        self.line, self.board, self.a_line, self.listens, self.plain = line, board, a_line, listens, plain
        self.patient = patient
        self.passes: list[Image] = []
        self.again: list[tuple[NDArray[np.int64], Image]] = []
        self.before_pass: Callable[[], object] = lambda: None
        self.in_pass: Callable[[], object] = lambda: None
        self.idle = threading.Event()
        self.may_begin: Callable[[], bool] = lambda: True
        self.wants_test = False
        self.ended_at = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._heard = b""

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(timeout=20)
        assert not self._thread.is_alive()

    # -- the loop --------------------------------------------------------------------------------------------

    def _run(self) -> None:
        number, cycle = 0, 0
        with contextlib.suppress(OSError):
            while not self._stop.is_set():
                if self.wants_test and not self.board.chip_in:
                    self._test_lines()
                    self.wants_test = False
                elif self.board.powered and self.may_begin():
                    self.idle.clear()
                    number = number + 1 if cycle == self.board.cycles else 1
                    cycle = self.board.cycles
                    self.before_pass()
                    self._pass(number)
                else:
                    self._wait()

    def _wait(self) -> None:
        """An empty line, which says nothing, wakes whoever listens to what is idle now."""
        if not self.idle.is_set():
            self.idle.set()
            if self.board.powered:
                self._write(b"\n")
        time.sleep(0.001)

    def _pass(self, number: int) -> None:
        """One pass, left as it is where a supply goes off in the middle of it."""
        board = self.board
        size, digits = int(board.image.size), (board.bits + 3) // 4
        if self.plain:
            self._write(b"-- reading pass %d\r\n" % number)
        else:
            self._write(print_line(f"#WELLREAD 1 PASS {number} ORG {size}x{board.bits} LINE {self.a_line}"))
        words = np.zeros_like(board.image)
        chunk = self.a_line * 16
        for first in range(0, size, chunk):
            if not board.powered or self._stop.is_set():
                return
            if first >= size // 2 > first - chunk:
                self.in_pass()
            addresses = np.arange(first, min(first + chunk, size))
            words[addresses] = board.read(addresses)
            self._write(
                b"".join(
                    self._line(number, at, words[at : at + self.a_line], digits)
                    for at in range(first, int(addresses[-1]) + 1, self.a_line)
                )
            )
        self.passes.append(words)
        self.again = []
        if not self.plain:
            octets = words.astype(f">u{(board.bits + 7) // 8}").tobytes()
            self._write(print_line(f"#END {number} WORDS {size} CRC {check(octets):04X}"))
        self.ended_at = time.monotonic()
        if self.listens and not self.plain:
            self._listen(number, digits)

    def _line(self, number: int, address: int, words: Image, digits: int) -> bytes:
        text = " ".join(f"{word:0{digits}X}" for word in words)
        if self.plain:
            return text.encode() + b"\r\n"
        places = max(4, ((int(self.board.image.size) - 1).bit_length() + 3) // 4)
        return print_line(f"={number} {address:0{places}X} {text}")

    def _listen(self, number: int, digits: int) -> None:
        until = time.monotonic() + self.patient
        while time.monotonic() < until and self.board.powered and not self._stop.is_set():
            request = self._request()
            if request == b"!":
                return
            parts = request.split()
            if len(parts) == 2 and parts[0] == b"?%d" % number and parts[1] not in (b"H", b"T"):
                at = int(parts[1], 16)
                addresses = np.arange(at, min(at + self.a_line, self.board.image.size))
                words = self.board.read(addresses)
                self.again.append((addresses, words))
                self._write(self._line(number, at, words, digits))
                until = time.monotonic() + self.patient

    def _request(self) -> bytes:
        if b"\n" not in self._heard and select.select([self.line.master], [], [], 0.005)[0]:
            self._heard += os.read(self.line.master, 4096)
        if b"\n" not in self._heard:
            return b""
        request, _, self._heard = self._heard.partition(b"\n")
        return request

    def _write(self, block: bytes) -> None:
        rest = memoryview(block)
        while rest and not self._stop.is_set():
            if select.select([], [self.line.master], [], 0.05)[1]:
                with contextlib.suppress(BlockingIOError):
                    sent = os.write(self.line.master, rest)
                    self.line.taken += rest[:sent]
                    rest = rest[sent:]

    # -- the line test ---------------------------------------------------------------------------------------

    def _test_lines(self) -> None:
        board = self.board
        every = [*(f"A{k}" for k in range(board.lines)), *(f"D{k}" for k in range(board.bits))]
        self._write(print_line(f"#WELLREAD 1 TEST 1 LINES {board.lines}x{board.bits}"))
        for line in every:
            taken = [board.levels(line, level) for level in (0, 1, None)]
            low, high, free = (f"{address:X} {data:X}" for address, data in taken)
            self._write(print_line(f"~1 {line} LOW {low} HIGH {high} FREE {free}"))
        self._write(print_line("#END TEST 1"))


class SteppedReader(LoopingReader):
    """The same reader in one thread with whoever watches it: after each block the far end has its turn.

    Nothing waits for a scheduler, so that thousands of histories take the time that their work takes.

    Attributes:
        turn: The far end's turn; whether it is enough.
    """

    turn: Callable[[], bool] = staticmethod(lambda: True)

    def run(self) -> None:
        """Print until the far end has had enough."""
        self._run()

    def _far_end(self) -> None:
        if self.turn():
            self._stop.set()

    def _wait(self) -> None:
        if not self.idle.is_set():
            self.idle.set()
            if self.board.powered:
                self._write(b"\n")
        self._far_end()

    def _write(self, block: bytes) -> None:
        for at in range(0, len(block), PIECE):
            super()._write(block[at : at + PIECE])
            self._far_end()

    def _request(self) -> bytes:
        self._far_end()
        return super()._request()


class SteppedLine:
    """The near end of such a reader's line: real bytes over the pseudo-terminal, time that only it moves.

    Args:
        reader: At the far end.
        baud: Of the line.
    """

    def __init__(self, reader: SteppedReader, baud: int) -> None:
        self.baud = baud
        self._line, self._clock, self._taken = reader.line, 0.0, 0

    def new(self) -> tuple[float, bytes | None]:
        """All that the reader has printed and nobody has taken; without any, a moment of silence."""
        block = b""
        if self._taken < len(self._line.taken):
            assert select.select([self._line.slave], [], [], 60)[0], "bytes do not come through"
            block = os.read(self._line.slave, 65_536)
        self._taken += len(block)
        self._clock += len(block) * 10 / self.baud if block else SILENCE_SECONDS
        return self._clock, block

    def back(self) -> bool:
        """It never goes away."""
        return False

    def ask(self, request: bytes) -> None:
        """To the reader."""
        if request:
            os.write(self._line.slave, request)
