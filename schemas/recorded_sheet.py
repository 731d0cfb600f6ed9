"""What the sheet and the catalogue said, as the record repeats it.

Plain JSON data, what was not said left out.

The forms that a person fills in are `schemas.sheet` and `schemas.part`; a test holds that every field of
theirs is known here, so that none can be written which the record's schema does not know.
"""

from __future__ import annotations

from typing import Annotated, NotRequired

from pydantic import Field
from typing_extensions import TypedDict

from schemas.base import stored, withheld

Inventory = Annotated[str, Field(description="The holder's own inventory number")]
PrivateText = Annotated[str, Field(json_schema_extra=withheld())]


@stored()
class MachineRecord(TypedDict):
    """The machine as the sheet names it."""

    id: str
    name: str
    maker: NotRequired[str]
    model: NotRequired[str]
    serial: NotRequired[PrivateText]
    year: NotRequired[str]
    inventory: NotRequired[Inventory]
    accession: NotRequired[PrivateText]
    description: NotRequired[str]


@stored()
class CustodianRecord(TypedDict):
    """Who keeps the machine."""

    name: NotRequired[str]
    organisation: NotRequired[str]
    orcid: NotRequired[str]
    ror: NotRequired[str]
    website: NotRequired[str]
    contact: NotRequired[PrivateText]
    place: NotRequired[PrivateText]


@stored()
class RightsRecord(TypedDict):
    """What may be done with the content, as a label."""

    statement: str
    note: NotRequired[str]
    holder: NotRequired[str]
    jurisdiction: NotRequired[str]


@stored()
class ReleaseWordRecord(TypedDict):
    """On whose word content may go out."""

    allowed_by: str
    ground: str
    documents: NotRequired[list[str]]
    vouched_for: NotRequired[list[str]]


@stored()
class ReaderRecord(TypedDict):
    """Who or what read chips, and how its files are laid out."""

    kind: NotRequired[str]
    name: NotRequired[str]
    version: NotRequired[str]
    serial: NotRequired[PrivateText]
    operator: NotRequired[PrivateText]
    format: NotRequired[str]
    token: NotRequired[str]
    word_order: NotRequired[str]
    address: NotRequired[str]
    byte_order: NotRequired[str]
    polarity: NotRequired[str]
    bit_order: NotRequired[str]
    pulls: NotRequired[str]
    notes: NotRequired[PrivateText]


@stored()
class BoardRecord(TypedDict):
    """A board of the machine."""

    name: NotRequired[str]
    number: NotRequired[str]
    revision: NotRequired[str]
    serial: NotRequired[PrivateText]
    sockets: NotRequired[list[str]]
    notes: NotRequired[PrivateText]
    inventory: NotRequired[Inventory]
    accession: NotRequired[PrivateText]
    processor: NotRequired[Annotated[str, Field(description="The family of processor on it")]]


@stored()
class WiringRecord(TypedDict):
    """A board that crosses lines on purpose."""

    address: NotRequired[list[int]]
    data: NotRequired[list[int]]
    invert_address: NotRequired[list[int]]
    invert_data: NotRequired[list[int]]


@stored()
class ViewRecord(TypedDict):
    """How a chip of glyphs is drawn."""

    rows: int
    columns: int
    left: NotRequired[str]
    ink: NotRequired[str]
    glyphs_a_line: NotRequired[int]
    scan: NotRequired[str]
    start: NotRequired[int]


@stored()
class AttemptRecord(TypedDict):
    """An attempt to read that gave nothing."""

    reader: NotRequired[str]
    date: NotRequired[str]
    outcome: str


@stored()
class TakeRecord(TypedDict):
    """Which part of a file is the chip's."""

    range: NotRequired[str]
    every: NotRequired[int]
    first: NotRequired[int]
    bits: NotRequired[str]


@stored()
class PackedRecord(TypedDict):
    """Two narrow words a byte."""

    first: str


@stored()
class HowRecord(TypedDict):
    """How a reading was taken and how its file is to be read."""

    date: NotRequired[str]
    device_setting: NotRequired[str]
    read_as: NotRequired[str]
    selects: NotRequired[str]
    supply_v: NotRequired[float]
    clock: NotRequired[str]
    pulls: NotRequired[str]
    temperature_c: NotRequired[float]
    sitting: NotRequired[str]
    take: NotRequired[TakeRecord]
    packed: NotRequired[PackedRecord]
    byte_order: NotRequired[str]
    polarity: NotRequired[str]
    bit_order: NotRequired[str]
    format: NotRequired[str]
    token: NotRequired[str]
    word_order: NotRequired[str]
    address: NotRequired[str]
    gaps: NotRequired[bool]
    wiring: NotRequired[Annotated[str, Field(description="Name of the wires it was read with")]]
    lines: NotRequired[Annotated[WiringRecord, Field(description="A known crossing, undone")]]


@stored()
class PlacementRecord(TypedDict):
    """Chips that stand side by side in an address space."""

    at: int
    bank: NotRequired[str]
    lanes: list[str]
    chip_range: NotRequired[str]


@stored()
class SourceRecord(TypedDict):
    """Ground of a catalogue entry."""

    type: str
    citation: str


@stored()
class EnableRecord(TypedDict):
    """A pin that enables."""

    pin: int
    name: str
    active: str
    note: NotRequired[str]


@stored()
class ContradictionRecord(TypedDict):
    """What a source says against a catalogue entry."""

    group: str
    pins: NotRequired[list[int]]
    says: str
    slip: NotRequired[bool]


@stored()
class EvidenceRecord(TypedDict):
    """One source of a catalogue entry and the groups of facts that it bears out."""

    type: str
    citation: str
    hand: NotRequired[str]
    bears: NotRequired[list[str]]
    number: NotRequired[str]
    alike: NotRequired[str]
    against: NotRequired[list[ContradictionRecord]]


@stored()
class SupplyPinRecord(TypedDict):
    """A pin of a further supply."""

    pin: int
    name: str
    volts: float


@stored()
class OtherPinRecord(TypedDict):
    """A pin that must be held at a level while the chip is read."""

    pin: int
    name: str
    for_reading: NotRequired[str]
    note: NotRequired[str]


@stored()
class AccessTimeRecord(TypedDict):
    """Access time in nanoseconds."""

    typical: NotRequired[float | None]
    max: NotRequired[float | None]
    source: str


@stored()
class PartRecord(TypedDict):
    """A catalogue entry that was used."""

    part: str
    aliases: NotRequired[list[str]]
    kind: str
    words: NotRequired[int | None]
    bits: NotRequired[int | None]
    pages: NotRequired[int]
    fuses: NotRequired[int | None]
    pins: int
    supplies_v: NotRequired[list[float]]
    output: NotRequired[str | None]
    pinout: NotRequired[str]
    address_pins: NotRequired[list[int]]
    data_pins: NotRequired[list[int]]
    address_labels: NotRequired[list[str]]
    data_labels: NotRequired[list[str]]
    labels_source: NotRequired[str]
    vcc: NotRequired[list[int]]
    gnd: NotRequired[list[int]]
    enables: NotRequired[list[EnableRecord]]
    other_supply: NotRequired[list[SupplyPinRecord]]
    other_pins: NotRequired[list[OtherPinRecord]]
    nc: NotRequired[list[int]]
    erased_state: NotRequired[int | None]
    erased_confidence: NotRequired[str | None]
    erased_note: NotRequired[str]
    erased_by_marking: NotRequired[dict[str, int | None]]
    fades_to: NotRequired[int | None]
    fades_note: NotRequired[str]
    fuse: NotRequired[str]
    access_ns: NotRequired[AccessTimeRecord | None]
    equivalents: NotRequired[list[str]]
    arrangement: NotRequired[str]
    source: SourceRecord
    evidence: NotRequired[list[EvidenceRecord]]
    confidence: str
    resolves_to: NotRequired[str]
    not_vouched: NotRequired[list[str]]
    notes: NotRequired[str]
