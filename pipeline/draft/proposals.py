"""Which part a chip may be: by a marking in names or notes, or by its size; proposed, never asserted."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from pipeline.catalogue import Catalogue
from pipeline.draft.chips import DraftedChip
from schemas.names import Organisation
from schemas.part import Kind, Part

MOST_NAMED = 3
LONGEST_LINE = 400


class Proposal(NamedTuple):
    """What the draft proposes of one chip.

    Attributes:
        organisation: To be written; None where it is not known.
        part: Catalogue number, or "".
        why: One clause each, without a full stop.
        others: Further parts of this size, where no marking names one.
        says: What its rows say besides.
    """

    organisation: Organisation | None
    part: str
    why: tuple[str, ...]
    others: tuple[str, ...] = ()
    says: Mapping[str, str] | None = None


def find_part(catalogue: Catalogue, text: str) -> str:
    """The catalogue number that a word of a file's name means, or ""."""
    part = catalogue.get(text)
    return part.part if part is not None else ""


def marked_in_notes(notes: Mapping[str, str], chips: Sequence[str], catalogue: Catalogue) -> dict[str, str]:
    """Chip → "PART as FILE says", from lines of notes that name one chip and one part.

    Args:
        notes: Path → text.
        chips: Ids.
        catalogue: Knows the markings.
    """
    known = {chip.casefold(): chip for chip in chips}
    found: dict[str, dict[str, str]] = {}
    for path, text in notes.items():
        for line in text.splitlines():
            words = re.split(r"[\s,;:()=|]+", line[:LONGEST_LINE])
            named = {known[word.casefold()] for word in words if word.casefold() in known}
            parts = {find_part(catalogue, word) for word in words if sum(map(str.isdigit, word)) >= 3} - {""}
            if len(named) == 1 and len(parts) == 1:
                found.setdefault(named.pop(), {}).setdefault(parts.pop(), path)
    return {chip: f"{part} {path}" for chip, by in found.items() if len(by) == 1 for part, path in by.items()}


def propose(chip: DraftedChip, noted: str, catalogue: Catalogue) -> Proposal:
    """What to write of a chip.

    Args:
        chip: With its readings.
        noted: `PART PATH` where a note names its part; else "".
        catalogue: Of the parts.
    """
    size = chip.organisation
    said = _by_size(size, chip)
    named = {one.named.part: one.path for one in reversed(chip.readings) if one.named.part}
    if noted:
        noted_part, _, path = noted.partition(" ")
        named.setdefault(noted_part, path)
    if len(named) == 1:
        ((number, path),) = named.items()
        part = catalogue.get(number)
        assert part is not None
        fits = _organisation_as(part, size, chip)
        where = path.rsplit("/", 1)[-1]
        if fits is not None:
            return Proposal(
                fits, number, (f"{_by_size(fits, chip)} and {number} by {where}",), (), _says(fits, chip)
            )
        return Proposal(
            size, "", (f"{said}, although {where} names a {number}, which is {part.organisation}",)
        )
    others = _of_size(catalogue, size) if size else ()
    only = others[0] if len(others) == 1 else ""
    return Proposal(size, only, (said,), () if only else others)


def _by_size(size: Organisation | None, chip: DraftedChip) -> str:
    """Where an organisation comes from, with the number of values where they are not as many as its words."""
    if size is None:
        return "its size is not known"
    values = {one.content.values for one in chip.heard}
    told = " and ".join(f"{value}" for value in sorted(values))
    odd = not values <= {size.words, size.size_bytes}
    return f"{size} by {told} values" if odd else f"{size} by the size"


def _organisation_as(part: Part, size: Organisation | None, chip: DraftedChip) -> Organisation | None:
    """The part's organisation where the files hold as much: as words, as their bytes, or as a fuse map."""
    own = part.organisation
    if part.kind is Kind.LOGIC_ARRAY and size is not None and size.bits == 1:
        return size if part.fuse_map in (None, size) else None
    if own is None or size is None:
        return own
    values = max((one.content.values for one in chip.heard), default=0)
    if own == size or (own.words == size.words and own.bits <= 8):
        return own
    return own if own.bits > 8 and own.size_bytes == values and size.bits == 8 else None


def _says(organisation: Organisation, chip: DraftedChip) -> Mapping[str, str]:
    """The order of bytes of a wide chip in files of bytes: the low one first, as device programmers write it.

    From memory; it is a guess, and told with the chip.
    """
    wide = organisation.bits > 8 and any(one.content.format != "listing" for one in chip.heard)
    return {"byte_order": "little"} if wide and chip.organisation != organisation else {}


def _of_size(catalogue: Catalogue, size: Organisation) -> tuple[str, ...]:
    """The commonest parts of a size."""
    found = [part.part for part in catalogue.filter(words=size.words, bits=size.bits)]
    common = [number for number in catalogue.common if number in found]
    return tuple(dict.fromkeys([*common, *found]))[:MOST_NAMED]
