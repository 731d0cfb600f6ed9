"""`python -m tests.mutation ROOM [--sample N] [--seed S]`: how many changed programs the tests notice.

ROOM is a file or a folder of the pure code, such as `pipeline/stages/grade.py` or `pipeline/lines`. mutmut
changes the room at one place at a time; for each change the tests run that import the room. With `--sample` a
random draw of the changes is tried. What survives is printed as a difference, to be read: a test is missing,
or the change means the same. mutmut makes no changes in decorated functions and outside of functions.

Everything happens in a copy of the project in a temporary folder. It takes seconds a change; not part of CI.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[2]
TESTS = ("unit", "outside", "property", "contract")
LEFT_OUT = shutil.ignore_patterns(".git", ".venv", "__pycache__", "mutants", "*.egg-info", ".mypy_cache")
SETTINGS = """\
[mutmut]
source_paths =
    pipeline
    schemas
only_mutate = {only}
also_copy =
    example_project
    README.md
    DEVELOPERS.md
    CHANGELOG.md
    LICENSE
    .ci
pytest_add_cli_args =
    -o
    addopts=-p no:cacheprovider
    -m
    not drill and not clock
pytest_add_cli_args_test_selection =
{tests}
"""
OUTCOMES = {0: "survived", 33: "no test"}
"""Exit codes as mutmut keeps them: 0 where all tests passed, 33 where none reaches the function; others are
kills.
"""


def tests_of(room: str) -> list[str]:
    """The test files that import a module of the room."""
    path = ROOT / room
    modules = [path] if path.suffix == ".py" else sorted(path.rglob("*.py"))
    names = {
        ".".join(one.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__") for one in modules
    }
    found = [
        file.relative_to(ROOT).as_posix()
        for folder in TESTS
        for file in sorted((ROOT / "tests" / folder).glob("test_*.py"))
        if any(f"{name} import" in file.read_text("utf-8") for name in names)
    ]
    if not found:
        raise SystemExit(f"no test imports {room}")
    return found


def mutmut(folder: Path, *arguments: str) -> str:
    """What mutmut prints; its exit code says only that something survived."""
    environment = {**os.environ, "HYPOTHESIS_PROFILE": "dev", "PYTHONPATH": ""}
    command = [sys.executable, "-m", "mutmut", *arguments]
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)
    return done.stdout + done.stderr


def outcomes(folder: Path) -> dict[str, int | None]:
    """Every change by its name, with the exit code of its tests; None where it was not tried."""
    out: dict[str, int | None] = {}
    for meta in sorted((folder / "mutants").rglob("*.meta")):
        out |= json.loads(meta.read_text("utf-8"))["exit_code_by_key"]
    return out


def main() -> int:
    """Prints the score of a room and what survived."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("room", help="a file or folder, such as pipeline/stages/grade.py")
    parser.add_argument(
        "--sample", type=int, default=0, help="try so many, drawn at random; all if not given"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--tests", action="append", default=[], help="these test files instead; repeatable")
    options = parser.parse_args()
    room = options.room.rstrip("/")
    only = room if room.endswith(".py") else f"{room}/*"
    tests = options.tests or tests_of(room)
    with tempfile.TemporaryDirectory() as holder:
        folder = Path(holder) / "project"
        shutil.copytree(ROOT, folder, ignore=LEFT_OUT)
        (folder / "setup.cfg").write_text(
            SETTINGS.format(only=only, tests="\n".join(f"    {one}" for one in tests)), encoding="utf-8"
        )
        said = mutmut(folder, "run", "no.such.change")
        names = sorted(outcomes(folder))
        if not names:
            raise SystemExit(f"mutmut makes no change there:\n{said[-2000:]}")
        drawn = names
        if options.sample:
            drawn = random.Random(options.seed).sample(names, min(options.sample, len(names)))
        said = mutmut(folder, "run", *drawn)
        tried = {name: code for name, code in outcomes(folder).items() if name in set(drawn)}
        untried = [name for name, code in tried.items() if code is None]
        if untried:
            raise SystemExit(f"{len(untried)} changes were not tried:\n{said[-2000:]}")
        _tell(folder, room, tests, tried, len(names))
    return 0


def _tell(folder: Path, room: str, tests: list[str], tried: dict[str, int | None], of: int) -> None:
    counts = Counter(OUTCOMES.get(code or 0, "noticed") for code in tried.values())
    share = counts["noticed"] / len(tried)
    print(f"tests: {' '.join(tests)}")
    print(
        f"| `{room}` | {len(tried)} of {of} | {counts['noticed']} | {counts['survived']} | "
        f"{counts['no test']} | {share:.0%} |"
    )
    for name, code in tried.items():
        if code in OUTCOMES:
            print(f"\n{OUTCOMES[code]}: {name}\n{mutmut(folder, 'show', name)}")


if __name__ == "__main__":
    sys.exit(main())
