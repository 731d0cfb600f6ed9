"""The catalogue of kinds of chips, found by the number as it is marked on the chip.

`parts.yaml` is what people read and correct; `parts.json` beside it holds the same, packed by
`python -m pipeline.catalogue.pack`, because it loads twenty times faster at every start of the program. Both
are documents, and what validates documents takes longer to load than a look at a dump: it is loaded here with
the first part that is asked for.
"""

from __future__ import annotations

import pkgutil
from collections.abc import Iterable
from functools import cache, cached_property, lru_cache
from typing import TYPE_CHECKING

from pipeline.catalogue.marking import compact, numbers_in, spelled
from pipeline.catalogue.near import nearest
from pipeline.errors import PartError, WellreadError
from schemas.vocabulary import Details, Kind

if TYPE_CHECKING:
    from pipeline.catalogue.document import PackedCatalogue, Unresolved
    from pipeline.catalogue.likeness import Likeness
    from schemas.part import Part


MOST_MARKINGS = 1024
"""Markings of which it is remembered what they mean: more than the catalogue has parts."""


class Catalogue:
    """Parts in order, and look-up by marking.

    Args:
        parts: Every part; where two carry the same number the first one counts.
        further: What is known beyond them: who says that numbers read alike, further numbers that resolve to
            a part, numbers that must not, and which parts are common.

    Example:
        >>> load().find("M27C256B-15F1").part
        '27256'
        >>> load().find("TMS2716JL").supplies_v
        (5.0, -5.0, 12.0)
    """

    def __init__(self, parts: Iterable[Part], further: PackedCatalogue | None = None) -> None:
        self.parts: tuple[Part, ...] = tuple(parts)
        if further is None:
            from pipeline.catalogue.document import PackedCatalogue

            further = PackedCatalogue(parts=())
        self._further = further

    @property
    def common(self) -> tuple[str, ...]:
        """Replacement parts still easily had, the first choice first (common practice, no source)."""
        return self._further.common

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
        for marking in self._further.markings:
            base = self._own.get(compact(marking.resolves_to))
            if base is not None:
                for number in marking.numbers:
                    numbers.setdefault(compact(number), base)
        return numbers

    @cached_property
    def _unresolved(self) -> dict[str, Unresolved]:
        """Every number that must not be taken for an entry; an entry of a project's own may be one."""
        return {
            compact(one.number): one
            for one in self._further.unresolved
            if compact(one.number) not in self._own
        }

    @cached_property
    def _spellings(self) -> dict[str, object]:
        """Every number that a marking can hold, resolved or not."""
        return {**self._numbers, **self._unresolved}

    @cached_property
    def _printed_as(self) -> dict[str, str]:
        """Every number as its maker prints it."""
        written = [name for part in self.parts for name in (part.part, *part.aliases, *part.equivalents)] + [
            name for marking in self._further.markings for name in marking.numbers
        ]
        return {compact(name): name for name in reversed(written)}

    @cached_property
    def _likeness(self) -> Likeness:
        from pipeline.catalogue.likeness import Likeness

        return Likeness((one.numbers, one.source) for one in self._further.equivalences)

    def get(self, marking: str) -> Part | None:
        """The part that this marking means, or None where none or several fit.

        Args:
            marking: As printed on the chip, or as a sheet writes it.
        """
        return _looked_up(self, marking)

    def look_up(self, marking: str) -> Part | None:
        """The same, not remembered from before."""
        found = numbers_in(marking, self._spellings)
        if any(number in self._unresolved for number in found):
            return None
        parts = {self._numbers[number].part: number for number in found}
        if len(parts) != 1:
            return None
        from pipeline.catalogue.likeness import reads_like

        number = next(iter(parts.values()))
        own = self._own.get(number)
        return own or reads_like(self._numbers[number], self._printed(number), self._likeness)

    def find(self, marking: str, *, size_bytes: int | None = None, suggest: bool = True) -> Part:
        """The part that this marking means.

        Args:
            marking: As printed on the chip, or as a sheet writes it.
            size_bytes: What the dump holds, where that is known: only numbers that it fits are suggested.
            suggest: Whether numbers that look like it are looked for.

        Raises:
            PartError: No part, or more than one, can be meant, or the number must not be taken for one; the
                remedy names what is near.
        """
        part = self.get(marking)
        if part is not None:
            return part
        several = numbers_in(marking, self._spellings)
        near = several or (self.near(marking, size_bytes=size_bytes) if suggest else ())
        found = [self._unresolved[number] for number in several if number in self._unresolved]
        if found:
            near = found[0].could_be
            problem = f"stands for no entry by itself: {found[0].why}"
        else:
            problem = f"could be {' or '.join(several)}" if several else "is not in the catalogue"
        raise PartError(
            where=f"part {marking!r}",
            problem=problem,
            remedy=(f"Did you mean {', '.join(near)}? If not, define" if near else "Define")
            + " the part in the sheet from its data sheet, or give only the organisation; `wellread parts` "
            "lists those that are known",
            near=tuple(near),
        )

    def near(self, marking: str, *, size_bytes: int | None = None) -> tuple[str, ...]:
        """Up to five catalogue numbers that look like this marking, the likeliest first.

        Args:
            marking: As written.
            size_bytes: What the dump holds; numbers of another size are left out where any fits.
        """
        found = nearest(marking, self._numbers, common=self.common, size_bytes=size_bytes)
        return tuple(self._printed(number) for number in found)

    def beginning(self, text: str) -> tuple[tuple[Part, ...], dict[str, str]]:
        """What begins so: entries in the catalogue's order, further numbers with what each resolves to.

        Args:
            text: The first characters of a number, in any spelling; "" begins nothing.
        """
        start = compact(text)
        begun = [number for number in self._numbers if start and number.startswith(start)]
        entries = {self._own[number].part for number in begun if number in self._own}
        further = {self._printed(n): self._numbers[n].part for n in begun if n not in self._own}
        return tuple(part for part in self.parts if part.part in entries), dict(sorted(further.items()))

    def markings_of(self, part: Part) -> tuple[str, ...]:
        """The further numbers that resolve to this entry."""
        return tuple(
            number
            for marking in self._further.markings
            if marking.resolves_to == part.part
            for number in marking.numbers
        )

    def _printed(self, number: str) -> str:
        return self._printed_as.get(number, number)

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
        """This catalogue with a project's own parts before it.

        An own part hides a catalogued one of its number.
        """
        own = tuple(own)
        return Catalogue((*own, *self.parts), self._further) if own else self

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
            bits: Exactly this many a word; None for any.
            pins: Exactly this many; None for any.
            kind: One of `Kind`, or a word of it in any case (`eprom` finds UV, PMOS and electrical ones).

        Raises:
            PartError: No kind contains that word.
        """
        kinds = [k for k in Kind if kind is None or kind.strip().lower() in k.value.lower()]
        if not kinds:
            raise PartError(
                where=f"kind {kind!r}",
                problem="is not a kind of part",
                remedy=f"Use one of {', '.join(Kind)}",
            )
        return tuple(
            part
            for part in self.parts
            if part.kind in kinds
            and words in (None, part.words)
            and bits in (None, part.bits)
            and pins in (None, part.pins)
        )


@lru_cache(maxsize=MOST_MARKINGS)
def _looked_up(catalogue: Catalogue, marking: str) -> Part | None:
    """What a marking means: a sheet names few kinds of chips, and each of them many times."""
    return catalogue.look_up(marking)


@cache
def load() -> Catalogue:
    """The catalogue that comes with the program; the same object every time."""
    from pipeline.catalogue.document import PackedCatalogue

    packed = pkgutil.get_data(__name__, "parts.json")
    assert packed is not None, "parts.json lies beside this module"
    document = PackedCatalogue.model_validate_json(packed, context={"checked": True})
    return Catalogue(document.parts, document)


def line_pins(part: Part, line: str) -> Details:
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


__all__ = ["Catalogue", "line_pins", "load", "spelled"]


def pins_of(part: Part | None, lines: Iterable[str]) -> list[Details]:
    """The package pins of several lines, for a finding's `where.pins`.

    Args:
        part: Its catalogue entry; None where no part is known.
        lines: `A5`, `D0` …

    Returns:
        No pin number that rests on nothing: lines of an unknown pinout, or that the package has not, are left
        out.
    """
    if part is None:
        return []
    found = []
    for line in lines:
        try:
            found.append(dict(line_pins(part, line)))
        except (WellreadError, LookupError):
            continue
    return [pin for pin in found if pin.get("pin") is not None]
