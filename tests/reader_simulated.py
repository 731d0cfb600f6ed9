"""A home-built reader at the far end of a pseudo-terminal: paced, non-blocking, dropping what is not taken in time."""

from __future__ import annotations

import contextlib
import os
import threading
import time
import tty
from collections.abc import Callable, Sequence
from pathlib import Path

from pipeline.formats.reader_protocol import check, print_line

SHEET = """# kept: a comment at the top
wellread: 1
machine: {id: bench-1, name: Bench}
readers:
  prog: {kind: device-programmer}
  hb: {kind: home-built}   # kept: a comment beside
chips:
  - {chip: U1, organisation: %s}
"""


def project(root: Path, organisation: str = "2048x8") -> Path:
    """A project of one chip with no dumps yet."""
    (root / "dumps").mkdir(parents=True)
    (root / "sheet.yaml").write_text(SHEET % organisation, encoding="utf-8")
    return root


def printed(words: Sequence[int], number: int = 1, bits: int = 8, a_line: int = 16) -> list[bytes]:
    """A pass in the line protocol."""
    lines = [print_line(f"#WELLREAD 1 PASS {number} ORG {len(words)}x{bits} LINE {a_line}")]
    places = max(4, ((len(words) - 1).bit_length() + 3) // 4)
    digits, width = (bits + 3) // 4, (bits + 7) // 8
    lines += [
        print_line(
            f"={number} {at:0{places}X} " + " ".join(f"{word:0{digits}X}" for word in words[at : at + a_line])
        )
        for at in range(0, len(words), a_line)
    ]
    crc = check(b"".join(word.to_bytes(width, "big") for word in words))
    lines.append(print_line(f"#END {number} WORDS {len(words)} CRC {crc:04X}"))
    return lines


def plainly(words: Sequence[int], number: int = 1, bits: int = 8, a_line: int = 16) -> list[bytes]:
    """A pass as readers print that prove nothing: a line of text, then hex."""
    digits = (bits + 3) // 4
    return [
        f"-- reading pass {number}\r\n".encode(),
        *(
            " ".join(f"{word:0{digits}X}" for word in words[at : at + a_line]).encode() + b"\r\n"
            for at in range(0, len(words), a_line)
        ),
    ]


LATE_SECONDS = 0.002
"""How far the writer may fall behind and catch up: two of its blocks. What it is later than that, the line stands still."""


class Line:
    """A pseudo-terminal; `name` is the end that capture opens.

    Args:
        buffer: Bytes that wait at this end where the pseudo-terminal is full, as in a driver or an adapter; what
            finds no room there either is lost.

    Attributes:
        dropped: Bytes lost, as on a wire.
        taken: Bytes that the system took, in order.
        baud: The speed that `send` last kept, which a busy machine lowers: the line never goes faster than asked for.
    """

    def __init__(self, buffer: int = 0) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        self.name = os.ttyname(self.slave)
        self.dropped = 0
        self.taken = bytearray()
        self.baud = 0.0
        self._waiting = bytearray()
        self._buffer = buffer

    def send(self, content: bytes, baud: int = 2_000_000, block: int = 200) -> None:
        """At the pace of a line (ten bits a byte); never waits for the far end."""
        started = due = time.monotonic()
        for at in range(0, len(content), block):
            delay = due - time.monotonic()
            if delay > 0:
                time.sleep(delay)
            # a writer that the machine let wait must not make up for it in a burst that no wire can carry
            due = max(due, time.monotonic() - LATE_SECONDS) + block * 10 / baud
            self._arrive(content[at : at + block])
        while self._waiting:
            time.sleep(0.001)
            before = len(self._waiting)
            self._arrive(b"")
            if len(self._waiting) == before and time.monotonic() > due + 5:
                break
        self.baud = len(content) * 10 / max(time.monotonic() - started, 1e-9)

    def _arrive(self, piece: bytes) -> None:
        self._waiting += piece
        taken = 0
        with contextlib.suppress(OSError):
            taken = os.write(self.master, self._waiting) if self._waiting else 0
        self.taken += self._waiting[:taken]
        del self._waiting[:taken]
        over = len(self._waiting) - self._buffer
        if over > 0:
            self.dropped += over
            del self._waiting[-over:]

    def left(self) -> bytes:
        """What the system holds and nobody has read; takes it."""
        os.set_blocking(self.slave, False)
        out = b""
        with contextlib.suppress(BlockingIOError):
            while block := os.read(self.slave, 65_536):
                out += block
        return out

    def unplug(self) -> None:
        """The cable out."""
        os.close(self.slave)
        os.close(self.master)

    def close(self) -> None:
        """Both ends, whichever are still open."""
        for handle in (self.master, self.slave):
            with contextlib.suppress(OSError):
                os.close(handle)


def when_recording(folder: Path, act: Callable[[], None]) -> threading.Thread:
    """Start `act` once a raw log is there: the port is open then, and nothing sent is thrown away."""

    def wait() -> None:
        for _ in range(600):
            if any(folder.glob("capturing/*.raw")):
                time.sleep(0.1)
                act()
                return
            time.sleep(0.05)

    thread = threading.Thread(target=wait, daemon=True)
    thread.start()
    return thread
