"""What can happen on a line while it is watched: the words of the state machine."""

from __future__ import annotations

from typing import NamedTuple

from pipeline.bench.live.contacts import PassRead
from pipeline.formats.records.reader_log import LineTestRecord
from pipeline.words import Words


class PassBegan(NamedTuple):
    """The first word or the header of a pass; `anew` where the reader counts from the beginning again."""

    number: int
    anew: bool


class WordsCame(NamedTuple):
    """Words of the pass that is coming, at an address."""

    address: int
    words: Words


class PassEnded(NamedTuple):
    """A pass is over: whole, or with what is the matter with it."""

    whole: PassRead | None
    trouble: str = ""


class ReadAgain(NamedTuple):
    """The pass that ended last, with what the reader read once more when it was asked."""

    whole: PassRead


class WireTested(NamedTuple):
    """A record of a line test."""

    record: LineTestRecord


class NotThisChip(NamedTuple):
    """The reader is set to another organisation."""

    found: str


class NoText(NamedTuple):
    """What arrives is not text: another speed, most likely."""

    baud: int


class Unplaced(NamedTuple):
    """A pass's worth of words has come in plain printing, and nothing said where a pass begins."""


class Silent(NamedTuple):
    """Nothing has come for a while: the power may be off."""


class PortGone(NamedTuple):
    """The port is not there any more."""


class PortBack(NamedTuple):
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
