"""The program that drains a line: order, stalls, ends, and every trouble told for what it is."""

from __future__ import annotations

import errno
import os
import pty
import signal
import struct
import subprocess
import sys
import time
import tty
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from pipeline.edges import serial, serial_recorder
from pipeline.edges.serial_recorder import LAST_SECONDS, LINE_SECONDS, SILENT_SECONDS, Drain, look_at
from pipeline.errors import DestinationError, PortError, StorageError
from tests.kit.forked import ending

posix = pytest.mark.skipif(os.name != "posix", reason="handles are handed on in POSIX systems only")


def looks(blocks: Iterator[bytes]) -> Callable[[], bytes]:
    """A line that gives these blocks, then goes away."""

    def look() -> bytes:
        block = next(blocks, None)
        if block is None:
            raise OSError(errno.EIO, "gone")
        return block

    return look


@pytest.fixture
def log(tmp_path: Path) -> Generator[tuple[int, Path]]:
    path = tmp_path / "log.raw"
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    yield handle, path
    os.close(handle)


def test_what_comes_is_written_in_order_and_a_line_that_goes_away_is_told(log: tuple[int, Path]) -> None:
    told = Drain(looks(iter([b"one ", b"", b"two ", b"three"])), log[0], lambda: False).run()
    assert log[1].read_bytes() == b"one two three"
    assert (told.trouble, told.number, told.fullest) == ("line", errno.EIO, 5)


@pytest.mark.clock
def test_a_stall_is_told_at_least_as_long_as_it_was(log: tuple[int, Path]) -> None:
    def late() -> Iterator[bytes]:
        yield b"a"
        time.sleep(0.08)
        yield b"b"

    assert 0.08 <= Drain(looks(late()), log[0], lambda: False).run().worst_stall < 5


def test_bytes_that_waited_since_the_line_was_opened_are_a_stall_too(log: tuple[int, Path]) -> None:
    opened = time.monotonic() - 3
    assert Drain(looks(iter([b"a"])), log[0], lambda: False, opened).run().worst_stall >= 3


@pytest.mark.clock
def test_an_idle_line_is_no_stall(log: tuple[int, Path]) -> None:
    def idle() -> Iterator[bytes]:
        for _ in range(60):
            time.sleep(0.02)
            yield b""
        yield b"a"

    # Bytes came once, after 1.2 s without any: less is what the machine made of one look.
    assert Drain(looks(idle()), log[0], lambda: False, time.monotonic()).run().worst_stall < 1


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="there is no disk that is always full here")  # noqa: PTH110
def test_a_full_disk_ends_it_and_is_told_as_one() -> None:
    full = os.open("/dev/full", os.O_WRONLY)

    def endless() -> Iterator[bytes]:
        while True:
            time.sleep(0.001)
            yield b"x" * 100

    told = Drain(looks(endless()), full, lambda: False).run()
    os.close(full)
    assert (told.trouble, told.number) == ("disk", errno.ENOSPC)


@pytest.mark.clock
def test_a_silent_line_ends_with_everything_written_though_its_last_line_is_open(
    log: tuple[int, Path],
) -> None:
    def slowly() -> Iterator[bytes]:
        yield b"one\n"
        yield b""
        time.sleep(SILENT_SECONDS / 3)
        yield b"tw"
        while True:
            time.sleep(0.002)
            yield b""

    assert Drain(looks(slowly()), log[0], lambda: True).run().trouble == ""
    assert log[1].read_bytes() == b"one\ntw"


@pytest.mark.clock
def test_a_reader_that_never_stops_is_left_at_the_end_of_a_line(log: tuple[int, Path]) -> None:
    def endless() -> Iterator[bytes]:
        while True:
            time.sleep(0.001)
            yield b"12 34\n5"
            yield b"6 78"

    started = time.monotonic()
    assert Drain(looks(endless()), log[0], lambda: True).run().trouble == ""
    assert LAST_SECONDS <= time.monotonic() - started < LAST_SECONDS + LINE_SECONDS
    assert set(log[1].read_bytes().splitlines(keepends=True)) == {b"12 34\n", b"56 7812 34\n"}


@pytest.mark.clock
def test_a_reader_that_never_stops_and_never_ends_a_line_is_left_all_the_same(log: tuple[int, Path]) -> None:
    def endless() -> Iterator[bytes]:
        while True:
            time.sleep(0.001)
            yield b"12 "

    started = time.monotonic()
    assert Drain(looks(endless()), log[0], lambda: True).run().trouble == ""
    assert set(log[1].read_bytes().split()) == {b"12"}
    assert LAST_SECONDS + LINE_SECONDS <= time.monotonic() - started < 10


@posix
def test_as_a_program_it_ends_with_its_standard_input_and_says_how_it_went(log: tuple[int, Path]) -> None:
    out, into = os.pipe()
    arguments = [
        sys.executable,
        "-I",
        "-S",
        serial_recorder.__file__,
        str(out),
        str(log[0]),
        repr(time.monotonic()),
    ]
    with ending(
        subprocess.Popen(arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE, pass_fds=(out, log[0]))
    ) as program:
        os.write(into, b"x" * 5000)
        while log[1].stat().st_size < 5000:
            time.sleep(0.01)
        os.write(into, b"the rest")
        said, _ = program.communicate(timeout=20)
    os.close(out)
    os.close(into)
    assert program.returncode == 0
    ready, *last = said.split()
    assert ready == serial_recorder.READY.strip()
    stall, fullest, trouble, number = last
    assert log[1].read_bytes() == b"x" * 5000 + b"the rest"
    assert (trouble, number) == (b"-", b"0")
    # the time that the program took to start is a stall, since bytes waited meanwhile
    assert 0 < float(stall) < 20
    assert int(fullest) <= 5000


@posix
def test_a_handle_that_reads_nothing_though_it_is_ready_is_a_line_gone() -> None:
    out, into = os.pipe()
    never, still = os.pipe()
    os.close(into)
    look, ended = look_at(out, never)
    with pytest.raises(OSError, match="hung up"):
        look()
    assert not ended()
    os.close(still)
    with pytest.raises(OSError, match="hung up"):
        look()
    assert ended()
    os.close(out)
    os.close(never)


@dataclass
class Port:
    """What the recorder uses of a port, over a pseudo-terminal of this test."""

    handle: int
    name: str = "a pseudo-terminal"
    timeout: float = 0.0

    def fileno(self) -> int:
        return self.handle

    @property
    def in_waiting(self) -> int:
        return 0

    def read(self, most: int) -> bytes:
        import select

        ready, _, _ = select.select([self.handle], [], [], self.timeout)
        if not ready:
            return b""
        if not (block := os.read(self.handle, most)):
            raise OSError(0, "ready, and nothing there")  # as pyserial has it
        return block


@pytest.fixture
def ends() -> Generator[tuple[int, Port]]:
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield master, Port(slave)
    for handle in (master, slave):
        try:
            os.close(handle)
        except OSError:
            continue


def all_new(recorder: serial.Recorder, size: int) -> bytes:
    """What the recorder hands on until there is so much of it."""
    out, until = b"", time.monotonic() + 20
    while len(out) < size and time.monotonic() < until:
        out += recorder.new() or b""
    return out


@pytest.mark.clock
@pytest.mark.parametrize("apart", [True, False], ids=["process", "threads"])
def test_a_recorder_hands_on_what_is_in_the_log_and_knows_its_stall(
    log: tuple[int, Path], ends: tuple[int, Port], *, apart: bool
) -> None:
    if apart and os.name != "posix":
        pytest.skip("handles are handed on in POSIX systems only")
    os.write(log[0], b"from before\n")
    recorder = serial.Recorder(ends[1], *log, apart=apart)
    recorder.start()
    os.write(ends[0], b"3E 00 D3 10\n" * 50)
    assert all_new(recorder, 600) == b"3E 00 D3 10\n" * 50
    assert recorder.worst_stall is None
    os.write(ends[0], b"last")
    recorder.stop()
    assert log[1].read_bytes() == b"from before\n" + b"3E 00 D3 10\n" * 50 + b"last"
    assert recorder.received == 604
    assert recorder.trouble is None
    assert recorder.worst_stall is not None
    assert 0 < recorder.worst_stall < 20


@pytest.mark.parametrize("apart", [True, False], ids=["process", "threads"])
def test_a_recorder_tells_a_line_that_went_away(
    log: tuple[int, Path], ends: tuple[int, Port], *, apart: bool
) -> None:
    recorder = serial.Recorder(ends[1], *log, apart=apart)
    recorder.start()
    os.write(ends[0], b"3E 00\n")
    assert all_new(recorder, 6) == b"3E 00\n"
    os.close(ends[0])
    while recorder.new() is not None:
        pass
    recorder.stop()
    assert isinstance(recorder.trouble, PortError)
    assert "went away" in str(recorder.trouble)
    assert log[1].read_bytes() == b"3E 00\n"


@posix
def test_a_recorder_whose_process_is_killed_says_so_and_gives_no_stall(
    log: tuple[int, Path], ends: tuple[int, Port]
) -> None:
    recorder = serial.Recorder(ends[1], *log)
    recorder.start()
    os.write(ends[0], b"3E 00\n")
    assert all_new(recorder, 6) == b"3E 00\n"
    assert recorder._child is not None
    recorder._child.send_signal(signal.SIGKILL)
    while recorder.new() is not None:
        pass
    recorder.stop()
    assert isinstance(recorder.trouble, PortError)
    assert "ended from outside (signal 9)" in str(recorder.trouble)
    assert recorder.worst_stall is None
    assert recorder.received == 6


@posix
def test_where_no_process_can_be_started_threads_drain(
    log: tuple[int, Path], ends: tuple[int, Port], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    recorder = serial.Recorder(ends[1], *log)
    recorder.start()
    os.write(ends[0], b"3E 00\n")
    assert all_new(recorder, 6) == b"3E 00\n"
    recorder.stop()
    assert recorder.trouble is None
    assert recorder.worst_stall is not None


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="there is no disk that is always full here")  # noqa: PTH110
@pytest.mark.parametrize("apart", [True, False], ids=["process", "threads"])
def test_a_recorder_tells_a_full_disk(log: tuple[int, Path], ends: tuple[int, Port], *, apart: bool) -> None:
    full = os.open("/dev/full", os.O_WRONLY)
    recorder = serial.Recorder(ends[1], full, log[1], apart=apart)
    recorder.start()
    os.write(ends[0], b"3E 00\n")
    while recorder.new() is not None:
        pass
    recorder.stop()
    os.close(full)
    assert isinstance(recorder.trouble, StorageError)
    assert "no space left" in str(recorder.trouble)


def test_a_log_is_one_captures_own(tmp_path: Path) -> None:
    pytest.importorskip("fcntl", reason="logs are locked in POSIX systems only")
    path = tmp_path / "log.raw"
    first = serial.open_log(path, resume=False)
    assert serial.in_use(path)
    with pytest.raises(DestinationError, match="another capture is writing to this log"):
        serial.open_log(path, resume=True)
    os.close(first)
    assert not serial.in_use(path)
    os.close(serial.open_log(path, resume=True))


def test_a_new_log_is_never_put_over_another_file(tmp_path: Path) -> None:
    path = tmp_path / "log.raw"
    path.write_bytes(b"kept")
    with pytest.raises(DestinationError, match="Go on with --resume"):
        serial.open_log(path, resume=False)
    assert path.read_bytes() == b"kept"
    with pytest.raises(StorageError):
        serial.open_log(tmp_path / "none" / "log.raw", resume=False)


def test_the_two_counts_of_lost_bytes_are_read_where_the_system_keeps_them() -> None:
    # Source: linux/serial.h, struct serial_icounter_struct: cts dsr rng dcd rx tx frame overrun parity brk
    # buf_overrun
    fields = [*range(100, 107), 3, 108, 109, 4, *[0] * 9]
    assert serial.lost(struct.pack("@20i", *fields)) == 7


def test_a_port_without_such_counts_says_none(ends: tuple[int, Port]) -> None:
    assert serial.overruns(ends[1]) is None


def test_a_missing_pyserial_is_told_with_the_way_to_install_it(monkeypatch: pytest.MonkeyPatch) -> None:
    absent: Any = None
    monkeypatch.setitem(sys.modules, "serial", absent)
    with pytest.raises(PortError) as told:
        serial.open_port("/dev/ttyX", 9600)
    assert "needs the optional package pyserial" in str(told.value)
    assert "pip install '.[serial]'" in str(told.value)
