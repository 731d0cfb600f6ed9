"""One chip of one bag as its twin sees it: whose it is, who read it with what, and what it is said to be."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple
from unicodedata import normalize

from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import ChipRecord, ReadingRecord, RecordHead
    from schemas.recorded_sheet import ReaderRecord

_CUSTODIAN = ("name", "organisation", "orcid", "ror")


class Device(NamedTuple):
    """A reader, as far as its sheet tells it from others.

    Attributes:
        id: Its key in its own sheet, in small letters.
        name: What it is called, in small letters, or "".
        serial: Its serial number, or "": a public bundle has none.
    """

    id: str
    name: str
    serial: str

    def is_another(self, other: Device) -> bool:
        """Whether two sheets speak of two devices: by what tells most of those things that both state."""
        if self.serial and other.serial:
            return self.serial != other.serial
        if self.name and other.name:
            return self.name != other.name
        return self.id != other.id


class Dump(NamedTuple):
    """A dump file that a reading came from.

    Attributes:
        sha256: Of the file.
        name: Its own name without folders, in small letters, or "" where it is not known.
        format: As it was decoded, or "".
    """

    sha256: str
    name: str
    format: str


class Specimen(NamedTuple):
    """One chip of one bag.

    Attributes:
        chip: Its id there.
        bag: The bag's name.
        identifier: The bag's external identifier, or "".
        receipt: The digest over the bag's tag manifests, or "".
        released: It comes from a public bundle.
        origins: Identifiers of the bags that it was made from or supersedes, its own among them.
        machine: The machine's id, in small letters.
        machine_serial: Its serial number, or "".
        custodians: Names, organisations and identifiers of who keeps it, in small letters.
        original: Whether the sheet states it to be an original; None where it does not say.
        organisation: Words and bits, or None.
        grade: Of its evidence.
        held_back: Its image is held back.
        absent: Half-open ranges of words that nobody has read.
        devices: What its readings that have a voice were made with.
        wirings: Names of the wirings of those readings, in small letters.
        dumps: The files that they came from.
        sha256: Of its image, or "".
        image_name: The name of its image's file, in small letters, or "".
        fades_to: The level that this kind of cell fades to, or None.
    """

    chip: str
    bag: str
    identifier: str
    receipt: str
    released: bool
    origins: frozenset[str]
    machine: str
    machine_serial: str
    custodians: frozenset[str]
    original: bool | None
    organisation: Organisation | None
    grade: str
    held_back: bool
    absent: tuple[tuple[int, int], ...]
    devices: tuple[Device, ...]
    wirings: frozenset[str]
    dumps: tuple[Dump, ...]
    sha256: str
    image_name: str
    fades_to: int | None


def specimen(head: RecordHead, chip: ChipRecord, receipt: str) -> Specimen:
    """A chip's record and its bag's head as a specimen.

    Args:
        head: The record without its chips.
        chip: The chip's record.
        receipt: Of the bag.
    """
    voices = [one for one in chip.get("readings", ()) if one.get("passes") and not one.get("set_aside")]
    image = chip.get("image")
    part = head.get("parts", {}).get(chip.get("catalogued") or "")
    said = chip.get("organisation")
    return Specimen(
        chip=chip["chip"],
        bag=head["bag"],
        identifier=head.get("external_identifier", ""),
        receipt=receipt,
        released=bool(head.get("released_from")),
        origins=frozenset(_origins(head)),
        machine=head["machine"]["id"].casefold(),
        machine_serial=_folded(head["machine"].get("serial")),
        custodians=_custodians(head),
        original=chip.get("original"),
        organisation=Organisation.parse(said) if said else None,
        grade=chip["grade"],
        held_back=bool(chip.get("held_back")),
        absent=tuple((start, end) for start, end in chip.get("absent", ())),
        devices=tuple(dict.fromkeys(_device(head, one) for one in voices)),
        wirings=frozenset(_folded(one.get("how", {}).get("wiring")) for one in voices) - {""},
        dumps=tuple(_dumps(voices)),
        sha256=image["sha256"] if image else "",
        image_name=_base(image.get("path")) if image else "",
        fades_to=part.get("fades_to") if part else None,
    )


def _folded(value: object) -> str:
    """A name by its letters and digits alone: no apostrophe, accent or blank makes one custodian two.

    Source: Unicode Standard Annex 15 for the compatibility form. Two names that differ in nothing else count
    as one, since a lift that is not made costs less than a wrong one.
    """
    return "".join(filter(str.isalnum, normalize("NFKD", str(value)))).casefold() if value else ""


def _base(path: str | None) -> str:
    return (path or "").rsplit("/", 1)[-1].casefold()


def _origins(head: RecordHead) -> Iterator[str]:
    yield head.get("external_identifier", "")
    for before in (head.get("supersedes"), head.get("released_from")):
        if before:
            yield str(before.get("external_identifier") or "")
            yield str(before.get("receipt") or "")


def _custodians(head: RecordHead) -> frozenset[str]:
    custodian = head.get("custodian") or {}
    return frozenset(_folded(custodian.get(key)) for key in _CUSTODIAN) - {""}


def _device(head: RecordHead, reading: ReadingRecord) -> Device:
    said: ReaderRecord = head["readers"].get(reading["reader"], {})
    return Device(reading["reader"].casefold(), _folded(said.get("name")), _folded(said.get("serial")))


def _dumps(readings: list[ReadingRecord]) -> Iterator[Dump]:
    for reading in readings:
        for one in reading["files"]:
            yield Dump(one["sha256"], _base(one.get("original_name")), one.get("format") or "")
