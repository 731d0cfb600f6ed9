"""The values this stage gives: what a stretch of words is, which embedded check holds, what a vector says.

Everything here turns into plain JSON values, because the record keeps it and other programs read it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

if TYPE_CHECKING:
    from schemas.record import CheckRecord, RegionDetail, RegionRecord, StoredAt, VectorRecord


MOST_CHANCE = 1e-6
"""A check lifts the grade where chance explains it at most once in a million, all schemes tried counted."""
RegionKind = Literal["fill", "text", "table", "repeat", "decode", "code", "dense", "absent"]


class Region(NamedTuple):
    """One stretch of an image that is of one nature.

    Attributes:
        kind: What it is.
        start: First word address.
        end: Word address behind the last.
        detail: Plain JSON values. Always `preview`, one line that is safe to print. A fill has `word` or
            `pattern` (hex), `period`, `equals_unprogrammed` (None: not known), `edges_aligned`, `means`,
            `why`, and after the kin step `shared_with`. A text has `kind`, `chance`, `letters`.
    """

    kind: RegionKind
    start: int
    end: int
    detail: RegionDetail

    def to_json(self) -> RegionRecord:
        """The region as the record and `--json` carry it."""
        return {"kind": self.kind, "start": self.start, "end": self.end, **self.detail}


class Vector(NamedTuple):
    """Reset or interrupt vectors of one processor family that fit this image: evidence, never proof.

    Attributes:
        family: Processors that start this way.
        at: Word address of the first vector in the image.
        end: Word address behind the last.
        targets: Addresses that the vectors name, as the processor sees them.
        chance: How often bytes without meaning would fit as well.
        says: One sentence for a person.
    """

    family: str
    at: int
    end: int
    targets: tuple[int, ...]
    chance: float
    says: str

    def to_json(self) -> VectorRecord:
        """The vectors as plain values."""
        return {
            "family": self.family,
            "at": self.at,
            "end": self.end,
            "targets": [f"0x{target:04X}" for target in self.targets],
            "chance": self.chance,
            "says": self.says,
        }


class SelfCheck(NamedTuple):
    """An embedded check that holds, or one that the content promises and that does not hold.

    Attributes:
        method: Name of the scheme, such as `sum8, all bytes = 0x00` or `CRC-16/ARC`.
        images: The images it covers, in order.
        covers: Half-open ranges of each image (word addresses), those the check is computed over.
        stored_at: Where its value stands: `(image, first word, end)`, or None where all bytes make a
            constant.
        value: The value, hex.
        holds: False: a header promises this check and it fails.
        width_bits: How many bits have to agree.
        chance: How often at least one scheme of this strength would hold on bytes without any check.
        tried: All schemes that were tried on these images.
        tried_as_strong: Those of them that are at least as strong as this one.
        blind_to: Faults it cannot see.
        order_blind: The order of the words does not matter to it.
        whole: It covers every word that carries anything.
        lifts: It lifts the grade to self-checked.
        why: Why it lifts the grade, or why it does not.
    """

    method: str
    images: tuple[str, ...]
    covers: tuple[tuple[int, int], ...]
    stored_at: tuple[str, int, int] | None
    value: str
    holds: bool
    width_bits: float
    chance: float
    tried: int
    tried_as_strong: int
    blind_to: tuple[str, ...]
    order_blind: bool
    whole: bool
    lifts: bool
    why: str

    @property
    def beyond_chance(self) -> bool:
        """Whether chance explains it at most once in a million: only such a check bears an image."""
        return self.holds and self.chance <= MOST_CHANCE

    def to_json(self) -> CheckRecord:
        """The check as findings, spaces and the record carry it."""
        stored: StoredAt | None = None
        if self.stored_at is not None:
            stored = {"image": self.stored_at[0], "start": self.stored_at[1], "end": self.stored_at[2]}
        return {
            "method": self.method,
            "images": list(self.images),
            "covers": [list(span) for span in self.covers],
            "stored_at": stored,
            "value": self.value,
            "holds": self.holds,
            "chance": self.chance,
            "tried": self.tried,
            "tried_as_strong": self.tried_as_strong,
            "blind_to": list(self.blind_to),
            "lifts": self.lifts,
            "why": self.why,
        }
