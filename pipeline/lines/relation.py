"""What relating two images gives: the verdict with its counts and sentences."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from pipeline.lines.mapping import LineMap
from pipeline.lines.measure import address_counts, line_counts
from pipeline.lines.slips import Aligned, Slip
from pipeline.lines.symmetry import Symmetries
from pipeline.words import Words

if TYPE_CHECKING:
    from schemas.answers import RelationRecord

RelationName = Literal["identical", "mapped", "slipped", "differs", "unrelated"]


@dataclass(frozen=True)
class Relation:
    """How the second image is related to the first.

    Attributes:
        relation: `identical`, `mapped`, `slipped`, `differs` or `unrelated`.
        mapping: What brings the first into the second's order; None where nothing is proved.
        differing_words: Words that still differ once the second is in the first's order.
        differing_bits: Bits that still differ once the second is in the first's order.
        by_data_line: For each data line of the first, how many words differ in it.
        by_address_line: For each address line of the first, how many differing words lie where it is high.
        alternatives: How many other mappings fit equally well.
        slips: Words lost or doubled.
        undecidable: The images say too little to prove or to exclude a mapping.
        notes: What a person should know, a sentence each.
        aligned: For `slipped`: the second in the first's order.
        agreement: Share of words that agree in place, and the mean and largest share out of place.
    """

    relation: RelationName
    mapping: LineMap | None
    differing_words: int
    differing_bits: int
    by_data_line: tuple[int, ...] = ()
    by_address_line: tuple[int, ...] = ()
    alternatives: int = 0
    slips: tuple[Slip, ...] = ()
    undecidable: bool = False
    notes: tuple[str, ...] = ()
    aligned: Aligned | None = field(default=None, compare=False, repr=False)
    agreement: tuple[float, float, float] | None = None

    def to_json(self) -> RelationRecord:
        """As the project's documents carry it."""
        return {
            "relation": self.relation,
            "mapping": None if self.mapping is None else self.mapping.to_json(),
            "differing_words": self.differing_words,
            "differing_bits": self.differing_bits,
            "by_data_line": list(self.by_data_line),
            "by_address_line": list(self.by_address_line),
            "alternatives": self.alternatives,
            "slips": [slip.to_json() for slip in self.slips],
            "undecidable": self.undecidable,
            "notes": list(self.notes),
        }


class Explained(NamedTuple):
    """An explanation, what it leaves unexplained, and the length of the whole in bits."""

    mapping: LineMap
    words: int
    bits: int
    length: float
    aligned: Aligned | None = None


def told(
    name: RelationName,
    first: Words,
    second: Words,
    bits: int,
    best: Explained,
    *,
    undecided: bool,
    symmetries: Symmetries | None = None,
    notes: tuple[str, ...] = (),
    agreement: tuple[float, float, float] | None = None,
    proved: bool = True,
) -> Relation:
    """Put the verdict together with its counts and sentences.

    Args:
        name: The verdict.
        first: Words of the first image.
        second: Words of the second.
        bits: Bits a word.
        best: The explanation that it rests on.
        undecided: The images say too little.
        symmetries: What they leave open.
        notes: Sentences to begin with.
        agreement: Shares of words that agree in and out of place.
        proved: False where no mapping is to be given.
    """
    if best.aligned is None:
        wrong = first ^ best.mapping.undo(second)
    else:
        wrong = np.where(best.aligned.present, first ^ best.aligned.words, first.dtype.type(0))
    said = list(notes)
    if symmetries is not None:
        said += symmetries.notes()
    return Relation(
        relation=name,
        mapping=best.mapping if proved else None,
        differing_words=best.words,
        differing_bits=best.bits,
        by_data_line=line_counts(wrong, bits),
        by_address_line=address_counts(wrong != 0),
        alternatives=symmetries.alternatives if symmetries else 0,
        slips=best.aligned.slips if best.aligned else (),
        undecidable=undecided,
        notes=tuple(said),
        aligned=best.aligned,
        agreement=agreement,
    )
