"""Whether two checkouts make the same bags, byte for byte: `python -m tests.speed.same_bags OTHER_CHECKOUT`.

Whatever makes packaging faster must change nothing that lies in a bag. Both checkouts package the example and
some hundred invented chips under one fixed clock, and every file of the bags is compared.
"""

from __future__ import annotations

import filecmp
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.speed.content import content_image
from tests.speed.packaging import project

ROOT = Path(__file__).parents[2]
CHIPS = 420
"""Enough for worker processes."""
EPOCH = "1800000000"


def packaged(checkout: Path, root: Path, into: Path) -> Path:
    """The bag that a checkout's program makes of a project folder."""
    subprocess.run(
        [sys.executable, "-m", "pipeline", "package", str(root), "--into", str(into), "--quiet"],
        cwd=checkout,
        env={**os.environ, "PYTHONPATH": str(checkout), "SOURCE_DATE_EPOCH": EPOCH},
        stdout=subprocess.DEVNULL,
        check=True,
    )
    (bag,) = into.iterdir()
    return bag


def differing(one: Path, other: Path) -> list[str]:
    """Files that are not the same in both folders, as paths below them."""
    names = {str(path.relative_to(top)) for top in (one, other) for path in top.rglob("*") if path.is_file()}
    assert names, "an empty bag is no evidence"
    _, unequal, missing = filecmp.cmpfiles(one, other, sorted(names), shallow=False)
    return [*unequal, *missing]


def many(folder: Path) -> Path:
    """A project of programs, copies, decayed copies, pairs and noise, a part of it faulty."""
    root = project(folder, CHIPS, inline=False)
    for number in range(0, CHIPS, 2):
        content = content_image(number).tobytes()
        for path in (root / "dumps").glob(f"U{number + 1}.*"):
            path.write_bytes(content)
    return root


def main() -> int:
    """Names every file that differs; 1 where there is one."""
    if len(sys.argv) != 2:
        sys.exit("python -m tests.speed.same_bags OTHER_CHECKOUT")
    different = 0
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        example = folder / "example"
        shutil.copytree(ROOT / "example_project", example)
        for name, root in (("example", example), ("many", many(folder))):
            bags = [
                packaged(checkout, root, folder / f"{name}-{number}")
                for number, checkout in enumerate((Path(sys.argv[1]).resolve(), ROOT))
            ]
            found = differing(*bags)
            different += len(found)
            sys.stdout.write(f"{name}: {len(found)} files differ {found[:10]}\n")
    return 1 if different else 0


if __name__ == "__main__":
    sys.exit(main())
