"""The terminal as a restorer has it: 80 columns, a bar that leaves nothing behind, the worst first."""

from __future__ import annotations

import os
import random
import re
import shutil
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.journey.cli import wellread
from tests.kit.example_bags import example_bag
from tests.kit.forked import MOST_SECONDS, coming, end_after

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "example_project"
DUMPS = EXAMPLE / "dumps"


@pytest.fixture
def bag() -> Path:
    return example_bag()


def commands(bag: Path, place: Path) -> Iterator[list[str | Path]]:
    """What a restorer, a custodian and a rebuilder type."""
    for name in ("release", "burn", "capture", "convert"):
        yield [name, "--help"]
    rest: list[list[str | Path]] = [
        ["--help"],
        ["check", EXAMPLE],
        ["package", EXAMPLE, "--into", place],
        ["examine", DUMPS / "PAT-U5.hb.1.log"],
        ["examine", "--project", EXAMPLE, "--chip", "BOX-U2"],
        ["compare", DUMPS / "MEM-U3.prog.1.s19", DUMPS / "MEM-U3.adapter.1.bin"],
        ["recheck", bag, "--ledger", place / "l", "--new-ledger"],
        ["ledger", place / "l"],
        ["release", bag, "--dry-run"],
        ["burn", bag, "--chip", "MEM-U1", "--into", "2764", "-o", place / "x"],
        ["burn", bag, "--chip", "PAT-U5", "--into", "2764"],
        ["changes", bag, bag],
        ["parts"],
        ["parts", "2716"],
        ["bench", "2716", "--from", "1702A"],
        ["explain"],
        ["explain", "wiring-carried", "faulty"],
        ["schema"],
        ["start", EXAMPLE],
        ["check", place / "nothing"],
    ]
    yield from rest


def too_long(lines: list[str], columns: int = 80) -> list[str]:
    """Lines of words that are longer than this; what is one word cannot be parted."""
    return [line for line in lines if len(line) > columns and len(line.split()) > 1]


def test_no_command_prints_a_line_of_words_longer_than_80_columns(
    bag: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    seen = 0
    for words in commands(bag, tmp_path):
        ran = wellread(*words)
        lines = (ran.out + ran.err).splitlines()
        seen += len(lines)
        assert not too_long(lines), words
    assert seen > 500


def test_signs_that_a_terminal_lacks_are_replaced_before_lines_are_laid_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    for words in (["bench", "2716"], ["examine", DUMPS / "PAT-U5.hb.1.log"], ["release", "--help"]):
        ran = wellread(*words, encoding="ascii")
        lines = (ran.out + ran.err).splitlines()
        assert len(lines) > 20
        assert too_long(lines, 60) == []
        assert "\\x" not in ran.out, "a sign was spelled out"


def test_the_same_words_are_said_at_every_width(bag: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said = []
    for columns in ("0", "40", "80", "200"):
        monkeypatch.setenv("COLUMNS", columns)
        said.append(wellread("release", bag, "--dry-run").out.split())
    assert said[0] == said[1] == said[2] == said[3]


def test_no_summary_of_the_help_is_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    told = wellread("--help").out
    assert "..." not in told.replace("[ARGS]...", "")
    assert "every guess is listed to be confirmed." in " ".join(told.split())


def test_the_legend_stands_where_strips_are_printed_with_the_signs_that_occur(tmp_path: Path) -> None:
    for encoding, sign in (("utf-8", "░"), ("ascii", ".")):
        told = wellread("package", EXAMPLE, "--into", tmp_path / encoding, encoding=encoding).out
        assert f"{sign} fill" in told
        assert "! contested" in told
        assert "? absent" not in told  # no image of the example has a word that nobody read


DOUBTFUL = (7, 23, 39)


def many(place: Path, count: int = 80) -> Path:
    """A project of so many chips, of which a few have a bit that two readers read differently."""
    root = place / "many"
    (root / "dumps").mkdir(parents=True)
    rows = []
    for n in range(count):
        image = bytearray(random.Random(n).randbytes(512))
        (root / "dumps" / f"U{n}.p.1.bin").write_bytes(image)
        image[5] ^= 1 if n in DOUBTFUL else 0
        (root / "dumps" / f"U{n}.q.1.bin").write_bytes(image)
        rows.append(f"  - {{chip: U{n}, organisation: 512x8}}")
    readers = "readers: {p: {kind: device-programmer}, q: {kind: home-built}}"
    (root / "sheet.yaml").write_text(
        "machine: {id: many, name: Many}\n" + readers + "\nchips:\n" + "\n".join(rows)
    )
    return root


def test_of_many_chips_the_faulty_are_listed_and_the_clean_counted(tmp_path: Path) -> None:
    told = wellread("package", many(tmp_path), "--into", tmp_path).out
    lines = told.splitlines()
    assert lines[0] == "3 contested, 77 corroborated"
    assert [line.split()[0] for line in lines[1:4]] == ["U7", "U23", "U39"]
    assert "  77 chips with nothing to do: 77 corroborated" in lines
    assert len(lines) < 20


def watched(
    command: list[str], environment: dict[str, str] | None = None, *, to_the_end: bool = True
) -> tuple[bytes, float]:
    """What a command writes to a terminal of 80 columns, and after how many seconds it first wrote."""
    import fcntl
    import pty
    import struct
    import termios

    begun = time.monotonic()
    child, terminal = pty.fork()
    if child == 0:
        # here: the parent would say it too late for a child that is quicker
        fcntl.ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 80, 0, 0))
        end_after(MOST_SECONDS)
        kept = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "NO_COLOR")}
        os.execve(command[0], command, {**kept, "TERM": "xterm", **(environment or {})})
    first, written = 0.0, b""
    for some in coming(terminal):
        first = first or time.monotonic() - begun
        written += some
        if not to_the_end:
            os.kill(child, signal.SIGKILL)
    os.close(terminal)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) in (
        (0, 1) if to_the_end else (-signal.SIGKILL,)
    )
    return written, first


def left(written: bytes) -> list[str]:
    """The lines that stand on the screen at the end, as a terminal that knows ECMA-48 shows them."""
    screen, row, column = [""], 0, 0
    for sign in re.findall(r"\x1b\[[?0-9;]*[A-Za-z]|.|\n|\r", written.decode(), re.DOTALL):
        if sign == "\r":
            column = 0
        elif sign == "\n":
            row += 1
            screen += [""] * (row + 1 - len(screen))
        elif sign == "\x1b[2K":
            screen[row] = ""
        elif re.fullmatch(r"\x1b\[\d+A", sign):
            row -= int(sign[2:-1])
        elif not sign.startswith("\x1b"):
            screen[row] = screen[row][:column].ljust(column) + sign + screen[row][column + 1 :]
            column += 1
    return screen


POSIX = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals as POSIX has them")


@POSIX
def test_a_bar_with_a_rate_is_shown_and_nothing_of_it_is_left(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "pipeline", "package", str(many(tmp_path, 30)), "--into", str(tmp_path)]
    written, _ = watched(command)
    for told in (b"Reading the sheet", b"chips read", b"of 30", b"/s", b"files hashed"):
        assert told in written, told
    lines = left(written)
    assert lines[0] == "2 contested, 28 corroborated"
    assert not [line for line in lines if "hashed" in line or "Reading" in line or "chips read" in line]
    assert too_long(lines) == [], "a path alone is as long as the folder of the tests makes it"
    assert written.count(b"\x1b[?25l") == written.count(b"\x1b[?25h") > 0  # the cursor is back


def one_dead_line(place: Path) -> Path:
    """The example's chip whose A5 and A6 are dead, and nothing else of it."""
    root = place / "one"
    (root / "dumps").mkdir(parents=True)
    shutil.copy(DUMPS / "PAT-U5.hb.1.log", root / "dumps")
    (root / "sheet.yaml").write_text(
        "machine: {id: one, name: One}\nreaders: {hb: {kind: home-built}}\n"
        "chips: [{chip: PAT-U5, organisation: 2048x8}]\n"
    )
    return root


@POSIX
@pytest.mark.parametrize("named", ["NO_COLOR", "TERM"])
def test_no_colour_for_whoever_refuses_it_and_a_dumb_terminal_sees_text_alone(
    named: str, tmp_path: Path
) -> None:
    command = [
        sys.executable,
        "-m",
        "pipeline",
        "package",
        str(one_dead_line(tmp_path)),
        "--into",
        str(tmp_path),
    ]
    written, _ = watched(command, {named: {"NO_COLOR": "1", "TERM": "dumb"}[named]})
    assert b"\x1b[31m" not in written
    assert b"\x1b[1;31m" not in written
    assert b"\x1b[33m" not in written
    if named == "TERM":
        assert b"\x1b" not in written
    assert "fault address-line-dead" in " ".join(" ".join(left(written)).split())


@POSIX
@pytest.mark.clock
def test_the_first_sign_comes_within_half_a_second(tmp_path: Path) -> None:
    """On a machine with much to do: within four times what the command line's library takes to begin."""
    command = [sys.executable, "-m", "pipeline", "package", str(many(tmp_path, 2)), "--into"]
    bare = [sys.executable, "-c", "import typer; print(typer)"]
    pairs = [
        (watched([*command, str(tmp_path / str(n))], to_the_end=False)[1], watched(bare)[1]) for n in range(3)
    ]
    waits, beside = (min(column) for column in zip(*pairs, strict=True))
    assert 0 < waits < max(0.5, 4 * beside), (waits, beside)
