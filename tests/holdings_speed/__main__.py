"""A shelf of many bags made by a script: index, update, questions, and near images against brute force.

    python -m tests.holdings_speed [--bags 1000] [--chips 20] [--queries 200] [--folder DIR]

Prints one line a figure. Each chip of the shelf has a content of its own; for the queries images are taken
from the shelf and up to 2 % of their words changed in place. Brute force compares every word of every chip of
the same size.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np

from pipeline.edges.clock import now
from pipeline.edges.holdings_index import HoldingsIndex
from pipeline.run.holdings.ask import Wish, chips_asked, every_chip, holdings, to_read
from pipeline.run.holdings.likeness import like_image
from pipeline.run.holdings.update import update
from pipeline.run.keep.recheck import recheck_bags
from tests.journey.cli import wellread
from tests.kit.images import code
from tests.kit.shelves import shelf
from tests.kit.specimens import Held, Owner, machine
from tests.kit.wires import Image

SIZES = (256, 512, 1024, 2048, 4096)
SEED = 21
NEAR = 0.02


def image_of(bag: int, chip: int) -> Image:
    """A program of its own for every chip, of one of five sizes; every tenth a version of another bag's."""
    random = np.random.default_rng((SEED, bag, chip))
    size = SIZES[chip % len(SIZES)]
    if bag % 10 == 9:
        image = image_of(bag - 1, chip).copy()
        changed = random.choice(size, max(1, size // 20), replace=False)
        image[changed] = random.integers(0, 256, len(changed))
        return image
    return code(random, size)[0].astype(np.uint8)


def changed(image: Image, random: np.random.Generator) -> Image:
    """Up to 2 % of the words changed in place, each for sure."""
    many = int(random.integers(0, int(NEAR * image.size) + 1))
    out = image.copy()
    at = random.choice(image.size, many, replace=False)
    out[at] ^= random.integers(1, 256, many).astype(np.uint8)
    return out


class Watch:
    """Seconds on the wall and of this process alone: beside other work only the second means anything."""

    def __init__(self) -> None:
        self.wall, self.own = time.perf_counter(), time.process_time()

    def told(self, what: str) -> float:
        """Prints both and gives those on the wall."""
        wall, own = time.perf_counter() - self.wall, time.process_time() - self.own
        print(f"{what:58} {wall:9.4f} s, processor {own:9.4f} s", flush=True)
        return wall


def measure(folder: Path, bags: int, chips: int, queries: int) -> None:
    """Every figure, one after the other."""
    random = np.random.default_rng(SEED)
    one = machine(folder, Owner("pattern", "The kit", "bench"), [Held("U1", (code(random, 2048)[0],) * 2)])
    assert wellread("package", one, "--quiet").code == 0
    shelves = folder / "shelf"
    watch = Watch()
    shelf(shelves, folder / "pattern-v1", bags, chips, image_of)
    watch.told(f"shelf of {bags} bags, {bags * chips} chips made")
    watch = Watch()
    checked = recheck_bags([shelves], now=now())
    assert all(one.valid for one in checked.bags)
    recheck = watch.told("recheck of all bags")
    path = folder / "shelf.index"
    watch = Watch()
    holdings([shelves], Wish(), index=path, ledger=None, quiet=True)
    built = watch.told("index built")
    print(f"{'index / recheck':58} {built / recheck:10.2f}")
    shelf(shelves / "new", folder / "pattern-v1", 1, chips, lambda bag, chip: image_of(bag + 9000, chip))
    watch = Watch()
    done = holdings([shelves], Wish(), index=path, ledger=None, quiet=True).document
    assert done["read"] == 1
    watch.told("index updated after one new bag")
    with HoldingsIndex(path) as index:
        watch = Watch()
        assert update(index, [shelves]).read == 0
        watch.told("index found up to date")
    ask(path)
    near(path, shelves, bags, chips, queries)


def ask(path: Path) -> None:
    """Each question once, in this process, the index open."""
    wishes = {
        "part": "2716",
        "label": "program 3 17",
        "grade": "single",
        "unread": "",
        "contested": "",
        "fading": "",
        "content": "0" * 64,
        "machine": "machine-0007",
    }
    with HoldingsIndex(path) as index:
        for name, value in wishes.items():
            watch = Watch()
            total, given = chips_asked(index, Wish({name: value}))
            watch.told(f"question {name}: {len(given)} of {total} chips")
        watch = Watch()
        total, given = to_read(index, Wish())
        watch.told(f"what to read next: {len(given)} of {total} chips")
        watch = Watch()
        watch.told(f"every chip, for a table: {len(every_chip(index))} chips")
    watch = Watch()
    holdings([], Wish({"label": "program 3 17"}), index=path, ledger=None, quiet=True)
    watch.told("a question with opening the index and its counts")


def near(path: Path, shelves: Path, bags: int, chips: int, queries: int) -> None:
    """Near images against brute force: every word of every chip of that size."""
    random = np.random.default_rng(SEED + 1)
    held: dict[int, tuple[list[str], np.ndarray]] = {}
    for size in SIZES:
        files = [one for one in sorted(shelves.rglob("data/images/**/*.bin")) if one.stat().st_size == size]
        held[size] = ([str(one) for one in files], np.stack([np.fromfile(one, np.uint8) for one in files]))
    true = hit = false = 0
    seconds = []
    with HoldingsIndex(path) as index:
        for _ in range(queries):
            size = int(random.choice(SIZES))
            names, images = held[size]
            asked = changed(images[int(random.integers(len(names)))], random)
            share = np.count_nonzero(images != asked, axis=1) / size
            wanted = {names[at] for at in np.flatnonzero(share <= NEAR)}
            watch = Watch()
            told = [one for one in like_image(index, asked, 8) if one.how in ("same", "near")]
            seconds.append(time.process_time() - watch.own)
            got = {f"{one.chip['path']}/{one.chip['image_path']}" for one in told}
            true, hit, false = true + len(wanted), hit + len(wanted & got), false + len(got - wanted)
    assert true
    print(f"{'near images: recall':58} {hit / true:10.4f} ({hit} of {true})")
    print(f"{'near images: false matches a query':58} {false / queries:10.4f}")
    print(f"{'near images: longest query, processor':58} {max(seconds):10.4f} s")
    print(f"{'near images: median query, processor':58} {float(np.median(seconds)):10.4f} s")


def main() -> None:
    """Parse and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--bags", type=int, default=1000)
    parser.add_argument("--chips", type=int, default=20)
    parser.add_argument("--queries", type=int, default=200)
    parser.add_argument("--folder", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.folder) as place:
        measure(Path(place), given.bags, given.chips, given.queries)


if __name__ == "__main__":
    main()
