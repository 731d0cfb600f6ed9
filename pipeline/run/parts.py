"""`wellread parts`: the catalogue, shown."""

from __future__ import annotations

from pipeline.catalogue import load
from pipeline.result import Result
from pipeline.views.parts import begun_text, part_document, part_sheet, parts_document, parts_table


def show_parts(
    name: str | None, *, words: int | None, bits: int | None, pins: int | None, kind: str | None
) -> Result[dict[str, object]]:  # `PartsAnswer`, of one part, several or none
    """What `parts` says; a name that is none lists every part that begins so.

    Raises:
        PartError: No such part, or no such kind.
    """
    catalogue = load()
    head: dict[str, object] = {"schema": "wellread/parts/1", "command": "parts"}
    if name is not None:
        part = catalogue.get(name)
        begun, further = ((), {}) if part else catalogue.beginning(name)
        if begun or further:
            document = {**head, "begins": name, "parts": parts_document(begun), "further": further}
            return Result(document, begun_text(begun, further))
        part = part or catalogue.find(name)
        numbers = catalogue.markings_of(part)
        document = {**head, "parts": [part_document(part, numbers)]}
        return Result(document, part_sheet(part, numbers))
    found = catalogue.filter(words=words, bits=bits, pins=pins, kind=kind)
    return Result({**head, "parts": parts_document(found)}, parts_table(found))
