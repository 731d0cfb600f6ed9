"""Capture at 2,000,000 baud over a pseudo-terminal.

Bytes dropped, the worst stall, and SIGKILL at fifty points, twice.
"""

from __future__ import annotations

import json
import random
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.kit.reader_simulated import (
    DRIVER_BUFFER,
    Killed,
    Line,
    Warm,
    command_of,
    fast_stream,
    kill_capture,
    printed,
    project,
    when_recording,
)

ROOT = Path(__file__).parents[2]
BUFFER_MS = 60.0
"""What the 12 KiB of a pseudo-terminal bridge at this speed: a longer stall loses bytes there."""


def fast(root: Path, buffer: int = 0) -> tuple[int, int, float, float]:
    """(bytes the writer dropped, bytes of the log not sent so, worst stall in ms, baud that it kept)."""
    content, passes = fast_stream()
    folder, line = project(root / f"fast-{buffer}", "16384x8"), Line(buffer)
    thread = when_recording(folder, lambda: line.send(content))
    command = command_of(folder, line, "--baud", 2_000_000, "--passes", passes, "--json")
    done = subprocess.run(command, cwd=ROOT, capture_output=True, check=False, timeout=120)
    thread.join(timeout=60)
    line.close()
    log = next(folder.glob("*/U1.hb.1.*")).read_bytes()
    stall = json.loads(done.stdout)["worst_stall_ms"] if done.stdout else float("inf")
    return line.dropped, 0 if log == line.taken else len(content), stall, line.baud


def kills(root: Path, *, drainer: bool) -> list[Killed]:
    """Captures killed at fifty points of a stream, one after the other."""
    image = random.Random(7).randbytes(1 << 13)
    stream = b"".join(b"".join(printed(image, number)) for number in (1, 2, 3))
    choose, warm = random.Random(9), Warm()
    out = [
        kill_capture(
            warm,
            project(root / f"k{drainer}{number}", "8192x8"),
            stream,
            choose.randrange(1, 40_000),
            drainer=drainer,
        )
        for number in range(50)
    ]
    warm.close()
    return out


def rows() -> Iterator[tuple[str, float, float]]:
    """(what is measured, figure, bound)."""
    with tempfile.TemporaryDirectory() as root:
        for buffer, where in ((0, "a bare pty"), (DRIVER_BUFFER, "a driver's buffer")):
            dropped, differing, stall, baud = fast(Path(root), buffer)
            yield f"bytes dropped of 2 MB at 2,000,000 baud, {where}", float(dropped), 0.0
            yield f"bytes of the log that are not what came, {where}", float(differing), 0.0
            yield f"worst stall in ms, {where}", stall, BUFFER_MS + buffer / 200
            yield f"times slower than 2,000,000 baud the writer was, {where}", 2_000_000 / baud, 1.5
        own = kills(Path(root), drainer=False)
        yield (
            "logs short of what the system took, capture killed, of 50",
            float(sum(one.log + one.left != one.taken for one in own)),
            0.0,
        )
        drains = kills(Path(root), drainer=True)
        yield (
            "logs not intact up to their last block, drainer killed, of 50",
            float(sum(not one.taken.startswith(one.log) for one in drains)),
            0.0,
        )
        lost = sorted(len(one.taken) - len(one.log) - len(one.left) for one in drains)
        yield "most bytes read and not yet written, drainer killed", float(lost[-1]), 65_536.0
