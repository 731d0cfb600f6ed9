"""`wellread capture` over real pseudo-terminals, and the whole way from the bench to the bundle."""

from __future__ import annotations

import functools
import json
import os
import random
import re
import resource
import shlex
import shutil
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import jsonschema
import pytest

pytest.importorskip("serial", reason="capture needs the optional package pyserial")

from pipeline.bench.stream import Watch
from pipeline.edges.progress import Progress
from pipeline.run.bench.capture import CaptureWish, _listen
from pipeline.run.bench.capture import capture as run_capture
from pipeline.run.schemas import schema_document
from tests.journey.cli import Ran, wellread
from tests.kit.forked import coming, ending
from tests.kit.reader_reference import BOARD, compiled, compiles
from tests.kit.reader_simulated import (
    DRIVER_BUFFER,
    SHEET,
    Line,
    Warm,
    capture_of,
    children,
    command_of,
    fast_stream,
    kill_capture,
    locked,
    plainly,
    printed,
    project,
    until,
    when_recording,
)

ROOT = Path(__file__).parents[2]
IMAGE = random.Random(10).randbytes(2048)
SMALL = IMAGE[:256]
KILLED_IMAGE = random.Random(7).randbytes(1 << 13)
AT_ONCE = 4096
"""Bytes that a pseudo-terminal takes in one piece: no machine makes a silence in the middle of them, and a
short one may end a capture."""
linux = pytest.mark.skipif(sys.platform != "linux", reason="looks at processes through /proc")


@pytest.fixture
def line() -> Generator[Line]:
    made = Line()
    yield made
    made.close()


@pytest.fixture(scope="module")
def warm() -> Generator[Warm]:
    made = Warm()
    yield made
    made.close()


def captured(folder: Path, line: Line, *more: str, quiet: str = "1") -> Ran:
    return wellread(*capture_of(folder, line, "--quiet-seconds", quiet, *more))


def whole(passes: int = 3, image: bytes = IMAGE) -> bytes:
    return b"".join(b"".join(printed(image, number)) for number in range(1, passes + 1))


def in_plain(passes: int = 3, image: bytes = SMALL) -> bytes:
    return b"".join(b"".join(plainly(image, number)) for number in range(1, passes + 1))


def small(root: Path) -> Path:
    return project(root / "p", "256x8")


def sends(folder: Path, line: Line, content: bytes, *more: str, quiet: str = "20", size: int = 0) -> Ran:
    """A capture of this stream; one that lacks a pass ends only when the line was quiet for so long."""
    thread = when_recording(folder, lambda: line.send(content, block=AT_ONCE), size)
    done = captured(folder, line, *more, quiet=quiet)
    thread.join(timeout=30)
    return done


def then_unplugged(folder: Path, line: Line, content: bytes) -> None:
    """Send, and pull the cable out once all of it is in the log, or in a reading that is finished."""
    [raw] = filter(locked, folder.glob("capturing/*.raw"))
    wanted = raw.stat().st_size + len(content)

    def there() -> bool:
        try:
            return raw.stat().st_size >= wanted
        except FileNotFoundError:
            return True

    line.send(content, block=AT_ONCE)
    assert until(there, 120)
    line.unplug()


def raw_of(folder: Path, number: int = 1) -> Path:
    return folder / "capturing" / f"U1.hb.{number}.raw"


def log_of(folder: Path, number: int = 1) -> Path:
    return folder / "dumps" / f"U1.hb.{number}.log"


# ---- the way of a reading that goes well


def test_three_passes_are_captured_byte_for_byte_and_enter_the_sheet(tmp_path: Path, line: Line) -> None:
    folder = project(tmp_path / "p")
    done = sends(folder, line, whole(), "--json")
    assert done.code == 0, done.err
    assert log_of(folder).read_bytes() == whole()
    assert line.dropped == 0
    document = done.document
    jsonschema.validate(document, schema_document("capture"))
    assert (document["passes_whole"], document["passes_asked"], document["problems"]) == (3, 3, [])
    assert document["received"] == len(whole())
    assert document["worst_stall_ms"] > 0
    assert document["driver_lost"] is None
    assert document["examined"]["passes"] == 3
    assert document["examined"]["files"] == [str(log_of(folder))]
    assert not list((folder / "capturing").iterdir())
    text = (folder / "sheet.yaml").read_text(encoding="utf-8")
    assert text.startswith(SHEET % "2048x8" + "\nreadings:\n  - {file: U1.hb.1.log, date: ")
    assert wellread("check", folder).code == 0


@pytest.mark.clock
def test_the_capture_ends_by_itself_as_soon_as_the_passes_have_come(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    started = time.monotonic()
    assert sends(folder, line, whole(3, SMALL), quiet="60").code == 0
    assert time.monotonic() - started < 30


def test_a_capture_says_what_it_found_and_draws_the_strip(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    (folder / "sheet.yaml").write_text(SHEET % "256x8" + "spaces: []", encoding="utf-8")
    done = sends(folder, line, in_plain(), quiet="1")
    assert done.code == 0, done.err
    lines = done.out.splitlines()
    assert lines[0] == f"{log_of(folder)}: 256x8 (no part named), 3 passes"
    assert re.fullmatch(r"00 [^ ]{32,} FF", lines[3])
    assert "No finding." in lines
    assert (
        f"3 of 3 passes whole, {len(in_plain())} bytes received (plain printing, in which nothing "
        f"proves a line)"
    ) in lines
    assert any(re.fullmatch(r"The line was never left unread for more than \d+\.\d ms", one) for one in lines)
    assert f"The reading is {log_of(folder)}" in lines
    assert any(one.startswith("Added to the sheet's readings: {file: U1.hb.1.log, date: ") for one in lines)
    assert f"every byte goes to {raw_of(folder)}" in done.err


def test_a_fault_in_the_reading_is_found_named_by_pin_and_makes_the_exit_code_one(
    tmp_path: Path, line: Line
) -> None:
    folder = project(tmp_path / "p")
    (folder / "sheet.yaml").write_text(
        (SHEET % "2048x8").replace("organisation: 2048x8", 'part: "2716"'), encoding="utf-8"
    )
    dead = bytes(IMAGE[at & ~0x20] for at in range(len(IMAGE)))
    done = sends(folder, line, whole(3, dead), "--json")
    assert done.code == 1, done.err
    [fault] = [one for one in done.document["examined"]["findings"] if one["severity"] == "fault"]
    assert (fault["code"], fault["where"]["line"]) == ("address-line-dead", "A5")
    # A5 of a 2716 is pin 3; Source: the catalogue's entry, held to a data sheet in
    # tests/outside/test_pinouts.py
    assert [pin["pin"] for pin in fault["where"]["pins"]] == [3]
    assert log_of(folder).read_bytes() == whole(3, dead)


def test_the_readers_own_entry_in_the_sheet_is_heeded(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    sheet = folder / "sheet.yaml"
    sheet.write_text(
        sheet.read_text(encoding="utf-8").replace("kind: home-built", "kind: home-built, polarity: inverted"),
        encoding="utf-8",
    )
    inverted = bytes(word ^ 0xFF for word in SMALL)
    done = sends(folder, line, whole(3, inverted), "--json")
    straight = tmp_path / "image.bin"
    straight.write_bytes(SMALL)
    plain = wellread("examine", straight, "--organisation", "256x8", "--json").document
    assert done.document["examined"]["image_sha256"] == plain["image_sha256"]


def test_a_second_capture_takes_the_next_number_and_touches_nothing(tmp_path: Path, line: Line) -> None:
    folder = project(tmp_path / "p")
    log_of(folder).write_bytes(whole(1))
    assert sends(folder, line, whole(), "--sitting", "second").code == 0
    assert log_of(folder).read_bytes() == whole(1)
    assert log_of(folder, 2).read_bytes() == whole()
    again = Line()
    assert sends(folder, again, whole()).code == 0
    again.close()
    assert log_of(folder, 2).read_bytes() == whole()
    assert log_of(folder, 3).read_bytes() == whole()
    text = (folder / "sheet.yaml").read_text(encoding="utf-8")
    assert re.search(
        r"\{file: U1\.hb\.2\.log, date: [-0-9]+, sitting: second\}\n  - \{file: U1\.hb\.3\.log", text
    )


@pytest.mark.parametrize(
    ("bits", "organisation"), [(4, "256x4"), (12, "256x12"), (16, "256x16"), (32, "64x32")]
)
@pytest.mark.parametrize("form", [printed, plainly], ids=["protocol", "plain"])
def test_words_of_any_width_are_captured(
    tmp_path: Path, line: Line, bits: int, organisation: str, form: Callable[..., list[bytes]]
) -> None:
    folder = project(tmp_path / "p", organisation)
    draw = random.Random(bits)
    words = [draw.randrange(1 << bits) for _ in range(int(organisation.partition("x")[0]))]
    stream = b"".join(b"".join(form(words, number, bits)) for number in (1, 2, 3))
    done = sends(folder, line, stream, "--json", quiet="0.5")
    assert done.code == 0, done.err
    assert done.document["passes_whole"] == 3
    assert log_of(folder).read_bytes() == stream
    assert wellread("check", folder).code == 0
    image = b"".join(word.to_bytes((bits + 7) // 8, "big") for word in words)
    flat = tmp_path / "image.bin"
    flat.write_bytes(image)
    compared = wellread("compare", log_of(folder), flat, "--organisation", organisation, "--json").document
    assert compared["relation"] == "identical"


def test_wide_words_printed_as_bytes_ask_for_their_order(tmp_path: Path, line: Line) -> None:
    folder = project(tmp_path / "p", "128x16")
    done = sends(folder, line, in_plain(), quiet="0.5")
    assert done.code == 1
    assert "problem: the words come as bytes whose order is not stated" in done.out
    assert "byte_order under the reader" in done.out


def test_a_reader_that_listens_is_asked_for_what_came_damaged(tmp_path: Path, line: Line) -> None:
    folder = project(tmp_path / "p")
    lines = printed(IMAGE)
    damaged = lines.copy()
    for number in (5, 9):
        damaged[number] = damaged[number].replace(b" ", b"", 1)
    heard = b""

    def act() -> None:
        nonlocal heard
        line.send(b"".join(damaged))
        for number, request in ((5, b"?1 0040\n"), (9, b"?1 0080\n")):
            for _ in range(200):
                with_more = line.hear()
                heard += with_more
                if heard.endswith(request):
                    line.send(lines[number])
                    break
                time.sleep(0.02)

    thread = when_recording(folder, act)
    done = captured(folder, line, "--passes", "1", "--json")
    thread.join(timeout=10)
    heard += line.hear()
    assert done.code == 0, done.err
    assert heard == b"?1 0040\n?1 0080\n!\n"
    assert done.document["damaged_lines"] == 2
    assert log_of(folder).read_bytes() == b"".join(damaged) + lines[5] + lines[9]
    assert wellread("examine", log_of(folder), "--organisation", "2048x8", "--json").document["passes"] == 1


def test_progress_is_told_in_words_of_expected_words(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    screen, end = os.openpty()
    with ending(
        subprocess.Popen(command_of(folder, line), cwd=ROOT, stdout=subprocess.DEVNULL, stderr=end)
    ) as process:
        os.close(end)
        shown: list[bytes] = []

        def told() -> list[int]:
            seen = b"".join(shown).decode(errors="replace")
            return [int(number) for number in re.findall(r"words received[ ━╸]*(\d+) of 768", seen)]

        def act() -> None:
            for number in (1, 2, 3):
                assert until(lambda: (number - 1) * 256 in told()), told()  # noqa: B023 - asked at once
                line.send(b"".join(printed(SMALL, number)))

        when_recording(folder, act)
        shown.extend(coming(screen))
        assert process.wait(timeout=60) == 0
    os.close(screen)
    assert told() == sorted(told())
    assert {0, 256, 512} <= set(told())


def test_the_readmes_commands_do_what_it_says(
    tmp_path: Path, line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    section = (
        (ROOT / "example_project/README.md").read_text("utf-8").partition("`wellread capture` takes what")[2]
    )
    install, first, second = re.findall(r"(?m)^\$ (.+)$", section)[:3]
    assert install == "pip install '.[serial]'"
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"][
        "optional-dependencies"
    ]
    assert any(one.startswith("pyserial") for one in extras["serial"])
    folder = small(tmp_path)
    monkeypatch.chdir(folder)
    lines = printed(SMALL)
    for command, stream, code in (
        (first, b"".join(lines[:9]), 25),
        (second, b"".join(lines[9:]) + whole(3, SMALL)[len(b"".join(lines)) :], 0),
    ):
        words = shlex.split(command)
        assert words[:3] == ["wellread", "capture", "/dev/ttyUSB0"]
        port = Line()
        size = sum(one.stat().st_size for one in folder.glob("capturing/*.raw"))
        thread = when_recording(folder, functools.partial(then_unplugged, folder, port, stream), size)
        done = wellread("capture", port.name, *words[3:])
        thread.join(timeout=60)
        assert done.code == code, done.err
    assert log_of(folder).exists()
    assert "3 of 3 passes whole" in done.out


# ---- a fast line


@pytest.mark.drill
@pytest.mark.clock
@linux
def test_two_megabytes_at_two_megabaud_lose_nothing_and_the_worst_stall_is_told(tmp_path: Path) -> None:
    """With as much waiting room as a port's driver has.

    Tests.speed.capture measures with a pseudo-terminal's own.
    """
    content, passes = fast_stream()
    assert len(content) >= 2_000_000
    folder, line = project(tmp_path / "p", "16384x8"), Line(DRIVER_BUFFER)
    thread = when_recording(folder, lambda: line.send(content, baud=2_000_000))
    process = subprocess.run(
        command_of(folder, line, "--baud", "2000000", "--passes", str(passes), "--json"),
        cwd=ROOT,
        capture_output=True,
        check=False,
    )
    thread.join(timeout=60)
    line.close()
    document = json.loads(process.stdout)
    assert line.dropped == 0, f"worst stall {document['worst_stall_ms']} ms at {line.baud:.0f} baud"
    assert process.returncode == 0, process.stderr
    assert log_of(folder).read_bytes() == content
    assert (document["received"], document["damaged_lines"]) == (len(content), 0)
    assert line.baud <= 2_000_000
    assert 0 < document["worst_stall_ms"] < 1000 * (DRIVER_BUFFER + 12_288) / 200_000


@pytest.mark.clock
@linux
def test_bytes_that_a_stalled_line_drops_are_told(tmp_path: Path) -> None:
    """The process that drains is stopped for a while, as by a machine that is far too busy."""
    folder, line = project(tmp_path / "p", "8192x8"), Line()
    stream = whole(3, KILLED_IMAGE)
    with ending(
        subprocess.Popen(
            command_of(folder, line, "--json", "--quiet-seconds", "1"),
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
    ) as process:

        def act() -> None:
            [drains] = children(process.pid)
            line.send(stream[:5000])
            os.kill(drains, signal.SIGSTOP)
            line.buffer = 0
            line.send(stream[5000:25_000])
            line.buffer = DRIVER_BUFFER  # nothing more is lost than what was lost meanwhile
            os.kill(drains, signal.SIGCONT)
            line.send(stream[25_000:])

        thread = when_recording(folder, act)
        said, _ = process.communicate(timeout=60)
        thread.join(timeout=60)
    line.close()
    assert process.returncode == 1
    document = json.loads(said)
    assert line.dropped > 0
    assert log_of(folder).read_bytes() == line.taken
    # 20,000 bytes at 200,000 a second
    assert document["worst_stall_ms"] >= 95
    [problem] = document["problems"]
    assert re.fullmatch("[12] of 3 passes came whole; a further capture adds another reading", problem)


def points(seed: int, last: int) -> Iterator[int]:
    choose = random.Random(seed)
    return (choose.randrange(1, last) for _ in range(50))


@pytest.mark.drill
@pytest.mark.clock
@linux
def test_sigkill_at_fifty_points_loses_no_byte_that_the_system_took(tmp_path: Path, warm: Warm) -> None:
    """The started process dies; the one that drains the line writes down what has come, and ends."""
    stream = whole(3, KILLED_IMAGE)

    def kill(numbered: tuple[int, int]) -> None:
        folder = project(tmp_path / f"k{numbered[0]}", "8192x8")
        killed = kill_capture(warm, folder, stream, numbered[1], drainer=False)
        assert killed.log + killed.left == killed.taken
        assert len(killed.log) >= killed.at_kill
        assert "Traceback" not in killed.said

    with ThreadPoolExecutor(4) as several:
        assert len(list(several.map(kill, enumerate(points(9, 40_000))))) == 50


@pytest.mark.drill
@pytest.mark.clock
@linux
def test_sigkill_of_the_process_that_drains_leaves_the_log_intact_up_to_its_last_block(
    tmp_path: Path, warm: Warm
) -> None:
    stream = whole(3, KILLED_IMAGE)

    def kill(numbered: tuple[int, int]) -> int:
        folder = project(tmp_path / f"k{numbered[0]}", "8192x8")
        killed = kill_capture(warm, folder, stream, numbered[1], drainer=True)
        assert killed.taken.startswith(killed.log)
        assert len(killed.log) >= killed.at_kill
        assert "was ended from outside (signal 9). Go on with --resume." in killed.said
        assert killed.said.endswith("ended with 25")
        return len(killed.taken) - len(killed.log) - len(killed.left)

    with ThreadPoolExecutor(4) as several:
        lost = list(several.map(kill, enumerate(points(11, 40_000))))
    assert len(lost) == 50
    # what was read and not yet written is lost: next to nothing, but for where the disk itself stalls
    assert sorted(lost)[25] <= 4096


# ---- what goes wrong on the way


def test_an_unplugged_cable_keeps_the_log_and_resume_goes_on(tmp_path: Path, line: Line) -> None:
    folder = project(tmp_path / "p")
    half = whole(1)[:3000]

    when_recording(folder, lambda: then_unplugged(folder, line, half))
    done = captured(folder, line)
    assert done.code == 25, done.err
    assert (
        f"The raw log is kept: {raw_of(folder)} (3000 bytes of this run). --resume goes on with it"
        in done.err
    )
    assert "the line went away in the middle of it" in done.err
    assert raw_of(folder).read_bytes() == half
    again = Line()
    refused = captured(folder, again)
    assert refused.code == 15
    assert "an unfinished log of this chip is there. Go on with --resume, or move it away." in refused.err
    done = sends(folder, again, whole(), "--resume", size=3000)
    again.close()
    assert done.code == 0, done.err
    # one line feed of ours at the seam
    assert log_of(folder).read_bytes() == half + b"\n" + whole()
    assert "pass 1 was left out" in done.out


def test_a_pass_that_was_cut_is_asked_for_again_on_resuming_and_not_from_the_start(
    tmp_path: Path, line: Line
) -> None:
    folder = small(tmp_path)
    lines = printed(SMALL)
    (folder / "capturing").mkdir()
    raw_of(folder).write_bytes(b"".join(lines[:9]) + lines[9][:10])
    done = sends(folder, line, b"".join(lines[9:]), "--resume", "--passes", "1", size=10)
    assert done.code == 0, done.err
    assert log_of(folder).read_bytes() == b"".join(lines[:9]) + lines[9][:10] + b"\n" + b"".join(lines[9:])


def test_plain_printing_that_was_cut_is_kept_and_resume_begins_anew(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    cut = in_plain(2)[:1001]
    thread = when_recording(folder, lambda: then_unplugged(folder, line, cut))
    done = captured(folder, line)
    thread.join(timeout=60)
    assert done.code == 25, done.err
    assert raw_of(folder).read_bytes() == cut
    assert "(1001 bytes of this run). --resume starts again and keeps it" in done.err
    again = Line()
    thread = when_recording(folder, lambda: again.send(in_plain(), block=AT_ONCE))
    done = captured(folder, again, "--resume")
    thread.join(timeout=60)
    again.close()
    assert done.code == 0, done.err
    aside = folder / "capturing" / "U1.hb.1.cut"
    assert f"kept as {aside}" in done.err
    assert aside.read_bytes() == cut
    assert log_of(folder, 2).read_bytes() == in_plain()


@pytest.mark.parametrize("stream", [whole(3, SMALL), in_plain()], ids=["protocol", "plain"])
def test_a_log_that_is_whole_already_is_finished_without_a_port(
    tmp_path: Path, line: Line, stream: bytes
) -> None:
    folder = small(tmp_path)
    (folder / "capturing").mkdir()
    raw_of(folder).write_bytes(stream)
    line.unplug()
    done = captured(folder, line, "--resume")
    assert done.code == 0, done.err
    assert log_of(folder).read_bytes() == stream
    assert "How long the line was left unread is not known" in done.out
    assert wellread("check", folder).code == 0


@pytest.mark.parametrize("stream", [whole(3, SMALL), in_plain()], ids=["protocol", "plain"])
def test_a_reader_unplugged_after_its_last_pass_is_no_trouble(
    tmp_path: Path, line: Line, stream: bytes
) -> None:
    folder = small(tmp_path)
    thread = when_recording(folder, lambda: then_unplugged(folder, line, stream))
    done = captured(folder, line)
    thread.join(timeout=60)
    assert done.code == 0, done.err
    assert log_of(folder).read_bytes() == stream


def test_nothing_left_to_resume_is_said(tmp_path: Path, line: Line) -> None:
    done = captured(small(tmp_path), line, "--resume")
    assert done.code == 2
    assert "no unfinished log of U1 by hb. Leave --resume out." in done.err


def test_a_silent_reader_is_told_and_leaves_nothing_behind(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    before = (folder / "sheet.yaml").read_bytes()
    done = captured(folder, line, quiet="0.05")
    assert done.code == 24
    assert "nothing came from the reader. Check that it has power and prints" in done.err
    assert not list((folder / "capturing").iterdir())
    assert not list((folder / "dumps").iterdir())
    assert (folder / "sheet.yaml").read_bytes() == before


def test_a_resumed_capture_to_which_nothing_comes_keeps_what_it_had(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    (folder / "capturing").mkdir()
    raw_of(folder).write_bytes(printed(SMALL)[0])
    done = captured(folder, line, "--resume", quiet="0.05")
    assert done.code == 24
    assert f"what had come before is kept in {raw_of(folder)}" in done.err
    assert raw_of(folder).read_bytes() == printed(SMALL)[0]


@pytest.mark.parametrize("size", [2000, 100])
def test_a_wrong_speed_is_named_as_such(tmp_path: Path, line: Line, size: int) -> None:
    folder = project(tmp_path / "p")
    noise = random.Random(1).randbytes(size)
    done = sends(folder, line, noise, quiet="0.5")
    assert done.code == 25
    assert (
        "what arrives is not text: the reader most likely prints at another speed than 115200 baud"
        in done.err
    )
    assert noise.startswith(raw_of(folder).read_bytes()[:256])
    assert "--resume" in done.err


def test_text_with_a_few_bad_characters_doubts_the_speed(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    stream = bytearray(in_plain())
    for at in range(40, len(stream), 40):
        stream[at] = 0xFE
    done = sends(folder, line, bytes(stream), quiet="0.5")
    assert done.code in (11, 12)
    assert "One character in 4" in done.err
    assert "is 115200 baud the reader's speed?" in done.err
    assert raw_of(folder).read_bytes() == stream


def test_seven_bits_with_parity_are_read_as_they_come(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    stream = bytes(byte | (byte.bit_count() & 1) << 7 for byte in in_plain())
    done = sends(folder, line, stream, "--json", quiet="0.5")
    assert done.code == 0, done.err
    assert log_of(folder).read_bytes() == stream
    assert done.document["passes_whole"] == 3
    assert any("bit 7 carries even parity" in one for one in done.document["told"])


def test_the_protocol_with_parity_is_told_how_to_be_set(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    stream = bytes(byte | (byte.bit_count() & 1) << 7 for byte in whole(1, SMALL))
    done = sends(folder, line, stream, quiet="0.5")
    assert done.code in (11, 12)
    assert "Bit 7 looks like a parity bit: set the reader to 8 bits without parity" in done.err


def test_xon_and_xoff_between_the_lines_of_the_protocol_do_no_harm(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    stream = b"\x11" + whole(3, SMALL).replace(b"\n=2 0040", b"\x13\n\x11=2 0040").replace(
        b" ORG", b" \x13\x11ORG", 1
    )
    done = sends(folder, line, stream, "--json")
    assert done.code == 0, done.err
    assert log_of(folder).read_bytes() == stream
    assert (done.document["passes_whole"], done.document["damaged_lines"]) == (3, 0)


def test_xon_and_xoff_in_plain_printing_are_recorded_and_named(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    stream = in_plain().replace(b"\r\n", b"\x13\r\n\x11", 5)
    done = sends(folder, line, stream, quiet="0.5")
    assert done.code in (11, 12)
    assert (
        "10 XON and XOFF characters are in the stream: switch flow control off in the reader's program"
        in done.err
    )
    assert raw_of(folder).read_bytes() == stream


def test_a_reader_that_resets_in_mid_pass_is_captured_whole_in_the_protocol(
    tmp_path: Path, line: Line
) -> None:
    folder = small(tmp_path)
    stream = whole(1, SMALL) + b"".join(printed(SMALL, 2))[:700] + b"ROM reader ready\r\n" + whole(3, SMALL)
    done = sends(folder, line, stream, "--json")
    assert done.code == 0, done.err
    # it ends once three passes are whole, of which one came before the reset; what follows at once is kept as
    # well
    assert done.document["passes_whole"] in (3, 4)
    assert stream.startswith(log_of(folder).read_bytes())
    assert any(one.startswith("pass 2 was left out: ") for one in done.document["told"])


def test_a_reader_that_resets_in_mid_line_of_plain_printing_is_refused_and_kept(
    tmp_path: Path, line: Line
) -> None:
    folder = small(tmp_path)
    stream = b"ROM reader ready\r\n" + in_plain(1)[:401] + b"ROM reader ready\r\n" + in_plain()
    done = sends(folder, line, stream, quiet="0.5")
    assert done.code in (11, 12)
    assert raw_of(folder).read_bytes() == stream
    assert "U1.hb.1.raw, line 10" in done.err
    assert f"The raw log is kept: {raw_of(folder)}" in done.err
    assert not list((folder / "dumps").iterdir())


@pytest.mark.clock
def test_a_plain_reader_that_never_stops_is_left_after_its_passes(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    done_with = False

    def act() -> None:
        number = 0
        while not done_with:
            number += 1
            for one in plainly(SMALL, number):  # whole lines: where the machine makes a silence, none is torn
                if not done_with:
                    line.send(one, baud=115_200)

    thread = when_recording(folder, act)
    done = captured(folder, line, "--json", quiet="30")
    done_with = True
    line.buffer = 0  # nobody takes anything any more: what waits is lost at once, and the sender with it
    thread.join(timeout=60)
    assert not thread.is_alive()
    assert done.code == 0, done.err
    assert done.document["passes_whole"] >= 3
    log = log_of(folder).read_bytes()
    assert log.endswith(b"\n")
    assert bytes(line.taken).startswith(log)


def test_fewer_passes_than_asked_are_said_by_number_and_the_one_left_out_is_named(
    tmp_path: Path, line: Line
) -> None:
    folder = small(tmp_path)
    second = printed(SMALL, 2)
    del second[4]
    stream = whole(1, SMALL) + b"".join(second) + b"".join(printed(SMALL, 3))
    done = sends(folder, line, stream, quiet="1")
    assert done.code == 1, done.err
    assert "2 of 3 passes whole" in done.out
    assert "problem: 2 of 3 passes came whole; a further capture adds another reading" in done.out
    assert (
        "pass 2 was left out: 1 of its lines is missing or damaged, the first at address 0x0030" in done.out
    )
    assert log_of(folder).read_bytes() == stream


class Scripted:
    """Gives a capture what it finds at each look: after so many seconds, these bytes."""

    received = 0

    def __init__(self, looks: list[tuple[float, bytes]]) -> None:
        self._looks = iter(looks)

    def new(self) -> bytes | None:
        seconds, block = next(self._looks, (0.0, None))
        time.sleep(seconds)
        return block

    def write(self, request: bytes) -> None:
        """What the reader is asked for; it does not listen."""


def test_a_machine_that_lets_the_capture_wait_has_not_made_the_reader_silent(
    tmp_path: Path, line: Line
) -> None:
    """The second look found nothing, and lasted longer than the silence that ends a capture: once more."""
    first, second = in_plain(2)[:1000], in_plain(2)[1000:]
    watch = Watch(256, 8, 2)
    looks: Any = Scripted([(0, first), (1.2, b""), (0, second)])
    wish = wish_of(tmp_path, line)._replace(quiet_seconds=1.0)
    _listen(looks, looks, watch, wish, tmp_path, Progress(quiet=True))
    assert watch.words == 2 * 256


def test_a_reading_without_a_whole_pass_is_kept_and_said_to_be_one(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    stream = in_plain(1)[: -2 * 49]
    done = sends(folder, line, stream, "--json", quiet="0.5")
    assert done.code == 1
    assert done.document["problems"][0].startswith("none of the 3 passes came whole: capture again")
    assert [one["code"] for one in done.document["examined"]["findings"] if one["severity"] == "fault"] == [
        "short-read"
    ]
    assert log_of(folder).read_bytes() == stream


def test_nibbles_run_together_are_captured_once_the_sheet_declares_them(tmp_path: Path, line: Line) -> None:
    folder = project(tmp_path / "p", "256x4")
    digits = "".join(f"{word & 15:X}" for word in SMALL)
    run_on = "\n".join(digits[at : at + 32] for at in range(0, 256, 32))
    stream = "".join(f"-- pass {number}\n{run_on}\n" for number in (1, 2, 3)).encode()
    done = sends(folder, line, stream, quiet="0.5")
    assert done.code == 12
    assert "move it to dumps/U1.hb.1.log" in done.err
    sheet = folder / "sheet.yaml"
    text = sheet.read_text(encoding="utf-8").replace("kind: home-built", "kind: home-built, token: nibble")
    sheet.write_text(text, encoding="utf-8")
    raw_of(folder).rename(log_of(folder))
    assert wellread("check", folder, "--json").document["grades"] == {"repeatable": 1}
    again = Line()
    done = sends(folder, again, stream, "--json", quiet="0.5")
    again.close()
    assert done.code == 0, done.err
    assert done.document["passes_whole"] == 3


def test_fewer_plain_passes_than_asked_are_said_by_number(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    done = sends(folder, line, in_plain(2), "--json", quiet="0.5")
    assert done.code == 1
    assert done.document["passes_whole"] == 2
    assert done.document["problems"] == ["2 of 3 passes came whole; a further capture adds another reading"]


def test_bytes_that_the_driver_counts_as_lost_are_a_problem(tmp_path: Path, line: Line) -> None:
    folder = small(tmp_path)
    counts = iter([5, 12])
    thread = when_recording(folder, lambda: line.send(in_plain(), block=AT_ONCE))
    document = run_capture(wish_of(folder, line), quiet=True, driver_lost=lambda _: next(counts)).document
    thread.join(timeout=60)
    assert document["driver_lost"] == 7
    assert document["problems"] == [
        "the port's driver counts 7 bytes lost on the way: do not trust this reading; read again"
    ]


def test_bytes_that_the_driver_lost_are_no_problem_where_every_line_was_proved(
    tmp_path: Path, line: Line
) -> None:
    folder = small(tmp_path)
    counts = iter([5, 12])
    thread = when_recording(folder, lambda: line.send(whole(3, SMALL), block=AT_ONCE))
    document = run_capture(wish_of(folder, line), quiet=True, driver_lost=lambda _: next(counts)).document
    thread.join(timeout=60)
    assert (document["driver_lost"], document["problems"]) == (7, [])


def wish_of(folder: Path, line: Line) -> CaptureWish:
    return CaptureWish(
        port=line.name,
        chip="U1",
        reader="hb",
        part=None,
        organisation=None,
        passes=3,
        baud=115_200,
        quiet_seconds=0.5,
        resume=False,
        sitting=None,
        project=folder,
    )


def limited() -> None:
    resource.setrlimit(resource.RLIMIT_FSIZE, (4000, 4000))


def test_a_disk_that_takes_no_more_ends_the_capture_with_what_it_took(tmp_path: Path, line: Line) -> None:
    folder = project(tmp_path / "p")
    thread = when_recording(folder, lambda: line.send(whole()))
    done = subprocess.run(
        command_of(folder, line), cwd=ROOT, capture_output=True, check=False, text=True, preexec_fn=limited
    )
    thread.join(timeout=60)
    assert done.returncode == 16, done.stderr
    assert raw_of(folder).read_bytes() == whole()[:4000]
    assert (
        f"The raw log is kept: {raw_of(folder)} (4000 bytes of this run). --resume goes on with it"
        in done.stderr
    )
    assert "the disk says: file too large" in done.stderr
    again = Line()
    done_later = sends(folder, again, whole(), "--resume", size=4000)
    again.close()
    assert done_later.code == 0, done_later.err
    assert log_of(folder).read_bytes().startswith(whole()[:4000])


@linux
def test_a_full_disk_ends_the_capture_with_what_it_took(tmp_path: Path, line: Line) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(disk)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("a small disk can be made by an administrator only")
    try:
        folder = project(disk / "p", "65536x8")
        stream = whole(1, random.Random(3).randbytes(1 << 16))
        thread = when_recording(folder, lambda: line.send(stream))
        done = captured(folder, line)
        thread.join(timeout=60)
        assert done.code == 16, done.err
        kept = raw_of(folder).read_bytes()
        assert stream.startswith(kept)
        assert 0 < len(kept) < 65_536
        assert "the disk says: no space left on device. Free some space" in done.err
        assert f"({len(kept)} bytes of this run). --resume goes on with it" in done.err
        assert "U1.hb" not in (folder / "sheet.yaml").read_text(encoding="utf-8")
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def hearing_ctrl_c(folder: Path, line: Line) -> subprocess.Popen[str]:
    """A capture in a group of its own.

    Where the tests are a shell's background job they ignore Ctrl-C, and so would whatever they start.
    """
    return subprocess.Popen(
        command_of(folder, line),
        cwd=ROOT,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # noqa: PLW1509 - no threads here
    )


def test_ctrl_c_keeps_the_log_and_says_so(tmp_path: Path, line: Line) -> None:
    folder = project(tmp_path / "p")
    with ending(hearing_ctrl_c(folder, line)) as process:
        when_recording(folder, lambda: line.send(whole(1)[:3000])).join(timeout=60)
        assert until(lambda: raw_of(folder).stat().st_size == 3000)
        # as a terminal does it: to every process of the group
        os.killpg(process.pid, signal.SIGINT)
        _, said = process.communicate(timeout=30)
    assert process.returncode == 130
    assert raw_of(folder).read_bytes() == whole(1)[:3000]
    assert f"The raw log is kept: {raw_of(folder)} (3000 bytes of this run). --resume goes on with it" in said
    assert "Interrupted" in said
    assert "Traceback" not in said


def test_ctrl_c_before_anything_came_leaves_nothing_behind(tmp_path: Path, line: Line) -> None:
    folder = project(tmp_path / "p")
    with ending(hearing_ctrl_c(folder, line)) as process:
        assert process.stderr is not None
        assert "Listening" in process.stderr.readline()
        os.killpg(process.pid, signal.SIGINT)
        _, said = process.communicate(timeout=30)
    assert process.returncode == 130
    assert "kept" not in said
    assert not list((folder / "capturing").iterdir())


def test_another_capture_that_writes_to_the_same_log_is_refused(tmp_path: Path, line: Line) -> None:
    folder = project(tmp_path / "p")
    other = Line()
    with ending(
        subprocess.Popen(command_of(folder, line), cwd=ROOT, stderr=subprocess.PIPE, text=True)
    ) as process:
        when_recording(folder, lambda: line.send(whole(1)[:3000])).join(timeout=60)
        assert until(lambda: raw_of(folder).stat().st_size == 3000)
        for more in ([], ["--resume"]):
            done = captured(folder, other, *more)
            assert done.code == 15, done.err
            assert "another capture is writing to this log. Let it end, or stop it." in done.err
        same = captured(folder, line, "--resume")
        assert same.code == 15
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=30)
    other.close()
    assert raw_of(folder).read_bytes() == whole(1)[:3000]


def test_a_port_in_use_or_absent_is_told_with_the_cause(tmp_path: Path, line: Line) -> None:
    import serial

    folder = small(tmp_path)
    with serial.Serial(line.name, 9600, exclusive=True):
        done = captured(folder, line)
    assert done.code == 25
    assert "another program has this port. Close that program, then try again." in done.err
    done = wellread("capture", "/dev/ttyNOWHERE", "--chip", "U1", "--reader", "hb", "--project", folder)
    assert done.code == 25
    assert "/dev/ttyNOWHERE: there is no such port. Check the cable and the port's name." in done.err
    done = wellread("capture", folder / "sheet.yaml", "--chip", "U1", "--reader", "hb", "--project", folder)
    assert done.code == 25
    assert "the port cannot be opened (" in done.err
    assert "Check that it is a serial port" in done.err
    assert not list((folder / "capturing").iterdir())


def test_a_missing_pyserial_is_told_before_anything_is_written(
    tmp_path: Path, line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = small(tmp_path)
    absent: Any = None
    monkeypatch.setitem(sys.modules, "serial", absent)
    done = captured(folder, line)
    assert done.code == 25
    assert "needs the optional package pyserial" in done.err
    assert "pip install '.[serial]'" in done.err
    assert not list((folder / "capturing").iterdir())


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--chip", "U9"), "'U9' is not in the sheet"),
        (("--reader", "none"), "'none' is not in the sheet"),
        (("--organisation", "512x8"), "512x8 is not what the sheet says of U1: 256x8"),
        (("--passes", "0"), "above zero"),
        (("--quiet-seconds", "nan"), "above zero"),
    ],
)
def test_options_that_do_not_fit_are_refused_before_the_port_is_opened(
    tmp_path: Path, line: Line, options: tuple[str, str], said: str
) -> None:
    folder = small(tmp_path)
    done = captured(folder, line, *options)
    assert done.code == 2
    assert said in done.err
    assert not (folder / "capturing").exists()


def test_a_sheet_whose_readings_are_a_table_is_left_alone_and_the_reading_counts(
    tmp_path: Path, line: Line
) -> None:
    folder = small(tmp_path)
    sheet = folder / "sheet.yaml"
    text = sheet.read_text(encoding="utf-8") + "readings: readings.csv\n"
    sheet.write_text(text, encoding="utf-8")
    (folder / "readings.csv").write_text("file,date\n", encoding="utf-8")
    done = sends(folder, line, whole(3, SMALL))
    assert done.code == 0, done.err
    assert "The sheet was left alone. The reading counts by its name; to keep the date, add" in done.out
    assert sheet.read_text(encoding="utf-8") == text
    checked = wellread("check", folder, "--json").document
    assert checked["grades"] == {"repeatable": 1}


# ---- the whole way


@compiles
@pytest.mark.parametrize("plain", [False, True], ids=["protocol", "plain"])
def test_the_reference_reader_leads_from_bench_to_bundle(tmp_path: Path, line: Line, plain: bool) -> None:  # noqa: FBT001
    assert wellread("bench", "2716", "--html", tmp_path / "page.html", "--quiet").code == 0
    folder = project(tmp_path / "p")
    sheet = folder / "sheet.yaml"
    rights = "rights: {statement: http://rightsstatements.org/vocab/CNE/1.0/}\n"
    sheet.write_text(sheet.read_text(encoding="utf-8") + rights, encoding="utf-8")
    trusted = folder / "dumps" / "U1.prog.1.bin"
    trusted.write_bytes(IMAGE)
    reader = compiled(tmp_path, trusted, BOARD, *(["READER_PLAIN"] if plain else []))
    os.set_blocking(line.master, True)

    def read_chip() -> None:
        subprocess.run([reader], stdin=line.master, stdout=line.master, check=True, timeout=60)

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
