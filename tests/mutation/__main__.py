"""`python -m tests.mutation ROOM... [--sample N] [--seed S]`: how many changed programs the tests notice.

ROOM is a file or a folder of the pure code, such as `pipeline/stages/grade.py` or `pipeline/lines`. mutmut
says how each function can be changed at one place at a time. The tests are gathered once and which lines each
reaches is recorded; then every change is tried in a forked process: put in, and the tests that reach it run,
the quickest first, until one fails. With `--sample` a random draw of the changes is tried. What survives is
printed as a difference, to be read: a test is missing, or the change means the same.

Nothing on the disk is changed. It takes a fraction of a second a change; not part of CI.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.mutation.changes import ROOT, Change, changes_of
from tests.mutation.reach import reaching, record
from tests.mutation.trying import Tried, tried

TESTS = ("tests/unit", "tests/contract", "tests/property", "tests/outside")


class Loop:
    """Takes pytest's place once it has gathered the tests."""

    def __init__(self, options: argparse.Namespace) -> None:
        self.options = options
        self.tried: list[Tried] = []

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Record, draw, try."""
        items = {item.nodeid: item for item in session.items}
        reached = record(session.items, self.options.record)
        for failing in sorted(name for name in items if not reached[name]["passed"]):
            print(f"fails without a change, not used: {failing}")
        reached = {name: reached[name] for name in items}
        for room in self.options.room:
            changes = _changes(room)
            wanted = min(self.options.sample or len(changes), len(changes))
            drawn = random.Random(self.options.seed).sample(changes, wanted)
            results: list[Tried] = []
            until = time.monotonic() + 60 * self.options.minutes
            for change in drawn:
                if results and time.monotonic() > until:
                    break
                one = tried(change, reaching(change, reached), items, reached, self.options.seconds)
                results.append(one)
                if one.outcome != "noticed":
                    _tell_survivor(one)
            _tell(room, results, len(changes))
            self.tried += results
        return True


def _changes(room: str) -> list[Change]:
    path = ROOT / room
    files = [path] if path.suffix == ".py" else sorted(path.rglob("*.py"))
    if not files:
        raise SystemExit(f"there is no module in {room}")
    return [one for file in files for one in changes_of(file.relative_to(ROOT).as_posix())]


def _tell_survivor(one: Tried) -> None:
    cut = f", {one.left_out} tests too slow to ask" if one.left_out else ""
    print(f"\n{one.outcome}{cut}: {one.change.name}\n{one.change.difference()}", flush=True)


def _tell(room: str, results: Sequence[Tried], of: int) -> None:
    counts = Counter(one.outcome for one in results)
    share = counts["noticed"] / len(results)
    row = (f"`{room}`", f"{len(results)} of {of}", counts["noticed"], counts["survived"], counts["no test"])
    print(f"\n| {' | '.join(map(str, row))} | {share:.1%} |", flush=True)


def main() -> int:
    """Prints the score of each room and what survived."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("room", nargs="+", help="a file or folder, such as pipeline/stages/grade.py")
    parser.add_argument(
        "--sample", type=int, default=0, help="try so many of each, drawn at random; else all"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--minutes",
        type=float,
        default=math.inf,
        help="for each room; what is tried by then is drawn as well",
    )
    parser.add_argument("--tests", nargs="+", default=[*TESTS], help="test files or folders")
    parser.add_argument("--seconds", type=float, default=30, help="of tests for one change, at most")
    parser.add_argument("--record", type=Path, help="keep here what each test reaches, for the next run")
    options = parser.parse_args()
    os.chdir(ROOT)
    os.environ["HYPOTHESIS_PROFILE"] = "mutation"
    with tempfile.TemporaryDirectory() as folder:
        options.record = options.record or Path(folder) / "record.json"
        loop = Loop(options)
        chosen = [
            "-o",
            "addopts=",
            "-m",
            "not drill and not clock and not slow",
            "-p",
            "no:cacheprovider",
            "-qqs",
        ]
        pytest.main([*chosen, *options.tests], plugins=[loop])
    return 0 if loop.tried else 1


if __name__ == "__main__":
    sys.exit(main())
