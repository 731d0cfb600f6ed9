"""The hunt outside pytest: `python -m tests.reliability.fuzzing --from 0 --count 100000`.

Prints what it finds as it goes, and at the end how often each command ended with which exit code. Every
input can be had again by its number.
"""

from __future__ import annotations

import argparse
import collections
import os
import sys
import time
from collections.abc import Sequence

from tests.reliability.fuzzed import KINDS, fuzz
from tests.reliability.fuzzed_shop import Shop

_MOST_BYTES = 4 << 30
"""Of address space, so that a hunt that finds a hole in the bounds does not take the machine with it."""


def hunt(first: int, count: int, *, told: bool = False, seconds: float = 1e9) -> tuple[int, list[str], Shop]:
    """Run inputs in this process.

    Args:
        first: Number of the first input.
        count: How many.
        told: Print findings as they come, and where it is.
        seconds: Stop after so long.

    Returns:
        How many were run, what was found, and the shop with its counts.
    """
    found: list[str] = []
    until, begun = time.monotonic() + seconds, time.monotonic()
    done = 0
    with Shop() as shop:
        for number in range(first, first + count):
            if time.monotonic() > until:
                break
            said = fuzz(shop, number)
            done += 1
            if said:
                found.append(said)
            if told and said:
                print(said, flush=True)
            if told and done % 1000 == 0:
                print(
                    f"-- {done} inputs, {len(found)} findings, {time.monotonic() - begun:.0f} s", flush=True
                )
    return done, found, shop


def main(arguments: Sequence[str] | None = None) -> int:
    """Hunt, print, and give 1 where something was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seconds", type=float, default=1e9)
    asked = parser.parse_args(arguments)
    if sys.platform.startswith("linux"):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (_MOST_BYTES, _MOST_BYTES))
    os.environ.pop("SOURCE_DATE_EPOCH", None)
    done, found, shop = hunt(asked.first, asked.count, told=True, seconds=asked.seconds)
    kinds = collections.Counter(line.partition("): ")[2].partition(":")[0] for line in found)
    print(f"{done} inputs of {len(KINDS)} kinds, from {asked.first}: {len(found)} findings {dict(kinds)}")
    for command, codes in sorted(shop.codes.items()):
        print(f"  {command}: " + ", ".join(f"{code}: {times}" for code, times in sorted(codes.items())))
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main())
