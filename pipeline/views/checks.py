"""What `recheck`, `ledger` and `mend` say; light, because rechecking is."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from pipeline.one_line import one_lined
from pipeline.summed_up import counted

if TYPE_CHECKING:
    from schemas.answers import LedgerAnswer, MendAnswer, RecheckAnswer, RecheckedBag


_STATES = ("missing", "unreadable", "not complete", "altered", "valid", "not due")
"""What a bag is called, the worst first."""


def _state(bag: RecheckedBag) -> str:
    if bag["outcome"] != "invalid":
        return bag["outcome"]
    return "altered" if bag["complete"] else "not complete"


def rechecked(document: RecheckAnswer) -> str:
    """One line a bag and every difference, then how many of several are what."""
    document = one_lined(document)
    lines = []
    for bag in document["bags"]:
        note = f" ({bag['note']})" if bag["note"] else ""
        size = (
            f", {counted(bag['files'], 'file')}, {counted(bag['size_bytes'], 'byte')}" if bag["files"] else ""
        )
        lines.append(f"{bag['path']}: {_state(bag)}{size}{note}")
        lines += [
            f"  {one['severity']}: {' '.join(filter(None, (one['kind'], one['path'])))}: {one['means']}"
            for one in bag["problems"]
        ]
        if replayed := bag.get("replayed"):
            away = f", {counted(replayed['away'], 'pass', 'passes')} not here" if replayed["away"] else ""
            lines.append(
                f"  {counted(replayed['images'], 'image')} rebuilt from "
                f"{counted(replayed['passes'], 'pass', 'passes')} by the recorded steps{away}"
            )
        if bag["receipt"]:
            lines.append(f"  receipt {bag['receipt']}")
    if len(document["bags"]) > 1:
        counts = Counter(map(_state, document["bags"]))
        told = ", ".join(f"{counts[one]} {one}" for one in _STATES if counts[one])
        lines.append(f"{len(document['bags'])} bags: {told}")
    lines += [f"caution: {caution}" for caution in document["cautions"]]
    if document["head"]:
        lines.append(f"Ledger head {document['head']}: keep it somewhere else.")
    return "\n".join(lines)


def ledger_shown(document: LedgerAnswer) -> str:
    """The rows, then whether they are whole."""
    document = one_lined(document)
    lines = [
        f"{row['number']:>6}  {row.get('when', '')}  {row.get('outcome') or row.get('kind', '')}  "
        f"{row.get('bag', '')}"
        f"{'  ' + row['note'] if row.get('note') else ''}".rstrip()
        for row in document["rows"]
    ]
    lines += [f"problem: {problem}" for problem in document["problems"]]
    lines += [f"caution: {caution}" for caution in document["cautions"]]
    lines += [f"written: {path}" for path in document["written"]]
    state = "whole" if document["whole"] else "NOT whole"
    lines.append(f"{counted(len(document['rows']), 'row')}, {state}, head {document['head']}")
    return "\n".join(lines)


def mended(document: MendAnswer) -> str:
    """What was replaced from where, and where the damaged files are."""
    document = one_lined(document)
    lines = [f"{document['bag']}: whole again, receipt {document['receipt']}"]
    lines += [f"  {one['path']}: put back from {one['from']}" for one in document["replaced"]]
    replaced = {one["path"] for one in document["replaced"]}
    strays = [path for path in document["set_aside"] if path not in replaced]
    lines += [f"  {path}: in no manifest, moved to {document['damaged']}" for path in strays]
    kept = [path for path in document["set_aside"] if path in replaced]
    if kept and document["damaged"]:
        lines.append(f"  the damaged files are kept: {', '.join(kept)}, moved to {document['damaged']}")
    elif document["damaged"] and not strays:
        lines.append(f"  what was there meanwhile is kept in {document['damaged']}")
    lines.append(f"  written down in {document['record']}")
    if document["head"]:
        lines.append(f"Ledger head {document['head']}: keep it somewhere else.")
    return "\n".join(lines)
