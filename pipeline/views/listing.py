"""A listing as text: one line an instruction, a string, a row of a table, an empty stretch."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.one_line import one_line

if TYPE_CHECKING:
    from schemas.answers import ListedLine, ListingAnswer

_BY = {"option": "as asked", "sheet": "as the sheet says", "content": "as its content reads"}
_KINDS = {
    "code": "code",
    "unreached": "code that nothing leads to, as far as jumps can be followed",
    "text": "text",
    "table": "table",
    "fill": "empty",
    "unknown": "of no known kind",
    "absent": "words that no reading has",
}
_BYTES = 12
_COLUMN = 34
"""Where words begin, so that a line with a comment keeps within 80 columns in most cases."""


def listed_chip(document: ListingAnswer) -> str:
    """What `listing` prints."""
    lines = [f"; {one_line(head)}" for head in _head(document)]
    kind = ""
    for one in document["lines"]:
        if one["kind"] != kind:
            kind = one["kind"]
            lines += ["", f"; -- {_KINDS[kind]}"]
        if one["label"]:
            lines.append(f"{one['label']}:" + (f"  ; {one['note']}" if one["note"] else ""))
        lines.append(_line(one))
    return "\n".join(lines)


def _head(document: ListingAnswer) -> list[str]:
    at = document["address"]
    family, by = document["family"].upper(), _BY[document["family_by"]]
    out = [
        f"{document['chip']}, {document['organisation']}: read as a program for {family}, {by}",
        "the first word stands at " + (f"0x{at:04X}" if at is not None else "an address that is not known"),
        f"instructions by {document['library']}",
    ]
    if document["more_with"]:
        out.append(f"mnemonics: pip install '{document['more_with']}'")
    if not document["settled"]:
        out.append(f"the image is NOT SETTLED, graded {document['grade']}: do not build on it")
    return out


def _line(one: ListedLine) -> str:
    shown = one["bytes"][: 2 * _BYTES]
    pairs = " ".join(shown[at : at + 2] for at in range(0, len(shown), 2)).upper()
    whole = one["kind"] in {"table", "unknown"}
    if whole:
        pairs = " ".join(one["bytes"][at : at + 2] for at in range(0, len(one["bytes"]), 2)).upper()
    elif one["kind"] == "text":
        pairs = ""
    elif one["kind"] in {"fill", "absent"}:
        pairs = f"{pairs[:11]} …"
    left = f"{one['address']:04X}  {pairs}"
    text = f"{left:<{0 if whole or one['kind'] == 'text' else _COLUMN}}{one['text']}".rstrip()
    note = f"  ; {one['note']}" if one["note"] and not one["label"] else ""
    return one_line(text + note)
