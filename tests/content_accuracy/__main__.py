"""How well a program's flow of control answers, on real programs of free packages.

`python -m tests.content_accuracy`.

    --half NAME     "held out" (the table) or "setting" (on which limits were set)
    --seed N        another choice of pieces
    --most N        at most so many pieces a package, family and size
    --markdown FILE the tables of tests/MEASUREMENTS.md
    --only NAME     "flow" (single programs), "bits" (eight wrong bits of code), "banks" (chips of one
                    program at their addresses), "wide" (chips that hold parts of one word) or "microcode" (no
                    microcode is found where there is none), "text" (its bytes, as the compiler marks them)
                    or "code" (its bytes, as the listing marks them, and what is told beside programs)

Each row has n and one-sided 95 % Clopper-Pearson bounds. Rows under n = 60 are printed, not judged; "wrong"
is judged from n = 1,000 on. Exit code 1 when a judged row misses its goal.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.random import Generator

from pipeline.stages.content.flow_of_control import family_readings
from tests.accuracy.tables import upper_bound
from tests.content_accuracy import banks, cases, microwords, wide
from tests.content_accuracy.cases import Outcome, Piece, pieces
from tests.content_accuracy.programs import SOURCES, Image, images
from tests.content_accuracy.texts import text_table

LEAST_JUDGED, LEAST_JUDGED_WRONG = 60, 1000


@dataclass(frozen=True)
class Goal:
    right: float
    wrong: float


GOALS = {
    "family, 2K": Goal(0.85, 0.001),
    "family, 2K, no program": Goal(0, 0.02),
    "crossed address, 2K": Goal(0.92, 0.005),
    "crossed data, 2K": Goal(0.92, 0.005),
    "false crossing, 2K": Goal(0.99, 0.01),
    "false crossing, 2K, no program": Goal(0.99, 0.01),
    "even and odd, 2K": Goal(0.80, 0.005),
    "even and odd, 4K": Goal(0.80, 0.005),
    "crossed reader, 2K": Goal(0.92, 0.005),
    "false reader, 2K": Goal(0.99, 0.01),
    "eight bits, 2K": Goal(0.75, 0.015),
    "banks, 2K": Goal(0.92, 0.005),
    "banks, 4K": Goal(0.92, 0.005),
    "banks, strangers, 2K": Goal(1, 0),
    "banks, strangers, 4K": Goal(1, 0),
    "wide set, x8": Goal(0.95, 0),
    "wide set, x4": Goal(0.60, 0),
    "sisters, x8": Goal(0.97, 0.005),
    "sisters, x4": Goal(0.90, 0.005),
    "sisters, none crossed, x8": Goal(0.995, 0.005),
    "sisters, none crossed, x4": Goal(0.995, 0.005),
    "next address, none there": Goal(1, 0),
}


def asked(found: list[Image], most: int, seed: int) -> Iterator[tuple[str, Outcome]]:
    """Every question of every piece, with the name of its row."""
    rng = np.random.default_rng(seed)
    for size, share in ((2048, 1.0), (8192, 0.3)):
        label = f"{size // 1024}K"
        every = list(pieces(found, size, max(3, round(most * share)), rng))
        for piece in every:
            suffix = "" if piece.family else ", no program"
            yield f"family, {label}{suffix}", cases.family(piece)
            odds = cases.reliability(piece)
            if odds is not None:
                yield "odds", odds
        if size == 2048:
            for piece in [one for one in every if not one.family][: 2 * most]:
                yield from ((f"{one.question}, {label}, no program", one) for one in cases.uncrossed(piece))
        for piece in _some(every, max(2, round(most * share) // 4)):
            for outcome in cases.crossed(piece, rng, 4 if size == 2048 else 2):
                yield f"{outcome.question}, {label}", outcome
        if size == 2048:
            yield from _of_readers(every, most // 4, rng)
            yield from _even_and_odd(found, most)


_CHIPS_OF_READER = 4
_WORD_MACHINES = frozenset(["68000", "8086", "pdp11", "9900"])


def _of_readers(every: Iterable[Piece], most: int, rng: Generator) -> Iterator[tuple[str, Outcome]]:
    """Some chips of one package as one reader reads them, each group of other chips."""
    by_package: dict[tuple[str, str], list[Piece]] = {}
    for piece in every:
        if piece.family:
            by_package.setdefault((piece.image.package, piece.image.family), []).append(piece)
    for own in by_package.values():
        for first in range(0, len(own) - _CHIPS_OF_READER + 1, _CHIPS_OF_READER)[:most]:
            for outcome in cases.reader(own[first : first + _CHIPS_OF_READER], rng):
                yield f"{outcome.question}, 2K", outcome


def _even_and_odd(found: Iterable[Image], most: int) -> Iterator[tuple[str, Outcome]]:
    """Two chips of one set: pieces of 2K and of 4K together, half a piece on from one to the next.

    What overlaps is no independent piece: the bounds hold as if it were.
    """
    for size, label in ((2048, "2K"), (4096, "4K")):
        taken: dict[tuple[str, str], int] = {}
        for image in (one for one in found if one.family in _WORD_MACHINES):
            for at in range(0, len(image.data) - size + 1, size // 2):
                piece = Piece(image, at, np.ascontiguousarray(image.data[at : at + size]))
                key = image.package, image.family
                if taken.get(key, 0) < most and cases.family(piece).right:
                    taken[key] = taken.get(key, 0) + 1
                    yield f"even and odd, {label}", cases.even_and_odd(piece)


def _some(every: Iterable[Piece], most: int) -> Iterator[Piece]:
    """The first programs of each package and family that are named as they are."""
    taken: dict[tuple[str, str], int] = {}
    for piece in every:
        key = piece.image.package, piece.image.family
        if piece.family and taken.get(key, 0) < most and cases.family(piece).right:
            taken[key] = taken.get(key, 0) + 1
            yield piece


def bits_asked(found: list[Image], most: int, rng: Generator) -> Iterator[tuple[str, Outcome]]:
    """Of each piece of 2K that is mostly code three times: eight wrong bits in one of two readings."""
    for piece in pieces([one for one in found if one.family in cases.CODE], 2048, most, rng):
        for _ in range(3):
            outcome = cases.eight_bits(piece, rng)
            if outcome is not None:
                yield "eight bits, 2K", outcome


def rows(outcomes: list[tuple[str, Outcome]]) -> dict[tuple[str, str], list[Outcome]]:
    """By question and group, and all groups of a question together."""
    out: dict[tuple[str, str], list[Outcome]] = {}
    for question, outcome in outcomes:
        if question != "odds":
            out.setdefault((question, "all"), []).append(outcome)
            out.setdefault((question, outcome.group), []).append(outcome)
    return dict(sorted(out.items()))


def line(question: str, group: str, found: list[Outcome]) -> tuple[str, bool]:
    """One row of the table, and whether it keeps its goal."""
    n, right, wrong = len(found), sum(one.right for one in found), sum(one.wrong for one in found)
    low, high = 1 - upper_bound(n - right, n), upper_bound(wrong, n)
    goal = GOALS.get(question) if group == "all" else None
    kept = True
    verdict = ""
    if goal is not None and n >= LEAST_JUDGED:
        kept = right >= goal.right * n and (n < LEAST_JUDGED_WRONG or wrong <= goal.wrong * n)
        judged = "" if n >= LEAST_JUDGED_WRONG else " (wrong not judged: n < 1,000)"
        verdict = f"{'kept' if kept else 'MISSED'}: ≥ {goal.right:.0%}, wrong ≤ {goal.wrong:.1%}{judged}"
    images_of = len({one.package for one in found})
    shown = (
        f"| {question} | {group} | {images_of} | {n} | {right / n:.1%} | ≥ {low:.1%} | {wrong} | ≤ "
        f"{high:.2%} | {verdict} |"
    )
    return shown, kept


def reliability(outcomes: list[tuple[str, Outcome]]) -> list[str]:
    """Odds said against how often they were right."""
    out = ["| odds said | n | right |", "|---|--:|--:|"]
    said = [one for question, one in outcomes if question == "odds" and one.odds is not None]
    for low, high in ((0.9, 0.95), (0.95, 0.99), (0.99, 0.999), (0.999, 1.01)):
        own = [one for one in said if one.odds is not None and low <= one.odds < high]
        share = f"{sum(one.right for one in own) / len(own):.1%}" if own else "–"
        out.append(f"| {low:g} to {min(high, 1):g} | {len(own)} | {share} |")
    return out


def code_table(found: list[Image], seed: int) -> list[str]:
    """Bytes of code told from others, in listed programs that lie between other content of the same half."""
    rng = np.random.default_rng(seed)
    other = [one for one in found if one.family in {"nothing", "other"} and len(one.data) >= 2048]
    counted: dict[str, np.ndarray] = {}
    for image in found:
        if image.code is None or len(other) < 2:
            continue
        two = [other[int(number)] for number in rng.choice(len(other), 2, replace=False)]
        around = [one.data[:2048] for one in two]
        one = cases.code_bytes(image, around)
        sums = np.array([1, one.code, one.code_found, one.other, one.other_taken])
        for group in (image.family, "all"):
            counted[group] = counted.get(group, np.zeros(5, dtype=np.int64)) + sums
    out = ["| code of | programs | bytes | recall | precision |", "|---|--:|--:|--:|--:|"]
    for group, (programs, code, hit, _, taken) in counted.items():
        out.append(f"| {group} | {programs} | {code} | {hit / code:.1%} | {hit / max(1, hit + taken):.1%} |")
    return out


def beside_table(found: list[Image], seed: int) -> list[str]:
    """Bytes told as code in content that is none, on either side of 4K of a program; no listing is needed."""
    rng = np.random.default_rng(seed)
    other = [one for one in found if one.family in {"nothing", "other"} and len(one.data) >= 2048]
    taken: dict[str, int] = {}
    inside = asked_of = 0
    for image in found:
        if image.family not in cases.CODE or taken.get(image.package, 0) >= 4 or len(other) < 2:
            continue
        taken[image.package] = taken.get(image.package, 0) + 1
        for _ in range(6):
            two = [other[int(number)].data for number in rng.choice(len(other), 2, replace=False)]
            places = [int(rng.integers(len(data) // 2048)) * 2048 for data in two]
            around = [data[place : place + 2048] for data, place in zip(two, places, strict=True)]
            start = int(rng.integers(max(1, len(image.data) - 4096)))
            told = cases.told_as_code(image.data[start : start + 4096], around)
            inside += told[0]
            asked_of += told[1]
    share = asked_of / max(1, inside + asked_of)
    return [f"Told as code: {inside} bytes of programs, {asked_of} of what lies beside them ({share:.2%})"]


def cost(found: list[Image]) -> list[str]:
    """Processor milliseconds of reading a piece as every family."""
    out = []
    for size in (2048, 65536):
        own = [one.data[:size] for one in found if len(one.data) >= size][:: 1 if size > 2048 else 7][:60]
        spent = []
        for data in own:
            start = time.process_time()
            family_readings(np.ascontiguousarray(data))
            spent.append((time.process_time() - start) * 1000)
        if spent:
            out.append(
                f"{size // 1024}K: {np.mean(spent):.1f} ms on average, {max(spent):.1f} at worst "
                f"({len(spent)})"
            )
    return out


def main(arguments: list[str] | None = None) -> int:
    """Ask every question of every program of one half, and print the table; 1 where a goal is missed."""
    parser = argparse.ArgumentParser(prog="python -m tests.content_accuracy")
    parser.add_argument("--half", choices=["held out", "setting"], default="held out")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--most", type=int, default=100)
    parser.add_argument("--markdown", type=Path)
    parser.add_argument("--only", choices=["flow", "bits", "banks", "wide", "microcode", "text", "code"])
    options = parser.parse_args(arguments)
    every, missing = images()
    found = [one for one in every if one.half == options.half]
    if not found:
        print("no program could be had from the registries: nothing was measured", *missing, sep="\n")
        return 1
    rng = np.random.default_rng(options.seed)
    outcomes = list(asked(found, options.most, options.seed)) if options.only in {None, "flow"} else []
    if options.only in {None, "bits"}:
        outcomes += bits_asked(found, options.most, rng)
    if options.only in {None, "banks"}:
        outcomes += banks.asked(found, options.most, rng)
    if options.only in {None, "wide", "microcode"}:
        wide_programs, not_had = wide.programs(options.half)
        missing += not_had
        few, rng = max(2, options.most // 10), np.random.default_rng(options.seed)
        if options.only != "microcode":
            outcomes += wide.asked(wide_programs, few, rng)
        if options.only != "wide":
            outcomes += microwords.asked(found, wide_programs, few, rng)
    table = [
        "| question | group | packages | n | right | bound | wrong | bound | goal |",
        "|---|---|--:|--:|--:|--:|--:|--:|---|",
    ]
    judged = [line(question, group, own) for (question, group), own in rows(outcomes).items()]
    table += [shown for shown, _ in judged]
    used = sorted({f"{one.package} ({one.licence})" for one in SOURCES if one.half == options.half})
    text = [
        (
            f"Half: {options.half}; seed {options.seed}; at most {options.most} pieces a package. From "
            f"{', '.join(used)}."
        ),
        "",
        *table,
        "",
        *reliability(outcomes),
        "",
        *(code_table(found, options.seed) if options.only in {None, "flow", "code"} else ()),
        *(beside_table(found, options.seed) if options.only == "code" else ()),
        "",
        *(text_table(found) if options.only in {None, "text"} else ()),
        "",
        *(cost(found) if options.only in {None, "flow"} else ()),
        "",
        *missing,
    ]
    print("\n".join(text))
    for question, outcome in outcomes:
        if outcome.wrong and question != "odds":
            print(f"wrong: {question}: {outcome.package} {outcome.note}")
    if options.markdown:
        options.markdown.write_text("\n".join(text) + "\n", encoding="utf-8")
    return 0 if all(kept for _, kept in judged) else 1


if __name__ == "__main__":
    sys.exit(main())
