"""The catalogue for a person: a list that filters, and one part with its package drawn pin by pin.

Pin numbers never stand alone: the source and the confidence of the entry are beside them, because a person
applies power by what is printed here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, cast

from pipeline.catalogue.cautions import DEFERENCE, cautions
from schemas.evidence import GROUPS, WIRED, Group, independent
from schemas.part import Confidence, Enable, Part, PinUse

if TYPE_CHECKING:
    from schemas.answers import PartGround, PartLine, PartSheet, PinLine
    from schemas.recorded_sheet import PartRecord


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


def package_drawing(part: Part, beside: Mapping[int, str] | None = None) -> str:
    """The package from above in plain ASCII, notch up, every pin with its name; "" where no pin is known.

    Args:
        part: The part.
        beside: What stands beside each pin in place of its name; the package is then drawn narrow.
    """
    if not part.address_pins:
        return ""
    texts = {use.pin: pin_text(use) for use in part.pin_table} if beside is None else beside
    half = part.pins // 2
    pairs = list(zip(range(1, half + 1), range(part.pins, half, -1), strict=True))
    margin = max(len(texts[pin]) for pin in range(1, half + 1))
    middle = _middle(part, half) if beside is None else _named(part, half)
    inner = max(17 if beside is None else 9, *(len(text) + 2 for text in middle))
    edge = (inner - 3) // 2
    inner = 2 * edge + 3
    lines = [f"{'':{margin}}     .{'-' * edge}. .{'-' * edge}."]
    for row, (one, other) in enumerate(pairs):
        body = f"{'':{edge}}`-'{'':{edge}}" if row == 0 else f"{middle[row]:^{inner}}"
        lines.append(f"{texts[one]:>{margin}}  {one:>2} |{body}| {other:<2}  {texts[other]}".rstrip())
    lines.append(f"{'':{margin}}     '{'-' * inner}'")
    return "\n".join(lines)


def _named(part: Part, rows: int) -> list[str]:
    """The part's number alone, and whether its pins may be believed."""
    texts = [part.part, *(["LOW", "CONFI-", "DENCE"] if part.confidence is Confidence.LOW else [])]
    first = max(1, (rows - len(texts)) // 2)
    filled = [""] * rows
    filled[first : first + len(texts)] = texts
    return filled[:rows]


def _middle(part: Part, rows: int) -> list[str]:
    """What stands inside the package: its number, size and how far the pins may be believed."""
    texts = [part.part, size(part), f"pins: {part.confidence_in('pins')}", part.source.type]
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
    rows = [["part", "size", "pins", "kind", "output", "supplies", "blank", "known"]]
    rows += [_in_columns(part) for part in parts]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = [
        "  ".join(f"{cell:{width}}" for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]
    return "\n".join([*lines, COLUMNS_TOLD])


COLUMNS_TOLD = (
    "Open: open-collector or open-drain outputs. Blank: the unprogrammed level. Known: how far the entry may "
    "be believed. A ? behind pins: their numbers are not known, or not all."
)


def _in_columns(part: Part) -> list[str]:
    """One part's row, narrow enough that the table stays within 80 columns."""
    return [
        part.part,
        str(part.organisation) if part.organisation else "-",
        f"{part.pins}{'' if part.pinout == 'known' else '?'}",
        part.kind.value.partition(" (")[0],
        (part.output or "-").partition("-coll")[0],
        " ".join(f"{volts:+g}" for volts in part.supplies_v),
        "?" if part.erased_state is None else str(part.erased_state),
        part.confidence.value,
    ]


def begun_text(parts: Sequence[Part], further: Mapping[str, str]) -> str:
    """What begins as was asked: entries one line each, then numbers that only resolve to one."""
    told = [parts_table(parts)] if parts else []
    if further:
        listed = ", ".join(f"{number} (as {entry})" for number, entry in further.items())
        told.append(f"Numbers that read as an entry: {listed}")
    return "\n\n".join(told)


def part_sheet(part: Part, markings: Sequence[str] = ()) -> str:
    """Everything the catalogue says about one part, with its drawing and its cautions.

    Args:
        part: The entry.
        markings: Further numbers on chips that resolve to it.
    """
    blocks = [_heading(part), _facts(part, markings), _drawing(part), _cautions(part)]
    return "\n\n".join(blocks)


def _heading(part: Part) -> str:
    others = f"  (also {', '.join(part.aliases)})" if part.aliases else ""
    return f"{part.part}  {size(part)}  {part.kind}{others}"


def _facts(part: Part, markings: Sequence[str]) -> str:
    """All that is known of a part, a line or a paragraph a fact; what is not known leaves no line."""
    access = part.access_ns
    rows = [
        ("Package", f"{part.pins} pins, dual in line"),
        ("Supplies", ", ".join(f"{volts:+g} V" for volts in part.supplies_v)),
        ("Outputs", part.output or "not known"),
        ("Enables", "; ".join(_enable(one) for one in part.enables)),
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
        ("Also marked", ", ".join(markings)),
        ("Resolves to", _resolved(part)),
        ("Labels", f"{part.labels_source}" if part.labels_source else ""),
        ("Notes", part.notes),
        ("Confidence", f"{part.confidence}{_by_group(part)}"),
        *((("" if at else "Sources"), text) for at, text in enumerate(sources_told(part))),
        *((("" if at else "Against"), text) for at, text in enumerate(contradictions_told(part))),
    ]
    return "\n".join(f"{name:<14}{text}" for name, text in rows if text)


def _enable(enable: Enable) -> str:
    note = f" ({enable.note})" if enable.note else ""
    return f"pin {enable.pin} {enable.name}: {_active(enable.active)}{note}"


def _resolved(part: Part) -> str:
    if not part.resolves_to:
        return ""
    return f"{part.resolves_to}; that does not vouch for {', '.join(part.not_vouched)}"


def _by_group(part: Part) -> str:
    """Each group of facts with its own confidence, where the entry names its sources."""
    if not part.evidence:
        return ""
    groups = [f"{group} {part.confidence_in(group)}" for group in WIRED]
    if part.erased_confidence is not None:
        groups.append(f"unprogrammed state {part.erased_confidence}")
    return f" ({', '.join(groups)})"


def sources_told(part: Part) -> tuple[str, ...]:
    """Every source in plain words behind the groups of facts that it bears out."""
    told = [
        f"{', '.join(map(_group, one.bears)) or 'no group whole'}: {one.words()} [{one.type}]"
        for one in part.evidence
    ]
    return tuple(told) or (f"{part.source.type}: {part.source.citation}",)


def contradictions_told(part: Part) -> tuple[str, ...]:
    """What any source says against the entry, and what follows for a wire."""
    told = []
    for group in GROUPS:
        for one, said in part.against(group):
            pins = f", pin {', '.join(map(str, said.pins))}" if said.pins else ""
            wired = "a slip of that drawing" if said.slip else "so neither is printed as a wire"
            told.append(f"{_group(group)}{pins}: {one.citation} has {said.says} ({wired})")
    return tuple(told)


def _group(group: str) -> str:
    return "unprogrammed state" if group == "erased" else group


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
    lines = [f"{'!' if one.dangerous else '-'} {one.text}" for one in cautions(part)]
    return "\n".join(["Cautions", *lines, DEFERENCE])


def part_document(part: Part, markings: Sequence[str] = ()) -> PartSheet:
    """One part as plain JSON values.

    The entry, its sources by group of facts, its pin table and its cautions.

    Args:
        part: The entry.
        markings: Further numbers on chips that resolve to it.
    """
    return {
        **cast("PartRecord", part.model_dump(mode="json")),
        "markings": list(markings),
        "organisation": str(part.organisation) if part.organisation else None,
        "grounds": {group: _ground(part, group) for group in GROUPS},
        "pin_table": [cast("PinLine", use._asdict()) for use in part.pin_table] if part.address_pins else [],
        "cautions": [
            {"key": one.key, "dangerous": one.dangerous, "text": one.text, "ground": one.ground}
            for one in cautions(part)
        ],
        "deference": DEFERENCE,
    }


def _ground(part: Part, group: Group) -> PartGround:
    """One group of facts: its confidence, its own sources in plain words, and what speaks against it."""
    full, counted = independent(part.evidence, group)
    return {
        "confidence": str(part.confidence_in(group)),
        "sources": [
            {"source": one.words(), "type": one.type, "hand": one.by, "counts": one.by in counted}
            for one in part.evidence
            if group in one.bears
        ],
        "independent": len(full),
        "through_a_number_nobody_says_reads_alike": len(counted - full),
        "contradictions": [
            {"source": one.citation, "pins": list(said.pins), "says": said.says, "slip": said.slip}
            for one, said in part.against(group)
        ],
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
            "confidence_by_group": {group: str(part.confidence_in(group)) for group in GROUPS},
        }
        for part in parts
    ]
