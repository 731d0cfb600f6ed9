"""What a person is told before power is applied, by kind of part: one place for bench, burn, report and README.

The texts are reminders in the order of danger. The data sheet, local electrical-safety rules and licensed
practice come before every one of them, and the texts say so.
"""

from __future__ import annotations

from dataclasses import dataclass

from schemas.part import Confidence, Kind, Part

DEFERENCE = (
    "These are reminders, not instructions: the part's data sheet, your local electrical-safety "
    "rules and licensed "
    "practice come first wherever they differ."
)


@dataclass(frozen=True, slots=True)
class Caution:
    """One thing to heed.

    Attributes:
        key: A short name that does not change.
        dangerous: Whether heeding it too late costs the chip; such cautions are printed first.
        text: For a person at the bench.
        ground: Where it comes from: `second-hand`, `common practice, no source`, `from memory`, `data sheet`.
    """

    key: str
    dangerous: bool
    text: str
    ground: str


PRACTICE = "common practice, no source"
SECOND_HAND = "second-hand"

_GENERAL = (
    Caution(
        "measure-first",
        dangerous=False,
        text="Set every supply and measure it at the empty socket before the chip goes in, never below or "
        "above the data "
        "sheet's range. Right chip, right notch end: a chip the wrong way round takes the full "
        "reverse current.",
        ground=PRACTICE,
    ),
    Caution(
        "switch-off",
        dangerous=False,
        text="Switch the supplies off on their low-voltage side before a chip goes in or comes out.",
        ground=SECOND_HAND,
    ),
    Caution(
        "static",
        dangerous=False,
        text=(
            "Wrist strap and mat, conductive foam, hold the chip by its body: inputs of that age are "
            "weakly protected."
        ),
        ground=PRACTICE,
    ),
    Caution(
        "sole-copy",
        dangerous=False,
        text="A sole copy: photograph and note first, three passes at the nominal supply, then stop and "
        "compare. No margins, "
        "heat, cleaning or solvents before that.",
        ground=PRACTICE,
    ),
)

AROUND_THE_CHIP = (
    Caution(
        "mains",
        dangerous=True,
        text="Do not open or power an old mains supply without competence: capacitors hold charge, "
        "picture tubes hold more. "
        "Take socketed chips out and read them away from the machine.",
        ground=PRACTICE,
    ),
    Caution(
        "batteries",
        dangerous=True,
        text="Nickel-cadmium packs leak corrosive electrolyte; lithium cells must not be charged, shorted "
        "or heated; "
        "battery-backed memory loses its content with the battery.",
        ground=PRACTICE,
    ),
    Caution(
        "substances",
        dangerous=True,
        text=(
            "Solvents, flux fumes, lead solder, and beryllium oxide or asbestos in some old equipment: "
            "air and local rules."
        ),
        ground=PRACTICE,
    ),
    Caution(
        "ultraviolet",
        dangerous=True,
        text=(
            "Lamps that erase injure eyes and skin: a closed box with an interlock, never look in, air "
            "against ozone."
        ),
        ground=SECOND_HAND,
    ),
)
"""For the README and the report: dangers of the machine around the chip."""


def cautions(part: Part) -> tuple[Caution, ...]:
    """What to heed with this part, the dangerous first.

    Args:
        part: Its catalogue entry or the sheet's own.
    """
    found = [*_supplies(part), *_writing(part), *_identity(part), *_behaviour(part), *_cells(part), *_GENERAL]
    return tuple(sorted(found, key=lambda caution: not caution.dangerous))


def dangerous(part: Part) -> bool:
    """Whether this part can be lost by the first wrong move: several supplies, no ground, a write enable."""
    return any(caution.dangerous for caution in cautions(part))


def _supplies(part: Part) -> list[Caution]:
    volts = [f"{v:+g} V" for v in sorted(part.supplies_v)]
    found = []
    if len(volts) > 1:
        order = (
            "-5 V on first and off last, and no other supply without it; interlock them. "
            if -5.0 in part.supplies_v
            else "Take their order from the data sheet. "
        )
        found.append(
            Caution(
                "several-supplies",
                dangerous=True,
                text=f"Several supplies ({', '.join(volts)}). {order}A missing supply can destroy the chip.",
                ground=SECOND_HAND if -5.0 in part.supplies_v else PRACTICE,
            )
        )
    if part.pinout == "known" and not part.gnd:
        found.append(
            Caution(
                "no-ground-pin",
                dangerous=True,
                text="No ground pin: its levels are against the supplies. Wire it from its data sheet only.",
                ground="from memory",
            )
        )
    if any(supply.volts > 5.5 for supply in part.other_supply) or part.part in {"2716", "2516"}:
        found.append(_shared_number())
    if 1 in part.gnd:
        found.append(
            Caution(
                "reverse-powered",
                dangerous=True,
                text=f"Ground is on pin 1 and +5 V on pin {part.vcc[0] if part.vcc else '?'}: in a socket "
                f"wired for "
                "the usual parts of this size it is reverse-powered.",
                ground=SECOND_HAND,
            )
        )
    return found


def _shared_number() -> Caution:
    return Caution(
        "shared-number",
        dangerous=True,
        text="The single-supply 2716 and the three-supply parts (2708, TMS2716) differ on pins 18 to 21. "
        "Measure the "
        "machine's socket with no chip in it: +12 V on pin 19 means three supplies, and destroys a "
        "single-supply part.",
        ground=SECOND_HAND,
    )


def _writing(part: Part) -> list[Caution]:
    found = [
        Caution(
            "write-enable",
            dangerous=True,
            text=f"Pin {other.pin} ({other.name}) writes to the chip when it goes low: a sole copy can be "
            f"overwritten "
            "while it is read. Tie it to +5 V in hardware before the chip goes in; no program may drive it.",
            ground=PRACTICE,
        )
        for other in part.write_enables
    ]
    programming = [
        f"{use.pin} ({use.name})"
        for use in part.pin_table
        if use.role in {"enable", "other"}
        and any(word in use.name.upper() for word in ("VPP", "PGM", "PROG"))
    ]
    if programming:
        found.append(
            Caution(
                "programming-voltage",
                dangerous=False,
                text=f"Reading needs no programming voltage. Disconnect that supply; pin "
                f"{', '.join(programming)} never "
                "leaves 0 to 5.25 V.",
                ground=PRACTICE,
            )
        )
    return found


def _identity(part: Part) -> list[Caution]:
    if part.confidence is not Confidence.LOW:
        return []
    return [
        Caution(
            "check-the-pins",
            dangerous=False,
            text=(
                f"This entry is {part.source.type} and of low confidence: compare every pin with a data "
                f"sheet first."
            ),
            ground=f"{part.source.type}",
        )
    ]


def _behaviour(part: Part) -> list[Caution]:
    found = []
    if part.open_collector:
        found.append(
            Caution(
                "pull-ups",
                dangerous=False,
                text="Open-collector outputs: a 1 is no current at all. Fit pull-ups of 1 to 4.7 kOhm to "
                "+5 V on every "
                "data line, or ones will be read as zeros.",
                ground=PRACTICE,
            )
        )
    if any(enable.active == "mask" for enable in part.enables):
        pins = ", ".join(str(e.pin) for e in part.enables if e.active == "mask")
        found.append(
            Caution(
                "select-by-mask",
                dangerous=False,
                text=f"The select on pin {pins} is active high or low as the customer's mask chose. Try "
                f"each setting and "
                "keep the one that is not constant.",
                ground=SECOND_HAND,
            )
        )
    if any(enable.active == "low-edge" for enable in part.enables):
        found.append(
            Caution(
                "latched-address",
                dangerous=False,
                text="The address is taken on the falling edge of the enable: raise and lower it for "
                "every address. Held "
                "low, every address reads the same.",
                ground="from memory",
            )
        )
    if part.kind is Kind.FUSE_PROM:
        found.append(
            Caution(
                "runs-hot",
                dangerous=False,
                text="Bipolar: 4.75 to 5.25 V at 100 to 190 mA, half a watt to a watt of heat is normal. "
                "Too hot to "
                "touch is not: switch off.",
                ground="from memory",
            )
        )
    if part.kind is Kind.LOGIC_ARRAY:
        found.append(
            Caution(
                "not-a-rom",
                dangerous=False,
                text=(
                    "A logic array: a truth table records its logic, not its fuses, and only where no "
                    "output feeds back."
                ),
                ground="from memory",
            )
        )
    return found


def _cells(part: Part) -> list[Caution]:
    if part.kind not in {Kind.UV_EPROM, Kind.PMOS_EPROM}:
        return []
    return [
        Caution(
            "window",
            dangerous=False,
            text="A window, if it has one, stays covered with an opaque label: sunlight erases a typical "
            "part in about a "
            "week, room light in about three years, a flash upsets a running one. An original label "
            "is evidence: do "
            "not peel it. Never erase an original.",
            ground=SECOND_HAND,
        )
    ]
