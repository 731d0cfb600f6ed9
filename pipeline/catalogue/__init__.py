"""The catalogue of kinds of chips, found by the number as it is marked on the chip.

`parts.yaml` is what people read and correct; `parts.json` beside it holds the same, packed by
`python -m pipeline.catalogue.pack`, because it loads twenty times faster at every start of the program.
"""

from __future__ import annotations

import pkgutil
from collections.abc import Iterable
from functools import cache, cached_property
from typing import Any

from pipeline.catalogue.marking import compact, numbers_in, spelled
from pipeline.errors import PartError
from schemas.base import HumanInput
from schemas.part import Confidence, Kind, Part, Source


class PackedCatalogue(HumanInput):
    """The packed catalogue: every part in the order of `parts.yaml`."""

    parts: tuple[Part, ...]


class Catalogue:
    """Parts in order, and look-up by marking.

    Args:
        parts: Every part; where two carry the same number the first one counts.

    Example:
        >>> load().find("M27C256B-15F1").part
        '27256'
        >>> load().find("TMS2716JL").supplies_v
        (5.0, -5.0, 12.0)
    """

    def __init__(self, parts: Iterable[Part]) -> None:
        self.parts: tuple[Part, ...] = tuple(parts)

    @cached_property
    def _own(self) -> dict[str, Part]:
        """Every number that is an entry of its own, compact, with its military twin."""
        numbers: dict[str, Part] = {}
        for part in self.parts:
            for number in (part.part, *part.aliases):
                key = compact(number)
                numbers.setdefault(key, part)
                if key.startswith("74"):
                    numbers.setdefault("54" + key[2:], part)
        return numbers

    @cached_property
    def _numbers(self) -> dict[str, Part]:
        """Every number that resolves: entries, then numbers known only as read-compatible with an entry."""
        numbers = dict(self._own)
        for part in self.parts:
            for number in part.equivalents:
                if compact(number) not in self._own:
                    numbers.setdefault(compact(number), part)
        return numbers

    def get(self, marking: str) -> Part | None:
        """The part that this marking means, or None where none or several fit.

        Args:
            marking: As printed on the chip, or as a sheet writes it.
        """
        found = numbers_in(marking, self._numbers)
        parts = {self._numbers[number].part: number for number in found}
        if len(parts) != 1:
            return None
        number = next(iter(parts.values()))
        return self._own.get(number) or _reads_like(self._numbers[number], number)

    def find(self, marking: str) -> Part:
        """The part that this marking means.

        Raises:
            PartError: No part, or more than one, can be meant; the remedy names what is near.
        """
        part = self.get(marking)
        if part is not None:
            return part
        several = numbers_in(marking, self._numbers)
        near = several or self.near(marking)
        raise PartError(
            where=f"part {marking!r}",
            problem=f"could be {' or '.join(several)}" if several else "is not in the catalogue",
            remedy=(f"Did you mean {', '.join(near)}? If not, " if near else "")
            + "define the part in the sheet from its data sheet, or give only the organisation",
        )

    def near(self, marking: str) -> tuple[str, ...]:
        """Up to five catalogue numbers that look like this marking, the nearest first."""
        from difflib import get_close_matches

        text = compact(marking)
        inside = sorted((n for n in self._numbers if n in text and len(n) > 3), key=lambda n: (-len(n), n))
        tails = [text[at:] for at in range(min(4, max(1, len(text) - 3)))]
        close = [n for tail in tails for n in get_close_matches(tail, self._numbers, n=3, cutoff=0.75)]
        return tuple(self._printed(n) for n in dict.fromkeys([*inside, *close]))[:5]

    def _printed(self, number: str) -> str:
        part = self._numbers[number]
        for name in (part.part, *part.aliases, *part.equivalents):
            if compact(name) == number:
                return name
        return number

    def erased_state(self, part: Part, marking: str) -> int | None:
        """What an unprogrammed cell of this very chip reads, or None where that is not known.

        Makers of read-compatible chips differ, so a marking that names another number than the part's own
        takes nothing from the part.

        Args:
            part: What the sheet says the chip is.
            marking: What is printed on it; "" where nothing legible is.
        """
        text = compact(marking)
        if text:
            for start, level in part.erased_by_marking.items():
                if compact(start) in text:
                    return level
            marked = self.get(marking)
            if marked is not None and marked.part != part.part:
                return self.erased_state(marked, marking)
        return part.erased_state

    def with_parts(self, own: Iterable[Part]) -> Catalogue:
        """This catalogue with a project's own parts before it; an own part hides a catalogued one of its number."""
        own = tuple(own)
        return Catalogue((*own, *self.parts)) if own else self

    def filter(
        self,
        *,
        words: int | None = None,
        bits: int | None = None,
        pins: int | None = None,
        kind: str | None = None,
    ) -> tuple[Part, ...]:
        """The parts of this size, package and kind, in the catalogue's order.

        Args:
            words: Exactly this many; None for any.
            bits: Likewise.
            pins: Likewise.
            kind: One of `Kind`, or a word of it in any case (`eprom` finds UV, PMOS and electrical ones).

        Raises:
            PartError: No kind contains that word.
        """
        kinds = [k for k in Kind if kind is None or kind.strip().lower() in k.value.lower()]
        if not kinds:
            raise PartError(
                where=f"kind {kind!r}", problem="is no kind of part", remedy=f"Use one of {', '.join(Kind)}"
            )
        return tuple(
            part
            for part in self.parts
            if part.kind in kinds
            and words in (None, part.words)
            and bits in (None, part.bits)
            and pins in (None, part.pins)
        )


def _reads_like(part: Part, number: str) -> Part:
    """A number known only as read-compatible with an entry: its pins, and none of its other facts.

    Whose cells these are is not known, so neither the unprogrammed state nor a direction of fading is
    claimed.
    """
    name = next((n for n in part.equivalents if compact(n) == number), number)
    return part.model_copy(
        update={
            "part": name,
            "aliases": (),
            "equivalents": (part.part, *(n for n in part.equivalents if n != name)),
            "erased_state": None,
            "erased_confidence": None,
            "erased_note": f"known only as read-compatible with the {part.part}",
            "erased_by_marking": {},
            "fades_to": None,
            "fades_note": "",
            "fuse": "",
            "access_ns": None,
            "address_labels": (),
            "data_labels": (),
            "labels_source": "",
            "source": Source(
                type=part.source.type,
                citation=f"listed as read-compatible with the {part.part}; of that: {part.source.citation}",
            ),
            "confidence": Confidence.LOW,
            "notes": f"Pins taken from the {part.part}. {part.notes}".strip(),
        }
    )


@cache
def load() -> Catalogue:
    """The catalogue that comes with the program; the same object every time."""
    packed = pkgutil.get_data(__name__, "parts.json")
    assert packed is not None, "parts.json lies beside this module"
    return Catalogue(PackedCatalogue.model_validate_json(packed).parts)


def line_pins(part: Part, line: str) -> dict[str, Any]:
    """The package pin of a line, for a finding's `where.pins`.

    Args:
        part: Its catalogue entry.
        line: `A5`, `D0` …

    Returns:
        `{line, pin, label, source, confidence}`, or {} where the entry does not know the pin.
    """
    for use in part.pin_table:
        if use.role in {"address", "data"} and use.name == line:
            return {
                "line": line,
                "pin": use.pin,
                "label": use.label,
                "source": f"{part.source.type}: {part.source.citation}",
                "confidence": str(part.confidence),
            }
    return {}


__all__ = ["Catalogue", "Packed", "line_pins", "load", "spelled"]
