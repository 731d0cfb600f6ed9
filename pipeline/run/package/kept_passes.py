"""What was read differently, kept beside a chip's image until its pages are drawn.

The words of passes stand nowhere in a bag: the steps of the record make them from the dump files. Where all
passes read the same there is nothing to draw, and nothing is kept.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.flow import Pass
from pipeline.steps import image_bytes
from pipeline.views.report.image import content_of
from pipeline.views.report.passes import ReadWords
from pipeline.words import Words, counted_by_block, true_ranges
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import ChipRecord, ReadingRecord

PASSES = ".passes"
"""Ending of the differing passes of a chip, beside its image."""
MOST_KEPT = 8
"""Beyond so many different contents nobody compares pictures by eye."""


def kept_name(chip: str) -> str:
    """The name of what is kept of a chip until it is placed, without its ending: every system takes it."""
    return hashlib.sha256(chip.encode()).hexdigest()[:32]


def passes_file(images: Path, chip: str) -> Path:
    """Where the differing passes of a chip lie beside its image."""
    return images / f"{kept_name(chip)}{PASSES}"


def add_departures(readings: Sequence[ReadingRecord], passes: Sequence[Pass], words: Words) -> None:
    """How far each pass departs from the image along the addresses, put into its record.

    Args:
        readings: The chip's, as its record has them.
        passes: As they were read, before any was brought into the order of another.
        words: The image.
    """
    by_key = {(one.reading, one.number): one for one in passes}
    for reading in readings:
        for record in reading["passes"]:
            one = by_key.get((reading["reading"], record["number"]))
            if one is None:
                continue
            departing = one.words != words
            if one.present is not None:
                departing &= one.present
            if departing.any():
                record["departs"] = counted_by_block(departing)


def packed_passes(passes: Sequence[Pass], bits: int) -> bytes | None:
    """The differing contents, each once with the passes that read it; None where all read the same.

    Args:
        passes: As they were read.
        bits: Of a word.
    """
    groups: dict[tuple[bytes, bytes], list[str]] = {}
    for one in passes:
        absent = [] if one.present is None else true_ranges(~one.present)
        key = image_bytes(one.words, bits), json.dumps(absent).encode()
        groups.setdefault(key, []).append(f"{one.reading}/{one.number}")
    if len(groups) < 2:
        return None
    kept = list(groups.items())[:MOST_KEPT]
    heads = [{"passes": names, "absent": json.loads(absent)} for (_, absent), names in kept]
    return b"\n".join([json.dumps(heads).encode(), b"".join(words for (words, _), _ in kept)])


def unpacked_passes(packed: bytes, organisation: Organisation) -> list[ReadWords]:
    """What `packed_passes` packed, ready to be drawn."""
    head, _, body = packed.partition(b"\n")
    out = []
    for number, one in enumerate(json.loads(head)):
        size = organisation.size_bytes
        content = content_of(organisation, body[number * size : (number + 1) * size], one["absent"])
        if content is not None:
            out.append(ReadWords(tuple(one["passes"]), content))
    return out


def read_of(images: Path) -> Callable[[ChipRecord], list[ReadWords]]:
    """What loads the differing contents of a chip; none where all its passes read the same.

    Args:
        images: The folder in which they were kept.
    """

    def read(chip: ChipRecord) -> list[ReadWords]:
        kept = passes_file(images, chip["chip"])
        said = chip["organisation"]
        return unpacked_passes(kept.read_bytes(), Organisation.parse(said)) if said and kept.exists() else []

    return read
