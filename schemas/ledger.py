"""One row of the ledger: what was found about one bag, when, by which version of this program.

Rows are kept for decades outside the bags they speak of, and each carries the digest of the one before it.
"""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, TypeAlias

from pydantic import Field
from typing_extensions import TypedDict

from schemas.base import stored

RowKind: TypeAlias = Literal["opened", "check", "mend", "accepted"]
"""What a row tells of: the ledger was begun; a bag was checked; files of a bag were replaced from copies; a
person said that a bag's new receipt is right, and why.
"""
Outcome: TypeAlias = Literal["valid", "invalid", "missing", "unreadable"]
"""How a check ended; `missing`: the bag was known and is not where it was; `unreadable`: the disk or the
archive refused.
"""


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
class RowFacts(TypedDict):
    """What a row tells."""

    kind: Annotated[RowKind, Field(description="What it tells of")]
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


@stored()
class RowStamp(TypedDict):
    """When a row was written, and by what."""

    when: Annotated[str, Field(description="ISO 8601, UTC")]
    clock_fixed: NotRequired[Annotated[bool, Field(description="SOURCE_DATE_EPOCH gave the time")]]
    tool: Annotated[str, Field(description="Program and version")]


@stored()
class LedgerRow(RowFacts, RowStamp):
    """The body of a row; its number, the digest before it and its own digest stand beside it."""
