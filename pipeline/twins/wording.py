"""What a twin says, for a person."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple, TypeAlias

from pipeline.summed_up import counted

if TYPE_CHECKING:
    from schemas.record import TwinDifference, TwinRecord

Sides: TypeAlias = Mapping[str, str]
"""Side of a verdict → how it is called in a sentence."""
WHICH: Sides = {
    "this": "this chip",
    "other": "the other specimen",
    "both": "both specimens",
    "": "one of them",
}


class TwinSaid(NamedTuple):
    """Two sentences of a finding."""

    means: str
    also: str


def means(twin: TwinRecord, part: str) -> TwinSaid:
    """What a twin most likely means, and what else would look the same.

    Args:
        twin: As the record keeps it.
        part: The chip's number in the catalogue, or "".
    """
    who = f"{twin['chip']} of {twin['bag']}"
    said = _verdict(twin, who, part or "chip of this kind")
    if twin.get("told_bits"):
        bits = twin["told_bits"]
        said = said._replace(
            means=f"{said.means} Where this chip is unresolved, the other has {_bits(bits)}: beside it, "
            "and settling none of them."
        )
    return said


def _verdict(twin: TwinRecord, who: str, part: str) -> TwinSaid:
    """The sentences of one verdict on a twin."""
    simple = {
        "part-of": TwinSaid(f"{who} holds this content beside more, or a part of it.", "Common code."),
        "only-there": TwinSaid(
            f"There is no image of this chip here; {who} has one, graded {twin['grade']}.",
            "Another revision: whoever uses it says whose it is.",
        ),
        "only-here": TwinSaid(f"There is no image of {who}.", "Nothing."),
        "not-compared": TwinSaid(
            f"{who} holds different content, or has another size; both images would be needed to say more.",
            "Another revision, fading, a reading fault.",
        ),
    }
    if twin["verdict"] in simple:
        return simple[twin["verdict"]]
    return _same(twin, who) if twin["verdict"] == "same" else how_they_differ(twin, who, part, WHICH)


def how_they_differ(found: TwinDifference, who: str, part: str, which: Sides) -> TwinSaid:
    """How two specimens' contents differ, and what else would look so.

    Args:
        found: As a comparison's record has it.
        who: The other specimen.
        part: The chips' number in the catalogue, or what stands for it in a sentence.
        which: How the sides are called.
    """
    amount = f"{_bits(found['up'] + found['down'])} in {counted(found['differing_words'], 'word')}"
    if found["verdict"] == "unsettled":
        return TwinSaid(
            f"Too little is settled in both to compare with {who}.", "The same program, or another."
        )
    if found["verdict"] == "unrelated":
        return TwinSaid(
            f"{who} holds another program: {amount} differ, and no line, order or stretch explains it.",
            "The wrong chip was named, or one of the images shows no chip at all.",
        )
    if found["verdict"] in ("line", "crossed", "slipped"):
        return _wires(found, who, amount, which[found["side"]])
    return _bits_differ(found, who, amount, part, which[found["side"]])


def _same(twin: TwinRecord, who: str) -> TwinSaid:
    if twin["corroborates"]:
        return TwinSaid(
            f"{who}, another specimen read by another reader, holds the same, word for word.",
            "Both specimens carry the same fault of their making.",
        )
    return TwinSaid(
        f"{who} holds the same, word for word. It does not bear this chip out: {'; '.join(twin['against'])}.",
        "A copy of the same reading, or of the same image, under another name.",
    )


def _wires(twin: TwinDifference, who: str, amount: str, which: str) -> TwinSaid:
    what = twin.get("what", "")
    if twin["verdict"] == "crossed":
        return TwinSaid(
            f"{who} holds the same in another order of lines ({what}): one of the two was read through "
            "crossed "
            "wires, or one of the boards crosses them.",
            "A board that scrambles lines on purpose.",
        )
    if twin["verdict"] == "slipped":
        return TwinSaid(
            f"{who} holds the same with words lost or doubled on the way ({what}) in one of the two.",
            "A revision that inserts words.",
        )
    lines = " and ".join(twin.get("lines", ()))
    left = f" What it leaves over: {twin['beside']}." if twin.get("beside") else ""
    return TwinSaid(
        f"{amount} differ from {who}, and {lines} {what} in {which} explains it: the other image has what "
        f"{lines} hides.{left}",
        f"A design or a revision in which {lines} is without effect.",
    )


def _bits_differ(twin: TwinDifference, who: str, amount: str, part: str, which: str) -> TwinSaid:
    """Bits that differ without a line to explain them: faded, changed, or not to be told."""
    differ = f"{amount} differ from {who}"
    odds = f"odds {twin['odds']:.3g} to 1 against a change" if twin.get("odds") else "odds not known"
    regions = ", ".join(map(_stretch, twin["regions"][:4]))
    said = {
        "fading": TwinSaid(
            f"{differ}, all but stray ones toward the state a {part} fades to in {which}: {which} has faded "
            f"({odds}).",
            "A program that was changed without erasing.",
        ),
        "perhaps-fading": TwinSaid(
            f"{differ}, toward the state a {part} fades to in {which}, too few or too close together to tell "
            f"fading from a change ({odds}).",
            "A small revision, or unsteady readings.",
        ),
        "strewn": TwinSaid(
            f"{differ} both ways, strewn over the image as no change of a program is: cells or readings of "
            "both are weak.",
            "Several small revisions.",
        ),
        "emptied": TwinSaid(
            f"Whole words that differ from {who} read as unprogrammed in {which} ({amount}, words "
            f"{regions}): erased, not driven while they were read, or empty in another revision.",
            "Another revision.",
        ),
        "one-way": TwinSaid(
            f"{differ}, all one way, and which way a {part} fades is not known.", "Fading, or a revision."
        ),
    }
    if twin["verdict"] in said:
        return said[twin["verdict"]]
    return TwinSaid(
        f"{differ}, both ways and in stretches (words {regions}): another revision{_text(twin)}.",
        "A reading fault in one of them that has no name here.",
    )


def _stretch(span: Sequence[int]) -> str:
    start, end = span
    return f"0x{start:X}" if end - start == 1 else f"0x{start:X} to 0x{end - 1:X}"


def _text(twin: TwinDifference) -> str:
    """The text that tells the revisions apart, a version before others."""
    texts = sorted(twin.get("texts", ()), key=lambda one: not one["version"])
    return f"; there this one says {texts[0]['this']!r}, the other {texts[0]['other']!r}" if texts else ""


def _bits(count: int) -> str:
    return counted(count, "bit")
