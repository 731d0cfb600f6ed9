"""A finding: something noticed about a chip, as numbers, as a sentence, and as the next step at the bench.

A finding is data and is never raised: the batch goes on. The codes are a public contract.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any, NotRequired, TypeAlias, cast

from pydantic import BaseModel, ConfigDict, Field
from typing_extensions import TypedDict

from schemas.base import stored

Details: TypeAlias = dict[str, Any]
"""Numbers and places of one kind of finding: each code has keys of its own, which schemas/README.md lists."""


class Severity(StrEnum):
    """How much a finding matters for trusting the bytes."""

    FAULT = "fault"
    """The image is not what the chip holds, beyond reasonable doubt."""
    CAUTION = "caution"
    """It may not be; something else would look the same."""
    NOTE = "note"
    """Worth knowing; nothing to repair."""


class Code(StrEnum):
    """Every kind of finding there is."""

    BLANK = "blank"
    CONSTANT = "constant"
    DATA_LINE_STUCK = "data-line-stuck"
    DATA_LINES_JOINED = "data-lines-joined"
    ADDRESS_LINE_DEAD = "address-line-dead"
    ADDRESS_LINES_JOINED = "address-lines-joined"
    FOLLOWS_ADDRESS = "follows-address"
    OVER_READ = "over-read"
    SHORT_READ = "short-read"
    LONG_READ = "long-read"
    ROTATED = "rotated"
    LATE_BY_ONE = "late-by-one"
    SKIPS_WORDS = "skips-words"
    REPEATS_WORDS = "repeats-words"
    SLIPPED = "slipped"
    SEVEN_BIT = "seven-bit"
    NEWLINE_DAMAGE = "newline-damage"
    TEXT_DAMAGE = "text-damage"
    UNSTABLE_BITS = "unstable-bits"
    INTERMITTENT_LINE = "intermittent-line"
    FADING = "fading"
    LINES_REORDERED = "lines-reordered"
    SAME_CONTENT = "same-content"
    INVERSE_CONTENT = "inverse-content"
    PART_OF = "part-of"
    INTERLEAVES_WITH = "interleaves-with"
    LANES_EXCHANGED = "lanes-exchanged"
    FILL = "fill"
    TEXT = "text"
    SELF_CHECK = "self-check"
    FRAMES_DIFFER = "frames-differ"
    WIRING_CARRIED = "wiring-carried"
    RUNS_ON = "runs-on"
    STANDS_AT = "stands-at"
    LINES_CROSSED = "lines-crossed"
    NEXT_ADDRESS = "next-address"
    TWIN_SAME = "twin-same"
    TWIN_DIFFERS = "twin-differs"


@stored(title="Finding")
class FindingRecord(TypedDict):
    """One thing noticed about one chip, as a bag keeps it and `--json` prints it."""

    code: Annotated[Code, Field(description="What kind")]
    severity: Annotated[Severity, Field(description="How much it matters")]
    chip: Annotated[str, Field(description="The chip's id, or the file's name where there is no sheet")]
    where: NotRequired[
        Annotated[
            Details,
            Field(
                description=(
                    "Lines (`D3`, `A0`, the least significant first), word addresses (half-open ranges), "
                    "readings; with a catalogued part `pins`: `[{line, pin, label, source, confidence}]`"
                )
            ),
        ]
    ]
    evidence: NotRequired[Annotated[Details, Field(description="What was seen, in numbers")]]
    means: Annotated[str, Field(description="What it most likely means")]
    also: Annotated[str, Field(description="What else would look the same")]
    next: Annotated[str, Field(description="What to do at the bench to tell them apart")]


def families_said(finding: FindingRecord) -> list[str]:
    """Families of processor that a record's `runs-on` names; none where another writer left them out."""
    said = finding.get("evidence", {}).get("families")
    if finding["code"] != Code.RUNS_ON or not isinstance(said, list):
        return []
    return [str(family) for family in said]


class Finding(BaseModel):
    """One thing noticed about one chip, in flight; `FindingRecord` says what each field means.

    Its fields are those of the record, which a test holds.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    code: Code
    severity: Severity
    chip: str
    where: Details = Field(default_factory=dict)
    evidence: Details = Field(default_factory=dict)
    means: str
    also: str
    next: str

    def to_record(self) -> FindingRecord:
        """The finding as plain JSON data."""
        return cast("FindingRecord", self.model_dump(mode="json"))
