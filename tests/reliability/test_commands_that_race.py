"""Every pair of writing commands at once on one project, bag, ledger and sheet: nothing is lost.

Both start at the same moment, in processes of their own. Whatever one of them was refused, what the other,
or both, said they had done is there afterwards; the bag is as it was or whole; no row of the ledger or the
sheet is gone.

`WELLREAD_DRILLS=all` races each pair twenty times, the drills twice, and the ordinary run the pairs that
change the same thing.
"""

from __future__ import annotations

import itertools
import os
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
import yaml

from pipeline.edges.ledger import Ledger
from pipeline.run.bench.sheet_row import add_row
from tests.journey import drilled, test_drills
from tests.journey.test_drills import tree
from tests.kit.files import listing
from tests.kit.forked import ended as ended_with
from tests.kit.forked import forked
from tests.outside import bag_cases, rfc8493

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="both processes are forked at one moment")
ALL = os.environ.get("WELLREAD_DRILLS") == "all"
ROUNDS = 20 if ALL else 2
REFUSED = frozenset([10, 14, 15, 16, 20, 21, 24])
"""How a command may say that the other one was at work, or had been: a file not there yet, no bag just now,
taken, changed, locked, no proof of a copy, nothing left to do."""


@dataclass(frozen=True)
class Racer:
    """A writing command.

    Attributes:
        name: Of the command.
        asked: Its arguments, in the folder; `row` is what a capture does to the sheet.
        done: Exit codes with which it says that it did its work.
        holds: Asserts that what it did is there.
    """

    name: str
    asked: Callable[[Path, int], list[str | Path]]
    done: frozenset[int]
    holds: Callable[[Path, int], None]


def shelf(folder: Path, *, damaged: bool) -> None:
    """A project that was changed, its bag, perhaps damaged, a copy, and a ledger with a bag to accept."""
    folder.mkdir()
    drilled.edited(folder)
    (folder / "into/m-v1").rename(folder / "m-v1")
    (folder / "into").rmdir()
    sheet = folder / "m/sheet.yaml"
    rows = "".join(
        f"  - {{chip: {one}, reader: prog, file: dumps/{one}.prog.1.bin}}\n" for one in ("U1", "U2")
    )
    text = sheet.read_text("utf-8").replace("readers: {", "readers: {hb: {kind: home-built}, ")
    sheet.write_text(f"{text}readings:\n{rows}", "utf-8")
    shutil.copytree(folder / "m-v1", folder / "copy")
    bag_cases.bag(folder / "other", {"data/x": b"first"})
    drilled.quietly("recheck", folder / "m-v1", folder / "other", "--ledger", folder / "l", "--new-ledger")
    shutil.rmtree(folder / "other")
    bag_cases.bag(folder / "other", {"data/x": b"a better reading"})
    if damaged:
        (folder / "m-v1/data/docs/notes.txt").write_bytes(b"damaged")


def kinds(folder: Path) -> list[str]:
    with Ledger(folder / "l") as book:
        assert book.wholeness().problems == ()
        return [str(row.body["kind"]) for row in book.rows()]


def valid(bag: Path) -> None:
    assert rfc8493.problems(bag) == [], bag


def is_packed(folder: Path, number: int) -> None:
    valid(folder / "m-v2")


def is_released(folder: Path, number: int) -> None:
    valid(folder / "m-v1-public")
    assert (folder / "m-v1-public.zip").is_file()


def is_mended(folder: Path, number: int) -> None:
    assert tree(folder / "m-v1") == tree(folder / "copy")
    assert any(tree(one) == {"data/docs/notes.txt": b"damaged"} for one in folder.glob("m-v1.damaged-*"))
    assert kinds(folder).count("mend") == 1


def is_checked(folder: Path, number: int) -> None:
    assert "check" in kinds(folder)[3:]


def is_accepted(folder: Path, number: int) -> None:
    # Two at once may both be written down: the same word twice, and nothing lost.
    assert "accepted" in kinds(folder)[3:]


def is_reopened(folder: Path, number: int) -> None:
    assert (folder / f"again{number}/dumps/U1.prog.1.bin").read_bytes() == (
        folder / "m/dumps/U1.prog.1.bin"
    ).read_bytes()


def is_burnt(folder: Path, number: int) -> None:
    assert (folder / f"burnt{number}.bin").read_bytes() == (folder / "m/dumps/U1.prog.1.bin").read_bytes()


def is_exported(folder: Path, number: int) -> None:
    assert (folder / f"l{number}.csv").read_text("utf-8").count("\n") >= 4


def is_entered(folder: Path, number: int) -> None:
    files = [row["file"] for row in yaml.safe_load((folder / "m/sheet.yaml").read_text("utf-8"))["readings"]]
    assert f"dumps/U1.hb.{number}.log" in files


RACERS = (
    Racer("package", lambda at, n: ["package", at / "m", "--into", at], frozenset([0]), is_packed),
    Racer("release", lambda at, n: ["release", at / "m-v1", "--into", at], frozenset([0]), is_released),
    Racer(
        "mend",
        lambda at, n: ["mend", at / "m-v1", "--from", at / "copy", "--ledger", at / "l"],
        frozenset([0]),
        is_mended,
    ),
    Racer(
        "recheck",
        lambda at, n: ["recheck", at / "m-v1", "--ledger", at / "l"],
        frozenset([0, 1]),
        is_checked,
    ),
    Racer(
        "accept",
        lambda at, n: ["ledger", at / "l", "--accept", at / "other", "--because", "a better reading"],
        frozenset([0]),
        is_accepted,
    ),
    Racer(
        "export", lambda at, n: ["ledger", at / "l", "--csv", at / f"l{n}.csv"], frozenset([0]), is_exported
    ),
    Racer(
        "reopen",
        lambda at, n: ["reopen", at / "m-v1", "--into", at / f"again{n}"],
        frozenset([0]),
        is_reopened,
    ),
    Racer(
        "burn",
        lambda at, n: [
            *("burn", at / "m-v1", "--chip", "U1", "--into", "2716"),
            *("--output", at / f"burnt{n}.bin"),
        ],
        frozenset([0]),
        is_burnt,
    ),
    Racer("capture's row", lambda at, n: ["row", at / "m/sheet.yaml"], frozenset([0]), is_entered),
)
PAIRS = list(itertools.combinations_with_replacement(RACERS, 2))
TELLING = {
    ("mend", "recheck"),
    ("mend", "accept"),
    ("package", "capture's row"),
    ("release", "mend"),
    ("mend", "mend"),
}
"""Pairs that change the same thing; the ordinary run races these alone."""


def capture_ends(sheet: Path, number: int) -> int:
    """What a capture does at its end: the log gets its name, then the sheet its row."""
    name = f"dumps/U1.hb.{number}.log"
    part = sheet.parent / f"{name}.part"
    part.write_bytes(listing((sheet.parent / "dumps/U1.prog.1.bin").read_bytes()))
    part.rename(sheet.parent / name)
    return 0 if add_row(sheet, {"chip": "U1", "reader": "hb", "file": name}) else 1


def carried_out(asked: list[str | Path], number: int) -> int:
    from pipeline.__main__ import run

    if asked[0] == "row":
        return capture_ends(Path(asked[1]), number)
    return run([*map(str, asked), "--quiet"])


def started(asked: list[str | Path], number: int, gate: int, said: Path) -> int:
    """A process that waits for its gate to open, then runs the command."""

    def program() -> int:
        handle = os.open(said, os.O_WRONLY | os.O_CREAT, 0o600)
        for standard in (1, 2):
            os.dup2(handle, standard)
        sys.stdout, sys.stderr = (open(standard, "w", encoding="utf-8", closefd=False) for standard in (1, 2))  # noqa: SIM115 - for the child's whole life
        os.environ["SOURCE_DATE_EPOCH"] = drilled.EPOCH
        os.read(gate, 1)
        return carried_out(asked, number)

    return forked(program)


def race(folder: Path, pair: tuple[Racer, Racer]) -> list[tuple[int, str]]:
    """Both at once: how each ended and what it said."""
    reading, writing = os.pipe()
    said = [folder.parent / f"{folder.name}.said{number}" for number in (1, 2)]
    running = []
    for number, one in enumerate(pair, 1):
        running.append(started(one.asked(folder, number), number, reading, said[number - 1]))
    os.write(writing, b"go")
    codes = [ended_with(each) for each in running]
    os.close(reading)
    os.close(writing)
    return [(code, path.read_text("utf-8")) for code, path in zip(codes, said, strict=True)]


@pytest.mark.parametrize(
    "pair",
    [
        pytest.param(
            pair,
            id=f"{pair[0].name}-{pair[1].name}".replace(" ", "-"),
            marks=[] if (pair[0].name, pair[1].name) in TELLING and not ALL else [pytest.mark.drill],
        )
        for pair in PAIRS
    ],
)
def test_two_commands_at_once_lose_nothing(tmp_path: Path, pair: tuple[Racer, Racer]) -> None:
    folder, kept = tmp_path / "at", tmp_path / "kept"
    shelf(folder, damaged="mend" in {one.name for one in pair})
    folder.rename(kept)  # the ledger knows the bags by their paths, so that each race is at the same place
    for _ in range(ROUNDS):
        shutil.copytree(kept, folder)
        ended = race(folder, pair)
        for place, (one, (code, said)) in enumerate(zip(pair, ended, strict=True), 1):
            assert "Traceback" not in said, (one.name, said)
            assert code in one.done | REFUSED, (one.name, code, said)
            if code in one.done:
                one.holds(folder, place)
        assert any(code in one.done for one, (code, _) in zip(pair, ended, strict=True)), ended
        nothing_is_lost(kept, folder, pair, [code for code, _ in ended])
        shutil.rmtree(folder)
    test_drills.note(f"{pair[0].name} and {pair[1].name}", "race", ROUNDS, "at once")


def nothing_is_lost(kept: Path, folder: Path, pair: tuple[Racer, Racer], codes: list[int]) -> None:
    """The bag is as it was or whole; what was damaged, project, sheet and ledger are there."""
    assert tree(folder / "m-v1") in (tree(kept / "m-v1"), tree(kept / "copy"))
    assert set(tree(kept / "m-v1").values()) <= set(tree(folder).values())
    assert tree(folder / "copy") == tree(kept / "copy")
    before = tree(kept / "m")
    now = {name: content for name, content in tree(folder / "m").items() if ".hb." not in name}
    assert now.pop("sheet.yaml").startswith(before.pop("sheet.yaml").rstrip(b"\n"))
    assert now == before
    checks = [
        code for one, code in zip(pair, codes, strict=True) if one.name == "recheck" and code in one.done
    ]
    assert kinds(folder)[:3] == ["opened", "check", "check"]
    assert kinds(folder).count("check") == 2 + len(checks)
    assert not [path for path in folder.iterdir() if ".staging-" in path.name]
