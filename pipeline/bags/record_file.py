"""How a bag's record lies in its file: the head first, indented for a person, then one chip a line.

Ten thousand chips need no more memory than one, whether they are written or read. Nobody else knows this
layout: bags, bundles and everything that reads them come here. Who writes may write only what the schema
knows; who reads keeps what a later version added, and reads a record of any other layout too, at once.

Source: the layout is ours; the file as a whole is JSON (RFC 8259).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, NamedTuple

from pipeline.one_line import inert_json

if TYPE_CHECKING:
    from schemas.record import ChipRecord, OddsRecord, Record, RecordHead

PATH = "metadata/record.json"
"""Where it lies in a bag or bundle."""
FIRST, NEXT = "\n", ",\n"
"""What stands before the first chip, and before each other one."""
_CHIPS = ' "chips": ['
_END = "\n ]\n}\n"


_on_a_line = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode
"""Made once: making the encoder takes a tenth of its work on a chip."""
_OF_EVERY_CHIP = ("chip", "grade", "reasons", "image", "readings", "findings")
"""What every version writes of every chip, private ones too: what reads a record counts on it."""


def lacking(chip: Mapping[str, object]) -> str:
    """What a chip's record lacks that each has; "" for nothing."""
    return ", ".join(key for key in _OF_EVERY_CHIP if key not in chip)


def chip_text(chip: ChipRecord) -> str:
    """One chip's record as it will stand in the file.

    Raises:
        ValueError: It has a field that the schema does not know, or one of another type.
    """
    from schemas.base import follows
    from schemas.record import ChipRecord

    text = inert_json(_on_a_line(chip))
    follows(ChipRecord, text, unknown="forbid")
    return text


def odds_text(odds: OddsRecord | None) -> str:
    """The odds that a settled bit of a chip is wrong as they will stand in the file.

    Raises:
        ValueError: They have a field that the schema does not know, or one of another type.
    """
    from schemas.base import follows
    from schemas.record import OddsRecord

    text = json.dumps(odds, separators=(",", ":"))
    follows(OddsRecord | None, text, unknown="forbid")
    return text


def with_odds(chip: str, odds: str) -> str:
    """One chip's record with its odds: they hang on every chip that a reader read, all else on far fewer.

    Args:
        chip: What `chip_text` gave of the record without them.
        odds: What `odds_text` gave.
    """
    return f'{chip[:-1]},"odds":{odds}}}'


class AroundChips(NamedTuple):
    """What stands before the chips in the file, and behind them."""

    before: str
    behind: str


def around_chips(head: RecordHead) -> AroundChips:
    """The file but for its chips.

    Args:
        head: The record without its chips.

    Raises:
        ValueError: The head has a field that the schema does not know, or one of another type.
    """
    from schemas.base import follows
    from schemas.record import RecordHead

    text = inert_json(json.dumps(head, ensure_ascii=False, indent=1))
    follows(RecordHead, text, unknown="forbid")
    return AroundChips(text[: text.rindex("\n}")] + ",\n" + _CHIPS, _END)


def file_text(head: RecordHead, chips: Iterable[str]) -> Iterator[str]:
    """The file, piece by piece.

    Args:
        head: The record without its chips.
        chips: As `chip_text` gives each.

    Raises:
        ValueError: As `around_chips`.
    """
    around = around_chips(head)
    yield around.before
    beginning = FIRST
    for chip in chips:
        yield beginning + chip
        beginning = NEXT
    yield around.behind


class Opened(NamedTuple):
    """The head of a record's file, and where its chips begin.

    Attributes:
        head: The record without its chips.
        lines: How many lines of the file stand before the first chip.
    """

    head: RecordHead
    lines: int


def open_lines(lines: Iterable[str]) -> Opened | None:
    """The head of a record that is laid out as this program does; None where it is laid out otherwise.

    Args:
        lines: Of the file, from its first; read no further than the head.
    """
    kept = []
    for line in lines:
        if line.rstrip("\r\n") == _CHIPS:
            break
        kept.append(line)
    else:
        return None
    try:
        head = json.loads("".join(kept) + _CHIPS + "]}")
    except (ValueError, RecursionError):
        return None
    head.pop("chips")
    return Opened(head, len(kept) + 1)


def chips_in(lines: Iterable[str], opened: Opened) -> Iterator[ChipRecord]:
    """The chips' records, one at a time.

    Args:
        lines: Of the file, from its first.
        opened: Its head, as `open_lines` gave it.

    Raises:
        ValueError: A line is no JSON.
        RecursionError: One is nested too deeply to be a record.
    """
    for number, line in enumerate(lines):
        text = line.strip()
        if number < opened.lines or not text:
            continue
        if text == "]":
            return
        yield json.loads(text.removesuffix(","))


def whole(content: bytes) -> Record:
    """A record of any layout, at once.

    Raises:
        ValueError: It is no record.
        RecursionError: It is nested too deeply to be one.
    """
    record: Record = json.loads(content)
    if not isinstance(record, dict) or not isinstance(record.get("chips"), list):
        raise ValueError("no record")  # noqa: TRY004 - of what stands in a file
    return record
