"""What `twins` says: chip by chip who else has it, how it differs, and the rows for the sheet."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import TYPE_CHECKING

from pipeline.one_line import one_lined
from pipeline.summed_up import counted

if TYPE_CHECKING:
    from schemas.answers import FoundTwin, TwinsAnswer

_HOW = {
    "same": "the same content",
    "near": "nearly the same content",
    "lines": "the same words in another order",
    "half": "it holds a half",
    "holds": "it is a half",
    "label": "the same label",
    "socket": "the same socket",
}
MOST = 200


def twins_found(document: TwinsAnswer) -> str:
    """The answer in words."""
    document = one_lined(document)
    found = document["found"]
    chips = len({one["chip"] for one in found})
    lines = [
        (
            f"{counted(chips, 'chip')} with a twin, {len(document['without'])} without; "
            f"{counted(document['among'], 'bag')} looked through."
        )
    ]
    for one in found[:MOST]:
        lines += list(_twin(one))
    if len(found) > MOST:
        lines.append(f"  … and {len(found) - MOST} more; --json has them all")
    lines += [f"not compared: {one['path']}: {one['trouble']}" for one in document["troubled"]]
    if document["rows"]:
        lines += ["", "For the sheet, with those bags in the project folder or beside it:", "twins:"]
        lines += [f"  - {{{_flow(row)}}}" for row in document["rows"]]
    return "\n".join(lines)


def _twin(one: FoundTwin) -> Iterator[str]:
    found = ", ".join(_HOW[how] for how in one["how"])
    same = "" if one["other_machine"] else "; the same machine, by its id"
    yield f"  {one['chip']}: {one['their']} of {one['bag']}  {one['verdict']}  (by {found}{same})"
    yield f"    {one['means']}"


def _flow(row: dict[str, str]) -> str:
    return ", ".join(f"{key}: {_scalar(value)}" for key, value in row.items())


def _scalar(value: str) -> str:
    plain = value.replace("-", "").replace("_", "").replace(".", "").isalnum() and value.isascii()
    return value if plain and not value[0].isdigit() else json.dumps(value, ensure_ascii=False)
