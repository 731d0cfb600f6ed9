"""What `changes` says, chip by chip, what matters first."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from pipeline.one_line import one_lined
from pipeline.summed_up import counted

if TYPE_CHECKING:
    from schemas.answers import ChangedChip, ChangesAnswer, ReopenAnswer

_ORDER = ("content", "only-old", "only-new", "not-compared", "evidence")
_TITLES = {
    "content": "Content differs",
    "only-old": "Only in the old one",
    "only-new": "Only in the new one",
    "not-compared": "Not compared",
    "evidence": "Same content, other facts or evidence",
}
MOST = 200


def changed(document: ChangesAnswer) -> str:
    """The comparison in words."""
    document = one_lined(document)
    how = (
        "one machine over time"
        if document["same_machine"]
        else "two machines, chips matched by board and socket"
    )
    lines = [f"{document['old_bag']} and {document['new_bag']}: {how}."]
    total = document["counts"]
    lines.append(
        f"{counted(len(document['chips']), 'chip')}: {total['same'] + total['evidence']} with the "
        f"same content, {total['content']} with different content."
    )
    for kind in _ORDER:
        chips = [chip for chip in document["chips"] if chip["kind"] == kind]
        if chips:
            lines += ["", f"{_TITLES[kind]}:"]
        for chip in chips[:MOST]:
            lines += list(_chip(chip))
        if len(chips) > MOST:
            lines.append(f"  … and {len(chips) - MOST} more; --json has them all")
    if document["others"]:
        lines += ["", "Besides:", *(f"  {one}" for one in document["others"])]
    return "\n".join(lines)


def _chip(chip: ChangedChip) -> Iterator[str]:
    name = chip["chip"] + (f" and {chip['other']}" if chip["other"] else "")
    place = " ".join(one for one in (chip["board"], chip["socket"]) if one)
    bits = chip["up"] + chip["down"]
    amount = f": {counted(bits, 'bit')} in {counted(chip['differing_words'], 'word')}" if bits else ""
    judged = f" [{chip['judged']}]" if chip["judged"] else ""
    yield f"  {name} ({place}){amount}{judged}" if place else f"  {name}{amount}{judged}"
    if chip["means"]:
        yield f"    {chip['means']}"
    if chip["ranges"]:
        yield "    at word " + ", ".join(_range(one) for one in chip["ranges"])
    for fact in chip["facts"]:
        yield f"    {fact}"


def _range(one: list[int]) -> str:
    return f"0x{one[0]:X}" if one[1] == one[0] + 1 else f"0x{one[0]:X} to 0x{one[1] - 1:X}"


def reopened(document: ReopenAnswer) -> str:
    """What `reopen` says."""
    document = one_lined(document)
    return (
        f"{document['folder']}: {counted(len(document['files']), 'file')} of "
        f"{counted(document['chips'], 'chip')}, every byte as the bag "
        "has it.\nCorrect the sheet or add readings, then `wellread package` makes the next version; "
        "unchanged, it says so."
    )
