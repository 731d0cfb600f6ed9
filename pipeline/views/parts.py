"""The catalogue for a person: a list that filters, and one part with its package drawn pin by pin.

Pin numbers never stand alone: the source and the confidence of the entry are beside them, because a person
applies power by what is printed here.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

from pipeline.catalogue.cautions import DEFERENCE, cautions
from schemas.part import Confidence, Part, PinUse

if TYPE_CHECKING:
    from schemas.answers import PartLine, PartSheet, PinLine
    from schemas.recorded_sheet import PartRecord

WIDTH = 100


def size(part: Part) -> str:
    """Its organisation, or what stands in for one."""
    return str(part.organisation) if part.organisation else "no single organisation"


def state(level: int | None) -> str:
    """A level as a word: `0`, `1` or `not known`."""
    return "not known" if level is None else str(level)


def pin_text(use: PinUse) -> str:
    """A pin's name with the maker's own label where that differs: `D0 (O1)`, `+12 V (Vdd)`."""
    differs = use.role in {"address", "data", "supply"} and use.label != use.name
    return f"{use.name} ({use.label})" if differs else use.name


def package_drawing(part: Part) -> str:
    """The package from above in plain ASCII, notch up, every pin with its name; "" where no pin is known."""
    if not part.address_pins:
        return ""
    table = part.pin_table
    half = part.pins // 2
    left, right = table[:half], table[half:][::-1]
    margin = max(len(pin_text(use)) for use in left)
    middle = _middle(part, half)
    inner = max(17, *(len(text) + 2 for text in middle))
    edge = (inner - 3) // 2
    inner = 2 * edge + 3
    lines = [f"{'':{margin}}     .{'-' * edge}. .{'-' * edge}."]
    for row, (one, other) in enumerate(zip(left, right, strict=True)):
        body = f"{'':{edge}}`-'{'':{edge}}" if row == 0 else f"{middle[row]:^{inner}}"
        lines.append(
            f"{pin_text(one):>{margin}}  {one.pin:>2} |{body}| {other.pin:<2}  {pin_text(other)}".rstrip()
        )
    lines.append(f"{'':{margin}}     '{'-' * inner}'")
    return "\n".join(lines)


def _middle(part: Part, rows: int) -> list[str]:
    """What stands inside the package: its number, size and how far the pins may be believed."""
    texts = [part.part, size(part), f"pins: {part.confidence}", part.source.type]
    first = max(1, (rows - len(texts)) // 2)
    filled = [""] * rows
    filled[first : first + len(texts)] = texts
    return filled[:rows]


def parts_table(parts: Sequence[Part]) -> str:
    """One line a part, columns aligned.

    Args:
        parts: In the order to print; an empty list says that nothing matched.
    """
    if not parts:
        return "No part matches."
    rows = [("part", "size", "pins", "kind", "output", "supplies", "blank", "pinout", "confidence")]
    rows += [
        (
            part.part,
            str(part.organisation) if part.organisation else "-",
            str(part.pins),
            part.kind.value,
            part.output or "-",
            " ".join(f"{volts:+g}" for volts in part.supplies_v),
            "?" if part.erased_state is None else str(part.erased_state),
            part.pinout,
            part.confidence.value,
        )
        for part in parts
    ]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return "\n".join(
        "  ".join(f"{cell:{width}}" for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    )


def part_sheet(part: Part) -> str:
    """Everything the catalogue says about one part, with its drawing and its cautions."""
    blocks = [_heading(part), _facts(part), _drawing(part), _cautions(part)]
    return "\n\n".join(blocks)


def _heading(part: Part) -> str:
    others = f"  (also {', '.join(part.aliases)})" if part.aliases else ""
    return f"{part.part}  {size(part)}  {part.kind}{others}"


def _facts(part: Part) -> str:
    access = part.access_ns
    rows = [
        ("Package", f"{part.pins} pins, dual in line"),
        ("Supplies", ", ".join(f"{volts:+g} V" for volts in part.supplies_v)),
        ("Outputs", part.output or "not known"),
        ("Enables", "; ".join(f"pin {e.pin} {e.name}: {_active(e.active)}" for e in part.enables)),
        (
            "Other pins",
            "; ".join(f"pin {o.pin} {o.name}: {o.note or o.for_reading}" for o in part.other_pins),
        ),
        ("Access time", "" if access is None else _access(access.typical, access.max, access.source)),
        ("Unprogrammed", _unprogrammed(part)),
        ("Fades to", _fading(part)),
        ("Fuses", part.fuse),
        ("Arranged", part.arrangement),
        ("Reads like", ", ".join(part.equivalents)),
        ("Labels", f"{part.labels_source}" if part.labels_source else ""),
        ("Notes", part.notes),
        ("Source", f"{part.source.type}: {part.source.citation}"),
        ("Confidence", part.confidence.value),
    ]
    return "\n".join(
        textwrap.fill(text, WIDTH, initial_indent=f"{name:<14}", subsequent_indent=" " * 14)
        for name, text in rows
        if text
    )


def _active(active: str) -> str:
    return {
        "low": "low enables",
        "high": "high enables",
        "mask": "high or low enables, by the customer's mask",
        "low-edge": "the falling edge takes the address",
    }.get(active, "polarity not known")


def _access(typical: float | None, guaranteed: float | None, source: str) -> str:
    figures = [
        f"{value:g} ns {what}" for value, what in ((typical, "typical"), (guaranteed, "at most")) if value
    ]
    return f"{', '.join(figures)} ({source})"


def _unprogrammed(part: Part) -> str:
    sure = (
        f", confidence {part.erased_confidence}"
        if part.erased_confidence and part.erased_state is not None
        else ""
    )
    by_marking = "; ".join(f"{number}: {state(level)}" for number, level in part.erased_by_marking.items())
    extra = "; ".join(text for text in (part.erased_note, by_marking) if text)
    return f"{state(part.erased_state)}{sure}{f' ({extra})' if extra else ''}"


def _fading(part: Part) -> str:
    direction = "no direction is claimed" if part.fades_to is None else str(part.fades_to)
    return f"{direction} ({part.fades_note})" if part.fades_note else direction


def _drawing(part: Part) -> str:
    drawing = package_drawing(part)
    if not drawing:
        return "Its pins are not in the catalogue: take them from the data sheet."
    stamp = "From above, notch up."
    if part.confidence is Confidence.LOW:
        stamp += " LOW CONFIDENCE: compare every pin with a data sheet before power."
    if part.pinout != "known":
        stamp += "\nNot every pin is known."
    return f"{stamp}\n\n{drawing}"


def _cautions(part: Part) -> str:
    lines = [
        textwrap.fill(f"{'!' if one.dangerous else '-'} {one.text}", WIDTH, subsequent_indent="  ")
        for one in cautions(part)
    ]
    return "\n".join(["Cautions", *lines, textwrap.fill(DEFERENCE, WIDTH)])


def part_document(part: Part) -> PartSheet:
    """One part as plain JSON values: the entry, its pin table and its cautions."""
    return {
        **cast("PartRecord", part.model_dump(mode="json")),
        "organisation": str(part.organisation) if part.organisation else None,
        "pin_table": [cast("PinLine", use._asdict()) for use in part.pin_table] if part.address_pins else [],
        "cautions": [
            {"key": one.key, "dangerous": one.dangerous, "text": one.text, "ground": one.ground}
            for one in cautions(part)
        ],
        "deference": DEFERENCE,
    }


def parts_document(parts: Sequence[Part]) -> list[PartLine]:
    """Several parts as plain JSON values, without pins and cautions."""
    return [
        {
            "part": part.part,
            "aliases": list(part.aliases),
            "organisation": str(part.organisation) if part.organisation else None,
            "pins": part.pins,
            "kind": part.kind.value,
            "output": part.output,
            "supplies_v": list(part.supplies_v),
            "erased_state": part.erased_state,
            "fades_to": part.fades_to,
            "pinout": part.pinout,
            "source": part.source.type,
            "confidence": part.confidence.value,
        }
        for part in parts
    ]
