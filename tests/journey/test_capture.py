"""`wellread capture` over real pseudo-terminals, and the whole way from the bench to the bundle."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Generator
from pathlib import Path

import pytest

pytest.importorskip("serial", reason="capture needs the optional package pyserial")

from pipeline.errors import FormatError
from pipeline.formats import Declared, decode
from tests.journey.cli import Ran, wellread
from tests.reader_simulated import Line, printed, project, when_recording

ROOT = Path(__file__).parents[2]
READER = ROOT / "example_project" / "reader" / "reader.cpp"
IMAGE = random.Random(10).randbytes(2048)


@pytest.fixture
def line() -> Generator[Line]:
    made = Line()
    yield made
    made.close()


def captured(folder: Path, line: Line, *more: str) -> Ran:
    return wellread(
        "capture",
        line.name,
        "--chip",
        "U1",
        "--reader",
        "hb",
        "--project",
        folder,
        "--quiet-seconds",
        "1",
        *more,
    )


def whole(passes: int = 3, image: bytes = IMAGE) -> bytes:
    return b"".join(b"".join(printed(image, number)) for number in range(1, passes + 1))


def test_three_passes_are_captured_byte_for_byte_and_enter_the_sheet(tmp_path: Path, line: Line) -> None:
    folder = project(tmp_path / "p")
    when_recording(folder, lambda: line.send(whole()))
    done = captured(folder, line, "--json")
    assert done.code == 0, done.err
    log = folder / "dumps" / "U1.hb.1.log"
    assert log.read_bytes() == whole()
    assert line.dropped == 0
    assert done.document["examined"]["passes"] == 3
    assert not list((folder / "capturing").iterdir())
    text = (folder / "sheet.yaml").read_text(encoding="utf-8")
    assert "# kept: a comment at the top" in text
    assert "# kept: a comment beside" in text
    assert "file: U1.hb.1.log" in text
    assert wellread("check", folder).code == 0


def test_a_second_capture_takes_the_next_number_and_touches_nothing(tmp_path: Path, line: Line) -> None:
    folder = project(tmp_path / "p")
    (folder / "dumps" / "U1.hb.1.log").write_bytes(whole(1))
    when_recording(folder, lambda: line.send(whole()))
    assert captured(folder, line).code == 0
    assert (folder / "dumps" / "U1.hb.1.log").read_bytes() == whole(1)
    assert (folder / "dumps" / "U1.hb.2.log").read_bytes() == whole()


def later(line: Line) -> None:
    """Once the port is open: the log that is gone on with is there from the start and says nothing of it."""
    time.sleep(1.5)
    line.send(whole())


def test_an_unplugged_cable_keeps_the_log_and_resume_goes_on(tmp_path: Path, line: Line) -> None:
    folder = project(tmp_path / "p")
    half = whole(1)[:3000]

    def cut() -> None:
        line.send(half)
        time.sleep(0.3)
        line.unplug()

    when_recording(folder, cut)
    done = captured(folder, line)
    assert done.code == 25, done.err
    assert "--resume" in done.err
    raw = folder / "capturing" / "U1.hb.1.raw"
    assert raw.read_bytes() == half
    again = Line()
    assert captured(folder, again).code == 15
    when_recording(folder, lambda: later(again))
    done = captured(folder, again, "--resume")
    again.close()
    assert done.code == 0, done.err
    assert (
        folder / "dumps" / "U1.hb.1.log"
    ).read_bytes() == half + b"\n" + whole()  # one line feed of ours at the seam


def test_a_wrong_speed_is_named_as_such(tmp_path: Path, line: Line) -> None:
    folder = project(tmp_path / "p")
    noise = random.Random(1).randbytes(2000)
    thread = when_recording(folder, lambda: line.send(noise))
    done = captured(folder, line)
    thread.join(timeout=10)  # else it sends into the next test's line, which gets the same handles
    assert done.code == 25
    assert "another speed than 115200 baud" in done.err
    assert noise.startswith((folder / "capturing" / "U1.hb.1.raw").read_bytes()[:256])


def test_a_reader_that_listens_is_asked_for_what_came_damaged(tmp_path: Path, line: Line) -> None:
    folder = project(tmp_path / "p")
    lines = printed(IMAGE)
    damaged = lines.copy()
    damaged[5] = damaged[5].replace(b" ", b"", 1)
    heard = b""

    def act() -> None:
        nonlocal heard
        line.send(b"".join(damaged))
        for _ in range(100):
            time.sleep(0.05)
            try:
                heard += os.read(line.master, 100)
            except BlockingIOError:
                continue
            if heard.startswith(b"?1 0040\n"):
                line.send(lines[5])
                return

    thread = when_recording(folder, act)
    done = captured(folder, line, "--passes", "1", "--json")
    thread.join(timeout=10)
    assert done.code == 0, done.err
    assert heard.startswith(b"?1 0040\n")
    assert done.document["damaged_lines"] == 1
    assert (
        wellread("examine", folder / "dumps" / "U1.hb.1.log", "--organisation", "2048x8", "--json").document[
            "passes"
        ]
        == 1
    )


def test_every_dropped_or_doubled_byte_is_detected_in_protocol_form() -> None:
    """One byte of a pass lost or doubled, anywhere: the pass is refused, or its image is right all the same."""
    image = IMAGE[:64]
    stream = b"".join(printed(image))
    declared = Declared(bits=8, words=64)
    accepted = 0
    for at in range(len(stream)):
        for changed in (stream[:at] + stream[at + 1 :], stream[:at] + stream[at : at + 1] + stream[at:]):
            if changed == stream:
                continue
            try:
                decoded = decode(changed, declared)
            except FormatError:
                continue
            accepted += 1
            assert bytes(decoded.runs[0][0].words) == image
    # only a doubled line feed, or the last one lost, leaves every line whole
    assert accepted <= stream.count(b"\n") + 1


def test_sigkill_leaves_what_was_received(tmp_path: Path) -> None:
    stream = whole()
    # three of the fifty points here; tests.speed.capture kills at all fifty
    for number in range(3):
        line = Line()
        folder = project(tmp_path / f"k{number}")
        command = [sys.executable, "-m", "pipeline", "capture", line.name, "--chip", "U1", "--reader", "hb"]
        with subprocess.Popen(
            [*command, "--project", str(folder)], cwd=ROOT, stderr=subprocess.DEVNULL
        ) as process:
            sent = stream[: 500 + 2500 * number]
            when_recording(folder, lambda line=line, sent=sent: line.send(sent)).join(timeout=30)  # type: ignore[misc]
            time.sleep(0.3)
            process.send_signal(signal.SIGKILL)
            process.wait()
        line.close()
        assert (folder / "capturing" / "U1.hb.1.raw").read_bytes() == sent


BOARD = """
#include <stdio.h>
#include <unistd.h>
#include <poll.h>
static uint32_t at; static unsigned char chip[2048]; static bool loaded;
static void set_address(uint32_t address) { at = address; }
static uint32_t read_data() {
    if (!loaded) { FILE *f = fopen(CHIP_FILE, "rb"); loaded = fread(chip, 1, 2048, f) == 2048; fclose(f); }
    return chip[at];
}
static void print(char c) { putchar(c); if (c == '\\n') fflush(stdout); }
static void wait_us(uint32_t us) { if (us >= 1000) usleep(us); }
static int heard() {
    struct pollfd p = {0, POLLIN, 0}; char c;
    return poll(&p, 1, 0) == 1 && (p.revents & POLLIN) && read(0, &c, 1) == 1 ? c : -1;
}
"""


@pytest.mark.skipif(
    shutil.which("g++") is None, reason="there is no g++ here to compile the reference reader"
)
@pytest.mark.parametrize("plain", [False, True], ids=["protocol", "plain"])
def test_the_reference_reader_leads_from_bench_to_bundle(tmp_path: Path, line: Line, plain: bool) -> None:  # noqa: FBT001
    assert wellread("bench", "2716", "--html", tmp_path / "page.html", "--quiet").code == 0
    folder = project(tmp_path / "p")
    sheet = folder / "sheet.yaml"
    rights = "rights: {statement: http://rightsstatements.org/vocab/CNE/1.0/}\n"
    sheet.write_text(sheet.read_text(encoding="utf-8") + rights, encoding="utf-8")
    trusted = folder / "dumps" / "U1.prog.1.bin"
    trusted.write_bytes(IMAGE)
    (tmp_path / "board.h").write_text(BOARD, encoding="ascii")
    options = ["-DREADER_PLAIN"] if plain else []
    subprocess.run(
        ["g++", "-std=c++11", *options, f'-DREADER_BOARD="{tmp_path / "board.h"}"', f'-DCHIP_FILE="{trusted}"',
         str(READER), "-o", str(tmp_path / "reader")],
        check=True,
    )  # fmt: skip
    os.set_blocking(line.master, True)

    def read_chip() -> None:
        subprocess.run([tmp_path / "reader"], stdin=line.master, stdout=line.master, check=True, timeout=60)

    thread = when_recording(folder, read_chip)
    done = captured(folder, line, "--json")
    thread.join(timeout=20)
    assert done.code == 0, done.err
    log = folder / "dumps" / "U1.hb.1.log"
    assert wellread("compare", trusted, log, "--organisation", "2048x8").code == 0
    assert wellread("package", folder, "--into", tmp_path / "out", "--quiet").code == 0
    bag = tmp_path / "out" / "bench-1-v1"
    assert [one.read_bytes() for one in bag.rglob("U1.bin")] == [IMAGE]
    assert wellread("recheck", bag).code == 0
    assert wellread("release", bag, "--into", tmp_path / "public", "--quiet").code == 0
