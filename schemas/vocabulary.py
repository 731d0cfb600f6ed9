"""Words that documents and the program share: a public contract, and nothing that has to be validated.

They stand apart from the documents because a look at a loose dump needs the words alone: the library that
validates documents takes longer to load than the look.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Any, TypeAlias

Details: TypeAlias = dict[str, Any]
"""Numbers and places of one kind of finding: each code has keys of its own, which schemas/README.md lists."""


class Severity(StrEnum):
    """How much a finding matters for trusting the bytes."""

    FAULT = "fault"
    """The image is not what the chip holds, beyond reasonable doubt."""
    CAUTION = "caution"
    """It may not be; something else would look the same."""
    NOTE = "note"
    """Worth knowing; nothing to repair."""


class Code(StrEnum):
    """Every kind of finding there is."""

    BLANK = "blank"
    CONSTANT = "constant"
    DATA_LINE_STUCK = "data-line-stuck"
    DATA_LINES_JOINED = "data-lines-joined"
    ADDRESS_LINE_DEAD = "address-line-dead"
    ADDRESS_LINES_JOINED = "address-lines-joined"
    FOLLOWS_ADDRESS = "follows-address"
    OVER_READ = "over-read"
    SHORT_READ = "short-read"
    LONG_READ = "long-read"
    ROTATED = "rotated"
    LATE_BY_ONE = "late-by-one"
    SKIPS_WORDS = "skips-words"
    REPEATS_WORDS = "repeats-words"
    SLIPPED = "slipped"
    SEVEN_BIT = "seven-bit"
    NEWLINE_DAMAGE = "newline-damage"
    TEXT_DAMAGE = "text-damage"
    UNSTABLE_BITS = "unstable-bits"
    INTERMITTENT_LINE = "intermittent-line"
    FADING = "fading"
    LINES_REORDERED = "lines-reordered"
    SAME_CONTENT = "same-content"
    INVERSE_CONTENT = "inverse-content"
    PART_OF = "part-of"
    INTERLEAVES_WITH = "interleaves-with"
    LANES_EXCHANGED = "lanes-exchanged"
    FILL = "fill"
    TEXT = "text"
    SELF_CHECK = "self-check"
    FRAMES_DIFFER = "frames-differ"
    WIRING_CARRIED = "wiring-carried"
    RUNS_ON = "runs-on"
    STANDS_AT = "stands-at"
    LINES_CROSSED = "lines-crossed"
    NEXT_ADDRESS = "next-address"
    TWIN_SAME = "twin-same"
    TWIN_DIFFERS = "twin-differs"


class Grade(StrEnum):
    """How far the evidence for a chip's image goes; the first that applies, in this order."""

    MISSING = "missing"
    FAULTY = "faulty"
    CONTESTED = "contested"
    SELF_CHECKED = "self-checked"
    CORROBORATED = "corroborated"
    REPEATABLE = "repeatable"
    SINGLE = "single"


class Kind(StrEnum):
    """How the chip keeps its bits."""

    FUSE_PROM = "fuse PROM"
    UV_EPROM = "UV EPROM"
    PMOS_EPROM = "PMOS EPROM"
    EEPROM = "EEPROM"
    FLASH = "flash"
    MASK_ROM = "mask ROM"
    LOGIC_ARRAY = "logic array (not a ROM)"


class Confidence(StrEnum):
    """How far an entry may be believed; pin numbers below `medium` are not printed unasked."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"
