"""Where advice comes from. A text that has no source says so.

Sources were looked up in stored copies of public pages; `as quoted` means that the first source itself was
not seen.
"""

from __future__ import annotations

PRACTICE = "common practice, no source"
MEMORY = "from memory"
LOGIC = "follows from the definition"
DATA_SHEET_2708 = (
    "Intel's 2708 data sheet as quoted at vintage-radio.net, thread 179985: -5 V must be the first and "
    "last supply applied"
)
LOW_VOLTAGE_SWITCH = (
    "Micropower, December 1981, page 7: low supplies that decay before the programming supply can write "
    "into the chip"
)
SELECT_2708 = (
    "Micropower, December 1981, page 7: pin 20 of the 2708 at 5 V while reading, pulled to 12 V for "
    "write enable"
)
ELECTRONIC_SIGNATURE = (
    "STMicroelectronics, M27C256B data sheet, electronic signature: 11.5 V to 12.5 V is forced on A9"
)
ERASURE = (
    "STMicroelectronics, M27C256B data sheet, erasure: about 3 years of room fluorescent light, about 1 "
    "week of direct sunlight, opaque labels"
)
PROGRAMMING_VOLTAGES = (
    "classiccmp.org list, as quoted there: 2732 25 V, 2732A 21 V, 2732B 12.5 V, and not every maker followed"
)
NEGATIVE_OUTPUTS = (
    "electronics.stackexchange.com, question 582011: unloaded 1702A outputs measured at -5 to -7 V "
    "(second-hand)"
)
"""The asker's measurement; what clamps and buffers do about it is from memory."""
INPUT_LIMITS = (
    "STMicroelectronics, M27C256B data sheet, absolute maximum ratings: -0.5 V at least on any input or "
    "output"
)
