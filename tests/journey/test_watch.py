"""`wellread watch` over real pseudo-terminals, with a simulated board whose chip dies of what kills chips."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Generator
from math import inf
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

pytest.importorskip("serial", reason="watching needs the optional package pyserial")

from pipeline.bench.live.sitting import BenchSitting, Happened
from pipeline.catalogue import load
from pipeline.run.bench.watch import WatchWish, watch
from pipeline.run.schemas import schema_document
from tests.journey.cli import wellread
from tests.kit.board_simulated import THREE_SUPPLIES, Board, ChipDiedError
from tests.kit.firmware import installed
from tests.kit.forked import coming, ending
from tests.kit.reader_looping import LoopingReader
from tests.kit.reader_reference import BOARD, LINES, READER, compiled, compiles
from tests.kit.reader_simulated import DRIVER_BUFFER, Line, printed, project, until
from tests.kit.wires import Image
from tests.unit.test_watched_lines import program

ROOT = Path(__file__).parents[2]
RESTS = "3"
"""Seconds without a byte that count as power off, where each silence is the hand's: half a second a machine
with other work makes as well."""


@pytest.fixture
def line() -> Generator[Line]:
    made = Line()
    yield made
    made.close()


def wish(line: Line, organisation: str = "2048x8", *, quiet_seconds: float = 0.3) -> WatchWish:
    return WatchWish(line.name, None, organisation, 115_200, None, None, quiet_seconds, find_speed=False)


def powered(image: Image | None = None, supplies: tuple[float, ...] = (5.0,)) -> Board:
    board = Board(program() if image is None else image, supplies=supplies, seed=3)
    board.power_on()
    return board


def events_of(line: Line, board: Board, *more: str, **how: Any) -> tuple[int, list[dict[str, Any]]]:
    """A watch from the first pass to the good reading, one document an event."""
    with LoopingReader(line, board, **how):
        ran = wellread("watch", line.name, "--part", "2716", "--json", "--quiet-seconds", "30", *more)
    assert ran.code == 0, ran.err
    return ran.code, [json.loads(one) for one in ran.out.splitlines()]


# -- the command ------------------------------------------------------------------------------------------


def test_a_sound_board_is_watched_until_three_passes_are_good(line: Line) -> None:
    code, documents = events_of(line, powered())
    assert code == 0
    assert documents[-2]["event"] == "good"
    assert [one["state"] for one in documents[-1]["lines"]] == ["alive"] * 19
    assert documents[-1]["marks"] == ".=="


def test_every_event_follows_the_schema_and_the_first_carries_the_cautions(line: Line) -> None:
    _, documents = events_of(line, powered())
    schema = schema_document("watch")
    for one in documents:
        jsonschema.validate(one, schema)
        assert (
            one["power_off"]
            == "Power off (reader first, supplies in order) before any wire or chip is moved."
        )
    assert documents[0]["event"] == "start"
    assert any("Before hands go near any chip: power off" in text for text in documents[0]["cautions"])


@pytest.mark.parametrize("how", [{"listens": False}, {"plain": True}], ids=["does not listen", "plain"])
def test_readers_that_prove_less_are_watched_too(line: Line, how: dict[str, bool]) -> None:
    _, documents = events_of(line, powered(), **how)
    assert documents[-1]["good"]


def test_a_log_has_one_line_an_event_and_no_character_that_acts(line: Line) -> None:
    with LoopingReader(line, powered()):
        ran = wellread("watch", line.name, "--part", "2716", encoding="ascii")
    assert ran.code == 0
    assert "Pass 1 is whole, the first since power came on" in ran.out
    assert all(char == "\n" or " " <= char <= "~" for char in ran.out + ran.err)
    assert "Power off (reader first, supplies in order) before any wire or chip is moved." in ran.out
    assert f"wellread capture {line.name} --chip CHIP" in ran.err


def test_nothing_is_written_while_it_is_watched(
    line: Line, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    events_of(line, powered())
    assert list(tmp_path.rglob("*")) == []


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ((), "nothing says how large the chip is"),
        (("--organisation", "x"), "is not an organisation (words x bits)"),
        (("--part", "2716", "--bell", "loud"), "Say good or change"),
        (("--part", "2716", "--quiet-seconds", "0"), "above zero"),
        (("--part", "2716", "--then-capture"), "--then-capture needs --chip and --reader"),
    ],
)
def test_options_that_do_not_fit_are_refused(line: Line, options: tuple[str, ...], said: str) -> None:
    ran = wellread("watch", line.name, *options)
    assert ran.code == 2
    assert said in ran.err


def test_a_port_that_is_not_there_at_first_is_an_error() -> None:
    ran = wellread("watch", "/dev/ttyNOWHERE", "--part", "2716")
    assert ran.code == 25
    assert "there is no such port" in ran.err


def test_a_trusted_reading_of_another_size_is_refused(line: Line, tmp_path: Path) -> None:
    (tmp_path / "x.bin").write_bytes(bytes(range(256)))
    ran = wellread("watch", line.name, "--part", "2716", "--like", tmp_path / "x.bin")
    assert ran.code == 2
    assert "256 words, the chip has 2048" in ran.err


def test_ctrl_c_ends_it(line: Line) -> None:
    with ending(
        subprocess.Popen(
            [sys.executable, "-m", "pipeline", "watch", line.name, "--part", "2716"],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # noqa: PLW1509 - no threads here
        )
    ) as process:
        assert process.stdout is not None
        while "next:" not in process.stdout.readline():
            pass
        os.killpg(process.pid, signal.SIGINT)
        _, said = process.communicate(timeout=30)
    assert process.returncode == 130
    assert "Traceback" not in said


# -- the port comes and goes ------------------------------------------------------------------------------


def test_a_port_that_is_pulled_out_and_plugged_in_again_is_watched_on(tmp_path: Path) -> None:
    port, lines = tmp_path / "port", [Line(), Line()]
    port.symlink_to(lines[0].name)
    board = powered()
    phases: list[str] = []

    def show(one: BenchSitting, told: list[Happened], baud: int) -> None:
        del baud
        phases.extend(each.kind for each in told if each.kind in ("gone", "back", "on", "good"))
        if one.whole >= 1 and "gone" not in phases and not pulled:
            pulled.append(1)
            lines[0].unplug()
            port.unlink()
            threading.Timer(0.6, lambda: port.symlink_to(lines[1].name)).start()

    pulled: list[int] = []
    wanted = WatchWish(str(port), None, "2048x8", 115_200, None, None, 5.0, find_speed=False)
    with LoopingReader(lines[0], board), LoopingReader(lines[1], board):
        watch(wanted, show=show)
    lines[1].close()
    assert phases == ["gone", "back", "on", "good"]


def test_silence_is_told_and_the_watch_goes_on(line: Line) -> None:
    board = powered()
    board.open_contact("A6", 1)
    said: list[str] = []
    acted: list[int] = []

    def show(one: BenchSitting, told: list[Happened], baud: int) -> None:
        del baud
        said.extend(each.text for each in told)
        if "power off, then its wire" in one.next and not acted:
            acted.append(1)
            board.power_off()
        elif one.next.startswith("Confirm") and acted == [1]:
            acted.append(2)
            board.mend("A6")
            board.power_on()

    with LoopingReader(line, board):
        watch(wish(line), show=show)
    assert "The reader is silent" in said
    assert said[-2] == "Three passes are whole, alike and free of faults"
    assert board.moves == ["A6 mended"]


class Speeds(threading.Thread):
    """A reader at a speed of its own: at any other the line carries what a wrong speed makes of it."""

    def __init__(self, line: Line, speed: int, board: Board) -> None:
        super().__init__(daemon=True)
        self.line, self.speed, self.board, self.over = line, speed, board, threading.Event()

    def run(self) -> None:
        words = [int(word) for word in self.board.image]
        number = 0
        while not self.over.is_set():
            number += 1
            for one in printed(words, number):
                garbled = os.urandom(len(one))
                while not self.over.is_set() and not self._sent(one, garbled):
                    time.sleep(0.002)

    def _sent(self, right: bytes, garbled: bytes) -> bool:
        if not select.select([], [self.line.master], [], 0.01)[1]:
            return False
        now = termios.tcgetattr(self.line.slave)[4]
        right_speed = now == getattr(termios, f"B{self.speed}")
        return os.write(self.line.master, right if right_speed else garbled) > 0


def test_a_wrong_speed_is_named(line: Line) -> None:
    reader = Speeds(line, 9600, powered())
    reader.start()
    seen: list[str] = []
    watch(
        wish(line),
        show=lambda one, _told, _baud: seen.append(one.next),
        until=lambda one: one.phase == "no-text",
    )
    reader.over.set()
    reader.join(timeout=60)
    assert (
        "What arrives is not text at 115200 baud: say --baud, or let --find-speed try the usual ones." in seen
    )


@pytest.mark.drill
def test_the_speed_is_found_among_the_usual_ones(line: Line) -> None:
    reader = Speeds(line, 57_600, powered())
    reader.start()
    ran = wellread("watch", line.name, "--part", "2716", "--find-speed", "--json")
    reader.over.set()
    reader.join(timeout=60)
    assert ran.code == 0, ran.err
    assert f"{line.name}: the reader prints at 57600 baud" in ran.err
    assert json.loads(ran.out.splitlines()[-1])["baud"] == 57_600


# -- a terminal -------------------------------------------------------------------------------------------


def on_a_terminal(line: Line, board: Board, **environment: str) -> str:
    """Everything that a terminal of 80 by 24 gets."""
    ours, its = pty.openpty()
    termios.tcsetwinsize(its, (24, 80))
    with (
        LoopingReader(line, board),
        subprocess.Popen(
            [sys.executable, "-m", "pipeline", "watch", line.name, "--part", "2716", "--bell", "good"],
            cwd=ROOT,
            stdin=its,
            stdout=its,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "24", **environment},
        ) as process,
    ):
        os.close(its)
        came = bytearray()
        while process.poll() is None or select.select([ours], [], [], 0)[0]:
            if select.select([ours], [], [], 0.1)[0]:
                try:
                    came += os.read(ours, 65_536)
                except OSError:
                    break
    os.close(ours)
    assert process.returncode == 0
    return came.decode("utf-8")


@pytest.mark.skipif(sys.version_info < (3, 11), reason="sets the size of a terminal")
def test_a_terminal_gets_the_package_without_colour_and_without_other_than_plain_characters(
    line: Line,
) -> None:
    text = on_a_terminal(line, powered(), LC_ALL="C", NO_COLOR="1")
    assert set(re.findall(r"\x1b\[[0-9;?]*[A-Za-z]", text)) == {"\x1b[H", "\x1b[K", "\x1b[J"}
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text)
    assert all(char in "\r\n\a" or " " <= char <= "~" for char in plain)
    pages = text.split("\x1b[H")[1:]
    assert all(page.count("\n") <= 24 for page in pages)
    assert all(
        "Power off (reader first, supplies in order) before any wire or chip is moved." in page
        for page in pages
    )
    last = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", pages[-1])
    assert "|  2716   | 19  + A10  alive" in last
    assert "18    /CE  ground (0 V)" in last
    assert "Three passes in a row are whole, alike and free of faults: capture now." in last.replace(
        "\r\n", " "
    )
    assert text.count("\a") == 1
    assert text.endswith("moved.\x1b[K\x1b[J\a\r\n")  # what is said behind it begins a line of its own


@pytest.mark.drill
def test_the_bell_rings_at_the_terminal_while_a_log_takes_the_words(line: Line) -> None:
    ours, its = pty.openpty()
    command = [sys.executable, "-m", "pipeline", "watch", line.name, "--part", "2716", "--bell", "change"]
    with LoopingReader(line, powered()):
        ran = subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=its, timeout=60, check=True)
    os.close(its)
    rung = b""
    while select.select([ours], [], [], 0.1)[0]:
        try:
            rung += os.read(ours, 65_536)
        except OSError:
            break
    os.close(ours)
    assert rung.count(b"\a") == 1
    assert b"\a" not in ran.stdout
    assert b"alive" in ran.stdout


# -- the whole way ----------------------------------------------------------------------------------------


class Hand:
    """Does what the screen says, and only that.

    It moves something only once the screen says that wires may be moved now, or where no supply is on at all.
    """

    def __init__(self, board: Board, reader: LoopingReader) -> None:
        self.board, self.reader = board, reader
        self.to_do: list[tuple[str, str]] = []
        self.pins = {int(str(use.pin)): use.name for use in load().find("2708").pin_table}
        self.read: list[str] = []

    def hears(self, text: str) -> None:
        """One line of the screen."""
        self.read.append(text)
        if not text.startswith("next: "):
            return
        if joined := re.search(r"(A\d+) \(pin \d+\) and A\d+ \(pin \d+\) are joined: every supply off", text):
            assert not self.board.on, "\n".join(self.read[8:])
            self.board.mend(joined[1])
            self.reader.wants_test = True
        elif "then the chip may go in" in text:
            self.board.put_chip_in()
            self.board.power_on()
        elif crossed := re.search(
            r"power off; at the reader's end exchange the wires leading to pins (\d+) and (\d+)", text
        ):
            self.to_do.append((crossed[1], crossed[2]))
            self.board.power_off()
        elif "Confirm that every supply is off; move wires now." in text and self.to_do:
            first, second = (int(self.pins[int(pin)][1:]) for pin in self.to_do.pop())
            self.board.exchange_address_wires(first, second)
            self.board.power_on()


def test_the_screen_leads_from_a_line_test_to_a_package_and_the_chip_lives(
    line: Line, tmp_path: Path
) -> None:
    image = program()[:1024].copy()
    folder = project(tmp_path / "p", "1024x8")
    trusted = tmp_path / "trusted.bin"
    trusted.write_bytes(image.tobytes())
    board = Board(image, supplies=THREE_SUPPLIES, seed=5)
    board.take_chip_out()
    board.bridge("A2", "A7", "low")
    board.exchange_address_wires(4, 5)
    board.moves.clear()
    reader = LoopingReader(line, board)
    hand = Hand(board, reader)
    command = [sys.executable, "-m", "pipeline", "watch", line.name, "--part", "2708", "--like", str(trusted)]
    command += ["--then-capture", "--chip", "U1", "--reader", "hb", "--wiring", "adapter"]
    command += ["--project", str(folder), "--quiet-seconds", RESTS]
    with (
        reader,
        subprocess.Popen(
            command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        ) as process,
    ):
        assert process.stdout is not None
        for text in process.stdout:
            hand.hears(text.rstrip("\n"))
            if "start the reader" in text:
                reader.wants_test = True
    assert process.returncode == 0, hand.read
    assert board.moves == ["A2 mended", "chip in", "A4 and A5 exchanged"]
    assert [one for one in hand.read if "are crossed" in one] == [
        (
            "next: A4 and A5 are crossed: power off; at the reader's end exchange the wires leading to "
            "pins 4 and 3."
        )
    ]
    assert "Three passes are whole, alike and free of faults" in hand.read
    assert wellread("package", folder, "--into", tmp_path / "out", "--quiet").code == 0
    bag = tmp_path / "out" / "bench-1-v1"
    assert [one.read_bytes() for one in bag.rglob("U1.bin")] == [image.tobytes()]
    assert "wiring: adapter" in (folder / "sheet.yaml").read_text(encoding="utf-8")


def test_the_simulated_chip_dies_of_a_wire_moved_under_power_and_of_a_wrong_order() -> None:
    board = powered(supplies=THREE_SUPPLIES)
    with pytest.raises(ChipDiedError):
        board.exchange_address_wires(0, 1)
    board.power_off()
    with pytest.raises(ChipDiedError):
        board.supply_on(5.0)
    board = powered(supplies=THREE_SUPPLIES)
    with pytest.raises(ChipDiedError):
        board.supply_off(-5.0)


# -- clocks -----------------------------------------------------------------------------------------------


@pytest.mark.clock
def test_the_last_word_of_a_pass_is_on_the_screen_within_fifty_milliseconds_and_nothing_is_dropped(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """64 K x 8 in the line protocol at 2,000,000 baud; time from the last byte sent to the page drawn.

    Whatever else the machine does only adds: one sitting of three has to keep to it.
    """
    words = next(one.words for one in installed("open")[0] if one.words.size >= 1 << 16)[: 1 << 16]
    streams = [b"".join(printed([int(word) for word in words], number)) for number in (1, 2, 3)]
    for _ in range(3):
        late, dropped = drawn_late(streams, capsys)
        if max(late) <= 50 and dropped == 0:
            break
    assert dropped == 0
    assert max(late) <= 50


def drawn_late(streams: list[bytes], capsys: pytest.CaptureFixture[str]) -> tuple[list[float], int]:
    """How many milliseconds after its last byte each of these passes stood on a screen, and bytes lost."""
    line = Line(DRIVER_BUFFER)
    ours, its = pty.openpty()
    termios.tcsetwinsize(its, (24, 80))
    sent: list[float] = []
    offered: list[int] = []
    drawn: dict[int, float] = {}
    command = [sys.executable, "-m", "pipeline", "watch", line.name, "--organisation", "65536x8"]
    with ending(
        subprocess.Popen(
            [*command, "--baud", "2000000"],
            cwd=ROOT,
            stdin=its,
            stdout=its,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "24"},
        )
    ) as process:
        os.close(its)

        def look() -> None:
            text = b""
            for some in coming(ours):
                text, at = (text + some)[-8000:], time.monotonic()
                for found in re.finditer(rb"Passes (\d)[^\d]", text):
                    drawn.setdefault(int(found[1]), at)
                drawn.setdefault(0, at)  # the first page: from now on the line is looked at

        looking = threading.Thread(target=look, daemon=True)
        looking.start()
        assert until(lambda: 0 in drawn, 60)
        for number, stream in enumerate(streams, 1):
            sent.append(line.offer(stream))
            offered.append(round(line.baud))
            if not until(lambda: number in drawn, 10):  # noqa: B023 - asked at once
                break  # bytes were lost
            time.sleep(0.4)
        process.send_signal(signal.SIGINT)
        process.wait(timeout=60)
        looking.join(timeout=60)
    os.close(ours)
    line.close()
    late = [round(1000 * (drawn.get(number, inf) - at), 1) for number, at in enumerate(sent, 1)]
    with capsys.disabled():
        print(
            f"\nwatch: 64 K x 8 at {offered} baud, {line.dropped} bytes dropped, "
            f"on the screen after {late} ms"
        )
    return late, line.dropped


# -- the reference reader ---------------------------------------------------------------------------------


def compiled_for(tmp_path: Path, mode: str) -> Path:
    """The reference reader for a board with lines to look at, in one of its modes."""
    (tmp_path / "chip.bin").write_bytes(program().tobytes())
    return compiled(tmp_path, tmp_path / "chip.bin", BOARD + LINES, mode)


def watched_program(line: Line, reader: Path, over: Any) -> BenchSitting:
    """The state in which a watch of this program was ended."""
    os.set_blocking(line.master, True)
    seen: list[BenchSitting] = []
    processes: list[subprocess.Popen[bytes]] = []

    def show(one: BenchSitting, told: list[Happened], baud: int) -> None:
        del told, baud
        seen[:] = [one]
        if not processes:
            processes.append(subprocess.Popen([reader], stdin=line.master, stdout=line.master))

    try:
        watch(wish(line), show=show, until=over)
    finally:
        processes[0].kill()
        processes[0].wait(timeout=30)
    return seen[0]


@compiles
def test_the_reference_reader_reads_on_and_on_and_answers_requests(line: Line, tmp_path: Path) -> None:
    one = watched_program(line, compiled_for(tmp_path, "READER_LOOP"), lambda one: one.good)
    assert {state.words for state in one.states.values()} == {"alive"}


@compiles
def test_the_reference_reader_tests_the_lines_of_an_empty_socket(line: Line, tmp_path: Path) -> None:
    one = watched_program(line, compiled_for(tmp_path, "READER_LINE_TEST"), lambda one: one.phase == "tested")
    assert one.states["A2"].words == "joined with A7"
    assert one.next.startswith("A2 and A7 are joined: every supply off")


@compiles
def test_the_reference_reader_pulses_the_lines_of_an_expendable_chip(line: Line, tmp_path: Path) -> None:
    one = watched_program(
        line, compiled_for(tmp_path, "READER_PULSE_TEST"), lambda one: one.phase == "pulsed"
    )
    assert {state.words for state in one.states.values()} == {"not yet shown"}


@compiles
def test_the_reference_reader_rests_as_soon_as_a_supply_goes_off_behind_a_pass(tmp_path: Path) -> None:
    supplies, said = tmp_path / "supplies", tmp_path / "said"
    supplies.touch()
    (tmp_path / "chip.bin").write_bytes(program().tobytes())
    lines = LINES.replace("return true;", f'return access("{supplies}", F_OK) == 0;', 1)
    lines = lines.replace("static void rest() {}", 'static void rest() { fputs("rest\\n", stderr); }')
    reader = compiled(tmp_path, tmp_path / "chip.bin", BOARD + lines, "READER_LOOP")
    with (
        said.open("wb") as stderr,
        ending(
            subprocess.Popen([reader], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=stderr)
        ) as process,
    ):
        assert process.stdin is not None
        assert process.stdout is not None
        while not process.stdout.readline().startswith(b"#END 1 "):
            pass
        supplies.unlink()
        assert until(lambda: b"rest" in said.read_bytes(), 20)
        process.stdin.write(b"?1 0000\n")
        process.stdin.flush()
        time.sleep(0.05)
        supplies.touch()
        assert process.stdout.readline().startswith(b"#WELLREAD 1 PASS 1 ")


def test_no_program_of_the_reader_has_a_number_for_any_pin_but_address_and_data() -> None:
    text = READER.read_text(encoding="ascii")
    test = text[text.index("void test_lines()") : text.index("void pulse_address_lines()")]
    assert set(re.findall(r"\b(line_drive|line_release|line_level|set_address|strobe)\b", test)) == {
        "line_drive",
        "line_release",
    }
    assert "const unsigned lines = ADDRESS_LINES + BITS;" in test
    driven = re.findall(r"line_drive\((\w+), (\w+)\)", test)
    assert driven == [("line", "false"), ("line", "true"), ("line", "false")]
    assert "line_release(line)" in test[test.rindex("line_drive") :]


# -- the recording in the tour ----------------------------------------------------------------------------


def test_the_recording_in_the_tour_is_what_such_a_sitting_says(line: Line) -> None:
    """The board of the recording once more: D3's wire is out and A4 and A5 are crossed, mended as it says."""
    tour = (ROOT / "example_project" / "README.md").read_text(encoding="utf-8")
    found = re.search(r"<!-- recording: watch -->\n```text\n(.*?)```", tour, re.DOTALL)
    assert found
    assert found[1] == recording(line)


def recording(line: Line) -> str:
    """What the command says to a log, the port named as people know it, rests of whole passes left out."""
    image = np.frombuffer((ROOT / "example_project/dumps/MEM-U1.prog.1.bin").read_bytes(), np.uint8).copy()
    board = Board(image, seed=1)
    board.take_wire_out("D3", 1)
    board.exchange_address_wires(4, 5)
    board.power_on()
    command = [
        sys.executable,
        "-m",
        "pipeline",
        "watch",
        line.name,
        "--part",
        "2716",
        "--quiet-seconds",
        RESTS,
    ]
    command += ["--like", str(ROOT / "example_project/dumps/MEM-U1.prog.1.bin")]
    told: list[str] = []
    allowed = [1]

    def may_begin() -> bool:
        # one pass, then a rest in which the hand reads the screen
        allowed[0] -= 1
        return allowed[0] >= 0

    reader = LoopingReader(line, board)
    reader.may_begin = may_begin
    with ending(
        subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    ) as process:
        assert process.stdout is not None
        started = False
        for text in process.stdout:
            told.append(text)
            if "start the reader" in text and not started:
                started = True
                reader.__enter__()
            if text.startswith("next: Confirm"):
                if "D3 mended" not in board.moves:
                    board.power_off()
                    board.mend("D3")
                    board.power_on()
                    allowed[0] = 1
                elif board.moves[-1] == "D3 mended":
                    board.power_off()
                    board.exchange_address_wires(4, 5)
                    board.power_on()
                    allowed[0] = 3
    reader.__exit__()
    assert process.returncode == 0
    assert board.moves[2:] == ["D3 mended", "A4 and A5 exchanged"]
    begins = next(k for k, text in enumerate(told) if text.startswith("Power off (reader first"))
    return "".join(told[begins:])
