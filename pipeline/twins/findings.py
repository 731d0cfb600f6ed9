"""What a twin says of a chip: as the record keeps it, as a finding, and whether it lifts the grade."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from pipeline.catalogue.advice import NextStep, advise, step
from pipeline.twins.compare import SpecimenDifference, SpecimenImage, compare
from pipeline.twins.corroboration import LIFTED_FROM, against
from pipeline.twins.specimen import Specimen
from pipeline.twins.texts import texts
from pipeline.twins.wording import means
from pipeline.words import Words
from schemas.finding import Code, Finding, Severity

if TYPE_CHECKING:
    from schemas.part import Part
    from schemas.record import TwinDifference, TwinRecord, TwinSide, TwinVerdict, TwinWord

MOST_TOLD = 64
"""Words listed in which the other specimen has what this one has not."""
_OURS = frozenset(["this", "both"])
_DOUBTFUL = frozenset(
    ["line", "crossed", "slipped", "fading", "perhaps-fading", "strewn", "emptied", "one-way"]
)
"""Verdicts under which this chip's own image may be the one that is wrong."""


class TwinTold(NamedTuple):
    """What one twin says.

    Attributes:
        record: As the bag keeps it.
        finding: For the chip.
    """

    record: TwinRecord
    finding: Finding


def doubtful(
    image: Words, contested: Words | None, absent: tuple[tuple[int, int], ...], bits: int
) -> SpecimenImage:
    """An image with all bits that stand for nothing: contested, or of words that nobody read."""
    doubt = np.zeros_like(image) if contested is None else contested.copy()
    for start, end in absent:
        doubt[start:end] = (1 << bits) - 1
    return SpecimenImage(image, doubt)


def hear_twin(
    this: Specimen,
    other: Specimen,
    images: tuple[SpecimenImage | None, SpecimenImage | None],
    part: Part | None = None,
) -> TwinTold:
    """What another specimen says of a chip.

    Args:
        this: The chip's own.
        other: The other.
        images: Both, where they are at hand.
        part: The chip's catalogue entry.
    """
    difference, reasons = _difference(this, other, images)
    record: TwinRecord = {
        **difference,
        "chip": other.chip,
        "bag": other.bag,
        "external_identifier": other.identifier,
        "receipt": other.receipt,
        "released": other.released,
        "organisation": str(other.organisation) if other.organisation else None,
        "grade": other.grade,
        "image_sha256": other.sha256 or None,
        "corroborates": difference["verdict"] == "same" and not reasons,
        "against": reasons,
    }
    return TwinTold(record, _finding(this, record, part))


def _difference(
    this: Specimen, other: Specimen, images: tuple[SpecimenImage | None, SpecimenImage | None]
) -> tuple[TwinDifference, list[str]]:
    """How the contents differ; where they are the same, why that bears nothing out."""
    mine, theirs = images
    if mine is None or not this.sha256:
        return _bare("only-there" if other.sha256 else "not-compared"), []
    if not other.sha256:
        return _bare("only-here"), []
    if this.organisation == other.organisation and this.sha256 == other.sha256 and not mine.doubt.any():
        return _bare("same"), list(against(this, other, mine.words))
    if theirs is None or this.organisation is None or other.organisation is None:
        return _bare("not-compared"), []
    if this.organisation != other.organisation:
        return _bare("part-of" if _part_of(mine.words, theirs.words) else "not-compared"), []
    fades = {this.fades_to, other.fades_to} - {None}
    bits = this.organisation.bits
    found = compare(mine, theirs, bits, fades.pop() if len(fades) == 1 else None)
    difference = difference_record(found, mine, theirs, bits)
    if found.kind == "same":
        return difference, list(against(this, other, mine.words))
    return difference, []


def _bare(verdict: TwinVerdict) -> TwinDifference:
    return {"verdict": verdict, "side": "", "differing_words": 0, "up": 0, "down": 0, "regions": []}


def difference_record(
    found: SpecimenDifference, mine: SpecimenImage, theirs: SpecimenImage, bits: int
) -> TwinDifference:
    """A comparison as the record keeps it.

    Args:
        found: What comparing gave.
        mine: The first image.
        theirs: The second.
        bits: Of a word.
    """
    out: TwinDifference = {
        "verdict": found.kind,
        "side": found.side,
        "differing_words": found.words,
        "up": found.up,
        "down": found.down,
        "regions": [list(one) for one in found.ranges],
    }
    if found.lines:
        out["lines"] = list(found.lines)
    if found.what:
        out["what"] = found.what
    if found.odds:
        out["odds"] = float(f"{found.odds:.3g}")
    if found.words:
        out["chance"] = float(f"{found.chance:.3g}")
    if found.beside is not None:
        out["beside"] = f"{found.beside.kind} {found.beside.side}".strip()
    if found.kind in ("revision", "strewn", "one-way", "emptied") and (
        told := texts(mine.words, theirs.words, bits, found.ranges)
    ):
        out["texts"] = told
    bits_told, words_told = _elsewhere(mine, theirs)
    if words_told:
        out["told"], out["told_bits"] = words_told, bits_told
    return out


def _elsewhere(mine: SpecimenImage, theirs: SpecimenImage) -> tuple[int, list[TwinWord]]:
    """What the other specimen has where this one is contested or was not read."""
    mask = mine.doubt & ~theirs.doubt
    places = np.flatnonzero(mask)
    listed: list[TwinWord] = [
        {"address": int(at), "mask": int(mask[at]), "other": int(theirs.words[at] & mask[at])}
        for at in places[:MOST_TOLD]
    ]
    return int(np.bitwise_count(mask).sum()), listed


def _part_of(mine: Words, theirs: Words) -> bool:
    """Whether the smaller image is a half, a quarter … of the larger, and says anything."""
    small, large = sorted((mine, theirs), key=len)
    if len(small) == len(large) or len(large) % len(small) or small.dtype != large.dtype:
        return False
    if bool((small == small[0]).all()):
        return False
    return any(bool((row == small).all()) for row in large.reshape(-1, len(small)))


def _finding(this: Specimen, record: TwinRecord, part: Part | None) -> Finding:
    same = record["verdict"] == "same"
    said = means(record, part.part if part else "")
    return Finding(
        code=Code.TWIN_SAME if same else Code.TWIN_DIFFERS,
        severity=_severity(record["verdict"], record["side"]),
        chip=this.chip,
        where={"with": [record["chip"]]},
        evidence={
            "bag": record["bag"],
            "receipt": record["receipt"],
            "chip": record["chip"],
            "verdict": record["verdict"],
            "direction": record["side"],
            "regions": record["regions"],
            "differing_words": record["differing_words"],
            "up": record["up"],
            "down": record["down"],
            **({"odds": record["odds"]} if "odds" in record else {}),
            **({"revision": record["texts"]} if "texts" in record else {}),
        },
        means=said.means,
        also=said.also,
        next=advise(_step(record), part),
    )


def _severity(verdict: TwinVerdict, side: TwinSide) -> Severity:
    ours = side in _OURS or not side
    return Severity.CAUTION if verdict in _DOUBTFUL and ours else Severity.NOTE


def _step(record: TwinRecord) -> NextStep:
    verdict = record["verdict"]
    if verdict == "same":
        return step("nothing" if record["corroborates"] else "twin-not-independent")
    if verdict in ("fading", "perhaps-fading", "strewn", "one-way", "emptied"):
        return step("twin-fading")
    if verdict in ("line", "crossed", "slipped"):
        return step("twin-wires")
    return step("twin-revision")


def lifts(grade: str, twins: list[TwinRecord]) -> tuple[str, ...]:
    """Why a grade is lifted to `corroborated`; nothing where it is not."""
    bearing = [one for one in twins if one["corroborates"]]
    if grade not in LIFTED_FROM or not bearing:
        return ()
    many = f"{len(bearing)} other specimens, each" if len(bearing) > 1 else "Another specimen,"
    return (f"{many} read by another reader, with other wires, for another custodian, holds the same",)
