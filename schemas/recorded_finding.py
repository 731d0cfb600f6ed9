"""A finding as a bag keeps it and `--json` prints it."""

from __future__ import annotations

from typing import Annotated, NotRequired

from pydantic import Field
from typing_extensions import TypedDict

from schemas.base import stored
from schemas.vocabulary import Code, Details, Severity


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
