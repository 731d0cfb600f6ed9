"""What a person is told before a hand goes near a chip, by kind of part, for every command and page.

The texts are reminders in the order of danger: those of this part first, then those of every part, then the
rest. The data sheet, local electrical-safety rules and licensed practice come before every one of them, and
the texts say so.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

from pipeline.catalogue.advice import p_channel
from pipeline.catalogue.advice.caution_texts import CAUTIONS
from schemas.vocabulary import Confidence, Kind

if TYPE_CHECKING:
    from schemas.answers import Heeded, ToldCaution
    from schemas.part import Part

DEFERENCE = (
    "These are reminders, not instructions: the part's data sheet, your local electrical-safety rules "
    "and licensed practice come first wherever they differ."
)
THREE_SUPPLIES = frozenset({5.0, -5.0, 12.0})


class Caution(NamedTuple):
    """One thing to heed.

    Attributes:
        key: A short name that does not change.
        dangerous: Whether heeding it too late costs the chip, the reader or a person; such cautions stand
            first.
        text: For a person at the bench.
        ground: Where it comes from: a published source by name, `common practice, no source`, `from memory`.
    """

    key: str
    dangerous: bool
    text: str
    ground: str


def _caution(key: str, **facts: object) -> Caution:
    entry = CAUTIONS[key]
    return Caution(key.partition("/")[0], entry.dangerous, entry.text.format(**facts), entry.ground)


GENERAL_DANGERS = tuple(
    map(_caution, ("measure-first", "switch-off", "unpowered-chip", "reader-at-3v3", "device-programmer"))
)
"""Dangers of every part, beside its own."""
GENERAL_REMINDERS = tuple(map(_caution, ("static", "sole-copy")))
AROUND_THE_CHIP = tuple(map(_caution, ("mains", "batteries", "substances", "ultraviolet")))
"""For the README and the report: dangers of the machine around the chip."""


def cautions(part: Part | None, *, numbered: bool = True) -> tuple[Caution, ...]:
    """What to heed when this part is read, the dangerous first and its own before everybody's.

    Args:
        part: Its catalogue entry or the sheet's own; None where nobody said which, and then only what holds
            for every part is given.
        numbered: False where pin numbers are withheld.
    """
    own = [] if part is None else own_cautions(part, numbered=numbered)
    return _dangerous_first([*own, *GENERAL_DANGERS, *GENERAL_REMINDERS])


def own_cautions(part: Part, *, numbered: bool = True) -> list[Caution]:
    """What this part asks for beyond what every part does."""
    return [
        *_supplies(part, numbered=numbered),
        *_pins(part, numbered=numbered),
        *_identity(part),
        *_behaviour(part, numbered=numbered),
        *_cells(part),
    ]


def replacing(source: Part, target: Part, *, numbered: bool = True) -> tuple[Caution, ...]:
    """What to heed when a replacement is programmed and put into the old part's socket.

    Args:
        source: The old part, whose socket it is.
        target: The new part.
        numbered: False where pin numbers are withheld.
    """
    found = [_caution("original-out")]
    if target.kind in {Kind.UV_EPROM, Kind.PMOS_EPROM, Kind.EEPROM}:
        found.append(_caution("programming-families"))
    if target.kind is Kind.FUSE_PROM:
        found.append(_caution("programming-fuses"))
    if Kind.UV_EPROM in {source.kind, target.kind} or Kind.PMOS_EPROM in {source.kind, target.kind}:
        found.append(_caution("eraser"))
    found += [_caution("blank-first"), *own_cautions(target, numbered=numbered)]
    if source.part != target.part:
        old = (one for one in _supplies(source, numbered=numbered) if one not in found)
        found += [one._replace(text=f"The old part, {source.part}: {one.text}") for one in old]
    kept = {"measure-first", "switch-off", "device-programmer", "mains", "static"}
    general = (*GENERAL_DANGERS, *AROUND_THE_CHIP[:1], *GENERAL_REMINDERS)
    return _dangerous_first([*found, *(one for one in general if one.key in kept)])


ALWAYS = (
    "Before hands go near any chip: power off; every supply measured at the empty socket; right chip, "
    "right way round; reader's pins low or inputs while a supply is off; 5 V and 3.3 V kept apart; ID "
    "checks of a device programmer off; wrist strap on. A sole copy: photographs first, three passes at "
    "the nominal supply, then stop. The data sheet, local electrical-safety rules and licensed practice "
    "come first."
)
"""The general cautions in one breath."""


def heeded(found: Iterable[Caution]) -> Heeded:
    """Cautions as the fields `cautions` and `deference` of an answer."""
    cautions_told: list[ToldCaution] = [
        {"key": one.key, "dangerous": one.dangerous, "text": one.text, "ground": one.ground} for one in found
    ]
    return {"cautions": cautions_told, "deference": DEFERENCE}


def brief(answer: Heeded, part: str | None) -> tuple[str, ...]:
    """The cautions of an answer, short enough not to be skipped.

    The part's own dangers, then the rest in one.

    Args:
        answer: A document with the fields that `heeded` gives.
        part: The part's number; None where nobody said.
    """
    general = {one.key for one in GENERAL_DANGERS}
    own = [one["text"] for one in answer["cautions"] if one["dangerous"] and one["key"] not in general]
    more = (
        "name the part (--part), and its own dangers are told" if part is None else f"wellread parts {part}"
    )
    return (*own, f"{ALWAYS} All of them: {more}.")


def _dangerous_first(found: list[Caution]) -> tuple[Caution, ...]:
    return tuple(sorted(found, key=lambda caution: not caution.dangerous))


def _supplies(part: Part, *, numbered: bool) -> list[Caution]:
    volts = ", ".join(f"{v:+g} V" for v in sorted(part.supplies_v))
    found = []
    if set(part.supplies_v) == THREE_SUPPLIES:
        found.append(_caution("several-supplies/bias-first", volts=volts))
    elif len(part.supplies_v) > 1:
        found.append(_caution("several-supplies", volts=volts))
    if p_channel(part):
        found.append(_caution("p-channel-outputs", lowest=f"{min(part.supplies_v):+g} V"))
        found.append(_caution("p-channel-inputs"))
    if part.pinout == "known" and not part.gnd:
        found.append(_caution("no-ground-pin"))
    if any(supply.volts > 5.5 for supply in part.other_supply) or part.part in {"2716", "2516"}:
        found.append(_caution("shared-number"))
    if 1 in part.gnd and numbered:
        found.append(_caution("reverse-powered", vcc=part.vcc[0] if part.vcc else "?"))
    elif 1 in part.gnd:
        found.append(_caution("reverse-powered/withheld"))
    if any("supply version" in other.name for other in part.other_pins):
        found.append(_caution("supply-versions"))
    return found


def _pins(part: Part, *, numbered: bool) -> list[Caution]:
    """Pins that write or program."""
    found = [
        _caution("write-enable", pins=_named(other.pin, other.name, numbered=numbered))
        for other in part.write_enables
    ]
    found += [
        _caution("select-programs", pins=_named(enable.pin, enable.name, numbered=numbered))
        for enable in part.enables
        if "/WE" in enable.name.upper()
    ]
    pins = [(use.pin, use.name) for use in part.pin_table if programs(use.role, use.name)]
    if pins:
        named = (_named(*pin, numbered=numbered) for pin in pins)
        names = " and ".join(name[:1].lower() + name[1:] for name in named)
        found.append(_caution("programming-voltage", pins=names))
    return found


def programs(role: str, name: str) -> bool:
    """Whether a pin takes a programming voltage or pulse."""
    return role in {"enable", "other"} and any(word in name.upper() for word in ("VPP", "PGM", "PROG"))


def _named(pin: int, name: str, *, numbered: bool) -> str:
    return f"Pin {pin} ({name})" if numbered else f"The pin {name}"


def _identity(part: Part) -> list[Caution]:
    if part.confidence is not Confidence.LOW:
        return []
    return [_caution("check-the-pins", source=part.source.type)]


def _behaviour(part: Part, *, numbered: bool) -> list[Caution]:
    found = []
    if part.open_collector:
        bipolar = part.kind in {Kind.FUSE_PROM, Kind.LOGIC_ARRAY}
        found.append(_caution("pull-ups", ohms="1 to 4.7 kOhm" if bipolar else "about 10 kOhm"))
    if any(enable.active == "mask" for enable in part.enables):
        masked = (e for e in part.enables if e.active == "mask")
        pins = ", ".join(f"pin {e.pin} ({e.name})" if numbered else e.name for e in masked)
        found.append(_caution("select-by-mask", pins=pins))
    if any(enable.active == "low-edge" for enable in part.enables):
        found.append(_caution("latched-address"))
    if part.kind is Kind.FUSE_PROM:
        found.append(_caution("runs-hot"))
    if part.kind is Kind.LOGIC_ARRAY:
        found.append(_caution("not-a-rom"))
    return found


def _cells(part: Part) -> list[Caution]:
    return [_caution("window")] if part.kind in {Kind.UV_EPROM, Kind.PMOS_EPROM} else []
