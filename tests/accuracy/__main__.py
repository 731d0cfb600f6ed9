"""Inject every fault by name into healthy images and count what the program names: `python -m tests.accuracy`.

    --quick     a tenth of the cases
    --seed N    another series
    --share S   this share of the cases
    --jobs N    processes, 2 if not said
    --only NAME only faults with this in their name, and no healthy images
    --markdown FILE   the tables of DEVELOPERS.md

Each row states how many cases it rests on and a 95 % bound: the one-sided Clopper-Pearson bound (for no
failure at all it is the rule of three, 3/n). A fault that changes nothing in an image (an uninformative
slice) is counted and printed, never filtered out in silence. Exit code 1 when a bound that the project
promises does not hold.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from tests.accuracy.cases import FAULTS, PROMISED, Outcome, Task, run
from tests.accuracy.firmware import installed
from tests.accuracy.images import FAMILIES, LOOKALIKES
from tests.accuracy.markdown import tables

FOUND_AT_LEAST = 0.995
FALSE_FAULTS_AT_MOST = 0.002


def upper_bound(failures: int, trials: int) -> float:
    """One-sided 95 % Clopper-Pearson bound. Source: scipy.stats.beta; the rule of three where failures is 0."""
    from scipy.stats import beta

    if trials == 0 or failures >= trials:
        return 1.0
    return float(beta.ppf(0.95, failures + 1, trials - failures))


@dataclass
class Row:
    cases: int = 0
    unchanged: int = 0
    named: int = 0
    faults: int = 0
    notes: int = 0
    wrong: int = 0
    missed: list[str] = field(default_factory=list)

    def add(self, outcome: Outcome) -> None:
        if outcome.unchanged:
            self.unchanged += 1
            return
        self.cases += 1
        self.named += outcome.named
        self.faults += outcome.as_fault
        self.notes += outcome.only_note
        self.wrong += outcome.wrong
        if not outcome.named:
            self.missed.append(outcome.note)


def tasks(seed: int, share: float) -> list[Task]:
    made: list[Task] = []
    firmware, _ = installed()
    # All faults of one family and size follow each other, so that its images are made once.
    for family in FAMILIES:
        for size in family.sizes:
            # The large sizes cost most and differ least.
            count = max(2, round(share * (400 if size <= 8192 else 80)))
            made.extend(Task("fault", fault, family.name, size, count, seed) for fault in FAULTS)
    for image in firmware:
        count = max(2, round(share * (800 if image.words.size > 50_000 else 120)))
        made.extend(Task("fault", fault, image.name, 0, count, seed) for fault in FAULTS)
    for family in (*FAMILIES, *LOOKALIKES):
        kind = "healthy" if family in FAMILIES else "look-alike"
        for size in family.sizes:
            count = max(2, round(share * (1500 if size <= 8192 else 100)))
            made.append(Task(kind, "", family.name, size, count, seed))
    made.extend(Task("healthy", "", image.name, 0, max(2, round(share * 600)), seed) for image in firmware)
    return made


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--share", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="only faults with this in their name")
    parser.add_argument("--markdown", type=Path, help="where to write the tables of DEVELOPERS.md")
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args(arguments)
    share = 0.1 if options.quick else options.share
    _, missing = installed()
    work = [task for task in tasks(options.seed, share) if options.only in task.fault]
    with ProcessPoolExecutor(options.jobs) as pool:
        results = list(pool.map(run, work, chunksize=len(FAULTS)))
    outcomes = [outcome for batch in results for outcome in batch]
    print(
        f"seed {options.seed}, {len(outcomes)} cases; each case has its own seed (seed, kind, "
        f"family, size, number)"
    )
    for line in missing:
        print(line)
    if options.markdown:
        options.markdown.write_text(
            f"Seed {options.seed}, share {share:g}, {len(outcomes)} cases.\n\n"
            f"{tables(outcomes, _judged, _group, upper_bound)}\n",
            encoding="utf-8",
        )
    kept = _faults(outcomes)
    return 0 if _healthy(outcomes) and kept else 1


def _judged(outcome: Outcome) -> bool:
    """The bound is promised for code-like and firmware images of 1 K words or more."""
    families = {family.name for family in FAMILIES if family.judged}
    synthetic = {family.name for family in FAMILIES}
    return outcome.words >= 1024 and (outcome.family in families or outcome.family not in synthetic)


def _rows(outcomes: Iterable[Outcome], *, by_firmware: bool) -> dict[tuple[str, str], Row]:
    rows: dict[tuple[str, str], Row] = {}
    for outcome in outcomes:
        family = outcome.family if by_firmware else _group(outcome.family)
        key = (outcome.fault, f"{family}, 1 K words and more" if _judged(outcome) else family)
        rows.setdefault(key, Row()).add(outcome)
    return rows


def _group(family: str) -> str:
    return family if family in {one.name for one in (*FAMILIES, *LOOKALIKES)} else "firmware"


def _faults(outcomes: list[Outcome]) -> bool:
    print("\nfault injected; named = the right code with the right line, as a fault or a caution\n")
    print(
        f"{'fault':26} {'family':44} {'n':>6} {'no change':>9} {'named':>9} {'bound':>8} "
        f"{'as fault':>9} {'as note':>8} {'wrong line':>10}"
    )
    kept = True
    injected = [outcome for outcome in outcomes if outcome.kind == "fault"]
    for (fault, family), row in sorted(_rows(injected, by_firmware=False).items()):
        print(_line(fault, family, row))
        if not family.endswith("more") or not row.missed:
            continue
        below = fault in PROMISED and row.named < FOUND_AT_LEAST * row.cases
        kept = kept and not below
        print(f"{'':26} {f'below {FOUND_AT_LEAST:.1%}; ' if below else ''}missed: {row.missed[:4]}")
    print("\nper firmware, all faults together\n")
    together = [
        Outcome(**{**outcome.__dict__, "fault": "all"})
        for outcome in injected
        if _group(outcome.family) == "firmware"
    ]
    for (_, family), row in sorted(_rows(together, by_firmware=True).items()):
        print(_line("", family, row))
    return kept


def _line(fault: str, family: str, row: Row) -> str:
    if not row.cases:
        return f"{fault:26} {family:44} {0:6} {row.unchanged:9}"
    least = 1 - upper_bound(row.cases - row.named, row.cases)
    return (
        f"{fault:26} {family:44} {row.cases:6} {row.unchanged:9} {row.named / row.cases:9.3%} {least:8.2%} "
        f"{row.faults / row.cases:9.2%} {row.notes / row.cases:8.2%} {row.wrong / row.cases:10.3%}"
    )


def _healthy(outcomes: list[Outcome]) -> bool:
    print("\nhealthy images; a fault is false, a caution says what the image resembles\n")
    print(f"{'kind':12} {'family':44} {'n':>6} {'faults':>7} {'bound':>8} {'cautions':>9} {'notes':>7}")
    kept = True
    groups: dict[tuple[str, str], list[Outcome]] = {}
    for outcome in outcomes:
        if outcome.kind != "fault":
            groups.setdefault((outcome.kind, _group(outcome.family)), []).append(outcome)
    healthy_faults, healthy_cases = 0, 0
    for (kind, family), group in sorted(groups.items()):
        faults = sum(one.as_fault for one in group)
        cautions, notes = sum(one.caution for one in group), sum(one.only_note for one in group)
        count = len(group)
        print(
            f"{kind:12} {family:44} {count:6} {faults:7} {upper_bound(faults, count):8.3%} "
            f"{cautions / count:9.2%} "
            f"{notes / count:7.2%}"
        )
        if faults:
            print(f"{'':12} first: {[one.note for one in group if one.as_fault][:3]}")
        if kind == "look-alike":
            kept = kept and not faults
        else:
            healthy_faults += faults
            healthy_cases += count
            kept = kept and faults <= FALSE_FAULTS_AT_MOST * count
    print(
        f"{'all healthy':57} {healthy_cases:6} {healthy_faults:7} "
        f"{upper_bound(healthy_faults, healthy_cases):8.3%}"
    )
    return kept


if __name__ == "__main__":
    sys.exit(main())
