"""The bench sheet to read: on a terminal, as one printable page, and for other programs.

The page is black on white with nothing fetched from anywhere, so that it prints the same from any machine,
and its table has the shape of the package: what to join stands beside the pin it belongs to.
"""

from __future__ import annotations

import pkgutil
from typing import TYPE_CHECKING

from pipeline.catalogue.advice import advise, p_channel
from pipeline.catalogue.cautions import DEFERENCE
from pipeline.views.parts import package_drawing, size
from schemas.evidence import WIRED

if TYPE_CHECKING:
    from pipeline.bench.sockets import PinDifference
    from pipeline.bench.wiring_sheet import Bench, BenchPin
    from schemas.answers import BenchSheet

MOST_MOVES = 12
"""More moves than this and wiring afresh is the safer advice (common practice, no source)."""
MOST_CHIPS = 3
"""So many known chips of either sort are on the page, to keep it one sheet; the terminal has them all."""

_RESTATES = ("hold ", "tie ")
"""Beginnings of notes that say what the wire says already."""


def join_text(pin: BenchPin) -> str:
    """What to join a pin to, with what its note adds: `+5 V (never let it float)`."""
    if pin.wire is None:
        return ""
    clauses = [clause.strip() for clause in pin.note.split(";")]
    adds = "; ".join(
        c for c in clauses if c and not c.startswith(_RESTATES) and not c.endswith("for reading")
    )
    return f"{pin.wire} ({adds})" if adds else str(pin.wire)


def move_text(move: PinDifference) -> str:
    """One wire to move, in words."""
    if move.other_pin is None:
        return f"pin {move.pin} of the old part: take {move.wire} off, the new part has no such pin"
    at = f"pin {move.other_pin}" + (
        f" (old pin {move.pin})" if move.pin not in (None, move.other_pin) else ""
    )
    use = move.other_use
    name = "" if use is None else use.label if use.role in {"vcc", "supply"} else use.name
    if move.wire is None or move.wire.kind == "open":
        return f"{at} {name}: new, {move.other_wire}"
    return f"{at} {name}: from {move.wire} to {move.other_wire}"


def moves_heading(bench: Bench) -> str:
    """How much has to be moved, and in what order."""
    assert bench.other is not None
    count = len(bench.moves)
    if not count:
        return f"Wired for the {bench.other.part} already: no wire moves"
    if count > MOST_MOVES:
        return (
            f"{count} wires differ from the {bench.other.part}: power off, take them all off and wire afresh"
        )
    first = ", the dangerous first" if bench.moves[0].risk else ""
    return (
        f"Power off, chip out: from the {bench.other.part}, move "
        f"{'this wire' if count == 1 else f'these {count} wires'}{first}"
    )


def figures(bench: Bench) -> tuple[tuple[str, str], ...]:
    """The numbers that a reading is planned and recognised by."""
    organisation = bench.organisation
    rows = [
        ("Supplies", ", ".join(f"{volts:+g} V" for volts in bench.part.supplies_v)),
        ("Data lines", _pulls(bench)),
        ("Access time", f"{bench.access_ns:g} ns ({bench.access_ground})"),
        (
            "Wait",
            (
                f"{bench.wait_us} µs after each address, so {1_000_000 // bench.wait_us:,} words a "
                f"second at most"
            ),
        ),
    ]
    if organisation is not None:
        rows.append(("Expect", f"{organisation.words:,} words, {organisation.size_bytes:,} bytes a pass"))
        rows.append(("Takes", f"{bench.seconds_a_pass:.1f} s a pass, printed in hex at {bench.baud:,} baud"))
    return tuple(rows)


def _pulls(bench: Bench) -> str:
    if p_channel(bench.part):
        return advise("outputs-pmos")
    if bench.pull_ups:
        bipolar = bench.part.kind.value in {"fuse PROM", "logic array (not a ROM)"}
        return advise("outputs-open-collector" if bipolar else "outputs-open-drain")
    return bench.part.output or advise("outputs-unknown")


def _belief(bench: Bench) -> str:
    part = bench.part
    return f"{part.source.type}: {part.source.citation}. {_sureness(bench)}"


def _sureness(bench: Bench) -> str:
    """How far the entry may be believed, and which group of facts holds it back."""
    groups = ", ".join(f"{group} {bench.part.confidence_in(group)}" for group in WIRED)
    return f"Confidence {bench.part.confidence} ({groups})."


def bench_text(bench: Bench) -> str:
    """The sheet for a terminal, dangers first."""
    blocks = [f"Bench sheet   {bench.part.part}   {size(bench.part)}   {bench.part.kind}"]
    dangers = [one.text for one in bench.cautions if one.dangerous]
    if dangers:
        blocks.append(_bullets("FIRST", dangers, "! "))
    source = bench.part.source
    told = f"Pins: {source.type}: {source.citation}."
    blocks.append(f"{told}\n{_sureness(bench)}")
    if bench.withheld:
        blocks.append(f"No pin numbers: {bench.withheld}. Take them from the data sheet.")
    else:
        blocks.append(package_drawing(bench.part))
    blocks.append(_pin_lines(bench))
    if bench.other is not None and not bench.withheld:
        blocks.append("\n".join(_move_lines(bench)))
    blocks.append("\n".join(f"{name:<12}  {text}" for name, text in figures(bench)))
    blocks.append(_numbered("Before the chip is believed", bench.plan))
    if bench.exercises:
        blocks.append("\n".join(_exercise_lines(bench)))
    blocks.append(_bullets("Cautions", [one.text for one in bench.cautions if not one.dangerous], "- "))
    blocks.append(DEFERENCE)
    return "\n\n".join(blocks)


def _pin_lines(bench: Bench) -> str:
    names = [f"{pin.name} ({pin.label})" if pin.label else pin.name for pin in bench.pins]
    width = max(6, *map(len, names))
    lines = [f"[ ]  pin  {'signal':<{width}}  join to"]
    for pin, name in zip(bench.pins, names, strict=True):
        text = join_text(pin) if pin.wire is not None else "________________"
        stamp = f"  {pin.stamp}" if pin.stamp else ""
        mark = "!" if pin.danger else " "
        lines.append(f"[ ] {mark}{pin.pin:>3}  {name or '______':<{width}}  {text}{stamp}".rstrip())
    return "\n".join(lines)


def _move_lines(bench: Bench) -> list[str]:
    stamp = f"  {bench.stamp}" if bench.stamp else ""
    lines = [f"{moves_heading(bench)}{':' if bench.moves else '.'}"]
    lines += [f"[ ] {'!' if m.risk else ' '} {move_text(m)}{_because(m)}{stamp}" for m in bench.moves]
    if bench.renamed:
        pins = ", ".join(str(move.other_pin or move.pin) for move in bench.renamed)
        lines.append(f"      The same wire, another name: pin {pins}.")
    return lines


def _because(move: PinDifference) -> str:
    return f" ({move.risk})" if move.risk else ""


def _exercise_lines(bench: Bench) -> list[str]:
    lines = []
    usable, harmed = exercises_told(bench)
    if usable:
        lines += [
            "Images of this project whose content tries the wiring, for a spare (the originals stay away):",
            *(f"  {one}" for one in usable),
        ]
        lines.append(f"  Together enough: {', '.join(bench.together) or 'none of them'}.")
    if harmed:
        lines += ["No chip of these kinds into this wiring:", *(f"! {one}" for one in harmed)]
    return lines


def exercises_told(bench: Bench) -> tuple[list[str], list[str]]:
    """The known chips whose content would try the wiring in a spare.

    And the kinds barred from it, and why.
    """
    usable, harmed = [], []
    stamp = f"  {bench.stamp}" if bench.stamp else ""
    for one in bench.exercises:
        name = f"{one.chip} ({one.part}, {one.grade or 'ungraded'})"
        if one.harm:
            harmed.append(f"{name}: {one.harm}{stamp}")
            continue
        missing = f"leaves {', '.join(one.missing)} untried" if one.missing else "tries every line"
        first = f"; for it first move {one.moves} wire{'s' * (one.moves > 1)}" if one.moves else ""
        usable.append(f"{name}: {missing}{first}")
    return usable, harmed


def _bullets(title: str, texts: list[str], mark: str) -> str:
    return "\n".join([title, *(f"{mark}{text}" for text in texts)])


def _numbered(title: str, texts: tuple[str, ...]) -> str:
    return "\n".join([title, *(f"{number}. {text}" for number, text in enumerate(texts, start=1))])


def bench_html(bench: Bench) -> str:
    """The sheet as one self-contained page that prints on one sheet of A4 or Letter."""
    from jinja2 import Environment, StrictUndefined

    source = pkgutil.get_data(__name__.rpartition(".")[0], "bench.html.j2")
    assert source is not None, "the template lies beside this module"
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    half = bench.part.pins // 2
    return environment.from_string(source.decode()).render(
        bench=bench,
        part=bench.part,
        size=size(bench.part),
        belief=_belief(bench),
        rows=list(zip(bench.pins[:half], reversed(bench.pins[half:]), strict=True)),
        half=half,
        join_text=join_text,
        move_text=move_text,
        moves_heading=moves_heading(bench) if bench.other is not None and not bench.withheld else "",
        dangers=[one.text for one in bench.cautions if one.dangerous],
        reminders=[one.text for one in bench.cautions if not one.dangerous],
        figures=figures(bench),
        deference=DEFERENCE,
        fresh=len(bench.moves) > MOST_MOVES,
        known=_known(bench),
        type_size_pt=_type_size_pt(bench),
    )


def _known(bench: Bench) -> list[tuple[str, list[str]]]:
    """The first known chips of either sort, and how many more there are.

    Chips that one reason bars stand together.
    """
    usable, _ = exercises_told(bench)
    barred: dict[str, list[str]] = {}
    for one in bench.exercises:
        if one.harm:
            barred.setdefault(f"{one.part}: {one.harm}", []).append(one.chip)
    stamp = f" {bench.stamp}" if bench.stamp else ""
    harmed = [f"{', '.join(chips)} ({why}){stamp}" for why, chips in barred.items()]
    told = []
    if usable:
        together = ", ".join(bench.together) or "none of them"
        told.append(
            ("Images that try the wiring, in a spare", [*_first(usable), f"together enough: {together}"])
        )
    if harmed:
        told.append(("No chip of these kinds into this wiring", _first(harmed)))
    return told


def _first(texts: list[str]) -> list[str]:
    more = [f"and {len(texts) - MOST_CHIPS} more"] if len(texts) > MOST_CHIPS else []
    return [*texts[:MOST_CHIPS], *more]


def _type_size_pt(bench: Bench) -> float:
    """A type in which the page stays one sheet of paper (found by printing every kind of part)."""
    listed = (len(bench.moves) + 1) // 2 if len(bench.moves) <= MOST_MOVES else 0
    said = sum(len(one.text) for one in bench.cautions) + sum(map(len, bench.plan))
    known = sum(1 + len(chips) for _, chips in _known(bench))
    fullness = bench.part.pins // 2 + 1.5 * listed + known + said / 100
    return 9 if fullness <= 30 else 8.2 if fullness <= 38 else 7.6 if fullness <= 50 else 7


def bench_document(bench: Bench) -> BenchSheet:
    """The sheet as plain JSON values."""
    part, organisation = bench.part, bench.organisation
    return {
        "part": part.part,
        "organisation": str(organisation) if organisation else None,
        "pins_printed": not bench.withheld,
        "withheld": bench.withheld or None,
        "stamp": bench.stamp or None,
        "source": {"type": part.source.type, "citation": part.source.citation},
        "confidence": part.confidence.value,
        "supplies_v": list(part.supplies_v),
        "pins": [
            {
                "pin": pin.pin,
                "name": pin.name or None,
                "label": pin.label or None,
                "join": None if pin.wire is None else {"kind": pin.wire.kind, "value": pin.wire.value},
                "text": join_text(pin) or None,
                "danger": pin.danger,
                "stamp": pin.stamp or None,
            }
            for pin in bench.pins
        ],
        "from": bench.other.part if bench.other is not None else None,
        "moves": [
            {
                "pin": move.other_pin,
                "old_pin": move.pin,
                "from": None if move.wire is None else str(move.wire),
                "to": None if move.other_wire is None else str(move.other_wire),
                "risk": move.risk or None,
            }
            for move in bench.moves
        ],
        "renamed": [move.other_pin or move.pin for move in bench.renamed],
        "pull_ups": bench.pull_ups,
        "access_ns": bench.access_ns,
        "access_ground": bench.access_ground,
        "wait_us": bench.wait_us,
        "words": organisation.words if organisation else None,
        "bytes": organisation.size_bytes if organisation else None,
        "baud": bench.baud,
        "seconds_a_pass": round(bench.seconds_a_pass, 3),
        "plan": list(bench.plan),
        "exercises": [
            {
                "chip": one.chip,
                "part": one.part,
                "grade": one.grade or None,
                "lines": list(one.lines),
                "missing": list(one.missing),
                "moves": one.moves,
                "harm": one.harm or None,
            }
            for one in bench.exercises
        ],
        "together": list(bench.together),
        "cautions": [
            {"text": one.text, "dangerous": one.dangerous, "ground": one.ground} for one in bench.cautions
        ],
        "deference": DEFERENCE,
    }
