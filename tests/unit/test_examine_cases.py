"""Every fault of the kit on one image, and every look-alike: all that is said of it, to the word and the key.

`tests/assets/examine_cases.jsonl` has what examining said when the words were read. Whether a fault is found,
and no other, is judged elsewhere by what was done to the image; here no word, key or figure changes unseen.
`python -m tests.unit.test_examine_cases` writes the file anew: read its difference.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
import pytest

from pipeline.catalogue import load
from pipeline.stages.examine import examine
from tests.kit.faults import EPROM, FAULTS, STREAM_FAULTS, Injected
from tests.kit.images import FAMILIES, LOOKALIKES, code, packed_noise, widened
from tests.kit.subjects import passes_of, subject_of
from tests.kit.wires import UnchangedError

KEPT = Path(__file__).parents[1] / "assets" / "examine_cases.jsonl"
WORDS = 2048
MAKERS = {family.name: family.make for family in (*FAMILIES, *LOOKALIKES)}


WIDE = ("dead address line", "stuck data line", "joined data lines")


def names() -> Iterator[str]:
    """Each case by what is done to which image."""
    yield from (f"{name}, {seed}" for name in sorted(FAULTS) for seed in (1, 2))
    yield from sorted(MAKERS)
    yield from (f"{name} of 16 bits" for name in WIDE)


def made(name: str) -> tuple[Injected, int]:
    """What was done, and the bits of a word."""
    random = np.random.default_rng(crc32(name.encode()))
    if name in MAKERS:
        image, bits = MAKERS[name](random, WORDS)
        return Injected((image,), frozenset()), bits
    if name.endswith(" of 16 bits"):
        image = widened(code(random, WORDS)[0], code(random, WORDS)[0])
        return FAULTS[name.removesuffix(" of 16 bits")](random, image, 16), 16
    fault = name.rpartition(", ")[0]
    for _ in range(20):
        mixed = np.concatenate([code(random, WORDS // 2)[0], packed_noise(random, WORDS // 2)[0]])
        with suppress(UnchangedError):  # some damage needs bytes that not every image has
            return FAULTS[fault](random, mixed if fault in STREAM_FAULTS else code(random, WORDS)[0], 8), 8
    raise AssertionError(name)


def said(done: Injected, bits: int) -> list[dict[str, Any]]:
    """Every finding, its numbers to four digits, since the last ones are the mathematics library's."""
    passes = passes_of(
        done.streams,
        readers=[one.reader for one in done.taken],
        sittings=[one.sitting for one in done.taken],
        when=[one.date for one in done.taken],
    )
    part = load().find("2716" if done.part in ("", EPROM) else done.part) if bits == 8 else None
    if part is not None and part.words != WORDS:
        part = None
    found = examine(subject_of(passes, bits=bits, part=part))
    whole: list[dict[str, Any]] = json.loads(
        json.dumps([one.to_record() for one in found]),
        parse_float=lambda text: f"{float(text):.4g}",
    )
    return whole


CASES = [json.loads(line) for line in KEPT.read_text("utf-8").splitlines()]


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case["name"]))
def test_all_that_is_said_of_an_image_is_as_it_was_read(case: dict[str, Any]) -> None:
    assert said(*made(case["name"])) == case["said"]


def test_the_cases_are_all_faults_and_look_alikes() -> None:
    assert [case["name"] for case in CASES] == list(names())
    assert len({one["code"] for case in CASES for one in case["said"]}) > 12


def main() -> None:
    """Write the file anew."""
    lines = [json.dumps({"name": one, "said": said(*made(one))}, ensure_ascii=False) for one in names()]
    KEPT.write_text("\n".join(lines) + "\n", "utf-8")


if __name__ == "__main__":
    main()
