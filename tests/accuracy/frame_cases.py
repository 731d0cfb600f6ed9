"""Two and more readers of one chip, some of them in another frame.

What the rules settle, and what they must not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.random import Generator

from tests.accuracy.case import CODE_PARTS, Case, Expect, Task, Wanted, firmware_window, series
from tests.kit.files import binary, listing
from tests.kit.frames import CROSSINGS, FRAMES, Moved
from tests.kit.images import (
    code,
    put_crc_16,
    put_crc_32,
    put_equal_vectors,
    put_sum,
    silent_code,
    widened,
    with_text,
)
from tests.kit.oracle import Verdict, Voice, verdict
from tests.kit.project import Chip, Kind, Reader, Reading
from tests.kit.wires import Image, UnchangedError

FEWEST_WORDS_MOVED = 64
"""Below, two readings' relation may not be provable: either outcome is right, a wrong one never."""
Stand = Literal["right", "moved"]


@dataclass(frozen=True)
class Party:
    """One reader of a chip.

    Attributes:
        kind: As the sheet says.
        stands: Of each of its passes.
        says: Further keys of its reading's row.
        own_part: Whether a programmer was under the chip's own part.
    """

    kind: Kind
    stands: tuple[Stand, ...]
    says: Mapping[str, str] = field(default_factory=dict)
    own_part: bool = True


@dataclass(frozen=True)
class Parties:
    """The readers of a chip in the sheet's order, and whether its part is known and declared as 2716."""

    parties: tuple[Party, ...]
    part: Literal["known", "unknown", "2716"] = "known"


def _home(*stands: Stand, **says: str) -> Party:
    return Party("home-built", stands, says)


def _prog(*stands: Stand, own_part: bool = True, **says: str) -> Party:
    return Party("device-programmer", stands, says, own_part)


R: Stand = "right"
M: Stand = "moved"
PARTIES: dict[str, Parties] = {
    "home 1 : home 1": Parties((_home(R), _home(M))),
    "home 1 : home 3": Parties((_home(R), _home(M, M, M))),
    "home 3 : home 1": Parties((_home(R, R, R), _home(M))),
    "home 3 moved, listed first : home 1": Parties((_home(M, M, M), _home(R))),
    "programmer 1 : home 1": Parties((_prog(R), _home(M))),
    "programmer 1 : home 3": Parties((_prog(R), _home(M, M, M))),
    "programmer 3 : home 1": Parties((_prog(R, R, R), _home(M))),
    "home 3 moved, listed first : programmer 1": Parties((_home(M, M, M), _prog(R))),
    "programmer : home, part not known": Parties((_prog(R), _home(M, M)), "unknown"),
    "programmer as own part : home": Parties((_prog(R, read_as="2716"), _home(M, M)), "2716"),
    "programmer as alias : home": Parties((_prog(R, read_as="27C16"), _home(M, M)), "2716"),
    "programmer as same pinout : home": Parties((_prog(R, device_setting="2516"), _home(M, M)), "2716"),
    "programmer as other part, moved : home": Parties(
        (_prog(M, M, own_part=False, read_as="TMS2716"), _home(R)), "2716"
    ),
    "programmer set to other part, moved : home": Parties(
        (_prog(M, own_part=False, device_setting="2732"), _home(R)), "2716"
    ),
    "other kind : home": Parties((Party("other", (R, R)), _home(M))),
    "kind not said : home": Parties((Party("", (M, M)), _home(R))),
    "2 homes : 1 home": Parties((_home(R), _home(R, R), _home(M))),
    "1 home : 2 homes moved": Parties((_home(M, M), _home(R), _home(M))),
    "2 homes : 2 homes": Parties((_home(M), _home(R), _home(M), _home(R))),
    "programmer : 2 homes moved": Parties((_home(M), _prog(R, R), _home(M))),
    "programmer and home : home": Parties((_home(M, M, M), _prog(R), _home(R))),
    "2 programmers : home": Parties((_prog(R), _home(M, M, M), _prog(R))),
    "2 homes : home torn": Parties((_home(M, R), _home(R), _home(R))),
    "programmer : home torn": Parties((_home(M, M, R), _prog(R))),
    "1 home torn 1 : 1": Parties((_home(M, R),)),
    "1 home torn 3 : 1": Parties((_home(M, M, M, R),)),
}
Content = Literal["silent", "code", "firmware", "crc-32", "crc-16", "text", "sum", "equal vectors"]
CONTENTS: tuple[Content, ...] = (
    "silent",
    "code",
    "firmware",
    "crc-32",
    "crc-16",
    "text",
    "sum",
    "equal vectors",
)
Say = Literal["nothing said", "lines said", "addresses printed"]
TEXT_TELLS = ("data inverted", "data lines reversed")
"""Changes after which no text is left; after the others some of it may read either way."""
SUM_IS_BLIND = ("two address lines crossed", "counts down", "rotated")


def tasks(seed: int, share: float, *, lines_known: bool) -> Iterator[Task]:
    """Every party with every frame and content.

    Args:
        seed: Of the series.
        share: 1 for about nine thousand cases.
        lines_known: Whether this version knows `lines` of a reading.
    """
    for row in PARTIES:
        for frame in FRAMES:
            for content in ("silent",) if frame == "byte order" else CONTENTS:
                full = 6 if content in ("silent", "firmware") else 2
                yield from series("frames", row, (frame, content, "nothing said"), full, seed, share)
            if frame in CROSSINGS and lines_known:
                yield from series("frames", row, (frame, "silent", "lines said"), 2, seed, share)
            if frame in ("rotated", "late by one", "clock missed", "words lost, padded"):
                yield from series("frames", row, (frame, "silent", "addresses printed"), 2, seed, share)


def _image(random: Generator, task: Task, words: int, content: str) -> tuple[Image, int, str]:
    silent = silent_code(random, words)[0]
    if task.how[0] == "byte order":
        return widened(silent, silent_code(random, words)[0]), 16, "invented"
    makers: dict[str, Callable[[], Image]] = {
        "silent": lambda: silent,
        "code": lambda: code(random, words, messages=0.0)[0],
        "crc-32": lambda: put_crc_32(code(random, words)[0]),
        "crc-16": lambda: put_crc_16(code(random, words)[0]),
        "text": lambda: with_text(random, words)[0],
        "sum": lambda: put_sum(silent),
        "equal vectors": lambda: put_equal_vectors(silent, random),
    }
    if content == "firmware":
        window, name = firmware_window(random, task.half, words)
        return window, 8, name
    return makers[content](), 8, "invented"


def case(task: Task, mark: str) -> Case:
    """One chip, read by several readers.

    Raises:
        UnchangedError: The frame does not show in this image.
    """
    random = task.random()
    frame, content, say = task.how
    parties = PARTIES[task.row]
    words = (
        2048
        if parties.part == "2716"
        else int(random.choice([1024, 2048, 4096, 8192], p=[0.2, 0.5, 0.2, 0.1]))
    )
    truth, bits, source = _image(random, task, words, content)
    moved = FRAMES[frame](random, truth, bits)
    if content == "equal vectors" and moved.crossing is not None and random.random() < 0.7:
        # The bait: it is the crossed reading that shows the table.
        truth, shown = moved.crossing.undo(truth), truth
        moved = Moved(shown, "lines", moved.codes, moved.lines, crossing=moved.crossing)
        if np.array_equal(truth, shown):
            raise UnchangedError("this crossing changes no word")
    part = "" if parties.part == "unknown" or bits != 8 else CODE_PARTS[words]
    made = [
        _reading(party, index, mark, truth, moved, bits, say) for index, party in enumerate(parties.parties)
    ]
    voices = [voice for _, voice in made]
    chip = Chip(f"{mark}", truth, bits, tuple(reading for reading, _ in made), part, {"board": mark})
    if not part:
        voices = [replace(one, own_part=False) for one in voices]
    found = _verdict(voices, moved, frame, content, say, truth)
    expect = _expected(found, moved, truth, voices)
    return Case((Wanted(chip, expect, moved.codes, source=source, grounds=found.grounds),))


def _reading(
    party: Party, index: int, mark: str, truth: Image, moved: Moved, bits: int, say: str
) -> tuple[Reading, Voice]:
    reader = Reader(f"{mark}-r{index}", party.kind)
    says: dict[str, Any] = {"format": "binary", **party.says}
    if bits > 8:
        says["byte_order"] = "big"
    printed = say == "addresses printed" and "moved" not in party.stands
    if printed:
        says["format"] = "listing"
    undone = say == "lines said" and "moved" in party.stands and "right" not in party.stands
    if undone:
        says["lines"] = {key: list(value) for key, value in moved.lines.items()}
    shows = [truth if stand == "right" else moved.stream for stand in party.stands]
    files = tuple(listing(binary(one, bits)) if printed else binary(one, bits) for one in shows)
    stands = tuple("right" if undone else stand for stand in party.stands)
    complete = tuple(one.size == truth.size for one in shows)
    return Reading(reader, files, says), Voice(party.kind, stands, complete, party.own_part, printed)


def _verdict(voices: list[Voice], moved: Moved, frame: str, content: str, say: str, truth: Image) -> Verdict:
    if content.startswith("crc") and frame == "data lines reversed":
        # The mirrored polynomial holds over mirrored bytes: a check, of another name, is kept in either
        # frame.
        return Verdict("open")
    # Sixteen bits are no proof: among the hundreds of schemes that may be meant, one holds by chance too
    # often.
    proves = content == "crc-32" or (content == "text" and frame in TEXT_TELLS)
    may = content in ("code", "firmware", "text", "crc-16") or (
        content == "sum" and frame not in SUM_IS_BLIND
    )
    return verdict(voices, moved.group, content="right" if proves else None, content_may_speak=may)


def _expected(found: Verdict, moved: Moved, truth: Image, voices: list[Voice]) -> Expect:
    if found.kind == "one":
        return "right" if found.frame == "right" else "open"
    size = min(truth.size, moved.stream.size)
    if np.count_nonzero(truth[:size] != moved.stream[:size]) < FEWEST_WORDS_MOVED:
        return "open"
    if found.kind == "settled":
        assert found.frame == "right", "the parties are made so that no ground speaks for the wrong frame"
        return "right"
    return "contested" if found.kind == "contested" else "open"
