"""Capture at 2,000,000 baud over a pseudo-terminal: bytes dropped, the worst stall, and SIGKILL at fifty points."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.reader_simulated import Line, printed, project, when_recording

ROOT = Path(__file__).parents[2]
SIZE = 2_000_000
TTY_BUFFER_MS = 20.0
"""What the system's 4 KiB of buffer hold at this speed: a longer stall loses bytes."""


def _stream() -> tuple[bytes, int]:
    image = random.Random(7).randbytes(1 << 16)
    one = [b"".join(printed(image, number)) for number in range(1, 12)]
    passes = -(-SIZE // len(one[0]))
    return b"".join(one[:passes]), passes


def _command(line: Line, folder: Path, passes: int) -> list[str]:
    return [
        sys.executable, "-m", "pipeline", "capture", line.name, "--chip", "U1", "--reader", "hb", "--baud", "2000000",
        "--passes", str(passes), "--project", str(folder), "--json",
    ]  # fmt: skip


def fast(root: Path) -> tuple[int, int, float]:
    """(bytes dropped by the paced writer, bytes of the log that differ in number, worst stall in ms)."""
    import json

    content, passes = _stream()
    folder, line = project(root / "fast", "65536x8"), Line()
    thread = when_recording(folder, lambda: line.send(content))
    done = subprocess.run(_command(line, folder, passes), cwd=ROOT, capture_output=True, check=False)
    thread.join()
    line.close()
    log = next(folder.glob("*/U1.hb.1.*")).read_bytes()
    stall = json.loads(done.stdout)["worst_stall_ms"] if done.stdout else float("inf")
    return line.dropped, abs(len(log) - len(content)) if log == content else len(content), stall


def killed(root: Path, points: int = 50) -> int:
    """At how many of so many points the log of a killed capture is not what was received."""
    content, passes = _stream()
    choose, wrong = random.Random(9), 0
    for number in range(points):
        folder, line = project(root / f"k{number}", "65536x8"), Line()
        sent = content[: choose.randrange(1, 40_000)]
        with subprocess.Popen(_command(line, folder, passes), cwd=ROOT, stderr=subprocess.DEVNULL) as process:
            when_recording(folder, lambda line=line, sent=sent: line.send(sent)).join()  # type: ignore[misc]
            time.sleep(0.05)
            process.send_signal(signal.SIGKILL)
        line.close()
        log = (folder / "capturing" / "U1.hb.1.raw").read_bytes()
        # what the line dropped was never received, and what still lay in the system's buffer had not been received; anything before it must be there unchanged
        wrong += not (line.taken.startswith(log) and len(line.taken) - len(log) <= 4096)
    return wrong


def rows() -> Iterator[tuple[str, float, float]]:
    """(what is measured, figure, bound)."""
    with tempfile.TemporaryDirectory() as root:
        dropped, differing, stall = fast(Path(root))
        yield "bytes dropped of 2 MB at 2,000,000 baud", float(dropped), 0.0
        yield "bytes of the log that are not what was sent", float(differing), 0.0
        yield "worst stall in ms, of the 20 ms that a buffer of 4 KiB bridges", stall, TTY_BUFFER_MS
        yield "logs not whole after SIGKILL, of 50", float(killed(Path(root))), 0.0
