"""`wellread parts`: the catalogue, shown."""

from __future__ import annotations

from typing import Any

from pipeline.catalogue import load
from pipeline.views.parts import part_document, part_sheet, parts_document, parts_table


def show_parts(
    name: str | None, *, words: int | None, bits: int | None, pins: int | None, kind: str | None
) -> tuple[dict[str, Any], str]:
    """What `parts` prints, as a document and as text.

    Raises:
        PartError: No such part, or no such kind.
    """
    catalogue = load()
    head = {"schema": "wellread/parts/1", "command": "parts"}
    if name is not None:
        part = catalogue.find(name)
        return {**head, "parts": [part_document(part)]}, part_sheet(part)
    found = catalogue.filter(words=words, bits=bits, pins=pins, kind=kind)
    return {**head, "parts": parts_document(found)}, parts_table(found)
