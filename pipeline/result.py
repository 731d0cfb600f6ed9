"""What a command found: one kind for all commands, which the command line prints and ends with in one place.

Pure, and loads nothing: the plain recheck ends here too.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Generic, NamedTuple, TypeVar

if TYPE_CHECKING:
    from pipeline.errors import WellreadError

Document_co = TypeVar("Document_co", bound=Mapping[str, object], covariant=True)
"""What a command prints with `--json`: a type of `schemas.answers`."""


class Result(NamedTuple, Generic[Document_co]):
    """What a command found, for a program and for a person.

    Attributes:
        document: What `--json` prints, and what the exit code follows from.
        text: The same in words; "" says nothing.
        brief: What is printed with `--quiet` all the same, such as the path of what was written.
        refusal: Why the command refuses all the same: raised after the answer was printed.
    """

    document: Document_co
    text: str
    brief: str = ""
    refusal: WellreadError | None = None
