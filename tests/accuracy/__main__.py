"""Put faults into healthy chips, package them as a user would, hold the bag to the truth.

`python -m tests.accuracy`.

    --share S         this share of the about 20,000 chips
    --seed N          another series
    --jobs N          processes, 2 if not said
    --only TEXT       only cases with this in their key, such as `frames/home 1 : home 3` or `/firmware/`
    --half open       the halves of real firmware that limits may be set on; `kept` if not said
    --markdown FILE   the tables of tests/MEASUREMENTS.md
    --minutes N       broken off after so long; the table is of the share reached by then
    --tell N          as many misses of each row by their key, 4 if not said
    --make KEY FOLDER one case as a project folder, with the truth beside it

Every case has a key; the same seed and key always make the same chips. Exit code 1 where a promise does not
hold.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
import zlib
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

from schemas.sheet import ReadingRow
from tests.accuracy import fault_cases, frame_cases, wiring_cases
from tests.accuracy.case import Task
from tests.accuracy.judge import MAKERS, Outcome, make_project, run
from tests.accuracy.tables import PROMISED_FAULTS, markdown, promises, unsettled, wiring_kept, wrong
from tests.kit.firmware import installed

BATCH = 60
"""Cases in one project: fewer than the program starts workers for."""
EPOCH = "1767225600"
"""2026-01-01: later than every date in the sheets."""


def all_tasks(seed: int, share: float) -> list[Task]:
    """Every case, in a fixed order."""
    knows = ReadingRow.model_fields
    return [
        *frame_cases.tasks(seed, share, lines_known="lines" in knows),
        *(wiring_cases.tasks(seed, share) if "wiring" in knows else ()),
        *fault_cases.fault_tasks(seed, share),
        *fault_cases.healthy_tasks(seed, share),
    ]


def main(arguments: Sequence[str] | None = None) -> int:
    """Send the cases through `wellread package` and print the tables; 1 where a promise fails."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy")
    parser.add_argument("--share", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=15)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", default="")
    parser.add_argument("--half", choices=("open", "kept"), default="kept")
    parser.add_argument("--markdown", type=Path)
    parser.add_argument("--minutes", type=float, default=float("inf"))
    parser.add_argument("--tell", type=int, default=4)
    parser.add_argument("--make", nargs=2, metavar=("KEY", "FOLDER"))
    options = parser.parse_args(arguments)
    tasks = [replace(one, half=options.half) for one in all_tasks(options.seed, options.share)]
    if options.make:
        return make(tasks, *options.make)
    tasks = [one for one in tasks if options.only in one.key]
    assert tasks, "no case has this in its key"
    outcomes = measured(tasks, options.jobs, options.minutes)
    done = len({one.task for one in outcomes})
    head = (
        f"Seed {options.seed}, share {options.share * done / len(tasks):.3g}, half `{options.half}`, "
        f"{done} cases, {len(outcomes)} chips."
    )
    tables = markdown(outcomes)
    print(head, *installed(options.half)[1], "", tables, "", sep="\n")
    if options.markdown:
        options.markdown.write_text(f"{head}\n\n{tables}\n", encoding="utf-8")
    tell_misses(outcomes, options.tell)
    # A part of the cases can keep only the promises that it measures; the whole has to keep them all.
    told = [one for one in promises(outcomes) if one.cases or not options.only]
    for one in told:
        print(f"{'kept  ' if one.kept else 'BROKEN'} {one.words}")
    return 0 if all(one.kept for one in told) else 1


def measured(tasks: Sequence[Task], jobs: int, minutes: float) -> list[Outcome]:
    """What became of the cases, in their order.

    They are taken in the order by which a share is drawn: whatever is done by the end is a share of all.

    Args:
        tasks: The cases.
        jobs: Processes.
        minutes: After so long no further project is begun.
    """
    drawn = sorted(tasks, key=lambda one: zlib.crc32(one.key.encode()))
    batches = [drawn[at : at + BATCH] for at in range(0, len(drawn), BATCH)]
    os.environ["SOURCE_DATE_EPOCH"] = EPOCH
    outcomes: list[Outcome] = []
    ends = time.monotonic() + 60 * minutes
    with ProcessPoolExecutor(jobs) as pool:
        for batch in pool.map(run, batches):
            outcomes += batch
            astray = sum(1 for one in outcomes if missed(one))
            print(f"\r{len(outcomes)} chips, {astray} otherwise than they should", end="", file=sys.stderr)
            if time.monotonic() > ends:
                pool.shutdown(cancel_futures=True)
                break
    print(file=sys.stderr)
    place = {task: number for number, task in enumerate(tasks)}
    return sorted(outcomes, key=lambda one: place[one.task])


def missed(one: Outcome) -> str:
    """In which way a chip came out otherwise than it should, or ""."""
    if one.state == "unchanged":
        return ""
    if one.state in ("refused", "crashed"):
        return one.state
    if wrong(one):
        return "wrong image settled"
    if one.task.table == "wirings":
        return "" if wiring_kept(one) else f"{one.expect}: {one.state}"
    if one.examined not in ("", "not asked"):
        return "examine says otherwise"
    if one.expect == "right" and one.state != "right":
        return "right one not settled"
    if one.expect == "contested" and not unsettled(one):
        return "undecidable one settled"
    if one.task.row in PROMISED_FAULTS and not one.named:
        return "not named"
    return "false fault" if one.task.table == "healthy" and one.fault else ""


def tell_misses(outcomes: Sequence[Outcome], most: int) -> None:
    """Each way with the keys of its first cases."""
    ways = Counter(missed(one) for one in outcomes)
    for way, count in ways.most_common():
        if not way:
            continue
        print(f"{way}: {count}")
        seen: Counter[str] = Counter()
        for one in [one for one in outcomes if missed(one) == way]:
            seen[one.task.row] += 1
            if seen[one.task.row] <= most:
                print(f"    {one.task.key} {one.chip} [{one.source}] {told(one)}")


def told(one: Outcome) -> str:
    """What came out, in a line."""
    because = f"; grounds {', '.join(one.grounds)}" if one.grounds else ""
    return (
        f"{one.state}, {one.grade}: {'; '.join(one.codes) or 'nothing found'}{because} "
        f"{one.refusal[:200]}{_otherwise(one)}"
    )


def _otherwise(one: Outcome) -> str:
    return "" if one.examined == "not asked" else one.examined[:200]


def make(tasks: Sequence[Task], key: str, folder: str) -> int:
    """One case as a project folder; `truth/` beside its dumps holds what each chip has."""
    task = next(one for one in tasks if one.key == key)
    case = MAKERS[task.table](task, "X")
    root = make_project([(task, case)], Path(folder))
    (root / "truth").mkdir()
    for one in case.wanted:
        (root / "truth" / f"{one.chip.chip}.bin").write_bytes(one.chip.image)
        print(f"{one.chip.chip}: {one.expect}; grounds: {', '.join(one.grounds) or 'none'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
