"""`python -m tests.speed`: ratios measured side by side in one run, never single absolute times.

Each module of this folder offers `rows()`: (what is measured, ratio, bound). Where a module gives one ratio a
run, their median is held against the bound, and their least and largest are told. `--strict` exits 1 on a
missed bound; `--only NAME` runs one module; `--markdown FILE` writes the table of tests/MEASUREMENTS.md. How
long each module took is told on standard error.
"""

from __future__ import annotations

import argparse
import compileall
import importlib
import pkgutil
import statistics
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pipeline
from pipeline.__main__ import settle_libraries


def main() -> int:
    """Prints one line a ratio; the exit code."""
    settle_libraries()  # as the command does: what is measured here in this process is what a user gets
    parser = argparse.ArgumentParser(prog="python -m tests.speed", description=__doc__)
    parser.add_argument("--strict", action="store_true", help="exit 1 where a bound is missed")
    parser.add_argument("--only", action="append", default=[], help="a module of tests/speed; repeatable")
    parser.add_argument("--markdown", type=Path, help="write the rows as a table, too")
    options = parser.parse_args()
    names = sorted(found.name for found in pkgutil.iter_modules([str(Path(__file__).parent)]))
    chosen = [name for name in names if name != "__main__" and (not options.only or name in options.only)]
    if not chosen:
        parser.error(f"no such module; there are {', '.join(names)}")
    # Installed packages have their byte code beside them; a checkout has it only where Python may write it.
    for package in (pipeline.__file__, importlib.import_module("schemas").__file__):
        compileall.compile_dir(str(Path(str(package)).parent), quiet=1)
    rows = [row for name in chosen for row in _measured(name)]
    if options.markdown:
        options.markdown.write_text(_HEAD + "".join(map(_as_markdown, rows)), encoding="utf-8")
    return 1 if options.strict and not all(row.is_met for row in rows) else 0


class _Row(NamedTuple):
    """A ratio, one for each run, and the bound that their median is held against."""

    what: str
    runs: list[float]
    bound: float

    @property
    def ratio(self) -> float:
        return statistics.median(self.runs)

    @property
    def is_met(self) -> bool:
        return self.ratio <= self.bound

    @property
    def spread(self) -> str:
        """Least and largest; empty for one run."""
        runs = self.runs
        return f"{len(runs)} runs: {min(runs):.3f} to {max(runs):.3f}" if len(runs) > 1 else ""


def _measured(name: str) -> Iterator[_Row]:
    """What one module measures; each row is printed at once."""
    module = importlib.import_module(f"tests.speed.{name}")
    if not hasattr(module, "rows"):
        return
    begins = time.monotonic()
    for what, found, bound in module.rows():
        row = _Row(what, found if isinstance(found, list) else [found], bound)
        met = "met" if row.is_met else "MISSED"
        line = f"{name:10} {what:70} {row.ratio:8.3f}  bound {bound:7.3f}  {met}  {row.spread}"
        sys.stdout.write(f"{line.rstrip()}\n")
        sys.stdout.flush()
        yield row
    sys.stderr.write(f"{name}: {time.monotonic() - begins:.0f} s\n")


_HEAD = "| what | found | bound | | spread |\n|---|---|---|---|---|\n"


def _as_markdown(row: _Row) -> str:
    met = "met" if row.is_met else "**missed**"
    return f"| {row.what.strip()} | {row.ratio:.3f} | {row.bound:g} | {met} | {row.spread} |\n"


if __name__ == "__main__":
    sys.exit(main())
