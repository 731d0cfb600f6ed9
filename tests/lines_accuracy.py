"""Measure how often crossed lines are recovered.

`python -m tests.lines_accuracy [--firmware FOLDER] [--cases N]`.

Material: binary firmware images found under FOLDER or, without it, under the folders in which free systems
install firmware; where there are none, the native code of installed packages stands in, and the table says
so. A case is a cut of 256 to 64 K words at a random place, a random signed permutation of all its lines, and
with `wrong` 0.5 % of the words carrying one wrong bit each. It is recovered when the mapping found brings the
second image back but for at most the injected words. Cuts in which `relate` says that they hold too little to
decide are counted apart, and are failures where they were not told apart as undecidable.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

import numpy as np

from pipeline.lines import LineMap, relate
from pipeline.lines.mapping import lines_of
from pipeline.stages.qualify import upper_bound
from pipeline.words import Words, words_dtype

FIRMWARE_FOLDERS = (
    "/usr/share/seabios",
    "/usr/share/qemu",
    "/usr/lib/ipxe/qemu",
    "/usr/share/sigrok-firmware",
    "/lib/firmware",
)
ENDINGS = {".bin", ".rom", ".fw", ".img", ".lid"}
STAND_IN = "pydantic_core"
SIZES = (8, 9, 10, 11, 12, 13, 14, 15, 16)


@dataclass(frozen=True)
class Material:
    """Images to cut from, and what they are."""

    name: str
    images: tuple[Words, ...]


def material(folder: str | None) -> Material:
    """Firmware where there is some, else native code as a stand-in."""
    roots = [Path(folder)] if folder else [Path(root) for root in FIRMWARE_FOLDERS]
    files = sorted(
        path for root in roots if root.is_dir() for path in root.rglob("*") if path.suffix in ENDINGS
    )
    images = [np.frombuffer(path.read_bytes(), np.uint8) for path in files if path.is_file()]
    images = [image for image in images if image.size >= 4096]
    if images:
        return Material(f"{len(images)} firmware images", tuple(images))
    return Material("native code as a stand-in for firmware", (native_code(),))


def native_code() -> Words:
    """The bytes of an installed native library."""
    spec = find_spec(STAND_IN)
    assert spec is not None
    assert spec.submodule_search_locations is not None
    libraries = sorted(
        path
        for folder in spec.submodule_search_locations
        for path in Path(folder).iterdir()
        if path.suffix in {".so", ".pyd"}
    )
    assert libraries, "no native library is installed"
    return np.frombuffer(libraries[0].read_bytes(), np.uint8)


def random_mapping(generator: np.random.Generator, lines: int, bits: int, *, rotate: int = 0) -> LineMap:
    """A random signed permutation of all lines."""
    return LineMap(
        tuple(int(k) for k in generator.permutation(lines)),
        tuple(int(k) for k in generator.permutation(bits)),
        lines_of(int(generator.integers(1 << lines))),
        lines_of(int(generator.integers(1 << bits))),
        rotate,
    )


def cut(generator: np.random.Generator, source: Material, lines: int, bits: int) -> Words:
    """A stretch of one image at a random place, as words of 4, 8 or 16 bits."""
    needed = (1 << lines) * (2 if bits == 16 else 1)
    images = [image for image in source.images if image.size >= needed]
    image = images[int(generator.integers(len(images)))]
    start = int(generator.integers(image.size - needed + 1))
    taken = image[start : start + needed]
    if bits == 16:
        return taken[0::2].astype(np.uint16) << np.uint16(8) | taken[1::2]
    return (taken & np.uint8((1 << bits) - 1)).astype(words_dtype(bits))


def wrong_bits(generator: np.random.Generator, words: Words, bits: int, count: int) -> Words:
    """The words with one bit flipped in `count` of them."""
    spoilt = words.copy()
    places = generator.choice(words.size, count, replace=False)
    spoilt[places] ^= np.left_shift(1, generator.integers(0, bits, count)).astype(words.dtype)
    return spoilt


@dataclass
class Tally:
    """What became of the cases of one row."""

    cases: int = 0
    recovered: int = 0
    undecidable: int = 0
    slowest_ms: float = 0.0

    @property
    def failed(self) -> int:
        """Cases that were neither recovered nor told to be undecidable."""
        return self.cases - self.recovered - self.undecidable

    @property
    def rate(self) -> float:
        """Recovered, of the decidable ones."""
        return self.recovered / max(1, self.cases - self.undecidable)

    def add(self, other: Tally) -> None:
        """Count another row's cases in."""
        self.cases += other.cases
        self.recovered += other.recovered
        self.undecidable += other.undecidable
        self.slowest_ms = max(self.slowest_ms, other.slowest_ms)


def run(
    generator: np.random.Generator, source: Material, *, lines: int, bits: int, wrong: bool, cases: int
) -> Tally:
    """So many cases of one size."""
    tally = Tally()
    for _ in range(cases):
        first = cut(generator, source, lines, bits)
        mapping = random_mapping(generator, lines, bits)
        injected = max(1, round(first.size * 0.005)) if wrong else 0
        second = wrong_bits(generator, mapping.apply(first), bits, injected)
        started = time.perf_counter()
        relation = relate(first, second, bits)
        tally.slowest_ms = max(tally.slowest_ms, (time.perf_counter() - started) * 1000)
        tally.cases += 1
        if relation.mapping is not None and relation.relation in {"mapped", "differs", "identical"}:
            left = int(np.count_nonzero(relation.mapping.undo(second) != first))
            tally.recovered += left <= injected
        elif relation.undecidable:
            tally.undecidable += 1
    return tally


def table(source: Material, *, cases: int, seed: int, bits: int = 8) -> Iterator[tuple[str, Tally]]:
    """A row for each size, clean and with wrong bits, then the whole."""
    whole = Tally()
    for lines in SIZES:
        for wrong in (False, True):
            generator = np.random.default_rng([seed, lines, wrong, bits])
            tally = run(generator, source, lines=lines, bits=bits, wrong=wrong, cases=cases)
            whole.add(tally)
            yield f"{1 << lines}x{bits} {'0.5% wrong' if wrong else 'clean'}", tally
    yield "all", whole


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--firmware", help="a folder of binary firmware images")
    parser.add_argument("--cases", type=int, default=200, help="cases a row (200)")
    parser.add_argument("--seed", type=int, default=20250)
    parser.add_argument("--bits", type=int, default=8, choices=(4, 8, 16))
    chosen = parser.parse_args(arguments)
    source = material(chosen.firmware)
    print(f"{source.name}; seed {chosen.seed}; {chosen.cases} cases a row")
    print(f"{'row':22}{'n':>6}{'undecidable':>12}{'failed':>7}{'rate':>9}{'>= (95 %)':>11}{'slowest ms':>11}")
    for name, tally in table(source, cases=chosen.cases, seed=chosen.seed, bits=chosen.bits):
        decided = tally.cases - tally.undecidable
        least = 1 - upper_bound(tally.failed, decided)
        print(
            f"{name:22}{tally.cases:6}{tally.undecidable:12}{tally.failed:7}"
            f"{tally.rate:9.4f}{least:11.4f}{tally.slowest_ms:11.0f}"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
