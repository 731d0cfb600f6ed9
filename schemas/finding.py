"""A finding: something noticed about a chip, as numbers, as a sentence, and as the next step at the bench.

A finding is data and is never raised: the batch goes on. It is a plain value: nobody outside the program
hands one in, and a look at a loose dump must not wait for the library that validates what others wrote.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING, Any, cast

from schemas.vocabulary import Code, Details, Severity

if TYPE_CHECKING:
    from schemas.recorded_finding import FindingRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing noticed about one chip, in flight; `FindingRecord` says what each field means.

    Its fields are those of the record, which a test holds.
    """

    code: Code
    severity: Severity
    chip: str
    where: Details = field(default_factory=dict)
    evidence: Details = field(default_factory=dict)
    means: str
    also: str
    next: str

    def to_record(self) -> FindingRecord:
        """The finding as plain JSON data."""
        return cast("FindingRecord", {name: _plain(getattr(self, name)) for name in self.__slots__})


def _plain(value: Any) -> Any:
    """JSON's own types alone: names for members of an enumeration, lists for tuples, texts as keys."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    return value


def families_said(finding: FindingRecord) -> list[str]:
    """Families of processor that a record's `runs-on` names; none where another writer left them out."""
    said = finding.get("evidence", {}).get("families")
    if finding["code"] != Code.RUNS_ON or not isinstance(said, list):
        return []
    return [str(family) for family in said]


__all__ = ["Code", "Details", "Finding", "Severity", "families_said"]
