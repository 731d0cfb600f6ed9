"""What can happen on a line while it is watched: the words of the state machine."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.bench.live.contacts import PassRead
from pipeline.formats.records.reader_log import LineTestRecord
from pipeline.words import Words


@dataclass(frozen=True, slots=True)
class PassBegan:
    """The first word or the header of a pass; `anew` where the reader counts from the beginning again."""

    number: int
    anew: bool


@dataclass(frozen=True, slots=True)
class WordsCame:
    """Words of the pass that is coming, at an address."""

    address: int
    words: Words


@dataclass(frozen=True, slots=True)
class PassEnded:
    """A pass is over: whole, or with what is the matter with it."""

    whole: PassRead | None
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class ReadAgain:
    """The pass that ended last, with what the reader read once more when it was asked."""

    whole: PassRead


@dataclass(frozen=True, slots=True)
class WireTested:
    """A record of a line test."""

    record: LineTestRecord


@dataclass(frozen=True, slots=True)
class NotThisChip:
    """The reader is set to another organisation."""

    found: str


@dataclass(frozen=True, slots=True)
class NoText:
    """What arrives is not text: another speed, most likely."""

    baud: int


@dataclass(frozen=True, slots=True)
class Unplaced:
    """A pass's worth of words has come in plain printing, and nothing said where a pass begins."""


@dataclass(frozen=True, slots=True)
class Silent:
    """Nothing has come for a while: the power may be off."""


@dataclass(frozen=True, slots=True)
class PortGone:
    """The port is not there any more."""


@dataclass(frozen=True, slots=True)
class PortBack:
    """The port is there again."""


Event = (
    PassBegan
    | WordsCame
    | PassEnded
    | ReadAgain
    | WireTested
    | NotThisChip
    | NoText
    | Unplaced
    | Silent
    | PortGone
    | PortBack
)
