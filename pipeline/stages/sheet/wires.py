"""Crossings, wirings, photographs and twins of the sheet, held against its chips.

Every contradiction told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipeline.flow import PlannedChip
from pipeline.stages.sheet.linking import Linking
from pipeline.stages.sheet.typed import shown
from schemas.names import Organisation
from schemas.sheet import ReadingRow
from schemas.wiring import Lines


def check_lines(linking: Linking, at: Sequence[str | int], lines: Lines, organisation: Organisation) -> None:
    """As many lines as the chip has, and no others inverted."""
    for name, count in (("address", organisation.address_bits), ("data", organisation.bits)):
        given = getattr(lines, name)
        if given and len(given) != count:
            linking.tell(
                (*at, name), f"{len(given)} lines", f"{count} lines, as a chip of {organisation} has"
            )
        inverted = getattr(lines, f"invert_{name}")
        if any(line >= count for line in inverted):
            linking.tell((*at, f"invert_{name}"), f"line {max(inverted)}", f"lines from 0 to {count - 1}")


def check_wirings(linking: Linking, chips: Sequence[PlannedChip]) -> None:
    """A reading's own crossing fits its chip; a wiring is one reader's; nothing is said twice in two ways."""
    owners = {id(reading.row): (chip, reading.reader) for chip in chips for reading in chip.readings}
    readers: dict[str, tuple[str, str]] = {}
    for index, row in enumerate(linking.sheet.readings):
        at = ("readings", index)
        owner = owners.get(id(row))
        if owner is None:
            continue
        chip, reader = owner
        if row.wiring is not None:
            _one_reader(linking, at, row.wiring, reader, readers)
        _own_lines(linking, at, row, chip.organisation)


def _own_lines(
    linking: Linking, at: tuple[str, int], row: ReadingRow, organisation: Organisation | None
) -> None:
    """The crossing of a reading, its own or its wiring's, against the chip that it reads."""
    named = linking.sheet.wirings.get(row.wiring or "")
    shared = named.lines if named else None
    if row.lines is not None and shared is not None and row.lines != shared:
        linking.tell(
            (*at, "lines"), f"other lines than wiring {row.wiring} has", "one of the two, or the same lines"
        )
    if organisation is None:
        return
    if row.lines is not None:
        check_lines(linking, (*at, "lines"), row.lines, organisation)
    elif shared is not None and not _fits(shared, organisation):
        linking.tell(
            (*at, "wiring"),
            f"{row.wiring}, whose lines are not those of a chip of {organisation}",
            "a wiring whose lines fit this chip, or this reading's own `lines`",
        )


def _fits(lines: Lines, organisation: Organisation) -> bool:
    counts = ((lines.address, organisation.address_bits), (lines.data, organisation.bits))
    inverted = (
        (lines.invert_address, organisation.address_bits),
        (lines.invert_data, organisation.bits),
    )
    return all(not own or len(own) == count for own, count in counts) and all(
        line < count for own, count in inverted for line in own
    )


def _one_reader(
    linking: Linking, at: tuple[str, int], name: str, reader: str, readers: dict[str, tuple[str, str]]
) -> None:
    """Wires hang on one reader; a name that is nearly one of `wirings` is probably meant to be it."""
    first, where = readers.setdefault(name, (reader, linking.place(at)))
    if first != reader:
        linking.tell(
            (*at, "wiring"),
            f"{shown(name)} of reader {reader}, though {first} has it ({where})",
            "a name of its own for each reader's wires",
        )
    known = linking.sheet.wirings
    if known and name not in known and (close := linking.meant(name, known)):
        linking.tell(
            (*at, "wiring"),
            f"{shown(name)}, which `wirings` does not list",
            "the same name",
            close,
            caution=True,
        )


def check_pictures(linking: Linking) -> None:
    """A photograph lies in the folder, and what it shows is in the sheet."""
    boards, chips = linking.sheet.boards, _ids(linking)
    for index, photo in enumerate(linking.sheet.photos):
        at = ("photos", index)
        if photo.path not in linking.files:
            known = (path.removeprefix("photos/") for path in linking.files if path.startswith("photos/"))
            linking.tell(
                (*at, "file"),
                f"{shown(photo.file)}, which is not there",
                "a file in photos/",
                linking.meant(photo.path.removeprefix("photos/"), known),
            )
        for key, value, valid in (("board", photo.board, boards), ("chip", photo.chip, chips)):
            if value is not None and value not in valid:
                linking.unknown((*at, key), key, value, valid)


def check_twins(linking: Linking) -> None:
    """A twin's own side is a chip of this sheet."""
    chips = _ids(linking)
    for index, twin in enumerate(linking.sheet.twins):
        if twin.chip not in chips:
            linking.unknown(("twins", index, "chip"), "chip", twin.chip, chips)


def _ids(linking: Linking) -> Mapping[str, str]:
    known = {chip.chip: chip.chip for chip in linking.sheet.chips}
    return known | {name: name for name in linking.untyped}
