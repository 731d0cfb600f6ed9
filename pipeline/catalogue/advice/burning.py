"""What a person must know before a replacement goes into the machine: the warnings and dangers of `burn`."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.catalogue.advice.grounds import INPUT_LIMITS, LOGIC, MEMORY, PRACTICE

BURNING: Mapping[str, tuple[str, str]] = {
    "danger-write-hole": (
        (
            "Pin {pin} ({name}) of the new part writes when it goes low: keep it out of hole {hole} and "
            "tie it to +5 V on the adapter, whatever the hole carried"
        ),
        PRACTICE,
    ),
    "danger-write-pin": (
        "Pin {pin} ({name}) of the new part writes when it goes low: tie it to +5 V on the adapter",
        PRACTICE,
    ),
    "danger-programming-hole": (
        (
            "Pin {pin} ({name}) of the new part meets hole {hole}: measure that hole with no chip in "
            "it; it may carry only the levels that this pin takes in reading, never above 5.25 V or below 0 V"
        ),
        PRACTICE,
    ),
    "danger-negative-socket": (
        (
            "The old part had {volts}: holes of this socket may stand below ground, data holes too. "
            "Measure every hole with no chip in it before the new part goes in; the part survives "
            "nothing below about -0.5 V, and no supply above +5 V on a pin that does not ask for it"
        ),
        INPUT_LIMITS,
    ),
    "danger-power-hole": (
        (
            "Ground or +5 V stand on other pins of the new part than in this socket: plugged in straight "
            "it is destroyed. Only an adapter goes in, every supply metered on it with no chip in it first"
        ),
        LOGIC,
    ),
    "danger-other-rail": (
        "The old part had {volts}: measure every hole with no chip in it before the new part goes in",
        PRACTICE,
    ),
    "danger-unnumbered": (
        (
            "A write-enable or programming pin of the new part must not meet what its hole carries: "
            "find it on both data sheets"
        ),
        PRACTICE,
    ),
    "extra-outputs": (
        (
            "The new part has more data outputs than the socket: leave the extra ones unconnected, "
            "never ground them"
        ),
        PRACTICE,
    ),
    "no-ground-hole": ("The socket has no ground hole: bring ground from the board", LOGIC),
    "adapter-board": ("The packages differ ({old} and {new} pins): build a small adapter board", LOGIC),
    "undriven-hole": (
        (
            "Pin {pins} stands over a hole that nothing is known to drive: keep it out of that hole and "
            "tie it to ground or +5 V on the adapter; a floating input wanders"
        ),
        PRACTICE,
    ),
    "held-hole": (
        (
            "Pin {pin} ({name}) is taken as {level} because hole {hole} was {was}: measure that hole "
            "with no chip in it, or repeat the image"
        ),
        LOGIC,
    ),
    "three-state-for-open-collector": (
        (
            "The old part is open-collector and the new one tri-state: safe only where no other output "
            "shares the data lines"
        ),
        PRACTICE,
    ),
    "open-collector-for-three-state": (
        "The new part is open-collector: it needs a pull-up on every data line (1 to 4.7 kOhm to +5 V)",
        PRACTICE,
    ),
    "slower": (
        "The new part takes {new:g} ns where the old one took {old:g} ns: a clocked path may fail",
        LOGIC,
    ),
    "bipolar-speed": (
        (
            "The old part is bipolar (25 to 70 ns as a rule) and the new one is not (70 to 450 ns): it "
            "cannot replace it in a clocked path, only in a slow decode"
        ),
        PRACTICE,
    ),
    "speed-unknown": (
        "Access time of the new part is not in the catalogue: choose a grade no slower than the old part",
        LOGIC,
    ),
    "latch-lost": (
        (
            "The old part takes the address on the falling edge of its enable, the new one follows the "
            "lines: the board must hold them while it reads"
        ),
        MEMORY,
    ),
    "lost-select": (
        "The select in hole {holes} no longer gates the chip: the board must not share the bus by it",
        LOGIC,
    ),
    "always-on": (
        "No select gates the new part: its outputs drive the bus all the time; add an inverter or a gate",
        LOGIC,
    ),
    "mask-select": (
        (
            "The select in hole {holes} was set by the old part's mask: the plan holds only where it is "
            "active as the new part's enable is"
        ),
        LOGIC,
    ),
    "blank-unknown": (
        "What an unprogrammed {part} reads is not known; 1 was assumed where the image does not reach",
        LOGIC,
    ),
    "inverted": (
        "The content is inverted for lines that arrive inverted; a plain reader will show it so",
        LOGIC,
    ),
    "pins-from-memory": (
        "The pins of the {parts} are of low confidence: compare them with a data sheet first",
        LOGIC,
    ),
    "pins-withheld": (
        (
            "No pin numbers: those of the {parts} are from memory only. Take them from the data sheets, "
            "or ask with --from-memory; until every pin is known the new part stays out of the socket"
        ),
        LOGIC,
    ),
    "read-back": (
        (
            "Read the programmed copy back in a second reader at its nominal supply, and compare it "
            "with the file, before it goes into the machine"
        ),
        PRACTICE,
    ),
}
"""Id → (text, ground)."""
