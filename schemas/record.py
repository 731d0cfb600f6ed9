"""The record: everything that packaging found out, kept in the bag as `metadata/record.json`.

It is written chip by chip, so that ten thousand chips need no more memory than one; `chips` therefore comes
last. A record of a later version of the program stays readable: unknown fields are kept.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Any, ClassVar, Literal

from pydantic import Field

from schemas.base import StoredDocument, withheld
from schemas.finding import Finding

RECORD_SCHEMA = "wellread/record/1"


class Grade(StrEnum):
    """How far the evidence for a chip's image goes; the first that applies, in this order."""

    MISSING = "missing"
    FAULTY = "faulty"
    CONTESTED = "contested"
    SELF_CHECKED = "self-checked"
    CORROBORATED = "corroborated"
    REPEATABLE = "repeatable"
    SINGLE = "single"


class Bears(StoredDocument):
    """How many passes, sittings, readers and embedded checks bear the image."""

    passes: int
    sittings: int
    readers: int
    checks: int


class StoredFile(StoredDocument):
    """A file in the bag and what it was called where it came from."""

    path: str | None = Field(
        default=None,
        description="Inside the bag, separated by /; in a public bundle absent where the file stays behind",
    )
    original_name: str | None = Field(
        default=None, description="Inside the project folder, separated by /; absent where it stays behind"
    )
    size_bytes: int
    sha256: str
    sha512: str
    withheld: str | None = Field(default=None, description="In a public bundle: why the file stays behind")


class SumRecord(StoredDocument):
    """A short sum of an image in one form: beside a digest, never instead of it."""

    method: Literal["crc32", "sum16"]
    form: Literal["as-stored", "big-endian", "little-endian", "upper-bits-0", "upper-bits-1"]
    value: str = Field(description="Upper-case hexadecimal: 8 digits for crc32, 4 for sum16")


class ImageRecord(StoredDocument):
    """The image of one chip: one word after the other, words wider than 8 bits big-endian."""

    path: str | None = Field(
        default=None, description="In a public bundle absent where the image stays behind"
    )
    settled: bool = Field(
        description="False: the file lies under images-unsettled, apart from the sound ones"
    )
    mask_path: str | None = Field(default=None, description="Same shape; a 1 bit has no settlement")
    size_bytes: int
    sha256: str
    sha512: str
    sums: tuple[SumRecord, ...]
    withheld: str | None = Field(default=None, description="In a public bundle: why the image stays behind")


class StepRecord(StoredDocument):
    """One thing done to the bytes; replaying all of them on the file gives the pass's words."""

    action: str
    settings: dict[str, Any] = Field(default_factory=dict)
    why: str = ""


class PassRecord(StoredDocument):
    """One complete run over the chip's addresses."""

    number: int
    sitting: str
    file: int = Field(description="Index into the reading's files")
    words_sha256: str = Field(description="Of the pass's words as an image file would hold them")
    absent_words: int = Field(default=0, description="Words the dump did not have; 0 stands in their place")
    steps: tuple[StepRecord, ...]


class ForgivenRecord(StoredDocument):
    """Something about a dump's form that its decoder let pass."""

    what: str
    place: str = Field(description="Of the first one")
    count: int


class DumpRecord(StoredFile):
    """A dump file as it was found, with what its decoder made of it."""

    format: str | None = None
    forgiven: tuple[ForgivenRecord, ...] = ()
    notes: tuple[str, ...] = ()


class ReadingRecord(StoredDocument):
    """One read-out of the chip: how it was read, from which files, which passes it gave."""

    reading: str
    reader: str
    files: tuple[DumpRecord, ...]
    passes: tuple[PassRecord, ...] = ()
    set_aside: str | None = None
    how: dict[str, Any] = Field(
        default_factory=dict, description="What the sheet says: setting, supply, date …"
    )
    public: bool = False
    private: bool = False
    operator: str | None = Field(default=None, json_schema_extra=withheld())
    notes: str | None = Field(default=None, json_schema_extra=withheld())


class ContestedBit(StoredDocument):
    """One bit without settlement: who says what."""

    address: int
    line: str
    votes: dict[str, Literal[0, 1] | None] = Field(
        description="Reader → its value; null where its passes disagree"
    )
    ones: int = Field(description="Passes that read 1")
    zeros: int
    image: Literal[0, 1] = Field(description="The value the image carries; it settles nothing")
    why: str


class Contested(StoredDocument):
    """All bits without settlement; the mask file has every one, this list at most the first thousand."""

    bits: int
    words: int
    listed: tuple[ContestedBit, ...] = ()


class OddsRecord(StoredDocument):
    """Chances of one bit, and what they come to for all bits of the image."""

    model: str
    wrong: float
    right: float
    contested: float
    wrong_where_settled: float
    bits: int
    expected_wrong_bits: float


class RegionRecord(StoredDocument):
    """A range of words of one kind, with the numbers of its kind."""

    kind: str
    start: int
    end: int = Field(description="The first word after it")
    shared_with: tuple[str, ...] = Field(default=(), description="Chips that hold the same there")
    checked_by: tuple[str, ...] = Field(default=(), description="Embedded checks that cover it")


class ChipRecord(StoredDocument):
    """Everything known about one chip."""

    chip: str
    board: str | None = None
    socket: str | None = None
    part: str | None = Field(default=None, description="As the sheet names it")
    catalogued: str | None = Field(default=None, description="The catalogue entry that was used")
    organisation: str | None = None
    marking: str | None = None
    label: str | None = None
    date_code: str | None = None
    revision: str | None = None
    role: str | None = None
    state: str | None = None
    attempts: tuple[dict[str, Any], ...] = ()
    board_wiring: dict[str, Any] | None = None
    view: dict[str, Any] | None = None
    private: bool = False
    notes: str | None = Field(default=None, json_schema_extra=withheld())
    grade: Grade
    reasons: tuple[str, ...]
    bears: Bears
    image: ImageRecord | None = None
    readings: tuple[ReadingRecord, ...] = ()
    contested: Contested | None = None
    odds: OddsRecord | None = Field(
        default=None,
        description="Chance that a settled bit is wrong, under a stated model and the readers' error bounds",
    )
    findings: tuple[Finding, ...] = ()
    regions: tuple[RegionRecord, ...] = ()
    vectors: tuple[dict[str, Any], ...] = Field(default=(), description="Evidence for order, never proof")
    withheld: str | None = Field(default=None, description="In a public bundle: why its content stays behind")
    withheld_readings: int = Field(default=0, description="In a public bundle: readings marked private")


class LineRecord(StoredDocument):
    """A line, and how many words of the compared chips a fault of it would have changed."""

    line: str
    witnesses: int


class CoverageRecord(StoredDocument):
    """Which lines the compared chips exercise."""

    address: tuple[LineRecord, ...]
    data: tuple[LineRecord, ...]
    not_told_apart: tuple[str, ...]


class StandingRecord(StoredDocument):
    """What comparing has shown of one reader, or of two together."""

    readers: tuple[str, ...]
    chips: tuple[str, ...]
    agreed_chips: tuple[str, ...]
    bits_compared: int
    disagreements: int
    upper_bound: float = Field(description="Of the bit error rate; exact and one-sided")
    confidence: float
    coverage: CoverageRecord


class QualificationRecord(StoredDocument):
    """The readers, each alone and each two together, by the chips that they share with others."""

    readers: tuple[StandingRecord, ...] = ()
    pairs: tuple[StandingRecord, ...] = ()


class SpaceRecord(StoredDocument):
    """An address space as the machine sees it."""

    name: str
    width: int
    byte_order: str
    unit: str
    path: str | None = Field(
        default=None, description="None where it could not be written; `reasons` says why"
    )
    size_bytes: int | None = None
    sha256: str | None = None
    sha512: str | None = None
    words: int = 0
    incomplete: bool = False
    unsettled: bool = Field(default=False, description="A chip in it is faulty or contested")
    holes: tuple[tuple[int, int], ...] = Field(
        default=(), description="Half-open word ranges that no chip fills"
    )
    placements: tuple[dict[str, Any], ...] = ()
    checks: tuple[dict[str, Any], ...] = ()
    reasons: tuple[str, ...] = ()
    withheld: str | None = Field(default=None, description="In a public bundle: why it stays behind")


class Superseded(StoredDocument):
    """The version that this bag replaces, and why."""

    bag: str
    receipt: str
    external_identifier: str | None = None
    why: tuple[str, ...]


class Released(StoredDocument):
    """In the record of a public bundle: the bag that it was made from."""

    bag: str
    external_identifier: str
    receipt: str = Field(description="Digest over the bag's tag manifests: stands for every byte of it")
    when: str = Field(description="SOURCE_DATE_EPOCH, else the bag's own date: a bundle has no clock")
    clock_fixed: bool
    software: dict[str, str]
    content: bool = Field(description="False: metadata and digests only")


class Record(StoredDocument):
    """The whole record of a bag."""

    schema_name: ClassVar[str] = RECORD_SCHEMA

    document: Literal["wellread/record/1"] = Field(alias="schema", default="wellread/record/1")
    software: dict[str, str]
    created: str = Field(description="ISO 8601, UTC")
    clock_fixed: bool = Field(description="True: the time is SOURCE_DATE_EPOCH's, not the clock's")
    bag: str
    version: int
    external_identifier: str
    supersedes: Superseded | None = None
    machine: dict[str, Any]
    custodian: dict[str, Any] | None = None
    rights: dict[str, Any] | None = None
    release: dict[str, Any] | None = None
    readers: dict[str, dict[str, Any]]
    boards: dict[str, dict[str, Any]]
    parts: dict[str, dict[str, Any]] = Field(
        default_factory=dict, description="Catalogue entries that were used"
    )
    sheet: tuple[StoredFile, ...]
    attachments: tuple[StoredFile, ...] = ()
    cautions: tuple[str, ...] = ()
    spaces: tuple[SpaceRecord, ...] = ()
    suggestions: tuple[dict[str, Any], ...] = Field(
        default=(), description="Spaces that could be added to the sheet"
    )
    qualification: QualificationRecord = Field(default_factory=QualificationRecord)
    grades: dict[str, int]
    released_from: Released | None = Field(default=None, description="Only in a public bundle")
    inputs_sha256: str = Field(description="Over everything that went in: equal inputs make no new version")
    chips: tuple[ChipRecord, ...]
