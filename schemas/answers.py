"""What each command prints with `--json`: one document, `{schema, command, …}`.

Programs call these; fields are added, never renamed.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from schemas.base import StoredDocument
from schemas.finding import Finding
from schemas.record import Contested, Grade


class Answer(StoredDocument):
    """What every answer has."""

    document: str = Field(alias="schema")
    command: str


class ToldCaution(StoredDocument):
    """One thing to heed before a hand goes near the chip."""

    key: str
    dangerous: bool = Field(description="Whether heeding it too late costs the chip, the reader or a person")
    text: str
    ground: str


class HeedingAnswer(Answer):
    """An answer that may lead a hand to the bench: with what to heed, the dangerous first."""

    cautions: tuple[ToldCaution, ...]
    deference: str


class ToldProblem(StoredDocument):
    """A problem or caution about the sheet."""

    where: str
    field: str
    found: str
    expected: str
    nearest: str
    text: str


class CheckAnswer(Answer):
    """`check`."""

    folder: str
    sound: bool
    chips: int
    grades: dict[str, int]
    needing: tuple[str, ...]
    problems: tuple[ToldProblem, ...]
    cautions: tuple[ToldProblem, ...]


class PackagedChip(StoredDocument):
    """One chip of a package."""

    chip: str
    grade: Grade
    findings: tuple[Finding, ...]


class PackageAnswer(Answer):
    """`package`."""

    bag: str
    record: str
    same_as: str | None
    supersedes: str | None
    chips: tuple[PackagedChip, ...]
    cautions: tuple[str, ...]
    needs_person: tuple[str, ...]


class ExamineAnswer(HeedingAnswer):
    """`examine`."""

    files: tuple[str, ...]
    part: str | None
    organisation: str
    passes: int
    image_sha256: str
    grade: Grade
    reasons: tuple[str, ...]
    bears: dict[str, int]
    contested: Contested | None
    findings: tuple[Finding, ...]
    regions: tuple[dict[str, Any], ...]
    vectors: tuple[dict[str, Any], ...]


class LineMapping(StoredDocument):
    """B[((P(a) xor ia) + rotate) mod N] = Q(A[a]) xor id."""

    address: tuple[int, ...]
    data: tuple[int, ...]
    invert_address: tuple[int, ...]
    invert_data: tuple[int, ...]
    rotate: int


class CompareAnswer(HeedingAnswer):
    """`compare`."""

    first: str
    second: str
    organisation: str
    relation: Literal["identical", "mapped", "slipped", "differs", "unrelated"]
    mapping: LineMapping | None
    differing_words: int
    differing_bits: int


class ConvertedBlock(StoredDocument):
    """One block of a converted file."""

    address: int
    length: int


class ConvertAnswer(Answer):
    """`convert`."""

    input: str
    output: str
    begins: int
    taken: int
    passes: int
    blocks: tuple[ConvertedBlock, ...]
    forgiven: tuple[dict[str, Any], ...]


class StartAnswer(Answer):
    """`start`."""

    sheet: str
    chips: int
    readings: int
    left_out: tuple[tuple[str, str], ...]


class Difference(StoredDocument):
    """One difference between a bag and what it says of itself."""

    path: str
    kind: Literal["missing", "altered", "unexpected", "undeclared", "malformed", "unsafe", "incomplete"]
    means: str
    severity: Literal["warning", "error"]


class RecheckedBag(StoredDocument):
    """One bag that was checked."""

    path: str
    outcome: Literal["valid", "invalid", "missing", "unreadable", "not due"]
    complete: bool
    valid: bool
    problems: tuple[Difference, ...]
    note: str
    receipt: str
    files: int
    size_bytes: int


class RecheckAnswer(Answer):
    """`recheck`."""

    bags: tuple[RecheckedBag, ...]
    ledger: str | None
    head: str
    cautions: tuple[str, ...]


class LedgerAnswer(Answer):
    """`ledger`."""

    ledger: str
    head: str
    whole: bool
    problems: tuple[str, ...]
    cautions: tuple[str, ...]
    rows: tuple[dict[str, Any], ...]
    written: tuple[str, ...]


class MendAnswer(Answer):
    """`mend`."""

    bag: str
    receipt: str
    replaced: tuple[dict[str, str], ...]
    set_aside: tuple[str, ...]
    damaged: str | None
    record: str
    head: str


class PartsAnswer(Answer):
    """`parts`."""

    parts: tuple[dict[str, Any], ...]


class WithheldThing(StoredDocument):
    """Something that a release leaves behind."""

    what: str
    why: str
    kind: str
    chip: str | None
    sha256: str | None


class ReleasedChip(StoredDocument):
    """One chip of a release: what goes out and what stays."""

    chip: str
    grade: Grade
    goes_out: tuple[str, ...]
    withheld: tuple[dict[str, str], ...]


class ReleaseAnswer(Answer):
    """`release`."""

    bag: str
    dry_run: bool
    bundle: str | None
    zip: str | None
    zip_sha256: str | None
    content: bool = Field(description="False: metadata, report and digests only")
    rights: str
    grades: dict[str, int]
    files: tuple[str, ...]
    chips: tuple[ReleasedChip, ...]
    withheld: tuple[WithheldThing, ...]
    replaced: dict[str, int] = Field(
        description="Where private values stood in public texts, and how many were replaced"
    )
    cautions: tuple[str, ...]


class BurnedFile(StoredDocument):
    """One programming file."""

    name: str
    bytes: int
    sum16: str = Field(description="Of the whole device, as a programmer shows it")
    crc32: str
    bits: tuple[int, int] | None = Field(default=None, description="Of the space's word, high and low")
    words: tuple[int, int] | None = Field(default=None, description="Half-open, of the space")


class BurnAnswer(HeedingAnswer):
    """`burn`: of a chip (`plan` says pins and ties) or of a space (several files)."""

    bag: str
    chip: str | None
    space: str | None
    grade: Grade | None
    image_sha256: str
    format: str
    output: str
    files: tuple[BurnedFile, ...]
    plan: dict[str, Any] | None


class ChangedChip(StoredDocument):
    """One pair of chips."""

    chip: str
    other: str | None = Field(description="Its id in the new one, where it is another")
    board: str | None
    socket: str | None
    kind: Literal["same", "content", "evidence", "only-old", "only-new", "not-compared"]
    judged: Literal[
        "fading", "perhaps-fading", "older-faded", "emptied", "one-way", "revision", "unsettled", ""
    ]
    differing_words: int
    up: int = Field(description="Settled bits that are 1 in the new one only")
    down: int = Field(description="Settled bits that are 1 in the old one only")
    contested_bits: int = Field(description="Differing bits that are contested in either")
    ranges: tuple[tuple[int, int], ...]
    means: str
    facts: tuple[str, ...]


class ChangesAnswer(Answer):
    """`changes`."""

    old: str
    new: str
    old_bag: str
    new_bag: str
    same_machine: bool
    counts: dict[str, int]
    chips: tuple[ChangedChip, ...]
    others: tuple[str, ...]


class ReopenAnswer(Answer):
    """`reopen`."""

    bag: str
    folder: str
    files: tuple[str, ...]
    chips: int


class BenchAnswer(Answer):
    """`bench`."""

    part: str
    organisation: str | None
    pins_printed: bool
    withheld: str | None
    stamp: str | None
    source: dict[str, str]
    confidence: str
    pins: tuple[dict[str, Any], ...]
    moves: tuple[dict[str, Any], ...]
    page: str | None = Field(description="The printable page that was written")


class CaptureAnswer(HeedingAnswer):
    """`capture`."""

    port: str
    chip: str
    reader: str
    file: str
    received: int = Field(description="Bytes of this run that are in the raw log")
    worst_stall_ms: float | None = Field(
        description=(
            "Longest time from one look at the line to the next that found bytes; null where it could "
            "not be had"
        )
    )
    driver_lost: int | None = Field(
        description="Bytes that the port's driver lost by its own count; null where it keeps none"
    )
    protocol: bool = Field(description="Whether the reader spoke the line protocol")
    damaged_lines: int = Field(description="Lines of the protocol that did not prove themselves")
    passes_asked: int
    passes_whole: int = Field(description="Passes of exactly the chip's words")
    told: tuple[str, ...] = Field(description="What the decoder forgave or left out")
    problems: tuple[str, ...] = Field(description="What keeps the reading from being what was asked for")
    row: dict[str, str]
    row_added: bool
    examined: dict[str, Any]


ANSWERS: dict[str, type[Answer]] = {
    "check": CheckAnswer,
    "package": PackageAnswer,
    "examine": ExamineAnswer,
    "compare": CompareAnswer,
    "convert": ConvertAnswer,
    "start": StartAnswer,
    "recheck": RecheckAnswer,
    "ledger": LedgerAnswer,
    "mend": MendAnswer,
    "parts": PartsAnswer,
    "release": ReleaseAnswer,
    "burn": BurnAnswer,
    "changes": ChangesAnswer,
    "reopen": ReopenAnswer,
    "bench": BenchAnswer,
    "capture": CaptureAnswer,
}
"""Command → its answer."""
