"""`wellread parts`: the catalogue, shown."""

from __future__ import annotations

from typing import Any

from pipeline.catalogue import load
from pipeline.views.parts import begun_text, part_document, part_sheet, parts_document, parts_table


def show_parts(
    name: str | None, *, words: int | None, bits: int | None, pins: int | None, kind: str | None
) -> tuple[dict[str, Any], str]:  # `PartsAnswer`, of one part, several or none
    """What `parts` prints, as a document and as text; a name that is none lists every part that begins so.

    Raises:
        PartError: No such part, or no such kind.
    """
    catalogue = load()
    head = {"schema": "wellread/parts/1", "command": "parts"}
    if name is not None:
        part = catalogue.get(name)
        begun, further = ((), {}) if part else catalogue.beginning(name)
        if begun or further:
            document = {**head, "begins": name, "parts": parts_document(begun), "further": further}
            return document, begun_text(begun, further)
        part = part or catalogue.find(name)
        numbers = catalogue.markings_of(part)
        return {**head, "parts": [part_document(part, numbers)]}, part_sheet(part, numbers)
    found = catalogue.filter(words=words, bits=bits, pins=pins, kind=kind)
    return {**head, "parts": parts_document(found)}, parts_table(found)
