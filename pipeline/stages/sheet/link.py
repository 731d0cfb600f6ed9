"""Chips, readings, files, parts and spaces joined by their names; every contradiction told.

Nothing here is guessed: a file whose name does not say whose it is stays a caution, and an organisation that
neither the sheet nor a catalogued part gives is asked for.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from pipeline.errors import PartError
from pipeline.flow import PlannedChip, PlannedReading, Problem
from pipeline.stages.sheet.linking import Linking
from pipeline.stages.sheet.loose import loose_file
from pipeline.stages.sheet.typed import shown
from pipeline.stages.sheet.wires import check_lines, check_pictures, check_twins, check_wirings
from schemas.names import UNPLACED, Organisation, by_numbers
from schemas.part import Kind, Part
from schemas.sheet import Chip, ReadingRow, Space, Take

NOTHING_SAID = ReadingRow()
"""The row of a reading of which only its file's name speaks."""
MOST_NUMBERS = 3
"""Numbers of parts that a message offers."""


def link(linking: Linking) -> tuple[PlannedChip, ...]:
    """Chips with their readings, organisations and parts, in the sheet's order."""
    _names(linking)
    readings = _readings(linking)
    chips = tuple(
        _chip(linking, index, chip, tuple(readings.get(chip.chip, ())))
        for index, chip in enumerate(linking.sheet.chips)
    )
    organisations = {planned.chip.chip: planned.organisation for planned in chips}
    for index, space in enumerate(linking.sheet.spaces):
        _space(linking, index, space, organisations)
    check_wirings(linking, chips)
    check_pictures(linking)
    check_twins(linking)
    # Of two chips with one id, which was told, only the first can be looked for by it.
    by_id: dict[str, PlannedChip] = {}
    for planned in chips:
        by_id.setdefault(planned.chip.chip.casefold(), planned)
    return tuple(by_id.values())


def _names(linking: Linking) -> None:
    """Ids once, boards and readers known, a socket once on each board."""
    sheet = linking.sheet
    seen: dict[str, int] = {}
    sockets: dict[tuple[str | None, str], int] = {}
    for index, chip in enumerate(sheet.chips):
        first = seen.setdefault(chip.chip.casefold(), index)
        if first != index:
            where = linking.place(("chips", first, "chip"))
            linking.tell(
                ("chips", index, "chip"),
                f"{shown(chip.chip)} again (first at {where})",
                "an id that no other chip has, upper and lower case counted alike",
            )
        if chip.board is not None and chip.board not in sheet.boards:
            linking.unknown(("chips", index, "board"), "board", chip.board, sheet.boards)
        if chip.socket is not None:
            first = sockets.setdefault((chip.board, chip.socket), index)
            if first != index:
                on = f" on board {chip.board}" if chip.board else ""
                linking.tell(
                    ("chips", index, "socket"),
                    f"{shown(chip.socket)} a second time{on} (chip {sheet.chips[first].chip} sits there)",
                    "each socket once on a board",
                )
            board = sheet.boards.get(chip.board or "")
            if board and board.sockets and chip.socket not in board.sockets:
                linking.tell(
                    ("chips", index, "socket"),
                    shown(chip.socket),
                    f"a socket that board {chip.board} lists",
                    linking.meant(chip.socket, board.sockets),
                )
        for n, attempt in enumerate(chip.attempts):
            if attempt.reader is not None and attempt.reader not in sheet.readers:
                linking.unknown(
                    ("chips", index, "attempts", n, "reader"), "reader", attempt.reader, sheet.readers
                )
    for kind in ("boards", "readers"):
        folded: dict[str, str] = {}
        for name in getattr(sheet, kind):
            other = folded.setdefault(name.casefold(), name)
            if other != name:
                linking.tell(
                    (kind, name), f"{name!r} beside {other!r}", "names that differ in more than case"
                )
    if UNPLACED in sheet.boards:
        linking.tell(
            ("boards", UNPLACED),
            "a board of this name",
            f"another name ({UNPLACED!r} is for chips without a board)",
        )
    names: dict[str, int] = {}
    for index, space in enumerate(sheet.spaces):
        if names.setdefault(space.name.casefold(), index) != index:
            linking.tell(("spaces", index, "name"), f"{shown(space.name)} again", "each space's name once")


FUSE_MAP_ENDINGS = (".jed", ".jedec")
"""How files of fuses are named. Source: common practice; JESD3 names no ending."""


def _holds_fuses(readings: tuple[PlannedReading, ...]) -> bool:
    """Whether every reading of the chip is a fuse map, by its format or its name."""
    return bool(readings) and all(
        one.row.format == "jesd3" or all(path.lower().endswith(FUSE_MAP_ENDINGS) for path in one.files)
        for one in readings
    )


def _known_organisation(
    part: Part | None, chip: Chip, readings: tuple[PlannedReading, ...]
) -> Organisation | None:
    """What the part holds as it was read.

    A logic array gives its fuse map, or the truth table that its pins give.
    """
    if part is None:
        return None
    if part.kind is Kind.LOGIC_ARRAY and (
        _holds_fuses(readings) or (chip.organisation and chip.organisation.bits == 1)
    ):
        return part.fuse_map
    return part.organisation


def _size_bytes(linking: Linking, chip: Chip, readings: tuple[PlannedReading, ...]) -> int | None:
    """What the chip holds, as far as organisation or first dump say, to tell which number was meant."""
    if chip.organisation:
        return chip.organisation.size_bytes
    sizes = (
        linking.files[path].size_bytes for one in readings for path in one.files if path in linking.files
    )
    return next(sizes, None)


def _organisation(
    linking: Linking, index: int, chip: Chip, readings: tuple[PlannedReading, ...]
) -> tuple[Organisation | None, Part | None, int | None]:
    """What the sheet says, checked against the part that it names."""
    size_bytes = _size_bytes(linking, chip, readings)
    part: Part | None = None
    if chip.part is not None and chip.part not in linking.unread_parts:
        try:
            part = linking.catalogue.find(chip.part, size_bytes=size_bytes, suggest=linking.may_suggest())
        except PartError as error:
            words = f"{size_bytes or 2048}x8"
            linking.tell(
                ("chips", index, "part"),
                f"{shown(chip.part)}, which {error.problem}",
                "a number that `wellread parts` lists, a part of your own under `parts`, or "
                f"`organisation: {words}`",
                " or ".join(error.near[:MOST_NUMBERS]),
            )
    known = _known_organisation(part, chip, readings)
    if chip.organisation and known and chip.organisation != known:
        linking.tell(
            ("chips", index, "organisation"),
            f"{chip.organisation}, but a {part.part if part else ''} is {known}",
            "the part's own organisation, or another part",
            str(known),
        )
    erased = linking.catalogue.erased_state(part, chip.marking or chip.part or "") if part else None
    return linking.one(chip.organisation or known), part, erased


def _chip(linking: Linking, index: int, chip: Chip, readings: tuple[PlannedReading, ...]) -> PlannedChip:
    """One chip with its part, organisation and readings, and whatever in its entry contradicts these."""
    organisation, part, erased = _organisation(linking, index, chip, readings)
    at = ("chips", index)
    where = linking.place(at)
    if readings and organisation is None and (chip.part is None or part is not None):
        linking.tell((*at, "organisation"), "nothing", "words x bits, such as 2048x8, or a part that has it")
    heard = [reading for reading in readings if reading.row.set_aside is None]
    if chip.state is not None and heard:
        linking.tell(
            (*at, "state"),
            f"{chip.state!r} though {heard[0].reading} reads it",
            "no state, or the reading set aside",
        )
    nameless = f"chips[{linking.at(at)[1] + 1}].chip" in linking.told
    if chip.state is None and not readings and not nameless:
        linking.tell(
            (*at, "state"),
            "neither a reading nor a state",
            "not-read, read-failed, socket-empty or on-loan",
            caution=True,
        )
    if chip.unconfirmed:
        linking.tell(
            (*at, "unconfirmed"),
            ", ".join(chip.unconfirmed),
            "each guess confirmed on the chip, and the list emptied",
        )
    if chip.board_wiring and organisation:
        check_lines(linking, (*at, "board_wiring"), chip.board_wiring, organisation)
    if chip.view and organisation and chip.view.scan != "columns" and chip.view.columns > organisation.bits:
        linking.tell(
            (*at, "view", "columns"), str(chip.view.columns), f"at most the chip's {organisation.bits} bits"
        )
    board = linking.sheet.boards.get(chip.board or "")
    processor = board.processor if board else None
    return PlannedChip(chip, organisation, part, erased, readings, where, processor)


def _readings(linking: Linking) -> dict[str, list[PlannedReading]]:
    """Readings by chip: first those of the table, then the files whose names say whose they are."""
    out: dict[str, list[PlannedReading]] = defaultdict(list)
    quiet = linking.untyped
    taken: dict[str, list[tuple[Take | None, str]]] = defaultdict(list)
    ids: set[str] = set()
    # Readings name their chips and readers by the sheet's own texts, not by one more text each.
    chip_ids = {chip.chip: chip.chip for chip in linking.sheet.chips}
    readers = {name: name for name in linking.sheet.readers}
    for index, row in enumerate(linking.sheet.readings):
        planned = _row(linking, index, row, chip_ids, ids, taken)
        if planned:
            out[planned.chip].append(planned)
    loose: list[str] = []
    linking.problems += [
        Problem(
            path, "", found.refused, "a plain file inside the project folder, under a name that can be kept"
        )
        for path, found in linking.files.items()
        if found.refused and path.split("/", 1)[0] in ("photos", "docs")
    ]
    for path, found in linking.files.items():
        if not path.startswith("dumps/") or path in taken:
            continue
        if found.refused:
            linking.problems.append(
                Problem(path, "", found.refused, "a plain file inside the project folder")
            )
            continue
        named = split_name(path.removeprefix("dumps/"), chip_ids, linking.sheet.readers)
        if named is None:
            if not any(path.startswith(f"dumps/{chip}.") for chip in quiet):
                loose.append(path)
            continue
        chip, reader, number = chip_ids[named[0]], readers[named[1]], named[2]
        reading = f"{chip}.{reader}.{number}"
        if reading in ids:
            linking.problems.append(
                Problem(
                    path,
                    "",
                    f"a second file for reading {reading}",
                    "a number of its own, or a row in `readings`",
                )
            )
            continue
        ids.add(reading)
        out[chip].append(PlannedReading(reading, chip, reader, (path,), NOTHING_SAID, path))
    if not linking.without_chips:
        linking.problems += [
            loose_file(path, chip_ids, linking.sheet.readers, linking.meant) for path in loose
        ]
    for own in out.values():
        _in_the_sheets_order(own, tuple(linking.sheet.readers))
    return out


def _in_the_sheets_order(own: list[PlannedReading], readers: Sequence[str]) -> None:
    """A chip's readings as the sheet lists them, each reader's by their numbers.

    The first listed reading gives the image its order, and the value of a contested bit, where nothing else
    does: readers come as their first rows do, then those without a row as the sheet names them.
    """
    places = {name: len(own) + place for place, name in enumerate(readers)}
    for place, reading in reversed(list(enumerate(own))):
        if reading.row is not NOTHING_SAID:
            places[reading.reader] = place
    own.sort(key=lambda reading: (places[reading.reader], by_numbers(reading.reading)))


def split_name(name: str, chips: Collection[str], readers: Collection[str]) -> tuple[str, str, int] | None:
    """CHIP.READER.N.ext by the chips and readers that exist; None where it cannot be split in one way.

    Example:
        >>> split_name("U1.prog.2.bin", {"U1": 1}, {"prog": 1})
        ('U1', 'prog', 2)
        >>> split_name("U1 (2).bin", {"U1": 1}, {"prog": 1}) is None
        True
    """
    pieces = name.rsplit("/", 1)[-1].split(".")
    found = []
    for end in (len(pieces) - 1, len(pieces)):
        if end < 3 or not (pieces[end - 1].isascii() and pieces[end - 1].isdigit()):
            continue
        for cut in range(1, end - 1):
            chip, reader = ".".join(pieces[:cut]), ".".join(pieces[cut : end - 1])
            if chip in chips and reader in readers:
                found.append((chip, reader, int(pieces[end - 1])))
    return found[0] if len(found) == 1 else None


def _file(linking: Linking, at: Sequence[Any], text: str) -> str | None:
    """The project path of a file that the sheet names, in dumps/ or from the folder itself."""
    name = text.replace("\\", "/")
    pieces = name.split("/")
    if name.startswith(("/", "~")) or ".." in pieces or re.match(r"^[A-Za-z]:", name):
        linking.tell(at, shown(text), "a path inside the project folder")
        return None
    name = "/".join(piece for piece in pieces if piece not in ("", "."))
    for candidate in (f"dumps/{name}", name):
        found = linking.files.get(candidate)
        if found is not None:
            if found.refused:
                linking.tell(at, f"{candidate}: {found.refused}", "a plain file inside the project folder")
                return None
            return candidate
    near = linking.meant(name, (path.removeprefix("dumps/") for path in linking.files))
    linking.tell(at, f"{shown(text)}, which is not there", "a file in dumps/", near)
    return None


def _row(
    linking: Linking,
    index: int,
    row: ReadingRow,
    chips: Mapping[str, str],
    ids: set[str],
    taken: dict[str, list[tuple[Take | None, str]]],
) -> PlannedReading | None:
    """One row of `readings`, tied to its chip, reader and files; None where a mistake leaves nothing to read.

    Each mistake is told once: a chip that could not be typed is no second mistake where a reading names it.
    """
    at = ("readings", index)
    sheet = linking.sheet
    if (row.file is None) == (not row.files):
        linking.tell(
            at,
            "a reading that names no file" if row.file is None else "both file and files",
            "file, or files",
        )
        return None
    named = [row.file] if row.file is not None else list(row.files)
    key = "file" if row.file is not None else "files"
    paths = [
        _file(linking, (*at, key) if key == "file" else (*at, key, n), name) for n, name in enumerate(named)
    ]
    by_name = split_name(named[0].rsplit("/", 1)[-1], chips, sheet.readers)
    chip = row.chip or (by_name[0] if by_name else None)
    reader = row.reader or (by_name[1] if by_name else None)
    good = True
    if chip in linking.untyped:
        return None
    for name, value, known in (("chip", chip, chips), ("reader", reader, sheet.readers)):
        if value is None or value not in known:
            linking.unknown((*at, name), name, value, known)
            good = False
    if row.read_as is not None and linking.catalogue.get(row.read_as) is None:
        linking.tell(
            (*at, "read_as"),
            shown(row.read_as),
            "a part of the catalogue (use device_setting for the device's own words)",
            " or ".join(linking.catalogue.near(row.read_as)[:MOST_NUMBERS]) if linking.may_suggest() else "",
        )
        good = False
    if not good or any(path is None for path in paths):
        return None
    assert chip is not None
    assert reader is not None
    where = linking.place(at)
    for path in paths:
        assert path is not None
        for other, there in taken[path]:
            if not _apart(other, row.take):
                linking.tell(
                    at,
                    f"the same part of {path} as the reading at {there}",
                    "each part of a file once (`take`)",
                )
        taken[path].append((row.take, where))
    number = by_name[2] if by_name and by_name[:2] == (chip, reader) else None
    reading = f"{chip}.{reader}.{number}"
    if number is None or reading in ids:
        number = next(n for n in range(1, 10_000_000) if f"{chip}.{reader}.{n}" not in ids)
        reading = f"{chip}.{reader}.{number}"
    ids.add(reading)
    return PlannedReading(reading, chip, reader, tuple(path for path in paths if path), row, where)


def _apart(one: Take | None, two: Take | None) -> bool:
    """Two takes of one file cannot share a bit: ranges apart, other bytes of n, or other bits."""
    if one is None or two is None:
        return False
    a, b = one.span, two.span
    if a and b and (a[1] <= b[0] or b[1] <= a[0]):
        return True
    if one.every and one.every == two.every:
        base_one, base_two = (a[0] if a else 0), (b[0] if b else 0)
        if (base_one + (one.first or 0)) % one.every != (base_two + (two.first or 0)) % two.every:
            return True
    c, d = one.bit_field, two.bit_field
    return bool(c and d and (c[1] > d[0] or d[1] > c[0]))


def _space(
    linking: Linking, index: int, space: Space, organisations: Mapping[str, Organisation | None]
) -> None:
    """Whether a space can be: known chips, lanes that add up to its width, nothing placed twice."""
    at = ("spaces", index)
    unit_words = 1 if space.unit == "word" else None
    if space.fill is not None and space.fill >> space.width:
        linking.tell((*at, "fill"), hex(space.fill), f"a word of {space.width} bits")
    if space.unit == "byte" and space.width % 8:
        linking.tell(
            (*at, "unit"), "'byte'", f"word: a width of {space.width} bits is not a whole number of bytes"
        )
        return
    occupied: list[tuple[str | None, int, int, int]] = []
    for n, placement in enumerate(space.placements):
        here = (*at, "placements", n)
        width, lengths = 0, {}
        for m, (chip, bits) in enumerate(placement.parsed_lanes):
            if chip in linking.untyped:
                continue
            if chip not in organisations:
                linking.unknown((*here, "lanes", m), "chip", chip, organisations)
                continue
            organisation = organisations[chip]
            if organisation is None:
                linking.tell(
                    (*here, "lanes", m),
                    f"{chip}, whose organisation is not known",
                    "a chip with an organisation",
                )
                continue
            high, low = bits or (organisation.bits - 1, 0)
            if not organisation.bits > high >= low:
                linking.tell((*here, "lanes", m), f"bits {high}:{low}", f"bits of a {organisation} chip")
                continue
            width += high - low + 1
            lengths[chip] = organisation.words
        if len(lengths) != len({chip for chip, _ in placement.parsed_lanes}):
            continue
        if width != space.width:
            linking.tell(
                (*here, "lanes"), f"lanes of {width} bits together", f"the space's width of {space.width}"
            )
        if len(set(lengths.values())) > 1 and placement.span is None:
            linking.tell(
                (*here, "lanes"),
                "chips of differing length side by side",
                "chips of one length, or chip_range",
            )
        words = min(lengths.values())
        if placement.span:
            if placement.span[1] > words:
                linking.tell(
                    (*here, "chip_range"), placement.chip_range or "", f"addresses up to 0x{words:X}"
                )
            words = placement.span[1] - placement.span[0]
        step = unit_words or space.width // 8
        if placement.at % step:
            linking.tell(
                (*here, "at"), hex(placement.at), f"a multiple of {step}, since the space counts bytes"
            )
        first = placement.at // step
        for bank, low_at, high_at, other in occupied:
            if bank == placement.bank and first < high_at and low_at < first + words:
                linking.tell(
                    (*here, "at"),
                    f"0x{placement.at:X}, inside placement {other + 1}",
                    "placements that do not overlap",
                )
        occupied.append((placement.bank, first, first + words, n))
