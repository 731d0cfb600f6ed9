"""`wellread listing`: the program of one chip of a bag as an assembler listing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.edges.progress import Progress
from pipeline.errors import BagError, NothingToDoError
from pipeline.result import Result
from pipeline.run.keep.valid_bag import Judged
from pipeline.stages.content.flow_of_control import READ_AS
from pipeline.stages.content.listing import listing
from pipeline.stages.content.mnemonics import OWN, covered
from pipeline.stages.content.program import READ_FOR, family_of
from pipeline.steps import image_words
from pipeline.views.listing import listed_chip
from schemas.finding import families_said
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.answers import ListingAnswer, ProcessorBy
    from schemas.record import ChipRecord, RecordHead

WIDTHS = (8, 16)
"""Bits of words in which a whole program stands on one chip."""


def list_chip(path: Path, chip: str, processor: str | None, *, quiet: bool) -> Result[ListingAnswer]:
    """What `listing` says.

    Args:
        path: Bag or bundle; it is rechecked first.
        chip: Its id.
        processor: Read it for this one, whatever sheet and content say.
        quiet: No progress.

    Raises:
        BagError: The bag does not pass recheck, or has no such chip or image.
        NothingToDoError: No processor is known for it, or its words are no instructions.
        StorageError: The disk refused.
    """
    bag = Judged(path, Progress(quiet=quiet))
    record = bag.chip(chip)
    image = record.get("image")
    path_in_bag = image.get("path") if image else None
    if not image or not path_in_bag:
        held = image.get("withheld") if image else None
        raise BagError(
            where=f"{bag.name}, chip {chip}",
            problem=f"it holds no image of it ({record.get('withheld') or held or record['grade']})",
            remedy="List it from a bag that holds the image",
        )
    organisation = Organisation.parse(record["organisation"] or "")
    family, said_by = _family(bag.head(), record, processor, f"{bag.name}, chip {chip}")
    if organisation.bits not in WIDTHS:
        raise NothingToDoError(
            where=f"{bag.name}, chip {chip}",
            problem=f"words of {organisation.bits} bits hold only part of an instruction",
            remedy="List a chip of 8 or 16 bits",
        )
    words = image_words(bag.read(path_in_bag), organisation.bits)
    program = record.get("program")
    library, lines = listing(words, organisation.bits, family, record.get("regions", []), program)
    document: ListingAnswer = {
        "schema": "wellread/listing/1",
        "command": "listing",
        "bag": str(path),
        "chip": chip,
        "organisation": str(organisation),
        "grade": record["grade"],
        "settled": image["settled"],
        "family": family,
        "family_by": said_by,
        "address": program["address"] if program and program["family"] == family else None,
        "library": library,
        "more_with": "wellread[listing]" if library == OWN and covered(family) else None,
        "lines": lines,
    }
    return Result(document, listed_chip(document))


def _family(
    head: RecordHead, record: ChipRecord, processor: str | None, where: str
) -> tuple[str, ProcessorBy]:
    """Whose instructions it is read as: the option's, the sheet's, or what the content is named for.

    Raises:
        NothingToDoError: Nothing says, or what is said is not known here.
    """
    known = f"--processor with one of {', '.join(READ_AS)}"
    board = head["boards"].get(record.get("board") or "", {})
    for said, by in ((processor, "option"), (board.get("processor"), "sheet")):
        family = family_of(said)
        if family is not None:
            return family, "option" if by == "option" else "sheet"
        if said is not None:
            raise NothingToDoError(
                where=where,
                problem=f"the instructions of the processor {said!r} are not known here",
                remedy=f"Read it for another, {known}, if it is one of their kind",
            )
    for finding in record.get("findings", ()):
        for said in families_said(finding)[:1]:
            if (family := READ_FOR.get(said, said)) in READ_AS:
                return family, "content"
    raise NothingToDoError(
        where=where,
        problem="its content is a program for no processor that is known here, and the sheet names none",
        remedy=f"Say `processor` of its board in the sheet and package again, or {known}",
    )
