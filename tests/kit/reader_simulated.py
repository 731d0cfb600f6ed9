"""A home-built reader at the far end of a pseudo-terminal.

Paced, non-blocking, dropping what is not taken in time.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import select
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

from pipeline.formats.records.reader_log import check

SHEET = """# kept: a comment at the top
wellread: 1
machine: {id: bench-1, name: Bench}
readers:
  prog: {kind: device-programmer}
  hb: {kind: home-built}   # kept: a comment beside
chips:
  - {chip: U1, organisation: %s}
"""


def print_line(text: str) -> bytes:
    """A line with its check, as a reader prints it."""
    body = text.encode("ascii")
    return body + b"*%04X\n" % check(body)


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


def fast_stream() -> tuple[bytes, int]:
    """2 MB in the line protocol, and how many passes of 16 KiB they are."""
    image = random.Random(7).randbytes(1 << 14)
    passes: list[bytes] = []
    while sum(map(len, passes)) < 2_000_000:
        passes.append(b"".join(printed(image, len(passes) + 1)))
    return b"".join(passes), len(passes)


DRIVER_BUFFER = 56 * 1024
"""What a port's driver holds beyond a pseudo-terminal, which is kept to 8 KiB (and 4 more at the reading
end).

Source: from memory of Linux's drivers/tty: 64 KiB or more a port, 8192 set for pseudo-terminals.
"""

_WRITER = """
import os, sys, time
line, baud, buffer, content = *map(int, sys.argv[1:]), memoryview(sys.stdin.buffer.read())
began, at, dropped, due = time.monotonic(), 0, 0, 0
while at < len(content) and time.monotonic() < began + len(content) * 10 / baud + 5:
    due = min(len(content), int((time.monotonic() - began) * baud / 10))
    if due - at < min(64, len(content) - at):
        time.sleep(0.0002)
        continue
    try:
        at += os.write(line, content[at:due])
    except BlockingIOError:
        pass
    over = max(0, due - at - buffer)
    dropped, at = dropped + over, at + over
print(began, time.monotonic(), dropped + len(content) - at)
"""
"""Writes what is due by the clock, 64 bytes or more at a time, and never waits for the far end: what finds no
room is lost. What the machine kept it from writing it writes at once, which asks more of the far end than a
line does.
"""
LATE_SECONDS = 0.002
"""How far the writer may fall behind and catch up: two of its blocks. What it is later than that, the line
stands still.
"""


class Line:
    """A pseudo-terminal; `name` is the end that capture opens.

    Args:
        buffer: Bytes that wait at this end where the pseudo-terminal is full, as in a driver or an adapter;
            what finds no room there either is lost. With none, whoever drains the line may stand still for a
            twentieth of a second at most, which any machine with other work may make it do.

    Attributes:
        buffer: The same; it may be changed.
        dropped: Bytes lost, as on a wire.
        taken: Bytes that the system took, in order.
        baud: The speed that `send` last kept, which a busy machine lowers: the line never goes faster than
            asked for.
    """

    def __init__(self, buffer: int = DRIVER_BUFFER) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        self.name = os.ttyname(self.slave)
        self.dropped = 0
        self.taken = bytearray()
        self.baud = 0.0
        self._waiting = bytearray()
        self.buffer = buffer

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

    def offer(self, content: bytes, baud: int = 2_000_000) -> float:
        """The same from a process of its own, which keeps the pace whatever this one does.

        Returns:
            When the last byte was given to the line, on the clock that only goes forward.
        """
        writer = [sys.executable, "-c", _WRITER, str(self.master), str(baud), str(self.buffer)]
        ran = subprocess.run(
            writer, input=content, stdout=subprocess.PIPE, pass_fds=[self.master], check=True, timeout=60
        )
        began, ended, dropped = (float(one) for one in ran.stdout.split())
        self.dropped += int(dropped)
        self.baud = len(content) * 10 / (ended - began)
        return ended

    def _arrive(self, piece: bytes) -> None:
        self._waiting += piece
        taken = 0
        with contextlib.suppress(OSError):
            taken = os.write(self.master, self._waiting) if self._waiting else 0
        self.taken += self._waiting[:taken]
        del self._waiting[:taken]
        over = len(self._waiting) - self.buffer
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

    def hear(self) -> bytes:
        """What the far end has sent meanwhile."""
        with contextlib.suppress(BlockingIOError):
            return os.read(self.master, 4096)
        return b""

    def unplug(self) -> None:
        """The cable out."""
        os.close(self.slave)
        os.close(self.master)

    def close(self) -> None:
        """Both ends, whichever are still open."""
        for handle in (self.master, self.slave):
            with contextlib.suppress(OSError):
                os.close(handle)


def locked(path: Path) -> bool:
    """Whether a capture has this log: an old one is there long before. Where Linux does not tell, it has."""
    told = Path("/proc/locks")
    return not told.exists() or f":{path.stat().st_ino} " in told.read_text()


def when_recording(folder: Path, act: Callable[[], object], size: int = 0) -> threading.Thread:
    """Start `act` once a raw log is there that the capture is taking bytes for.

    Nothing sent then is thrown away.

    Args:
        folder: The project.
        act: What to do.
        size: Bytes that the log must have by then, where an older one is gone on with.
    """
    before = set(folder.glob("capturing/*.raw")) if not size else set()

    def wait() -> None:
        def recording() -> bool:
            logs = set(folder.glob("capturing/*.raw")) - before
            return any(one.stat().st_size >= size and locked(one) for one in logs)

        if until(recording, 120):
            time.sleep(0.1)
            act()

    thread = threading.Thread(target=wait, daemon=True)
    thread.start()
    return thread


def capture_of(folder: Path, line: Line, *more: object) -> list[str]:
    """The command line, behind the program's name, of a capture of chip U1 by reader `hb`."""
    return ["capture", line.name, "--chip", "U1", "--reader", "hb", "--project", str(folder), *map(str, more)]


def command_of(folder: Path, line: Line, *more: object) -> list[str]:
    """The same for a process of its own."""
    return [sys.executable, "-m", "pipeline", *capture_of(folder, line, *more)]


FORKING = """
import json, os, signal, sys
import pipeline.run.bench.capture, pipeline.views.terminal, serial, yaml
from pipeline.__main__ import _command, run
_command()
signal.signal(signal.SIGCHLD, signal.SIG_IGN)
sys.stdout.write("ready\\n"); sys.stdout.flush()
for line in sys.stdin:
    asked = json.loads(line)
    pid = os.fork()
    if pid == 0:
        signal.alarm(120)
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        said = os.open(asked["said"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        for handle in (1, 2):
            os.dup2(said, handle)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        code = run(asked["arguments"])
        sys.stdout.flush()
        os.write(2, b"ended with %d" % code)
        os._exit(code)
    sys.stdout.write(f"{pid}\\n"); sys.stdout.flush()
"""


class Warm:
    """Captures as processes of their own, forked from one that has loaded everything.

    Fifty cost what five did.
    """

    def __init__(self) -> None:
        root = Path(__file__).parents[2]
        self._process = subprocess.Popen(
            [sys.executable, "-c", FORKING],
            cwd=root,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._one_at_a_time = threading.Lock()
        assert self._answer() == "ready"

    def _answer(self) -> str:
        """One line; waited for a minute at most."""
        assert self._process.stdout is not None
        assert select.select([self._process.stdout], [], [], 60)[0], "the process that forks says nothing"
        return self._process.stdout.readline().strip()

    def start(self, arguments: Sequence[object], said: Path) -> int:
        """The id of a process that runs this command and writes all that it says to a file."""
        asked = {"arguments": [str(one) for one in arguments], "said": str(said)}
        assert self._process.stdin is not None
        with self._one_at_a_time:
            self._process.stdin.write(json.dumps(asked) + "\n")
            self._process.stdin.flush()
            return int(self._answer())

    def close(self) -> None:
        """End it."""
        try:
            self._process.communicate(timeout=60)
        finally:
            self._process.kill()


def until(true: Callable[[], object], seconds: float = 30) -> bool:
    """Wait for something; whether it came."""
    end = time.monotonic() + seconds
    while not true():
        if time.monotonic() > end:
            return False
        time.sleep(0.005)
    return True


def children(pid: int) -> list[int]:
    """Processes that this one has started and that still run; Linux only."""
    try:
        return [int(one) for one in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []


def alive(pid: int) -> bool:
    """Whether a process runs; one that is dead and not yet taken leave of does not. Linux only."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return False
    return stat.rpartition(")")[2].split()[0] not in "ZX"


class Killed(NamedTuple):
    """A capture killed in the middle of a stream.

    Attributes:
        taken: What the system had taken from the reader.
        log: What the raw log had in the end.
        at_kill: Bytes in the log just after the kill.
        left: What lay in the system and nobody had read.
        dropped: Bytes that found no room on the line.
        said: What the capture said.
    """

    taken: bytes
    log: bytes
    at_kill: int
    left: bytes
    dropped: int
    said: str


def kill_capture(warm: Warm, folder: Path, stream: bytes, at: int, *, drainer: bool) -> Killed:
    """Start a capture, send it a stream that does not end for its sake, and kill it after so many bytes.

    Args:
        warm: Where captures are forked.
        folder: A new project.
        stream: What the reader prints.
        at: Bytes after which SIGKILL is sent.
        drainer: Kill the process that drains the line, not the one that was started.
    """
    line = Line(buffer=0)
    raw, said = folder / "capturing" / "U1.hb.1.raw", folder.parent / f"{folder.name}.said"
    pid = warm.start(capture_of(folder, line), said)
    try:
        assert until(lambda: raw.exists() and b"Listening" in said.read_bytes()), said.read_text()
        [drains] = children(pid)
        line.send(stream[:at])
        os.kill(drains if drainer else pid, signal.SIGKILL)
        at_kill = raw.stat().st_size if raw.exists() else 0
        line.send(stream[at : at + 600])
        assert until(lambda: not alive(drains) and not alive(pid)), "something still runs"
        return Killed(
            bytes(line.taken),
            raw.read_bytes() if raw.exists() else b"",
            at_kill,
            line.left(),
            line.dropped,
            said.read_text("utf-8"),
        )
    finally:
        for one in {pid, *children(pid)}:
            with contextlib.suppress(OSError):
                os.kill(one, signal.SIGKILL)
        line.close()
