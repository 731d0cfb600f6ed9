"""Who says that two numbers read alike, and what that makes of an entry seen under another number.

Read-compatible is a claim of its own. Where a source makes it, what is known of the one number holds of the
other; where it is only remembered, everything that rests on it counts one step less (rule 3 of
`schemas.evidence`).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from pipeline.catalogue.marking import compact
from schemas.evidence import WIRED, Evidence, confidence, weakest
from schemas.part import Part, Source

NOT_VOUCHED = (
    "what an unprogrammed cell reads",
    "how it is programmed, and at which voltage",
    "its access time and what its outputs drive",
)
"""What "reads alike" leaves open. Source: common practice, no source."""


REMEMBERED = Evidence(type="from memory", citation="maker's data sheet as remembered, not seen")
"""What an entry rests on that no source bears out."""


class Likeness:
    """Sets of numbers that a source says read alike.

    Args:
        sets: The numbers, and the source in plain words.

    Example:
        >>> like = Likeness([(("74S287", "82S129"), "a list of compatible PROMs")])
        >>> like.said("82S129", "74S287"), like.said("82S129", "2716")
        ('a list of compatible PROMs', '')
    """

    def __init__(self, sets: Iterable[tuple[tuple[str, ...], str]]) -> None:
        self._sets = tuple((frozenset(map(compact, numbers)), source) for numbers, source in sets)

    def said(self, number: str, other: str) -> str:
        """Every source that says so of these two, or ""."""
        both = {compact(number), compact(other)}
        return "; ".join(source for numbers, source in self._sets if both <= numbers)


def reads_like(base: Part, number: str, likeness: Likeness) -> Part:
    """A number known only as read-compatible with an entry: its pins, and none of its other facts.

    Whose cells these are is not known, so neither the unprogrammed state nor a direction of fading is
    claimed.

    Args:
        base: The entry that it resolves to.
        number: The number as it is printed.
        likeness: Who says that it reads alike.
    """
    seen = (_seen_by(one, base, number, likeness) for one in base.evidence if one.type != "from memory")
    evidence = tuple(one for one in seen if one.bears or one.against) or (REMEMBERED,)
    ground = likeness.said(base.part, number) or "from memory"
    facts: dict[str, Any] = {  # fields of `Part`, some replaced
        "part": number,
        "aliases": (),
        "equivalents": (base.part, *(n for n in base.equivalents if n != number)),
        "erased_state": None,
        "erased_confidence": None,
        "erased_note": f"known only as read-compatible with the {base.part}",
        "erased_by_marking": {},
        "fades_to": None,
        "fades_note": "",
        "fuse": "",
        "access_ns": None,
        "address_labels": (),
        "data_labels": (),
        "labels_source": "",
        "source": Source(
            type=base.source.type,
            citation=(
                f"listed as read-compatible with the {base.part} ({ground}); of that: {base.source.citation}"
            ),
        ),
        "evidence": evidence,
        "confidence": weakest(confidence(evidence, group) for group in WIRED),
        "resolves_to": base.part,
        "not_vouched": NOT_VOUCHED,
        "notes": f"Pins taken from the {base.part}. {base.notes}".strip(),
    }
    return base.model_copy(update=facts)


def _seen_by(one: Evidence, base: Part, number: str, likeness: Likeness) -> Evidence:
    """A source of the base as it bears on the number: under its own name, or through one that reads alike."""
    shown = one.number or base.part
    bears = tuple(group for group in one.bears if group != "erased")
    if compact(shown) == compact(number):
        return one.model_copy(update={"number": "", "alike": "", "bears": bears})
    alike = likeness.said(shown, number)
    if not alike and (one.alike or not one.number):
        alike = likeness.said(base.part, number)
    return one.model_copy(update={"number": shown, "alike": alike, "bears": bears})
