"""Two specimens of real firmware, each with its own faults, packaged with one as the other's twin.

    python -m tests.twins_accuracy [--rounds 12] [--half kept]

Each round makes two owners' projects of some forty chips, packages the other's first and then ours with its
bag as twin, and reads the verdicts from our record. A case is decidable where the verdict can be known at
all: 8 bits and more that faded, a line on which the program depends, a revision of 8 bits and more.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from tests.accuracy.case import firmware_window
from tests.journey.cli import wellread
from tests.kit.example_bags import EPOCH
from tests.kit.firmware import Half
from tests.kit.images import blank
from tests.kit.specimens import Held, Owner, machine
from tests.kit.wires import Bench, Image
from tests.twins_accuracy.releases import pairs

WORDS, BITS = 2048, 8
SEED = 22
"""Run 21 on the kept half set the limit of strewn bits; the table is of other stretches and other faults."""
OURS = Owner("ours", "The weaving shed", "bench")
THEIRS = Owner("theirs", "The owners' club", "clubprog", {"kind": "device-programmer"})


@dataclass(frozen=True)
class Case:
    """One chip of ours and its twin.

    Attributes:
        kind: What was done to them.
        own: Our passes.
        their: Theirs.
        verdicts: (verdict, side) that are right; empty where nobody can decide.
        lifts: Whether the grade must be lifted; a lift of any other is wrong.
        part: Of both.
        says: Of our chip.
    """

    kind: str
    own: tuple[Image, ...]
    their: tuple[Image, ...]
    verdicts: frozenset[tuple[str, str]]
    lifts: bool = False
    part: str = "2716"
    says: tuple[tuple[str, Any], ...] = (("original", True),)


def faded(random: np.random.Generator, image: Image, cells: int) -> Image:
    """So many programmed cells, drawn over the whole image, have gone to 1."""
    zeros = np.argwhere(np.unpackbits(image[:, None], axis=1) == 0)
    assert len(zeros) > cells
    out = image.copy()
    for at, bit in zeros[random.choice(len(zeros), cells, replace=False)]:
        out[at] |= np.uint8(0x80 >> bit)
    return out


def flickering(random: np.random.Generator, image: Image) -> tuple[Image, ...]:
    """Two passes, of which the second misread a few bits."""
    out = image.copy()
    at = random.choice(image.size, int(random.integers(1, 20)), replace=False)
    out[at] ^= np.uint8(1) << random.integers(0, BITS, len(at)).astype(np.uint8)
    return image, out


def lines(random: np.random.Generator, image: Image) -> Image | None:
    """Through a dead or stuck or joined line; None where the program does not depend on it."""
    bench = Bench(image, BITS)
    which = int(random.integers(3))
    if which == 0:
        seen = bench.kill_address_line(int(random.integers(11)), int(random.integers(2))).read()
    elif which == 1:
        seen = bench.stick_data_line(int(random.integers(BITS)), int(random.integers(2))).read()
    else:
        low, high = sorted(random.choice(BITS, 2, replace=False).tolist())
        seen = bench.join_data_lines(low, high, "low").read()
    differing = np.count_nonzero(seen != image)
    return seen if differing > 0.03 * image.size else None


def one(verdict: str, side: str = "") -> frozenset[tuple[str, str]]:
    return frozenset([(verdict, side)])


def cases(random: np.random.Generator, half: Half) -> Iterator[Case]:
    """One of each kind, on a stretch of firmware of its own."""

    def truth() -> Image:
        return firmware_window(random, half, WORDS)[0].astype(np.uint8)

    image = truth()
    yield Case("same", (image,), (image,), one("same"), lifts=True)
    yield Case("same, twice", (image, image), (image,), one("same"), lifts=True)
    yield Case("same, a copy", (image,), (image,), one("same"), says=(("original", False),))
    yield Case("same, not stated", (image,), (image,), one("same"), says=())
    empty = blank(random, WORDS)[0].astype(np.uint8)
    yield Case("blank", (empty,), (empty,), one("same"))
    image = truth()
    yield Case(
        "faded here", (faded(random, image, int(random.integers(8, 300))),), (image,), one("fading", "this")
    )
    image = truth()
    yield Case(
        "faded there", (image,), (faded(random, image, int(random.integers(8, 300))),), one("fading", "other")
    )
    image = truth()
    both = [faded(random, image, int(random.integers(20, 100))) for _ in range(2)]
    yield Case("faded in both", (both[0],), (both[1],), one("strewn", "both"))
    image = truth()
    few = faded(random, image, int(random.integers(1, 4)))
    yield Case("a bit or three", (few,), (image,), frozenset())
    image = truth()
    yield Case("flicker here", flickering(random, image), (image,), one("same"))
    for side in ("this", "other"):
        image = truth()
        seen = lines(random, image)
        if seen is not None:
            pair = ((seen,), (image,)) if side == "this" else ((image,), (seen,))
            yield Case(f"a line, {side}", *pair, one("line", side))
            worn = faded(random, image, int(random.integers(8, 60)))
            pair = ((seen,), (worn,)) if side == "this" else ((worn,), (seen,))
            yield Case(f"a line, {side}, and fading", *pair, one("line", side))


def revisions(random: np.random.Generator, found: list[tuple[str, Image, Image]]) -> Iterator[Case]:
    """Two releases of one firmware, both ways, some of them with cells that have faded."""
    for _ in range(6):
        _, old, new = found[int(random.integers(len(found)))]
        pair = (old, new) if random.integers(2) else (new, old)
        bits = int(np.bitwise_count(old ^ new).sum())
        right = one("revision") if bits >= 8 else frozenset()
        yield Case("another release", (pair[0],), (pair[1],), right, part="2732")
        worn = faded(random, pair[0], 12)
        yield Case("another release, and fading", (worn,), (pair[1],), right, part="2732")


def packaged(place: Path, drawn: list[Case]) -> list[dict[str, Any]]:
    """The records of our chips, in the order of the cases."""
    theirs = [Held(f"X{at}", case.their, part=case.part) for at, case in enumerate(drawn)]
    assert wellread("package", machine(place, THEIRS, theirs), "--quiet").code == 0
    rows = [{"chip": f"U{at}", "bag": "theirs-v1", "their": f"X{at}"} for at in range(len(drawn))]
    own = [
        Held(f"U{at}", case.own, part=case.part, says={"original": None, **dict(case.says)})
        for at, case in enumerate(drawn)
    ]
    folder = machine(place, replace(OURS, more={"twins": rows}), own)
    sheet = json.loads((folder / "sheet.yaml").read_text(encoding="utf-8"))
    for row in sheet["chips"]:
        if row["original"] is None:
            del row["original"]
    (folder / "sheet.yaml").write_text(json.dumps(sheet), encoding="utf-8")
    ran = wellread("package", folder, "--quiet")
    assert ran.code == 0, ran.err
    whole = json.loads((place / "ours-v1/metadata/record.json").read_text(encoding="utf-8"))
    return list(whole["chips"])


def count(rounds: int, half: Half) -> None:
    """All rounds, and the table."""
    releases, missing = pairs()
    print("\n".join(missing))
    total: Counter[str] = Counter()
    right: Counter[str] = Counter()
    decidable: Counter[str] = Counter()
    wrong: dict[str, Counter[str]] = defaultdict(Counter)
    lifts = {"wrong": 0, "missed": 0, "right": 0, "not to be lifted": 0}
    for number in range(rounds):
        random = np.random.default_rng((SEED, number))
        drawn = [case for _ in range(2) for case in cases(random, half)] + list(revisions(random, releases))
        with tempfile.TemporaryDirectory() as place:
            for case, chip in zip(drawn, packaged(Path(place), drawn), strict=True):
                (twin,) = chip["twins"]
                verdict = (twin["verdict"], twin["side"])
                total[case.kind] += 1
                if case.verdicts:
                    decidable[case.kind] += 1
                    right[case.kind] += verdict in case.verdicts
                    if verdict not in case.verdicts:
                        wrong[case.kind][" ".join(verdict).strip()] += 1
                lifted = chip["grade"] == "corroborated" or twin["corroborates"]
                key = (
                    ("right" if lifted else "missed")
                    if case.lifts
                    else "wrong"
                    if lifted
                    else "not to be lifted"
                )
                lifts[key] += 1
    print("| what was done | cases | decidable | right | told instead |\n|---|---|---|---|---|")
    for kind in total:
        told = ", ".join(f"{many} {name}" for name, many in wrong[kind].most_common())
        print(f"| {kind} | {total[kind]} | {decidable[kind]} | {right[kind]} | {told} |")
    print(f"right {sum(right.values())} of {sum(decidable.values())} decidable; lifts: {lifts}")


def main() -> None:
    """Parse and count."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=12)
    parser.add_argument("--half", choices=("open", "kept"), default="kept")
    given = parser.parse_args()
    os.environ["SOURCE_DATE_EPOCH"] = EPOCH
    count(given.rounds, given.half)


if __name__ == "__main__":
    main()
