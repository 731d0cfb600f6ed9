"""What each pin of a part needs while it is read, and how two pinouts differ.

Nothing here lists a difference by hand: every move of a wire and every tie follows from two pin tables, so
that a corrected catalogue entry corrects everything that is printed about it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

from pipeline.catalogue.advice import advise
from schemas.part import Part, PinUse

WireKind = Literal["address", "data", "rail", "open", "choose", "pulse", "ask"]
NARROW_PINS = 20
"""Packages up to this many pins have rows 7.62 mm apart, larger ones 15.24 mm (common practice; a few narrow
24-pin parts exist): one cannot sit in the other's socket.
"""


@dataclass(frozen=True, slots=True)
class Wire:
    """What a pin is joined to while the chip is read.

    Attributes:
        kind: `address` or `data` line; `rail` a fixed voltage; `open` nothing; `choose` either level in turn
            (a select whose polarity a mask decided); `pulse` lowered for every address; `ask` the data sheet
            decides.
        value: Number of the line, or volts of the rail.
    """

    kind: WireKind
    value: float = 0

    def __str__(self) -> str:
        if self.kind in {"address", "data"}:
            return f"{self.kind} bit {self.value:g}"
        if self.kind == "rail":
            return "ground (0 V)" if self.value == 0 else f"{self.value:+g} V"
        return {
            "open": "leave open",
            "choose": "high or low: one reading each",
            "pulse": "high, then low for every address",
            "ask": "as the data sheet says",
        }[self.kind]


SAFE_RAILS = {0.0, 5.0}
"""Every other voltage is a danger on a wire left from another part."""
HIGH = Wire("rail", 5.0)
LOW = Wire("rail", 0.0)
OPEN = Wire("open")
ASK = Wire("ask")
_FOR_READING = {"vcc": HIGH, "high": HIGH, "low": LOW, "open": OPEN, "unknown": ASK}
_ENABLING = {"low": LOW, "high": HIGH, "mask": Wire("choose"), "low-edge": Wire("pulse"), "unknown": ASK}


def wiring(part: Part) -> dict[int, Wire]:
    """What every pin of the package is joined to for reading, by pin number.

    Example:
        >>> from pipeline.catalogue import load
        >>> {pin: str(wire) for pin, wire in wiring(load().find("2716")).items() if pin in (1, 12, 18, 21)}
        {1: 'address bit 7', 12: 'ground (0 V)', 18: 'ground (0 V)', 21: '+5 V'}
    """
    special = {e.pin: _ENABLING[e.active] for e in part.enables}
    special |= {o.pin: _FOR_READING[o.for_reading] for o in part.other_pins}
    special |= {s.pin: Wire("rail", s.volts) for s in part.other_supply}
    special |= dict.fromkeys(part.contested_pins, ASK)  # two sources, two wires: neither is printed
    return {use.pin: special[use.pin] if use.pin in special else _plain(use) for use in part.pin_table}


def _plain(use: PinUse) -> Wire:
    if use.role == "address" and use.line is not None:
        return Wire("address", use.line)
    if use.role == "data" and use.line is not None:
        return Wire("data", use.line)
    return {"vcc": HIGH, "gnd": LOW, "nc": OPEN}.get(use.role, ASK)


def seat(part: Part, other: Part) -> int | None:
    """How far the pin numbers shift where `part`'s socket takes `other` at the ground end.

    None where it cannot.

    A smaller package sits at the end away from pin 1, so that the grounds meet: pin 1 of a 24-pin part lies
    in hole 3 of a 28-pin socket.

    Source: second-hand, from memory.

    Example:
        >>> from pipeline.catalogue import load
        >>> seat(load().find("2364"), load().find("2764"))
        2
    """
    if (part.pins <= NARROW_PINS) != (other.pins <= NARROW_PINS):
        return None
    return (other.pins - part.pins) // 2


class PinDifference(NamedTuple):
    """One place where two pinouts do not say the same.

    Attributes:
        pin: Pin of the first part, None where it has none there.
        other_pin: Pin of the second.
        use, other_use: What each is.
        wire, other_wire: What each is joined to for reading.
        moves: Whether a wire has to be moved; False where both functions want the same wire.
    """

    pin: int | None
    other_pin: int | None
    use: PinUse | None
    other_use: PinUse | None
    wire: Wire | None
    other_wire: Wire | None

    @property
    def moves(self) -> bool:
        """Whether a wire must be moved from the first part's wiring to the second's."""
        return (self.wire or OPEN) != (self.other_wire or OPEN)

    @property
    def risk(self) -> str:
        """Why this wire must move before anything else, in words; "" where it may wait its turn."""
        wires = (self.wire, self.other_wire)
        if any(wire is not None and wire.kind == "rail" and wire.value not in SAFE_RAILS for wire in wires):
            return advise("risk-rail")
        if self.other_use is not None and self.other_use.name.startswith("/WE"):
            return advise("risk-write")
        return ""


def function(use: PinUse) -> tuple[str, str]:
    """What a pin is: its role, and its line or name."""
    return use.role, str(use.line) if use.line is not None else use.name


def differences(part: Part, other: Part) -> tuple[PinDifference, ...]:
    """The set difference of two pin tables, seated in one socket, in the order of the second part's pins.

    Packages that cannot share a socket are compared pin by pin from the ground end all the same, since a
    breadboard takes both.

    Args:
        part: What is wired already.
        other: What is to be wired.
    """
    shift = (other.pins - part.pins) // 2
    first = {use.pin + shift: use for use in part.pin_table}
    second = {use.pin: use for use in other.pin_table}
    wires, other_wires = wiring(part), wiring(other)
    found = []
    for place in sorted(first.keys() | second.keys()):
        use, other_use = first.get(place), second.get(place)
        alike = use and other_use and function(use) == function(other_use)
        if use and other_use and alike and wires[use.pin] == other_wires[other_use.pin]:
            continue  # a select of one name may still want another level
        found.append(
            PinDifference(
                pin=use.pin if use else None,
                other_pin=other_use.pin if other_use else None,
                use=use,
                other_use=other_use,
                wire=wires[use.pin] if use else None,
                other_wire=other_wires[other_use.pin] if other_use else None,
            )
        )
    return tuple(found)
