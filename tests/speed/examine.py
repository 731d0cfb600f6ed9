"""How fast chips are examined, against sorting the same image: `python -m tests.speed.examine`.

The bounds that the project promises: one 64 K x 8 image with three passes in at most 25 times `np.sort` of
the image (uint8, default kind) a pass; one of 8 M x 8 with four passes in five times; and 10,000 chips of
2 K x 8 with two passes at 6,000 chips a second or more on two cores. Imports are left out of these, and both
sides are measured in the same run. What starting takes is a figure of its own: the whole command over numpy's
import.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from pipeline.flow import Subject
from pipeline.stages.examine import examine
from tests.kit.subjects import passes_of, program, subject_of
from tests.kit.wires import Bench, Image
from tests.speed.commands import PROGRAM, PYTHON, ratios

SORTS_A_PASS = 25.0
CHIPS_A_SECOND = 1500.0
HUGE = 1 << 23
"""Words of a chip of 64 Mbit."""
CORES = 2
CHIPS = 10_000
DIFFERENT_IMAGES = 50


def best_seconds(work: Callable[[], object], times: int = 7) -> float:
    """The fastest of several runs: what the work costs when nothing else runs."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


def large_chips() -> dict[str, tuple[Image, ...]]:
    """Three passes of 64 K x 8: alike, with a loose contact, with a dead line, with a slipped pass."""
    image = program(65536)
    return {
        "healthy": (image, image.copy(), image.copy()),
        "loose contact": (
            image,
            Bench(image, seed=1).loosen_address_line(4, 1, 0.01).read(),
            Bench(image, seed=2).loosen_address_line(4, 1, 0.01).read(),
        ),
        "dead line": (Bench(image).kill_address_line(7, 0).read(),) * 3,
        "slipped": (image, image.copy(), Bench(image).skip_word(30_000).read()),
    }


def subjects(seed: int) -> list[Subject]:
    images = [program(2048, seed * DIFFERENT_IMAGES + number) for number in range(DIFFERENT_IMAGES)]
    return [subject_of(passes_of([image, image.copy()])) for image in images]


def _batch(task: tuple[int, int]) -> float:
    """Processor seconds that examining `chips` chips took in this process, the images made beforehand.

    Not wall-clock seconds: other people's work on the same machine is none of the program's.
    """
    seed, chips = task
    waiting = subjects(seed)
    for one in waiting:
        examine(one)
    start = time.process_time()
    for number in range(chips):
        examine(waiting[number % len(waiting)])
    return time.process_time() - start


def chips_a_second(chips: int = CHIPS) -> float:
    """Both cores at once, so that each slows the other as it would in a run."""
    with ProcessPoolExecutor(CORES) as pool:
        slowest = max(pool.map(_batch, [(seed, chips // CORES) for seed in range(CORES)]))
    return chips / slowest


def huge_chips() -> dict[str, tuple[Image, ...]]:
    """Four passes of 8 M x 8: all alike, and two with a loose contact."""
    image = program(HUGE)
    loose = [Bench(image, seed=seed).loosen_address_line(4, 1, 0.01).read() for seed in (1, 2)]
    return {"healthy": (image,) * 4, "loose contact": (image, image, *loose)}


def peak_bytes(work: Callable[[], object]) -> int:
    """The most memory that some work holds beyond what was held before it, numpy's arrays among it."""
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    work()
    peak = tracemalloc.get_traced_memory()[1] - before
    tracemalloc.stop()
    return peak


def _huge() -> Iterable[tuple[str, float, float]]:
    for name, images in huge_chips().items():
        subject = subject_of(passes_of(tuple(image.copy() for image in images)))
        sorting = best_seconds(lambda image=images[0]: np.sort(image), 3)  # type: ignore[misc]
        examining = best_seconds(lambda one=subject: examine(one), 3)  # type: ignore[misc]
        yield f"examine 8Mx8, four passes, {name}: sorts of its bytes", examining / sorting, 5.0
        peak = peak_bytes(lambda one=subject: examine(one))  # type: ignore[misc]
        yield f"  its peak memory above idle in sizes of the chip, {name}", peak / images[0].nbytes, 12.0


def _start() -> tuple[str, list[float], float]:
    """The whole command on one small dump over a Python that imports numpy and ends."""
    with tempfile.TemporaryDirectory() as place:
        dump = Path(place) / "U1.bin"
        dump.write_bytes(program(2048).tobytes())
        found = ratios([*PROGRAM, "examine", str(dump)], [PYTHON, "-c", "import numpy"], runs=9)
    return "examine FILE, whole command over `import numpy`", found, 2.5


def rows() -> Iterable[tuple[str, float | list[float], float]]:
    """(what, measured ratio or one a run, bound): a ratio above its bound is a failure."""
    for name, images in large_chips().items():
        subject = subject_of(passes_of(images))
        examine(subject)
        sorting = best_seconds(lambda image=images[0]: np.sort(image))  # type: ignore[misc]
        examining = best_seconds(lambda one=subject: examine(one))  # type: ignore[misc]
        yield (
            f"examine 64Kx8, three passes, {name}: sorts a pass",
            examining / len(images) / sorting,
            SORTS_A_PASS,
        )
    yield "examine 2Kx8, two passes: 1500 chips/s over measured", CHIPS_A_SECOND / chips_a_second(), 0.25
    yield from _huge()
    yield _start()


def main() -> int:
    kept = True
    for name, found, bound in rows():
        ratio = statistics.median(found) if isinstance(found, list) else found
        kept = kept and ratio <= bound
        print(f"{name:60} {ratio:8.3f} (at most {bound:g})")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
