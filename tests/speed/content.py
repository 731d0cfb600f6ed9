"""What content and kin cost: beside a sort of the same bytes, and how kin grows with the number of chips."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable

import numpy as np

from pipeline.stages.content import regions, self_checks, signature, vectors
from pipeline.stages.content.among_chips import ChipImage, joins, kin
from pipeline.stages.content.flow_of_control.families import family_readings
from pipeline.words import Words
from tests.kit.images import code_image, random_image

CHIPS = (1000, 3000, 10_000)
A_BOARD = 20


def _seconds(work: Callable[[], object], times: int) -> float:
    """Processor time of one run, the least of three series."""
    work()
    best = float("inf")
    for _ in range(3):
        start = time.process_time()
        for _ in range(times):
            work()
        best = min(best, (time.process_time() - start) / times)
    return best


def content_image(number: int) -> Words:
    """Program for most chips; of ten, one is a copy, one a decayed copy, one shifted, and two are a pair."""
    place, near = number % 10, number - 1
    if place == 3:
        return code_image(near)
    if place == 5:
        out = code_image(near)
        out[np.random.default_rng(number).integers(0, 2048, 12)] |= np.uint8(0x10)
        return out
    if place == 7:
        return np.concatenate([random_image(number, 100), code_image(near)[:-100]])
    if place in (8, 9):
        return code_image(number - place, 4096)[place - 8 :: 2].copy()
    return code_image(number)


def _shelf(count: int) -> tuple[list[ChipImage], dict[str, Words]]:
    images = {f"c{number}": content_image(number) for number in range(count)}
    chips = [
        ChipImage(name, signature(words, 8), f"b{number // A_BOARD}")
        for number, (name, words) in enumerate(images.items())
    ]
    return chips, images


def rows() -> Iterable[tuple[str, float, float]]:
    """(what is measured, ratio, bound)."""
    image = code_image(1)
    image[1600:] = 0xFF
    larger = np.concatenate([code_image(n) for n in range(32)])
    sort = _seconds(lambda: np.sort(larger), 20)
    cut = regions(image, 8, erased_state=1, part=None)
    alone = {
        "regions of one 2Kx8": lambda: regions(image, 8, erased_state=1, part=None),
        "self-checks of one 2Kx8": lambda: self_checks({"U1": image}, 8, parts={"U1": cut}),
        "vectors of one 2Kx8": lambda: vectors(image, 8),
        "signature of one 2Kx8": lambda: signature(image, 8, cut),
    }
    for name, work in alone.items():
        yield f"{name} / np.sort of 64Kx8", _seconds(work, 50) / sort, 1.5
    programs = [code_image(number) for number in range(20)]
    families = _seconds(lambda: [family_readings(one) for one in programs], 3) / len(programs)
    yield "families of processor of one 2Kx8 of code, milliseconds", families * 1000, 2.0
    times = {}
    for count in CHIPS:
        chips, images = _shelf(count)
        start = time.process_time()
        found = len(kin(chips, images.__getitem__)) + len(joins(chips, images.__getitem__))
        times[count] = time.process_time() - start
        assert found > count / 5
        yield f"kin and joins of {count} chips of 2Kx8, processor seconds", times[count], 20.0
    growth = (times[CHIPS[2]] / times[CHIPS[0]]) / (CHIPS[2] / CHIPS[0])
    yield f"kin and joins: growth from {CHIPS[0]} to {CHIPS[2]} chips / linear", growth, 1.6
