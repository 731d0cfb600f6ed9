"""How long decoding a mebibyte takes, against a widely used library on the same bytes and run."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable

import bincopy
import numpy as np

from pipeline.formats import Block, decode, encode

TIMES = 5


def best(work: Callable[[], object]) -> float:
    """Seconds of the fastest of a few runs: the one that the rest of the machine disturbed least."""
    found = []
    for _ in range(TIMES):
        started = time.perf_counter()
        work()
        found.append(time.perf_counter() - started)
    return min(found)


def rows() -> Iterable[tuple[str, float, float]]:
    """(name, our time divided by the library's, bound)."""
    image = np.random.default_rng(1).integers(0, 256, 1 << 20, dtype=np.uint8)
    blocks = [Block(0, image)]
    hexed, srec = encode("intel-hex", blocks), encode("s-record", blocks)
    pairs = image.tobytes().hex(" ").upper()
    text = "".join(f"{pairs[at : at + 47]}\r\n" for at in range(0, len(pairs), 48)).encode()
    for content in (hexed, srec, text):
        assert (decode(content).runs[0][0].words == image).all()
    as_text, as_srec = hexed.decode(), srec.decode()
    reference = best(lambda: bincopy.BinFile().add_ihex(as_text))
    yield "1 MiB Intel HEX / bincopy", best(lambda: decode(hexed)) / reference, 0.7
    yield (
        "1 MiB S-record / bincopy",
        best(lambda: decode(srec)) / best(lambda: bincopy.BinFile().add_srec(as_srec)),
        0.7,
    )
    yield "1 MiB spaced hex text / bincopy on Intel HEX", best(lambda: decode(text)) / reference, 1.0
