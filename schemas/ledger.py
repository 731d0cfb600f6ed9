"""One row of the ledger: what was found about one bag, when, by which version of this program.

Rows are kept for decades outside the bags they speak of, and each carries the digest of the one before it.
"""

from __future__ import annotations

from enum import StrEnum
from typing import ClassVar

from pydantic import Field

from schemas.base import StoredDocument


class RowKind(StrEnum):
    """What a row tells of."""

    OPENED = "opened"
    """The ledger was begun; its identity is a random number."""
    CHECK = "check"
    """A bag was checked."""
    MEND = "mend"
    """Files of a bag were replaced from copies."""
    ACCEPTED = "accepted"
    """A person said that a bag's new receipt is right, and why."""


class Outcome(StrEnum):
    """How a check ended."""

    VALID = "valid"
    INVALID = "invalid"
    MISSING = "missing"
    """The bag was known and is not where it was."""
    UNREADABLE = "unreadable"
    """The disk or the archive refused."""


class LedgerProblem(StoredDocument):
    """One difference that a check found.

    Attributes:
        path: Inside the bag.
        kind: `missing`, `altered`, `unexpected`, `undeclared`, `malformed`, `unsafe` or `incomplete`.
        severity: `warning` or `error`.
    """

    path: str
    kind: str
    severity: str


class LedgerRow(StoredDocument):
    """The body of a row; its number, the digest before it and its own digest stand beside it.

    Attributes:
        kind: What it tells of.
        when: ISO 8601, UTC.
        clock_fixed: SOURCE_DATE_EPOCH gave the time.
        tool: Program and version.
        ledger: The ledger's own identity (in the first row only).
        bag: Where the bag lies, absolute.
        given: The path by which it was asked for, where links or another spelling lead from there to `bag`.
        identifier: The bag's External-Identifier, where it has one.
        group: Its Bag-Group-Identifier: the machine, in bags of this program.
        receipt: Digest over its tag manifests.
        outcome: How the check ended.
        complete: Every required element is there.
        files: How many files were digested.
        size_bytes: How many bytes they hold.
        algorithms: Names of the digests that vouch for the payload.
        problems: The first hundred differences.
        problem_count: How many there were.
        note: For a person: moved from where, mended from what, accepted why.
        replaced: Paths that a mend replaced.
    """

    schema_name: ClassVar[str] = "ledger"

    kind: RowKind
    when: str
    clock_fixed: bool = False
    tool: str
    ledger: str = ""
    bag: str = ""
    given: str = ""
    identifier: str = ""
    group: str = ""
    receipt: str = ""
    outcome: Outcome | None = None
    complete: bool | None = None
    files: int = 0
    size_bytes: int = 0
    algorithms: list[str] = Field(default_factory=list)
    problems: list[LedgerProblem] = Field(default_factory=list)
    problem_count: int = 0
    note: str = ""
    replaced: list[str] = Field(default_factory=list)
