"""`wellread changes`: two bags or bundles, chip by chip, both just rechecked."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.edges.console import Progress
from pipeline.publish.changes import (
    ImagePair,
    brief,
    compare_chips,
    compare_heads,
    counts,
    matched,
    one_machine,
)
from pipeline.run.keep.valid_bag import Judged
from pipeline.steps import image_words
from schemas.names import Organisation


def changes(old: Path, new: Path, *, quiet: bool = False) -> dict[str, Any]:
    """What differs, as `changes --json` prints it.

    Args:
        old: Bag or bundle.
        new: Likewise.
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
    return {
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


def _content(
    bags: tuple[Judged, Judged],
    heads: tuple[Mapping[str, Any], Mapping[str, Any]],
    old: Mapping[str, Any] | None,
    new: Mapping[str, Any] | None,
) -> ImagePair | None:
    """Both images, unless they are one or cannot be laid side by side."""
    if old is None or new is None:
        return None
    first, second = (chip.get("image") or {} for chip in (old, new))
    if first.get("sha256") == second.get("sha256") or not first.get("path") or not second.get("path"):
        return None
    if old.get("organisation") != new.get("organisation"):
        return None
    bits = Organisation.parse(old["organisation"]).bits
    images = [
        image_words(bag.read(one["path"]), bits) for bag, one in zip(bags, (first, second), strict=True)
    ]
    doubt = np.zeros_like(images[0])
    for bag, one in zip(bags, (first, second), strict=True):
        if one.get("mask_path"):
            doubt |= image_words(bag.read(one["mask_path"]), bits)
    if images[0].shape != images[1].shape:
        return None
    name = new.get("catalogued") or old.get("catalogued") or ""
    parts = [head.get("parts", {}).get(name, {}) for head in heads]
    fades = {part.get("fades_to") for part in parts} - {None}
    return ImagePair(images[0], images[1], doubt, bits, fades.pop() if len(fades) == 1 else None, name)
