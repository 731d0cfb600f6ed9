"""`python -m tests.speed`: ratios measured side by side in one run, never single absolute times.

Each module of this folder offers `rows()`: (what is measured, ratio, bound). `--strict` exits 1 on a missed
bound; `--only NAME` runs one module.
"""

from __future__ import annotations

import argparse
import compileall
import importlib
import pkgutil
import sys
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
    compileall.compile_dir(str(Path(pipeline.__file__).parent), quiet=1)
    missed = 0
    for name in chosen:
        module = importlib.import_module(f"tests.speed.{name}")
        if not hasattr(module, "rows"):
            continue
        for what, ratio, bound in module.rows():
            met = ratio <= bound
            missed += not met
            sys.stdout.write(
                f"{name:10} {what:70} {ratio:8.3f}  bound {bound:7.3f}  {'met' if met else 'MISSED'}\n"
            )
            sys.stdout.flush()
    return 1 if missed and options.strict else 0


if __name__ == "__main__":
    sys.exit(main())
