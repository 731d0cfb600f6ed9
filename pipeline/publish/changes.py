"""What differs between two records, chip by chip: of one machine over time, or of two machines of one model.

Cells lose charge one way and a programmer's link grows back one way, but people change programs both ways. So
bits that all went toward the state that this kind of cell fades to are told from a revision, and bits that
nobody has settled are counted apart from both.

Source: the direction of fading is the catalogue's, chip by chip; that a revision changes bits both ways is
logic.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, TypeAlias

import numpy as np

from pipeline.catalogue.advice import advise
from pipeline.twins.compare import SpecimenImage, compare
from pipeline.twins.findings import difference_record
from pipeline.twins.wording import how_they_differ
from pipeline.words import Words, true_ranges

if TYPE_CHECKING:
    from schemas.answers import ChangedChip, ChangeJudged
    from schemas.record import ChipRecord, ImageRecord, RecordHead
    from schemas.recorded_sheet import BoardRecord

Kind = Literal["same", "content", "evidence", "only-old", "only-new", "not-compared"]
Judged: TypeAlias = "ChangeJudged"
FEWEST_BITS = 5
"""So many bits all one way are a coincidence once in 2^(n-1), less than one in ten for five; fewer tell
nothing.
"""
MOST_RANGES = 12
_FACTS = ("part", "label", "marking", "date_code", "revision", "state")


Boards: TypeAlias = Mapping[str, "BoardRecord"]


class ImagePair(NamedTuple):
    """Both images of one chip.

    Attributes:
        old: Shape (words,).
        new: Same shape.
        doubt: 1 bits are contested in either.
        bits: Width of a word.
        fades_to: Level that this kind of cell fades to, or None.
        part: Its number, for the sentence.
    """

    old: Words
    new: Words
    doubt: Words
    bits: int
    fades_to: int | None
    part: str


class ChipBrief(NamedTuple):
    """What has to be kept of a chip's record while others are read.

    Attributes:
        chip: Its id.
        board: Its board's id, or "".
        socket: Its socket, or "".
        catalogued: The catalogue entry that was used, or "".
        organisation: `2048x8`, or "".
        grade: Of its evidence.
        facts: What the sheet says of it, by the names of `_FACTS`.
        image: Its image, or None.
        withheld: Why its content stayed behind, or "".
        withheld_readings: How many readings did.
        readings: Their ids, sorted.
    """

    chip: str
    board: str
    socket: str
    catalogued: str
    organisation: str
    grade: str
    facts: Mapping[str, object]
    image: ImageRecord | None
    withheld: str
    withheld_readings: int
    readings: tuple[str, ...]


def brief(chip: ChipRecord) -> ChipBrief:
    """What has to be kept of a chip's record while others are read."""
    return ChipBrief(
        chip=chip["chip"],
        board=chip.get("board") or "",
        socket=chip.get("socket") or "",
        catalogued=chip.get("catalogued") or "",
        organisation=chip.get("organisation") or "",
        grade=chip["grade"],
        facts={key: chip.get(key) for key in _FACTS},
        image=chip.get("image"),
        withheld=chip.get("withheld") or "",
        withheld_readings=chip.get("withheld_readings", 0),
        readings=tuple(sorted(reading["reading"] for reading in chip["readings"])),
    )


def one_machine(old: RecordHead, new: RecordHead) -> bool:
    """Whether two records speak of one machine: the same id, and no two serial numbers.

    Args:
        old: A record's head.
        new: The other's.
    """
    first, second = old["machine"], new["machine"]
    serials = {one["serial"] for one in (first, second) if one.get("serial")}
    return bool(first["id"] == second["id"] and len(serials) < 2)


def matched(
    old: Sequence[ChipBrief],
    new: Sequence[ChipBrief],
    boards: tuple[Boards, Boards],
    *,
    same_machine: bool,
) -> Iterator[tuple[ChipBrief | None, ChipBrief | None]]:
    """Chips that stand for each other, in the order of the old record; then those that stand alone.

    Over time a chip keeps its id; between machines it is the place that counts: the same socket of a board
    with the same number, name or id.

    Args:
        old: `brief` of each chip of the old record.
        new: `brief` of each chip of the new one.
        boards: The boards of both records.
        same_machine: As `one_machine` says.
    """
    left = dict(enumerate(new))
    rounds = [_by_id, _by_place] if same_machine else [_by_place, _by_id]
    found: dict[int, int] = {}
    for keys_of in rounds:
        places: dict[Any, list[int]] = defaultdict(list)
        for index, chip in left.items():
            for key in keys_of(chip, boards[1]):
                places[key].append(index)
        for index, chip in enumerate(old):
            if index in found:
                continue
            for key in keys_of(chip, boards[0]):
                fitting = [one for one in places[key] if one in left]
                if fitting:
                    found[index] = fitting[0]
                    del left[fitting[0]]
                    break
    for index, chip in enumerate(old):
        yield chip, new[found[index]] if index in found else None
    for chip in left.values():
        yield None, chip


def _by_id(chip: ChipBrief, boards: Boards) -> list[Any]:
    del boards
    return [chip.chip.casefold()]


def _by_place(chip: ChipBrief, boards: Boards) -> list[Any]:
    socket = chip.socket.casefold()
    if not socket:
        return []
    board = boards.get(chip.board, {})
    names = [("number", board.get("number")), ("name", board.get("name")), ("id", chip.board)]
    return [(kind, str(name).casefold(), socket) for kind, name in names if name]


def compare_chips(
    old: ChipBrief | None,
    new: ChipBrief | None,
    content: ImagePair | None,
    *,
    same_machine: bool,
) -> ChangedChip:
    """One pair of chips, as the document has it.

    Args:
        old: `brief` of the chip in the old record, or None.
        new: `brief` of the chip in the new record, or None.
        content: Both images, where both are at hand and of one shape.
        same_machine: As `one_machine` says.
    """
    one = old or new
    assert one is not None
    out: ChangedChip = {
        "chip": one.chip,
        "other": new.chip if old and new and old.chip != new.chip else None,
        "board": one.board or None,
        "socket": one.socket or None,
        "kind": "same",
        "judged": "",
        "differing_words": 0,
        "up": 0,
        "down": 0,
        "contested_bits": 0,
        "ranges": [],
        "means": "",
        "facts": [],
    }
    if old is None or new is None:
        out["kind"] = "only-new" if old is None else "only-old"
        out["means"] = "Not in the old one." if old is None else "Not in the new one."
        return out
    if not (old.withheld or new.withheld):
        out["facts"] = list(_facts(old, new, same_machine=same_machine))
    if content is not None:
        _tell_bits(out, content, same_machine=same_machine)
        if out["differing_words"] or out["contested_bits"]:
            out["kind"] = "content"
            return out
    elif old.image is None or new.image is None or old.image["sha256"] != new.image["sha256"]:
        out["kind"], out["judged"], out["means"] = _without_content(old, new)
    if out["kind"] == "same" and out["facts"]:
        out["kind"] = "evidence"
    return out


def _facts(old: ChipBrief, new: ChipBrief, *, same_machine: bool) -> Iterator[str]:
    for key in _FACTS:
        before, after = old.facts[key], new.facts[key]
        if before != after:
            name, between = key.replace("_", " "), ", now" if same_machine else " and"
            yield f"{name}: {before or 'not said'}{between} {after or 'not said'}"
    if old.grade != new.grade:
        yield (
            f"grade: {old.grade}, now {new.grade}" if same_machine else f"grade: {old.grade} and {new.grade}"
        )
    if same_machine and not (old.withheld_readings or new.withheld_readings):
        for what, names in (
            ("reading added", set(new.readings) - set(old.readings)),
            ("reading gone", set(old.readings) - set(new.readings)),
        ):
            if names:
                yield f"{what}: {', '.join(sorted(names))}"


def _without_content(old: ChipBrief, new: ChipBrief) -> tuple[Kind, Judged, str]:
    """A pair whose images cannot be laid side by side: its kind, the judgement and the words."""
    if not old.image and not new.image:
        hidden = old.withheld or new.withheld
        return "not-compared", "", f"No image in either: {hidden}." if hidden else "No image in either."
    if not old.image or not new.image:
        where, chip = ("old", old) if not old.image else ("new", new)
        why = chip.withheld or f"graded {chip.grade}"
        return "not-compared", "", f"There is no image in the {where} one ({why})."
    if old.organisation != new.organisation:
        said = f"Another size: {old.organisation or 'not known'} and {new.organisation or 'not known'}."
        return "content", "revision", said
    return "content", "", "The digests differ; without both images nothing more can be said."


def _tell_bits(out: ChangedChip, content: ImagePair, *, same_machine: bool) -> None:
    """Bits that differ: where, which way, and what that most likely means."""
    differ = content.old ^ content.new
    settled = differ & ~content.doubt
    up, down, contested = (
        _ones(words) for words in (settled & content.new, settled & content.old, differ & content.doubt)
    )
    if same_machine or not (up or down):
        judged, means = _judged(content, settled, up, down, contested)
    else:
        judged, means = _as_twins(content)
    out["judged"], out["means"] = judged, means
    out["differing_words"] = int(np.count_nonzero(settled))
    out["up"], out["down"], out["contested_bits"] = up, down, contested
    out["ranges"] = [list(one) for one in true_ranges(settled != 0)[:MOST_RANGES]]


def _ones(words: Words) -> int:
    """How many bits are 1."""
    return int(np.unpackbits(np.ascontiguousarray(words).view(np.uint8)).sum())


def _judged(content: ImagePair, settled: Words, up: int, down: int, contested: int) -> tuple[Judged, str]:
    """What kind of change it is, and why.

    Charge leaks one way: a change of both directions is no fading, one towards the state that the cells fade
    to may be, one away from it means that the earlier reading was the weaker.
    """
    bits = up + down
    if not bits:
        said = f"Only bits that are contested differ ({contested}); wherever both are settled they agree."
        return ("unsettled", said) if contested else ("", "")
    later, earlier = "the new reading", "the old reading"
    if up and down:
        return "revision", (
            f"Bits changed both ways ({up} to 1, {down} to 0), which no fading does: another revision, "
            "another chip, or a reading fault in one of them."
        )
    toward = 1 if up else 0
    fades = content.fades_to
    if fades is None:
        return "one-way", (
            f"All {bits} changed bits are {toward} in {later}; which way a "
            f"{content.part or 'chip of this kind'} fades is not "
            "known, so this may be fading or a revision."
        )
    if toward != fades:
        return "older-faded", (
            f"All {bits} changed bits are {toward} in {later}, away from the {fades} that a {content.part} "
            f"fades to: {earlier} looks faded or marginal, or the chip was programmed further."
        )
    full = (1 << content.bits) - 1
    changed = content.new[settled != 0]
    if bool((changed == (full if fades else 0)).all()) and bits >= content.bits:
        return "emptied", (
            f"Whole words read as unprogrammed in {later}: erased, not driven while they were read, "
            f"or removed in a revision."
        )
    if bits < FEWEST_BITS:
        return "perhaps-fading", (
            f"All {bits} changed bits went to {fades}, the state a {content.part} fades to, but so "
            f"few may be chance. {advise('read-margins')}"
        )
    return "fading", (
        f"All {bits} changed bits went to {fades}, the state a {content.part} fades to: {later} "
        f"shows it fading. Take the older content as the better one. {advise('read-margins')}"
    )


SPECIMENS = {
    "this": "the first machine's chip",
    "other": "the second machine's chip",
    "both": "both chips",
    "": "one of them",
}


def _as_twins(content: ImagePair) -> tuple[Judged, str]:
    """Chips of two machines are two specimens: judged, and told in the words, as twins are."""
    first, second = (SpecimenImage(words, content.doubt) for words in (content.old, content.new))
    found = compare(first, second, content.bits, content.fades_to)
    told = difference_record(found, first, second, content.bits)
    means = how_they_differ(told, SPECIMENS["other"], content.part or "chip of this kind", SPECIMENS).means
    if found.kind in ("fading", "perhaps-fading", "strewn", "one-way"):
        means = f"{means} {advise('read-margins')}"
    if found.kind == "fading" and found.side == "this":
        return "older-faded", means
    return ("" if found.kind == "same" else found.kind), means


def compare_heads(old: RecordHead, new: RecordHead) -> Iterator[str]:
    """What differs outside the chips, in words.

    Args:
        old: A record without its chips.
        new: The later record without its chips.
    """
    said = (old.get("rights"), new.get("rights"))
    rights = [one["statement"] if one else "not stated" for one in said]
    if rights[0] != rights[1]:
        yield f"rights: {rights[0]}, then {rights[1]}"
    names = [{space["name"]: space for space in one.get("spaces", ())} for one in (old, new)]
    for name in sorted(names[0].keys() | names[1].keys()):
        first, second = (one.get(name) for one in names)
        if first is None or second is None:
            yield f"space {name}: only in the {'new' if first is None else 'old'} one"
        elif first.get("withheld") or second.get("withheld"):
            yield f"space {name}: withheld, so not compared"
        elif first.get("sha256") != second.get("sha256"):
            yield f"space {name}: the content differs"


def counts(chips: Iterable[ChangedChip]) -> dict[str, int]:
    """How many chips of each kind."""
    out: dict[str, int] = dict.fromkeys(
        ("same", "content", "evidence", "only-old", "only-new", "not-compared"), 0
    )
    for chip in chips:
        out[chip["kind"]] += 1
    return out
