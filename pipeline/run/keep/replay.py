"""`wellread recheck --replay`: every image of a bag rebuilt from its readings by the recorded steps.

Digests say that nothing has changed; this says that the record is true: whoever carries out its steps on the
dump files gets the words it names, and settling these by the rule gives the image, bit for bit.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.bags.observed import Trouble
from pipeline.edges.progress import Progress
from pipeline.errors import WellreadError
from pipeline.flow import Pass
from pipeline.run.keep.valid_bag import Judged
from pipeline.stages.reconcile.voices import settle
from pipeline.steps import image_bytes, replay
from pipeline.words import words_dtype
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import ChipRecord, PassRecord, ReadingRecord, RecordHead

_NO_STEPS = (WellreadError, LookupError, TypeError, ValueError, ArithmeticError, MemoryError)
"""What steps that nobody of this program wrote can end in: anyone can make a valid bag with any record."""


@dataclass(slots=True)
class Replayed:
    """What rebuilding a bag's images gave.

    Attributes:
        images: Rebuilt, and equal.
        passes: Replayed, and equal.
        away: Passes whose dump file is not in the bag, as in a public bundle.
        problems: What is not as recorded.
    """

    images: int = 0
    passes: int = 0
    away: int = 0
    problems: list[Trouble] = field(default_factory=list)


def replay_bag(path: Path, progress: Progress) -> Replayed:
    """Rebuild every image of a bag, and compare.

    Args:
        path: The bag's folder.
        progress: Shown while it is read.

    Raises:
        BagError: It does not pass recheck, is packed in one file, or was not made by this program.
        StorageError: The disk refused.
    """
    bag, out = Judged(path, progress), Replayed()
    head = bag.head()
    total = sum(head["grades"].values())
    for count, chip in enumerate(bag.chips(believed=False), start=1):
        _replay_chip(bag, head, chip, out)
        progress.show(f"{bag.name}: chips rebuilt", count, total)
    progress.done()
    if not out.images and not out.problems:
        away = f"; {out.away} passes stayed behind" if out.away else ""
        out.problems.append(
            Trouble("data/images", "incomplete", f"no image could be rebuilt from here{away}")
        )
    return out


def _replay_chip(bag: Judged, head: RecordHead, chip: ChipRecord, out: Replayed) -> None:
    """Rebuild one chip's image from its readings by the recorded steps, and hold it against the stored one.

    A mask must come out the same too: an image in which other bits are contested is not the one that was
    recorded.
    """
    image = chip.get("image")
    if not image:
        return
    organisation = Organisation.parse(chip["organisation"] or "")
    away, found = out.away, len(out.problems)
    passes = list(_passes(bag, chip, organisation, out))
    path = image.get("path")
    if out.away > away or len(out.problems) > found or not path:
        return
    if not passes:
        out.problems.append(
            Trouble(path, "undeclared", "the record names no pass that this image comes from")
        )
        return
    part = head.get("parts", {}).get(chip.get("catalogued") or "")
    words, contested = settle(passes, organisation, part.get("fades_to") if part else None)
    mask = image.get("mask_path")
    same = bag.read(path) == image_bytes(words, organisation.bits)
    if same and (mask or contested.any()):
        same = bool(mask) and bag.read(mask or "") == image_bytes(contested, organisation.bits)
    if same:
        out.images += 1
    else:
        means = "it is not what its readings give by the recorded steps and the rule of settling"
        out.problems.append(Trouble(path, "altered", means))


def _passes(bag: Judged, chip: ChipRecord, organisation: Organisation, out: Replayed) -> Iterator[Pass]:
    """The passes of a chip, each rebuilt from its file and held against its recorded digest."""
    for reading in chip.get("readings", ()):
        for one in reading.get("passes", ()):
            try:
                stored = reading["files"][one["file"]]
                if path := stored.get("path"):
                    made = _replayed(bag.read(path), reading, one, organisation)
            except _NO_STEPS as error:
                said = error.problem if isinstance(error, WellreadError) else str(error)
                means = f"pass {one['number']} of {reading['reading']} cannot be replayed ({said})"
                out.problems.append(Trouble("metadata/record.json", "malformed", means))
                continue
            if not path:
                out.away += 1
            elif (
                hashlib.sha256(image_bytes(made.words, organisation.bits)).hexdigest() == one["words_sha256"]
            ):
                out.passes += 1
                yield made
            else:
                means = (
                    f"pass {one['number']} of {reading['reading']} gives other words by its recorded steps"
                )
                out.problems.append(Trouble(path, "altered", means))


def _replayed(content: bytes, reading: ReadingRecord, one: PassRecord, organisation: Organisation) -> Pass:
    units = replay(content, one["steps"])
    if units.values.shape != (organisation.words,):
        raise ValueError(f"{units.values.size} words for a chip of {organisation}")
    return Pass(
        reading["reading"],
        reading["reader"],
        one["sitting"],
        one["number"],
        units.values.astype(words_dtype(organisation.bits)),
        units.present,
    )
