"""What to heed at the bench, beside whatever sends a person there.

Once for every chip, and by part where it differs.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from pydantic import ValidationError

from pipeline.catalogue.cautions import AROUND_THE_CHIP, DEFERENCE, cautions
from schemas.part import Part


class Heeding(NamedTuple):
    """The cautions of one set.

    Attributes:
        deference: That data sheet and local rules come first.
        always: Sentences for every chip and the machine around it.
        by_part: (catalogue names, the sentences that these parts add, the dangerous first).
        dangers: Catalogue name to those whose neglect costs the chip.
    """

    deference: str
    always: tuple[str, ...]
    by_part: tuple[tuple[str, tuple[str, ...]], ...]
    dangers: Mapping[str, tuple[str, ...]]


def heeding_of(parts: Mapping[str, object]) -> Heeding:
    """The cautions for a set that holds these parts.

    Args:
        parts: Catalogue name to entry, as the record carries them; an entry that the schema of this version
            does not take adds nothing of its own.
    """
    general = [one.text for one in cautions(None)]
    adding: dict[tuple[str, ...], list[str]] = {}
    dangers: dict[str, tuple[str, ...]] = {}
    for name, entry in parts.items():
        try:
            found = cautions(Part.model_validate(entry))
        except ValidationError:
            continue
        own = [one for one in found if one.text not in general]
        if own:
            adding.setdefault(tuple(one.text for one in own), []).append(name)
        if any(one.dangerous for one in own):
            dangers[name] = tuple(one.text for one in own if one.dangerous)
    around = [one.text for one in AROUND_THE_CHIP]
    by_part = tuple((", ".join(names), texts) for texts, names in adding.items())
    return Heeding(DEFERENCE, (*general, *around), by_part, dangers)
