"""One character lost, doubled or changed anywhere in a dump: refused, reported, or without effect.

Never silent.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import settings

from pipeline.errors import FormatError
from pipeline.formats import Declared, decode
from tests.kit.format_writers import WRITERS

IMAGE = bytes((k * 37 + 11 * (k // 7)) & 0xFF for k in range(96))
NOTATIONS = sorted(
    set(WRITERS) - {"binary", "decimal_values", "hex_utf_16", "hex_even_parity", "hex_one_a_line"}
)
"""All but those in which another byte is as good as the right one: raw binary, and values without leading
zeros.
"""


EVERY = 7 if settings().max_examples >= 200 else 77
"""Each seventh character where the drills run, each 77th in every run, from the first and from the last."""


def damaged(content: bytes) -> Iterator[bytes]:
    """Files that differ from the given one in one character; no digit becomes another digit."""
    for at in sorted({*range(0, len(content), EVERY), *range(len(content) - 1, -1, -EVERY)}):
        yield content[:at] + content[at + 1 :]
        yield content[: at + 1] + content[at:]
        for new in (b"~", b" ", b"O", b"\n"):
            yield content[:at] + new + content[at + 1 :]


@pytest.mark.sampled
@pytest.mark.parametrize("name", NOTATIONS)
def test_no_single_damaged_character_changes_a_word_in_silence(name: str) -> None:
    content, declared = WRITERS[name](IMAGE)
    known = Declared(token=declared.token)
    refused = tried = 0
    for changed in damaged(content):
        tried += 1
        try:
            decoded = decode(changed, known)
        except FormatError:
            refused += 1
            continue
        read = [
            (run[0].address, b"".join(one.words.astype(np.uint8).tobytes() for one in run))
            for run in decoded.runs
        ]
        assert read == [(0, IMAGE)] or decoded.forgiven, changed
    assert refused > tried // 12
