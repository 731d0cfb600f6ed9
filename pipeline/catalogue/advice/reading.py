"""How a new reader earns belief, and what a wiring sheet says of single wires: the texts of `bench`."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.catalogue.advice.grounds import LOGIC, MEMORY, PRACTICE

READING: Mapping[str, tuple[str, str]] = {
    "plan-wires": (
        (
            "No chip: follow every wire from pin to pin with a meter, tick it, then measure every hole "
            "of the socket: each supply where it belongs, and no other voltage anywhere."
        ),
        PRACTICE,
    ),
    "plan-empty": (
        (
            "Socket empty, pull-ups of 10 kOhm on the data lines: every word reads {ones}. With "
            "pull-downs: every word reads 0. A bit that does neither is joined to something."
        ),
        LOGIC,
    ),
    "plan-empty-pmos": (
        (
            "Socket empty, pull-ups of 10 kOhm on the data lines: every word reads {ones}; a bit that "
            "does not is joined to something. No pull-downs. Take the pull-ups off again if the data "
            "sheet's sink current does not allow them."
        ),
        MEMORY,
    ),
    "plan-spare": (
        (
            "First a spare with the same pin list, programmed from a known image and compared with "
            "it{content}; where none can be programmed, an expendable chip of the same part. No original "
            "goes into wiring that is not proved."
        ),
        PRACTICE,
    ),
    "plan-expendable": (
        (
            "First an expendable chip of the same part, once every hole was measured: no original, and "
            "nothing of this project, goes into wiring for several supplies that is not proved."
        ),
        PRACTICE,
    ),
    "plan-writable": (
        (
            "First an expendable chip of the same part, once the hole of the write enable was measured: "
            "it stands at +5 V whatever the reader does. No original goes into wiring that is not "
            "proved."
        ),
        PRACTICE,
    ),
    "plan-pulls": ("With the chip in: {pulls}", PRACTICE),
    "plan-passes": (
        (
            "Three passes of the chip without touching it; then power off, chip out, chip back, and one "
            "pass more."
        ),
        PRACTICE,
    ),
    "plan-examine": ("wellread examine PASS1 PASS2 PASS3 PASS4 --part {part}", LOGIC),
    "outputs-open-collector": ("open-collector: a pull-up of 1 to 4.7 kOhm to +5 V on each", PRACTICE),
    "outputs-open-drain": ("open drain: a pull-up of about 10 kOhm to +5 V on each", PRACTICE),
    "outputs-pmos": ("p-channel: into TTL buffers, no pull-downs", MEMORY),
    "outputs-unknown": (
        "output type not in the catalogue: take it from the data sheet before any pull is fitted",
        LOGIC,
    ),
    "risk-rail": ("switch that supply off first", PRACTICE),
    "risk-write": ("before the chip goes in, or it is written to", PRACTICE),
    "harm-writable": ("it can be overwritten where a wire is wrong", PRACTICE),
    "harm-supplies": ("it needs several supplies: one of them missing or misplaced can destroy it", PRACTICE),
}
"""Id → (text, ground)."""
