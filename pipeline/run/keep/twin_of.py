"""A chip of a verified bag as its twin sees it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.steps import image_words
from pipeline.twins.compare import SpecimenImage
from pipeline.twins.findings import doubtful
from pipeline.twins.specimen import Specimen, specimen

if TYPE_CHECKING:
    from pipeline.run.keep.valid_bag import Judged
    from schemas.record import ChipRecord, RecordHead


def twin_of(bag: Judged, head: RecordHead, chip: ChipRecord) -> tuple[Specimen, SpecimenImage | None]:
    """A chip as a specimen, and its image where the bag holds it.

    Args:
        bag: Just verified.
        head: Its record without the chips.
        chip: The chip's record.

    Raises:
        BagError: A file of it has changed since.
        StorageError: The disk refused.
    """
    other = specimen(head, chip, bag.verdict.receipt)
    image = chip.get("image")
    path = image.get("path") if image else None
    if not image or not path or other.organisation is None:
        return other, None
    bits = other.organisation.bits
    mask = image.get("mask_path")
    contested = image_words(bag.read(mask), bits) if mask else None
    return other, doubtful(image_words(bag.read(path), bits), contested, other.absent, bits)
