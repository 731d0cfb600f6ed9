"""What `holdings` says: the shelf in counts, and what was asked, a line a chip."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from pipeline.one_line import one_lined
from pipeline.summed_up import counted
from pipeline.to_do import GRADES_WORST_FIRST
from pipeline.views.fixity import cell

if TYPE_CHECKING:
    from schemas.answers import HeldChip, HoldingsAnswer

MOST = 200
_COLUMNS = (
    "rank",
    "why",
    "like",
    "share",
    "machine",
    "bag",
    "custodian",
    "chip",
    "board",
    "socket",
    "part",
    "organisation",
    "label",
    "marking",
    "inventory",
    "grade",
    "state",
    "held_back",
    "findings",
    "read",
    "sha256",
    "rights",
    "last_check",
    "last_outcome",
    "released",
    "path",
)
_LIKE = {
    "same": "the same content",
    "near": "nearly the same",
    "lines": "perhaps the same through other lines: `wellread compare` tells",
    "half": "holds half of it",
    "holds": "holds it as a half",
}


def held(document: HoldingsAnswer) -> str:
    """The answer in words."""
    document = one_lined(document)
    grades = [
        f"{document['grades'][grade]} {grade}"
        for grade in GRADES_WORST_FIRST
        if document["grades"].get(grade)
    ]
    lines = [f"{counted(document['bags'], 'bag')}, {counted(document['chips'], 'chip')}"]
    if grades:
        lines.append(f"newest bag of each machine: {', '.join(grades)}")
    if document["read"] or document["gone"]:
        lines.append(f"read now: {counted(document['read'], 'bag')}; gone: {document['gone']}")
    lines += [f"not read: {one['path']}: {one['trouble']}" for one in document["troubled"][:MOST]]
    if document["asked"]:
        found = document["found"]
        lines += ["", f"{document['asked']}: {counted(document['total'], 'chip')}"]
        for chip in found[:MOST]:
            lines += list(_chip(chip))
        if document["total"] > MOST:
            lines.append(f"  … and {document['total'] - MOST} more; --csv has them all")
    lines += [f"written: {path}" for path in document["written"]]
    return "\n".join(lines)


def _chip(chip: HeldChip) -> Iterator[str]:
    """One line, and one below it for reasons."""
    rank = f"{chip['rank']:>4}  " if "rank" in chip else "  "
    what = ", ".join(one for one in (chip["part"], chip["label"]) if one)
    place = " ".join(one for one in (chip["board"], chip["socket"]) if one)
    about = "; ".join(one for one in (what, place) if one)
    yield f"{rank}{chip['bag']} {chip['chip']}  {chip['grade']}" + (f"  ({about})" if about else "")
    if "why" in chip:
        why = ", ".join(f"{one['words']} +{one['weight']}" for one in chip["why"])
        yield f"      {why}"
    elif "like" in chip:
        share = f", about {chip['share']:.1%} of the words differ" if chip.get("share") else ""
        yield f"    {_LIKE[chip['like']]}{share}: {chip['path']}"
    elif chip["findings"]:
        yield f"    {', '.join(chip['findings'])}"


def holdings_csv(chips: Sequence[HeldChip]) -> str:
    """The table, a row a chip; no cell begins as a formula, which a spreadsheet would run."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for chip in chips:
        writer.writerow([_cell(chip, name) for name in _COLUMNS])
    return stream.getvalue()


def _cell(chip: HeldChip, name: str) -> str:
    value: object = dict(chip).get(name, "")
    if name == "why" and isinstance(value, list):
        value = "; ".join(f"{one['words']} +{one['weight']}" for one in value)
    elif isinstance(value, list):
        value = "; ".join(map(str, value))
    return cell(value)
