"""`python -m tests.speed`: ratios measured side by side in one run, never single absolute times.

Each module of this folder offers `rows()`: (what is measured, ratio, bound). Where a module gives one ratio a
run, their median is held against the bound, and their least and largest are told. `--strict` exits 1 on a
missed bound; `--only NAME` runs one module. How long each module took is told on standard error.
"""

from __future__ import annotations

import argparse
import compileall
import importlib
import pkgutil
import statistics
import sys
import time
from pathlib import Path

import pipeline
from pipeline.__main__ import settle_libraries


def main() -> int:
    """Prints one line a ratio; the exit code."""
    settle_libraries()  # as the command does: what is measured here in this process is what a user gets
    parser = argparse.ArgumentParser(prog="python -m tests.speed", description=__doc__)
    parser.add_argument("--strict", action="store_true", help="exit 1 where a bound is missed")
    parser.add_argument("--only", action="append", default=[], help="a module of tests/speed; repeatable")
    options = parser.parse_args()
    names = sorted(found.name for found in pkgutil.iter_modules([str(Path(__file__).parent)]))
    chosen = [name for name in names if name != "__main__" and (not options.only or name in options.only)]
    if not chosen:
        parser.error(f"no such module; there are {', '.join(names)}")
    # Installed packages have their byte code beside them; a checkout has it only where Python may write it.
    for package in (pipeline.__file__, importlib.import_module("schemas").__file__):
        compileall.compile_dir(str(Path(str(package)).parent), quiet=1)
    missed = sum(_measured(name) for name in chosen)
    return 1 if missed and options.strict else 0


def _measured(name: str) -> int:
    """Prints what one module measures; how many bounds were missed."""
    module = importlib.import_module(f"tests.speed.{name}")
    if not hasattr(module, "rows"):
        return 0
    missed, begins = 0, time.monotonic()
    for what, found, bound in module.rows():
        runs = found if isinstance(found, list) else [found]
        ratio = statistics.median(runs)
        missed += ratio > bound
        spread = f"  {len(runs)} runs: {min(runs):.3f} to {max(runs):.3f}" if len(runs) > 1 else ""
        met = "met" if ratio <= bound else "MISSED"
        sys.stdout.write(f"{name:10} {what:70} {ratio:8.3f}  bound {bound:7.3f}  {met}{spread}\n")
        sys.stdout.flush()
    sys.stderr.write(f"{name}: {time.monotonic() - begins:.0f} s\n")
    return missed


if __name__ == "__main__":
    sys.exit(main())
