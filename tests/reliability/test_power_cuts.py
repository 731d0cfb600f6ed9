"""Whatever a power cut leaves: the old state or the new, and nothing is lost that was told to be there.

Each program runs once, recorded; then every disk that a cut could leave (`power.left`) is laid where it
ran, and the inspectors of the kill drills judge it: bags by two judges, ledgers row by row, the command run
again to its end.

By default some cuts of each program are tried; `WELLREAD_POWER=all` tries every change in every mode.
`WELLREAD_DRILL_TABLE=FILE` writes the table for tests/MEASUREMENTS.md.
"""

from __future__ import annotations

import hashlib
import os
import random
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from tests.journey import drilled, test_drills
from tests.journey.drilling import Run, can_drill, drill
from tests.journey.test_drills import Tree, tree
from tests.reliability import power
from tests.reliability.power import Change, Disk, Log, Mode

WHY_NOT = can_drill()
pytestmark = [pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT), pytest.mark.drill]
ALL = os.environ.get("WELLREAD_POWER") == "all"
MODES: tuple[Mode, ...] = ("nothing", "names in order", "any")
ROUNDS = 6 if ALL else 1
"""How often the modes with a dice are tried at each cut."""
MOST = 36
"""Cuts of a program in the ordinary drill."""
Program = Callable[[], int]
Inspect = Callable[[Path, Run, Tree, Tree], None]


def recorded(folder: Path, program: Program) -> tuple[Log, Run]:
    """A program's run and what it did; held to be all that it did."""
    log = Log(folder)
    run = drill(program, folder, environment={"SOURCE_DATE_EPOCH": drilled.EPOCH}, recorder=log)
    assert run.status == 0, run.output
    whole = cut(log, len(log.changes), "all", 0)
    assert named(whole) == tree(folder), "the log does not give what the program left"
    return log, run


def cut(log: Log, until: int, mode: Mode, seed: int) -> Disk:
    dice = random.Random(f"{until} {mode} {seed}")
    return power.left(log.base, log.changes, power.flushed_at(log.changes), until, mode, dice)


def named(disk: Disk) -> Tree:
    return {path: content for path, content in disk.tree() if content is not None}


def cuts(log: Log) -> Iterator[tuple[int, Disk, str]]:
    """Where the power goes, what is left and how it came to be; no disk twice."""
    last = len(log.changes)
    places = list(range(last + 1))
    if not ALL:
        # flushes and moves are where promises begin; of the rest some, and always the end
        telling = [
            n for n, one in enumerate(log.changes, 1) if one.kind in {"flush", "flush all", "move", "said"}
        ]
        places = sorted({*telling, *range(0, last, max(1, last // 12)), last})[
            :: max(1, (len(telling) + 12) // MOST)
        ]
        places = sorted({*places, last})
    seen = set()
    for until in places:
        for mode in MODES:
            for seed in range(1 if mode == "nothing" else ROUNDS):
                disk = cut(log, until, mode, seed)
                said = power.said_until(log.changes, until)
                mark = hashlib.sha256(repr((sorted(disk.tree()), said, until == last)).encode()).digest()
                if mark not in seen:
                    seen.add(mark)
                    yield until, disk, mode


def survived(folder: Path, log: Log, old: Tree, new: Tree, inspect: Inspect) -> int:
    """Lay each disk into the folder and have it inspected; how many there were."""
    count = 0
    for until, disk, mode in cuts(log):
        power.emptied(folder)
        disk.write_to(folder, log.identities)
        ended = until == len(log.changes)
        run = Run(status=0 if ended else -9, output=power.said_until(log.changes, until))
        try:
            inspect(folder, run, old, new)
        except AssertionError as error:
            before = "\n".join(f"  {describe(one)}" for one in log.changes[max(0, until - 8) : until])
            raise AssertionError(
                f"power cut at {until} of {len(log.changes)} ({mode}) after\n{before}\n{error}"
            ) from error
        count += 1
    return count


def describe(one: Change) -> str:
    return f"{one.kind} {one.of} {one.folder}/{one.name} {one.offset}+{len(one.content)}"


@pytest.mark.parametrize("each", test_drills.DRILLS, ids=lambda one: one.name.replace(" ", "-"))
def test_after_a_power_cut_nothing_is_lost(tmp_path: Path, each: test_drills.Drill) -> None:
    folder = tmp_path / "at"
    folder.mkdir()
    each.arrange(folder)
    old = tree(folder)
    program, arguments = drilled.PROGRAMS[each.program], [str(one) for one in each.arguments(folder)]
    log, run = recorded(folder, lambda: program(arguments))
    new = tree(folder)
    each.inspect(folder, run, old, {})
    states = survived(folder, log, old, new, each.inspect)
    assert states >= 5
    note(each.name, states, log.changes)


def note(name: str, states: int, changes: Sequence[Change]) -> None:
    flushes = sum(one.kind.startswith("flush") for one in changes)
    test_drills.note(name, "power cut", states, f"{len(changes)} changes", f"{flushes} flushes")


# --- a capture --------------------------------------------------------------------------------------------


def capturing(folder: Path) -> Program:
    """Three passes from a simulated reader, over two seconds, into a project."""
    pytest.importorskip("serial", reason="capture needs the optional package pyserial")
    from pipeline.__main__ import run
    from tests.kit.reader_simulated import Line, printed, when_recording

    image = random.Random(10).randbytes(2048)
    stream = b"".join(b"".join(printed(image, number)) for number in (1, 2, 3))

    def program() -> int:
        line = Line()
        when_recording(folder, lambda: line.send(stream, baud=115_200))
        asked = ["capture", line.name, "--chip", "U1", "--reader", "hb", "--project", str(folder)]
        return run([*asked, "--quiet-seconds", "20"])

    return program


def test_after_a_power_cut_what_a_capture_has_flushed_is_there(tmp_path: Path) -> None:
    from tests.kit.reader_simulated import project

    folder = tmp_path / "at"
    folder.mkdir()
    project(folder / "p")
    old = tree(folder)
    log, _ = recorded(folder, capturing(folder / "p"))
    new = tree(folder)
    safe = power.flushed_at(log.changes)
    [number] = {one.of for one in log.changes if one.kind == "file" and one.name == "U1.hb.1.raw"}
    assert sum(one == Change("flush", number) for one in log.changes) >= 2, "the log is flushed each second"
    states = 0
    for until, disk, mode in cuts(log):
        # A lock file that comes back is nobody's: the lock itself went with its holder.
        left = {path: content for path, content in named(disk).items() if not path.endswith(".lock")}
        where = f"power cut at {until} of {len(log.changes)} ({mode})"
        flushed = b"".join(
            one.content
            for place, one in enumerate(log.changes[:until])
            if one.kind == "write" and one.of == number and safe[place] < until
        )
        assert any(content.startswith(flushed) for content in left.values()), (
            f"{where}: what was flushed is gone"
        )
        assert left["p/sheet.yaml"] in (old["p/sheet.yaml"], new["p/sheet.yaml"]), where
        assert left == new or until < len(log.changes), f"{where}: {sorted(left)}"
        states += 1
    note("capture", states, log.changes)
