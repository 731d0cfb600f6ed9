"""The catalogue as it lies packed beside the program.

The parts, and what is known of numbers that are none.
"""

from __future__ import annotations

from schemas.base import HumanInput
from schemas.part import Part


class Equivalence(HumanInput):
    """Numbers that a source says read alike.

    Attributes:
        numbers: As the source has them, without makers' letters.
        source: That source, in plain words.
    """

    numbers: tuple[str, ...]
    source: str


class Marking(HumanInput):
    """Numbers on chips that read as an entry does.

    Attributes:
        resolves_to: The entry's number.
        numbers: Each of them; from memory where no equivalence holds both.
    """

    resolves_to: str
    numbers: tuple[str, ...]


class Unresolved(HumanInput):
    """A number that must not be taken for an entry.

    Attributes:
        number: As marked.
        could_be: Entries that it is confused with, or that some makers mean by it.
        why: What keeps it from being one of them.
    """

    number: str
    could_be: tuple[str, ...] = ()
    why: str


class PackedCatalogue(HumanInput):
    """The packed catalogue: every part in the order of `parts.yaml`.

    Attributes:
        parts: The entries.
        equivalences: Who says that which numbers read alike.
        markings: Further numbers that resolve to an entry.
        unresolved: Numbers that resolve to nothing, and why.
        common: Replacement parts that are still easily had, the first choice first.
    """

    parts: tuple[Part, ...]
    equivalences: tuple[Equivalence, ...] = ()
    markings: tuple[Marking, ...] = ()
    unresolved: tuple[Unresolved, ...] = ()
    common: tuple[str, ...] = ()
