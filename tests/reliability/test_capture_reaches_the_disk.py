"""What a capture took is on the disk a second later; log, names and row are before it ends well."""

from __future__ import annotations

import os
import select
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from pipeline.edges.serial_recorder import Drain
from pipeline.run.bench.sheet_row import add_row
from tests.journey.drilling import Run, can_drill, drill

WHY_NOT = can_drill()
pytestmark = pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)


def draining(path: Path, look: Callable[[], bytes]) -> Callable[[], int]:
    def program() -> int:
        log = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        told = Drain(look, log, lambda: False).run()
        return 0 if told.trouble == "line" else 1

    return program


def calls(run: Run, name: str) -> list[str]:
    return [
        step.call for step in run.steps if step.path == name and step.call in ("write", "fsync", "fdatasync")
    ]


def test_a_line_that_prints_for_seconds_is_flushed_each_second(tmp_path: Path) -> None:
    left = iter(range(30))

    def look() -> bytes:
        if next(left, None) is None:
            raise OSError(5, "gone")
        time.sleep(0.1)
        return b"0123456789ABCDEF\n"

    done = drill(draining(tmp_path / "log.raw", look), tmp_path)
    assert done.status == 0, done.output
    assert (tmp_path / "log.raw").stat().st_size == 30 * 17
    unflushed, most = 0, 0
    for call in calls(done, "log.raw"):
        unflushed = unflushed + 1 if call == "write" else 0
        most = max(most, unflushed)
    # Ten writes a second come, and the machine may be slow: never two seconds' worth without a flush.
    assert most <= 20, "the log was not flushed"
    assert calls(done, "log.raw").count("fdatasync") >= 2


def test_the_last_bytes_before_a_silence_are_flushed_too(tmp_path: Path) -> None:
    told, tell = os.pipe()
    sent: list[int] = []

    class Flushes:
        """Tells the line of the first flush, behind which it goes away."""

        def before(self, _process: int, call: str, _arguments: Sequence[int]) -> None:
            if call == "fdatasync":
                os.write(tell, b"+")

        def after(self, _process: int, _remembered: object, _result: int) -> None:
            pass

    def look() -> bytes:
        if not sent:
            sent.append(1)
            return b"all there is\n"
        if select.select([told], [], [], 60)[0]:
            raise OSError(5, "gone")
        return b""

    done = drill(draining(tmp_path / "log.raw", look), tmp_path, recorder=Flushes())
    for handle in (told, tell):
        os.close(handle)
    assert calls(done, "log.raw")[:2] == ["write", "fdatasync"]


def test_a_row_in_the_sheet_is_durable(tmp_path: Path) -> None:
    sheet = tmp_path / "project/sheet.yaml"
    sheet.parent.mkdir()
    sheet.write_text("machine: {id: m}\nreadings:\n  - {file: a.bin}\n")
    done = drill(lambda: 0 if add_row(sheet, {"file": "b.log"}) else 1, tmp_path)
    assert done.status == 0, done.output
    named = [number for number, step in enumerate(done.steps) if "rename" in step.call]
    flushed = [
        number for number, step in enumerate(done.steps) if step.call == "fsync" and step.path == "project"
    ]
    assert named
    assert flushed
    assert flushed[-1] > named[-1], [str(step) for step in done.steps]
