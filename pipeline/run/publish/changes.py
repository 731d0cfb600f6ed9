"""`wellread changes`: two bags or bundles, chip by chip, both just rechecked."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pipeline.edges.progress import Progress
from pipeline.publish.changes import (
    ChipBrief,
    ImagePair,
    brief,
    compare_chips,
    compare_heads,
    counts,
    matched,
    one_machine,
)
from pipeline.result import Result
from pipeline.run.keep.valid_bag import Judged
from pipeline.steps import image_words
from pipeline.views.changes import changed
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.answers import ChangesAnswer
    from schemas.record import RecordHead


def changes(old: Path, new: Path, *, quiet: bool = False) -> Result[ChangesAnswer]:
    """What differs, as `changes` says it.

    Args:
        old: The earlier bag or bundle.
        new: The later bag or bundle.
        quiet: No progress.

    Raises:
        BagError: One of them does not pass recheck.
        StorageError: The disk refused.
    """
    progress = Progress(quiet=quiet)
    bags = Judged(old, progress), Judged(new, progress)
    heads = bags[0].head(), bags[1].head()
    same = one_machine(*heads)
    briefs = [[brief(chip) for chip in bag.chips()] for bag in bags]
    boards = heads[0].get("boards", {}), heads[1].get("boards", {})
    chips = []
    for first, second in matched(briefs[0], briefs[1], boards, same_machine=same):
        content = _content(bags, heads, first, second)
        chips.append(compare_chips(first, second, content, same_machine=same))
    document: ChangesAnswer = {
        "schema": "wellread/changes/1",
        "command": "changes",
        "old": str(old),
        "new": str(new),
        "old_bag": heads[0]["bag"],
        "new_bag": heads[1]["bag"],
        "same_machine": same,
        "counts": counts(chips),
        "chips": chips,
        "others": list(compare_heads(*heads)),
    }
    return Result(document, changed(document))


def _content(
    bags: tuple[Judged, Judged],
    heads: tuple[RecordHead, RecordHead],
    old: ChipBrief | None,
    new: ChipBrief | None,
) -> ImagePair | None:
    """Both images, unless they are one or cannot be laid side by side."""
    if old is None or new is None:
        return None
    first, second = old.image, new.image
    if not first or not second or first["sha256"] == second["sha256"]:
        return None
    paths = first.get("path"), second.get("path")
    if not paths[0] or not paths[1] or old.organisation != new.organisation:
        return None
    bits = Organisation.parse(old.organisation).bits
    images = [image_words(bag.read(path), bits) for bag, path in zip(bags, paths, strict=True) if path]
    doubt = np.zeros_like(images[0])
    for bag, one in zip(bags, (first, second), strict=True):
        if mask := one.get("mask_path"):
            doubt |= image_words(bag.read(mask), bits)
    if images[0].shape != images[1].shape:
        return None
    name = new.catalogued or old.catalogued
    parts = [head.get("parts", {}).get(name) for head in heads]
    fades = {part.get("fades_to") for part in parts if part} - {None}
    return ImagePair(images[0], images[1], doubt, bits, fades.pop() if len(fades) == 1 else None, name)
