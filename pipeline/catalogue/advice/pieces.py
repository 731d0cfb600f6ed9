"""Phrases that several steps share, by what kind of output the part has.

`any` stands where the output is not known, and then covers every kind. `open-drain` is a MOS part whose 1 is
no current.
"""

from __future__ import annotations

from collections.abc import Mapping

_PULLS_MOS = (
    "Read once with pull-ups and once with pull-downs of about 10 kilohms on the data lines, power off "
    "while they are changed: bits that follow the pull are not driven."
)
_PULLS = {
    "tri-state": _PULLS_MOS,
    "bipolar": (
        "Read once with pull-ups of 1 kilohm and once with 10 kilohms to +5 V, power off while they are "
        "changed (the outputs are open-collector, so every 1 follows a pull): bits that change were not "
        "well driven."
    ),
    "open-drain": (
        "Read once with pull-ups of 10 kilohms and once with 47 kilohms to +5 V, power off while they "
        "are changed (a 1 is no current, so every 1 follows a pull): bits that change were not well "
        "driven."
    ),
    "pmos": (
        "No pull-downs on a p-channel part. Read the empty socket once with the same wires, chip out "
        "and power off between: bits that read the same without the chip say nothing."
    ),
    "any": (
        "Read once with pull-ups and once with pull-downs of about 10 kilohms on the data lines, power "
        "off while they are changed: bits that follow the pull are not driven. Open-collector outputs "
        "need two pull-up values instead, since every 1 follows the pull; a part with a supply of -9 or "
        "-12 V gets no pull-downs at all."
    ),
}
_MARGINS = (
    "Once three passes at the nominal supply are stored and compared, one pass at either end of the "
    "data sheet's supply range, and no further, tells weak cells (a sole copy: only if the answer is "
    "worth the risk; stop there if in doubt)."
)
_HOLD_BY_PROGRAM = "Have the reader's program hold {line} low for one reading and high for another."
_HOLD_P_CHANNEL = (
    f"{_HOLD_BY_PROGRAM} No pin of a p-channel part is tied to +5 V or to ground: its input levels are those "
    "of the data sheet."
)


def _hold(but: str = "") -> str:
    return (
        f"{_HOLD_BY_PROGRAM} Where it cannot: power off, take the reader's end of the wire off {{line}}, tie "
        "the pin to the socket's +5 V through 1 kilohm or to ground through 220 ohms (address pins only"
        f"{but}), read, power off, and untie it before the wire goes back."
    )


_HOLD = {
    "tri-state": _hold(),
    "bipolar": _hold(),
    "open-drain": _hold(),
    "pmos": _HOLD_P_CHANNEL,
    "any": _hold("; never on a part with a supply of -9 or -12 V"),
}
_PROBE = (
    "To watch it at the chip, clip the probe on with the power off, and take it off with the power "
    "off.{beside}"
)
_RESEAT = (
    "Switch off, take the chip out, follow the wires from the socket to the reader with a meter, put "
    "the chip back once, right way round, and read again (sole copies and tarnished legs are not "
    "cleaned)."
)
_PULL_UPS = {
    "bipolar": "Fit pull-ups of 1 to 4.7 kilohms to +5 V on every data line, power off",
    "open-drain": "Fit pull-ups of about 10 kilohms to +5 V on every data line, power off",
    "tri-state": (
        "Look whether the part's outputs are open-collector: only then they need pull-ups, 1 to 4.7 "
        "kilohms on a bipolar part, about 10 kilohms on a MOS part, fitted with the power off"
    ),
    "pmos": "Load the outputs as the data sheet says, power off while it is changed",
    "any": (
        "Where the outputs are open-collector, fit pull-ups to +5 V with the power off (1 to 4.7 "
        "kilohms on a bipolar part, about 10 kilohms on a MOS part)"
    ),
}


def _alike(text: str) -> dict[str, str]:
    return dict.fromkeys(_PULLS, text)


PIECES: Mapping[str, Mapping[str, str]] = {
    "pulls": _PULLS,
    "margins": _alike(_MARGINS),
    "hold": _HOLD,
    "probe": _alike(_PROBE),
    "reseat": _alike(_RESEAT),
    "pull_ups": _PULL_UPS,
}
"""Name of a piece → kind of output → its text."""
