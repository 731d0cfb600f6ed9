"""One row of the ledger: what was found about one bag, when, by which version of this program.

Rows are kept for decades outside the bags they speak of, and each carries the digest of the one before it.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, NotRequired

from pydantic import Field
from typing_extensions import TypedDict

from schemas.base import stored


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


@stored()
class LedgerProblem(TypedDict):
    """One difference that a check found."""

    path: Annotated[str, Field(description="Inside the bag")]
    kind: Annotated[
        str,
        Field(
            description=(
                "`missing`, `altered`, `unexpected`, `undeclared`, `malformed`, `unsafe` or `incomplete`"
            )
        ),
    ]
    severity: Annotated[str, Field(description="`warning` or `error`")]


@stored()
class LedgerRow(TypedDict):
    """The body of a row; its number, the digest before it and its own digest stand beside it."""

    kind: Annotated[RowKind, Field(description="What it tells of")]
    when: Annotated[str, Field(description="ISO 8601, UTC")]
    clock_fixed: NotRequired[Annotated[bool, Field(description="SOURCE_DATE_EPOCH gave the time")]]
    tool: Annotated[str, Field(description="Program and version")]
    ledger: NotRequired[
        Annotated[str, Field(description="The ledger's own identity (in the first row only)")]
    ]
    bag: NotRequired[Annotated[str, Field(description="Where the bag lies, absolute")]]
    given: NotRequired[
        Annotated[
            str,
            Field(description="The path asked for, where links or another spelling lead from there to `bag`"),
        ]
    ]
    identifier: NotRequired[Annotated[str, Field(description="The bag's External-Identifier")]]
    group: NotRequired[
        Annotated[str, Field(description="Its Bag-Group-Identifier: the machine, in bags of this program")]
    ]
    receipt: NotRequired[Annotated[str, Field(description="Digest over its tag manifests")]]
    outcome: NotRequired[Annotated[Outcome | None, Field(description="How the check ended")]]
    complete: NotRequired[Annotated[bool | None, Field(description="Every required element is there")]]
    files: NotRequired[Annotated[int, Field(description="How many files were digested")]]
    size_bytes: NotRequired[Annotated[int, Field(description="How many bytes they hold")]]
    algorithms: NotRequired[
        Annotated[list[str], Field(description="Names of the digests that vouch for the payload")]
    ]
    problems: NotRequired[Annotated[list[LedgerProblem], Field(description="The first hundred differences")]]
    problem_count: NotRequired[Annotated[int, Field(description="How many there were")]]
    note: NotRequired[
        Annotated[str, Field(description="For a person: moved from where, mended from what, accepted why")]
    ]
    replaced: NotRequired[Annotated[list[str], Field(description="Paths that a mend replaced")]]
