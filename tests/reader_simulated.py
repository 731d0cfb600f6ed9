"""A home-built reader at the far end of a pseudo-terminal: paced, non-blocking, dropping what is not taken in time."""

from __future__ import annotations

import contextlib
import os
import threading
import time
import tty
from collections.abc import Callable
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


def printed(image: bytes, number: int = 1) -> list[bytes]:
    """A pass in the line protocol."""
    lines = [print_line(f"#WELLREAD 1 PASS {number} ORG {len(image)}x8 LINE 16")]
    digits = max(4, ((len(image) - 1).bit_length() + 3) // 4)
    lines += [
        print_line(f"={number} {at:0{digits}X} {image[at : at + 16].hex(' ').upper()}")
        for at in range(0, len(image), 16)
    ]
    lines.append(print_line(f"#END {number} WORDS {len(image)} CRC {check(image):04X}"))
    return lines


class Line:
    """A pseudo-terminal; `name` is the end that capture opens."""

    def __init__(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        self.name = os.ttyname(self.slave)
        self.dropped = 0
        self.taken = bytearray()

    def send(self, content: bytes, baud: int = 2_000_000, block: int = 200) -> None:
        """At the pace of a line (ten bits a byte); what the far end does not take is lost, as on a wire."""
        started = time.monotonic()
        for at in range(0, len(content), block):
            due = started + at * 10 / baud
            delay = due - time.monotonic()
            if delay > 0:
                time.sleep(delay)
            piece = content[at : at + block]
            taken = 0
            with contextlib.suppress(OSError):
                taken = os.write(self.master, piece)
            self.dropped += len(piece) - taken
            self.taken += piece[:taken]

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
