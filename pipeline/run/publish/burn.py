"""`wellread burn`: a programming file for a replacement chip, or for a set of chips that share out a space.

The image comes from a bag or bundle that has just passed recheck, the pins from its record and the catalogue,
the plan from the burn stage. What is written is decoded again before it gets its name.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal, cast

import numpy as np

from pipeline.bags.portable_names import is_portable, portable_name
from pipeline.catalogue import Catalogue, load
from pipeline.catalogue.cautions import heeded, replacing
from pipeline.edges.bags.restore import write_inside
from pipeline.edges.new_file import write_new
from pipeline.edges.progress import Progress
from pipeline.edges.staging import Staging
from pipeline.errors import BagError, PairingError, UnsafeError, UnsettledError, UsageError
from pipeline.formats import Declared, decode
from pipeline.formats.encoders import WRITTEN, encode
from pipeline.formats.neutral import Block
from pipeline.one_line import one_line, one_lined
from pipeline.publish.programming import (
    Burn,
    Layout,
    LineOrder,
    as_bytes,
    burn_document,
    plan_burn,
    split_space,
    sum16,
)
from pipeline.result import Result
from pipeline.run.keep.valid_bag import Judged
from pipeline.run.leftovers import dead_runs_of
from pipeline.steps import image_words
from pipeline.to_do import ToDo, of_space, to_do, worst_first
from pipeline.views.burn import burn_text, cautions_text, chips_to_do
from pipeline.words import Words
from schemas.names import Organisation
from schemas.part import Part

if TYPE_CHECKING:
    from schemas.answers import BurnAnswer, BurnedFile
    from schemas.record import ChipRecord, RecordHead

ENDINGS = {"binary": "bin", "intel-hex": "hex", "s-record": "s19"}
ByteOrder = Literal["big", "little"]
_DOUBTS = {"incomplete": "it is incomplete", "unsettled": "an image in it is not settled"}
"""What the record says of a space, and in words why it is not burned unasked."""


@dataclass(frozen=True, slots=True)
class BurnWish:
    """What was asked for beyond the chip and the part.

    Attributes:
        form: One of the formats written here.
        output: The file to write, or for a space the folder; None for a name of its own in the working
            folder.
        even_so: Burn an image that is contested, faulty or held back in spite of that.
        layout: How the image is placed.
        byte_order: Of words wider than 8 bits in the file.
        socket: Number of the old part, where the sheet names none.
        order: Lines carried in another order or inverted.
        selects: Pin of the old part → level that selects.
        from_memory: Tell pin numbers of low confidence too, every line stamped.
    """

    form: str
    output: Path | None
    even_so: bool = False
    layout: str = "auto"
    byte_order: str = "big"
    socket: str | None = None
    order: LineOrder = field(default_factory=LineOrder)
    selects: Mapping[int, int] | None = None
    from_memory: bool = False


def wish(
    *,
    form: str,
    output: Path | None,
    even_so: bool,
    layout: str,
    byte_order: str,
    socket: str | None,
    address_order: str | None,
    data_order: str | None,
    invert_address: str | None,
    invert_data: str | None,
    selects: Sequence[str],
    from_memory: bool = False,
) -> BurnWish:
    """The options of the command line, checked.

    Raises:
        UsageError: One of them says nothing that can be done.
    """
    for name, value, able in (
        ("--format", form, WRITTEN),
        ("--layout", layout, ("auto", "repeat", "offset")),
        ("--byte-order", byte_order, ("big", "little")),
    ):
        if value not in able:
            raise UsageError(
                where=name, problem=f"{value!r} is not known", remedy=f"Say one of {', '.join(able)}"
            )
    order = LineOrder(
        _lines("--address-order", address_order, "A"),
        _lines("--data-order", data_order, "D"),
        _lines("--invert-address", invert_address, "A"),
        _lines("--invert-data", invert_data, "D"),
    )
    levels = dict(map(_select, selects))
    return BurnWish(form, output, even_so, layout, byte_order, socket, order, levels, from_memory)


def _lines(option: str, text: str | None, letter: str) -> tuple[int, ...]:
    if not text:
        return ()
    found = [re.fullmatch(rf"{letter}?(\d{{1,2}})", one.strip(), re.IGNORECASE) for one in text.split(",")]
    if not all(found):
        raise UsageError(
            where=option,
            problem=f"{text!r} is not a list of lines",
            remedy=f"Say lines by number with commas, such as {letter}1,{letter}0,{letter}2",
        )
    return tuple(int(one[1]) for one in found if one)


def _select(text: str) -> tuple[int, int]:
    found = re.fullmatch(r"(\d{1,2})=(low|high|0|1)", text.strip(), re.IGNORECASE)
    if not found:
        raise UsageError(
            where="--select", problem=f"{text!r} is not a pin and a level", remedy="Say for example 20=low"
        )
    return int(found[1]), int(found[2].lower() in ("high", "1"))


def burn_chip(path: Path, chip: str, into: str, wanted: BurnWish, *, quiet: bool) -> Result[BurnAnswer]:
    """A file for one replacement chip.

    Args:
        path: Bag or bundle.
        chip: Its id.
        into: Number of the new part.
        wanted: Everything else.
        quiet: No progress.

    Raises:
        BagError: The bag does not pass recheck, or has no such chip or image.
        PartError: The part is not known.
        PairingError: It cannot hold the image or stand in the socket.
        UnsettledError: The image is contested, faulty or held back and was not asked for in spite of that.
        DestinationError: There is something of that name.
        StorageError: The disk refused.
    """
    bag = Judged(path, Progress(quiet=quiet))
    head = bag.head()
    record = bag.chip(chip)
    waiting = to_do(record)
    if record.get("image"):
        _refuse_unsettled(f"chip {chip}", waiting.apart, _why_apart(record, waiting), wanted)
    catalogue = _catalogue(head)
    source, target = _old_part(record, wanted, catalogue), catalogue.find(into)
    image = record.get("image")
    path_in_bag = image.get("path") if image else None
    if not image or not path_in_bag:
        held = image.get("withheld") if image else None
        why = record.get("withheld") or held or f"graded {record['grade']}"
        raise BagError(
            where=f"{bag.name}, chip {chip}",
            problem=f"it holds no image of it ({why})",
            remedy="Burn it from a bag that holds the image",
        )
    organisation = Organisation.parse(record["organisation"] or "")
    words = image_words(bag.read(path_in_bag), organisation.bits)
    plan = plan_burn(
        words,
        source,
        target,
        layout=cast("Layout", wanted.layout),
        order=wanted.order,
        select_levels=dict(wanted.selects or {}),
        from_memory=wanted.from_memory,
        others=catalogue.parts,
        common=catalogue.common,
    )
    output = wanted.output or Path(f"{chip}.{portable_name(target.part)}.{ENDINGS[wanted.form]}")
    content = _file(plan.words, plan.organisation.bits, wanted, f"{chip} {target.part}")
    write_new(output, content)
    document: BurnAnswer = {
        "schema": "wellread/burn/1",
        "command": "burn",
        "bag": str(path),
        "chip": chip,
        "space": None,
        "grade": record["grade"],
        "image_sha256": image["sha256"],
        "format": wanted.form,
        "output": str(output),
        "files": [_told(output.name, plan, content)],
        "plan": burn_document(plan),
        "to_do": [waiting.to_json()] if waiting.tasks else [],
        **heeded(plan.cautions),
    }
    written = one_line(f"Written: {output} ({wanted.form}, {len(content)} bytes)")
    return Result(document, f"{burn_text(plan, waiting)}\n\n{_grade_line(record, waiting)}{written}")


def _why_apart(record: ChipRecord, waiting: ToDo) -> str:
    """Why an image lies under `images-unsettled/`."""
    held = f"; held back: {', '.join(waiting.held_back)}" if waiting.held_back else ""
    return f"graded {record['grade']}: {'; '.join(record['reasons'])}{held}"


def _grade_line(record: ChipRecord, waiting: ToDo) -> str:
    if waiting.apart:
        state = record["grade"].upper() if not waiting.held_back else "HELD BACK"
        why = one_line(_why_apart(record, waiting))
        return f"The image is {state}, {why}. Do not trust a machine with it.\n"
    return f"Grade of the image: {record['grade']}.\n"


def _told(name: str, plan: Burn, content: bytes) -> BurnedFile:
    return {
        "name": name,
        "bytes": len(content),
        "sum16": f"{plan.device_sum16:04X}",
        "crc32": f"{plan.device_crc32:08X}",
    }


def _catalogue(head: RecordHead) -> Catalogue:
    """Our catalogue, with the parts of the bag's record that it does not know."""
    known = load()
    own = [
        Part.model_validate(one_lined(facts))
        for name, facts in head.get("parts", {}).items()
        if known.get(name) is None
    ]
    return known.with_parts(own)


def _old_part(record: ChipRecord, wanted: BurnWish, catalogue: Catalogue) -> Part:
    name = wanted.socket or record.get("catalogued")
    if not name:
        raise PairingError(
            where=f"chip {record['chip']}",
            problem="its part is not in the catalogue, so nothing is known of its socket",
            remedy="Name a part with the same pins by --socket, or define the part in the sheet",
        )
    return catalogue.find(name)


def _refuse_unsettled(where: str, unsettled: bool, why: str, wanted: BurnWish) -> None:  # noqa: FBT001 - a fact, not a switch
    if unsettled and not wanted.even_so:
        raise UnsettledError(
            where=where,
            problem=f"the image is not settled ({why})",
            remedy="Read the chip again as the report says; to burn it all the same, say --even-so",
        )


def _file(words: Words, bits: int, wanted: BurnWish, header: str) -> bytes:
    """The file, decoded again and compared before anybody gets it."""
    flat = np.frombuffer(as_bytes(words, bits, byte_order=cast("ByteOrder", wanted.byte_order)), np.uint8)
    content = encode(wanted.form, [Block(0, flat)], header=header.encode("ascii", "replace")[:64])
    (blocks,) = decode(content, Declared(format=wanted.form, bits=8)).runs
    back = np.concatenate([block.words for block in blocks])
    assert blocks[0].address == 0
    assert np.array_equal(back.astype(np.uint8), flat)
    return content


def burn_space(
    path: Path, space: str, into: str, wanted: BurnWish, *, quiet: bool, clear_leftovers: bool = False
) -> Result[BurnAnswer]:
    """Files for a set of chips that together hold an assembled space; the output is a new folder.

    What runs that died left beside it is told, and removed where `clear_leftovers` says so.

    Raises:
        As `burn_chip`.
    """
    bag = Judged(path, Progress(quiet=quiet))
    head = bag.head()
    record = next((one for one in head["spaces"] if one["name"] == space), None)
    if record is None:
        names = ", ".join(one["name"] for one in head["spaces"])
        raise BagError(
            where=f"{bag.name}, space {space}",
            problem="the bag has no such space",
            remedy=f"It has {names or 'none'}",
        )
    path_in_bag = record.get("path")
    if not path_in_bag:
        why = record.get("withheld") or "; ".join(record["reasons"]) or "it was not written"
        raise BagError(
            where=f"{bag.name}, space {space}",
            problem=f"it holds no content of it ({why})",
            remedy="Burn it from a bag that holds it",
        )
    doubts = [said for word, said in _DOUBTS.items() if record.get(word)]
    placed = of_space(record, map(to_do, bag.chips()))
    waiting = worst_first(placed)
    _refuse_unsettled(f"space {space}", bool(doubts), " and ".join(doubts), wanted)
    if not is_portable(space):
        raise UnsafeError(
            where=f"space {space!r}",
            problem="is not a name for a file",
            remedy="Do not trust this bag's record",
        )
    target = _catalogue(head).find(into)
    if target.organisation is None:
        raise PairingError(
            where=f"{target.part} for {space}",
            problem="it has no single organisation",
            remedy="Choose a memory part",
        )
    size = (record["width"] + 7) // 8
    raw = np.frombuffer(bag.read(path_in_bag), np.uint8).reshape(-1, size)
    words = image_words((raw if record["byte_order"] == "big" else raw[:, ::-1]).tobytes(), record["width"])
    fill = 1 if target.erased_state is None else target.erased_state
    slices = split_space(words, record["width"], target.organisation, fill_bit=fill)
    told: list[BurnedFile] = []
    output = wanted.output or Path(f"{space}.{portable_name(target.part)}")
    dead_runs_of(output, clear=clear_leftovers, quiet=quiet)
    with Staging(output) as staging:
        for one in slices:
            name = f"{space}.{one.name}.{ENDINGS[wanted.form]}"
            content = _file(one.words, target.organisation.bits, wanted, f"{space} {one.name}")
            write_inside(staging.path, name, content)
            told.append(
                {
                    "name": name,
                    "bits": [one.high, one.low],
                    "words": [one.start, one.stop],
                    "bytes": len(content),
                    "sum16": f"{sum16(one.words, target.organisation.bits):04X}",
                    "crc32": f"{zlib.crc32(as_bytes(one.words, target.organisation.bits)):08X}",
                }
            )
        staging.commit()
    document: BurnAnswer = {
        "schema": "wellread/burn/1",
        "command": "burn",
        "bag": str(path),
        "chip": None,
        "space": space,
        "grade": None,
        "image_sha256": record["sha256"] or "",
        "format": wanted.form,
        "output": str(output),
        "files": told,
        "plan": None,
        "to_do": [one.to_json() for one in waiting],
        **heeded(replacing(target, target)),
    }
    lines = [
        (
            f"{space}: {record['words']} words of {record['width']} bits in {len(told)} of {target.part} "
            f"({target.organisation})"
        )
    ]
    lines += [
        (
            f"  bits {part.high} to {part.low}, words 0x{part.start:X} to 0x{part.stop - 1:X}: "
            f"{one['name']}, sum {one['sum16']}, CRC-32 {one['crc32']}"
        )
        for part, one in zip(slices, told, strict=True)
    ]
    lines += record.get("cautions", ())
    lines.append("A set has no old socket: selects, line order and speed are for whoever designs the board.")
    told_lines = "\n".join(one_line(line) for line in lines)
    heeding = cautions_text(replacing(target, target))
    if waiting:
        told_lines += f"\n\n{chips_to_do(waiting)}"
    return Result(document, f"{told_lines}\n\n{heeding}\n\n{one_line(f'Written: {output}')}")
