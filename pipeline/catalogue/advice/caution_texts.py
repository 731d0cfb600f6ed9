"""What is to be heeded, as data: `pipeline.catalogue.cautions` says for which part each text holds."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from pipeline.catalogue.advice.grounds import (
    DATA_SHEET_2708,
    ELECTRONIC_SIGNATURE,
    ERASURE,
    LOW_VOLTAGE_SWITCH,
    MEMORY,
    NEGATIVE_OUTPUTS,
    PRACTICE,
    PROGRAMMING_VOLTAGES,
    SELECT_2708,
)


class CautionText(NamedTuple):
    """A caution before its places are filled."""

    dangerous: bool
    text: str
    ground: str


CAUTIONS: Mapping[str, CautionText] = {
    # -- this part's own dangers
    "several-supplies/bias-first": CautionText(
        dangerous=True,
        text=(
            "Three supplies ({volts}): -5 V on first and off last, and neither of the others without "
            "it; interlock them. A missing -5 V can destroy the chip."
        ),
        ground=DATA_SHEET_2708,
    ),
    "several-supplies": CautionText(
        dangerous=True,
        text=(
            "Several supplies ({volts}): take the order in which they come on and go off from the data "
            "sheet. A missing supply can destroy the chip."
        ),
        ground=PRACTICE,
    ),
    "p-channel-outputs": CautionText(
        dangerous=True,
        text=(
            "Its outputs pull towards {lowest}: those of a 1702A, unloaded, were measured at -5 to -7 V. "
            "Put TTL buffers between, whose input clamps hold a line near -0.7 V, and let no "
            "microcontroller's protection diode carry that current. No pull-downs; pull-ups only as the "
            "data sheet's sink current allows."
        ),
        ground=f"{NEGATIVE_OUTPUTS}; the rest {MEMORY}",
    ),
    "p-channel-inputs": CautionText(
        dangerous=True,
        text=(
            "Its inputs want a high close to the positive supply and a low close to ground (remembered, "
            "not seen, of the 1702A: above Vcc - 2 V and below 0.65 V; the data sheet decides). Drive them "
            "from 5 V logic."
        ),
        ground=MEMORY,
    ),
    "no-ground-pin": CautionText(
        dangerous=True,
        text=(
            "The part has no ground pin: its levels are given relative to its supply pins. Wire it "
            "from its data sheet only."
        ),
        ground=MEMORY,
    ),
    "shared-number": CautionText(
        dangerous=True,
        text=(
            "The single-supply 2716 and the three-supply parts (2708, TMS2716) differ on pins 18 to 21. "
            "Measure the machine's socket with no chip in it: +12 V on pin 19 means three supplies, and "
            "destroys a single-supply part."
        ),
        ground=(
            "classiccmp.org list, June 2015: +12 V on pin 19 tells the three-supply 2716 apart (second-hand)"
        ),
    ),
    "reverse-powered": CautionText(
        dangerous=True,
        text=(
            "Ground is on pin 1 and +5 V on pin {vcc}: in a socket wired for the usual parts of this "
            "size it is reverse-powered."
        ),
        ground="second-hand",
    ),
    "reverse-powered/withheld": CautionText(
        dangerous=True,
        text=(
            "Its ground and +5 V stand on other pins than those of the usual parts of this size: in a "
            "socket wired for those it is reverse-powered. Take both from the data sheet."
        ),
        ground=MEMORY,
    ),
    "supply-versions": CautionText(
        dangerous=True,
        text=(
            "Versions with three supplies and with +5 V alone share this number: find out from marking "
            "and data sheet which one it is before any other supply is joined; a negative supply can "
            "destroy the +5 V version."
        ),
        ground=MEMORY,
    ),
    "write-enable": CautionText(
        dangerous=True,
        text=(
            "{pins} writes to the chip when it goes low: a sole copy can be overwritten while it is "
            "read. Tie it to +5 V in hardware before the chip goes in; no program may drive it."
        ),
        ground=PRACTICE,
    ),
    "select-programs": CautionText(
        dangerous=True,
        text=(
            "{pins} has two functions: low selects the chip, +5 V deselects it, and +12 V readies it "
            "for programming. Nothing above +5 V may reach it."
        ),
        ground=SELECT_2708,
    ),
    "programming-voltage": CautionText(
        dangerous=True,
        text=(
            "Reading needs no programming voltage: disconnect that supply. Hold {pins} at the level for "
            "reading, from the pin table or the data sheet, never above 5.25 V or below 0 V."
        ),
        ground=PRACTICE,
    ),
    # -- every part's dangers
    "measure-first": CautionText(
        dangerous=True,
        text=(
            "Set every supply and measure it at the empty socket before the chip goes in, within the "
            "data sheet's range. Right chip, right notch end: the wrong way round it takes the full "
            "reverse current."
        ),
        ground=PRACTICE,
    ),
    "switch-off": CautionText(
        dangerous=True,
        text=(
            "Switch off, on the supplies' low-voltage side, before a chip goes in or comes out or a "
            "wire moves; with a chip in the socket wires move at the reader's end only."
        ),
        ground=f"{LOW_VOLTAGE_SWITCH}; the rest {PRACTICE}",
    ),
    "unpowered-chip": CautionText(
        dangerous=True,
        text=(
            "No signal feeds an unpowered chip: the reader's pins are low or inputs until every supply "
            "stands, and again before any goes off."
        ),
        ground=PRACTICE,
    ),
    "reader-at-3v3": CautionText(
        dangerous=True,
        text=(
            "A reader that runs at 3.3 V needs level shifters: outputs of a 5 V chip can destroy its "
            "inputs, and its highs may be too low for the chip."
        ),
        ground=PRACTICE,
    ),
    "device-programmer": CautionText(
        dangerous=True,
        text=(
            "A device programmer's electronic-ID check puts about 12 V on A9, and an equivalent part's "
            "setting applies that part's voltages: switch ID checks off for old parts, and compare "
            "supplies and pins before the chip goes in."
        ),
        ground=f"{ELECTRONIC_SIGNATURE}; the rest {PRACTICE}",
    ),
    # -- replacements
    "original-out": CautionText(
        dangerous=True,
        text=(
            "The original must not be in the programmer: take it out and put it away before the blank "
            "goes in."
        ),
        ground=PRACTICE,
    ),
    "programming-families": CautionText(
        dangerous=True,
        text=(
            "The programming voltage differs by marking (25 V, 21 V or 12.5 V under one number): take "
            "it from the data sheet of the marking in hand; another family's setting destroys the part "
            "or leaves weak bits."
        ),
        ground=PROGRAMMING_VOLTAGES,
    ),
    "programming-fuses": CautionText(
        dangerous=True,
        text=(
            "A blown fuse does not come back, and every maker's family has its own voltages and pulses: "
            "choose the setting by the marking in hand, never by size or pins alone."
        ),
        ground=PRACTICE,
    ),
    "eraser": CautionText(
        dangerous=True,
        text=(
            "EPROM-erasing lamps injure eyes and skin: use a closed box with an interlock, never look into "
            "it, and ventilate against ozone. Only blanks and spares go in, never an original; cover "
            "the window after programming."
        ),
        ground="second-hand",
    ),
    "blank-first": CautionText(
        dangerous=False,
        text="Check that the new part is blank before it is programmed, and verify it afterwards.",
        ground=PRACTICE,
    ),
    # -- reminders
    "check-the-pins": CautionText(
        dangerous=False,
        text="This entry is {source} and of low confidence: compare every pin with a data sheet first.",
        ground=PRACTICE,
    ),
    "pull-ups": CautionText(
        dangerous=False,
        text=(
            "Open-collector outputs: a 1 is no current at all. Fit pull-ups of {ohms} to +5 V on every "
            "data line, or ones will be read as zeros."
        ),
        ground=PRACTICE,
    ),
    "select-by-mask": CautionText(
        dangerous=False,
        text=(
            "The customer's mask chose whether {pins} select high or low. Read once with each combination "
            "of levels, power off between; the reading that is not constant is the chip's."
        ),
        ground="second-hand",
    ),
    "latched-address": CautionText(
        dangerous=False,
        text=(
            "The address is taken on the falling edge of the enable: raise and lower it for every "
            "address. Held low, every address reads the same."
        ),
        ground=MEMORY,
    ),
    "runs-hot": CautionText(
        dangerous=False,
        text=(
            "Bipolar: 4.75 to 5.25 V at 100 to 190 mA; half a watt to a watt of heat is normal. Switch "
            "off if it grows too hot to touch. Higher voltages on supply, enable or outputs blow its fuses."
        ),
        ground=MEMORY,
    ),
    "not-a-rom": CautionText(
        dangerous=False,
        text=(
            "A logic array: a truth table records its logic, not its fuses, and only where no output "
            "feeds back."
        ),
        ground=MEMORY,
    ),
    "window": CautionText(
        dangerous=False,
        text=(
            "A window, if it has one, stays covered with an opaque label: sunlight erases a typical "
            "part in about a week, room light in about three years, a flash upsets a running one. An "
            "original label is evidence: do not peel it. Never erase an original."
        ),
        ground=ERASURE,
    ),
    "static": CautionText(
        dangerous=False,
        text=(
            "Wrist strap and mat, conductive foam, hold the chip by its body: inputs of that age are "
            "poorly protected."
        ),
        ground=PRACTICE,
    ),
    "sole-copy": CautionText(
        dangerous=False,
        text=(
            "A sole copy: photograph and note first, three passes at the nominal supply, then stop and "
            "compare. No margins, heat, cleaning or solvents before that; tarnished legs stay as they "
            "are."
        ),
        ground=PRACTICE,
    ),
    # -- around the chip
    "mains": CautionText(
        dangerous=True,
        text=(
            "Do not open or power an old mains supply without competence: capacitors hold charge, "
            "picture tubes hold more. Take socketed chips out and read them away from the machine."
        ),
        ground=PRACTICE,
    ),
    "batteries": CautionText(
        dangerous=True,
        text=(
            "Nickel-cadmium packs leak corrosive electrolyte; lithium cells must not be charged, "
            "shorted or heated; battery-backed memory loses its content with the battery."
        ),
        ground=PRACTICE,
    ),
    "substances": CautionText(
        dangerous=True,
        text=(
            "Solvents, flux fumes, lead solder, and beryllium oxide or asbestos in some old equipment: "
            "ventilate, and follow local rules."
        ),
        ground=PRACTICE,
    ),
    "ultraviolet": CautionText(
        dangerous=True,
        text=(
            "EPROM-erasing lamps injure eyes and skin: use a closed box with an interlock, never look into "
            "it, and ventilate against ozone."
        ),
        ground="second-hand",
    ),
}
"""Every caution by its key, in the order in which they stand."""
