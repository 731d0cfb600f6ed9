"""Chips that stand in each other's place: bytes that make sense only with two lanes of a space exchanged.

Whoever reads even and odd chips and swaps two labels gets two sound images and a space in which nothing runs.
The content tells: a header `55 AA` that reads `AA 55`, text whose letters stand in pairs the wrong way round,
branches that land only the other way. It does not say which label is wrong, so nothing is moved.

Source: the header is that of PC expansion ROMs (Plug and Play BIOS Specification 1.0A, section 3.1, from
memory); letter pairs and branches are counted as everywhere in this stage.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import cache, partial
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.catalogue.advice import advise, step
from pipeline.flow import Witness
from pipeline.stages.content.headers import promises
from pipeline.stages.content.lanes import LEGIBLE_FIT
from pipeline.stages.content.program import flow_evidence
from pipeline.stages.content.text import COMMON_PAIR, RARE_PAIR, texts
from pipeline.words import Words
from schemas.finding import Code, Finding, Severity

MOST_LANES = 8
MOST_BYTES = 1 << 20
"""Larger spaces are not searched: following the flow of a megabyte once more costs seconds."""
_HEADER_NATS = 24 * math.log(2)
"""Two bytes of signature and one of sum that come out right."""
Bytes = NDArray[np.uint8]


class Exchanged(NamedTuple):
    """Two lanes whose exchange makes sense of a space.

    Attributes:
        first, second: Their places, in the order in which the bytes are written.
        by: `header`, `text` or `flow`.
        nats: By how much the content speaks for the exchange.
        why: The same for a person; it quotes nothing of the content.
    """

    first: int
    second: int
    by: str
    nats: float
    why: str


def exchanged_lanes(lanes: Sequence[Words]) -> Exchanged | None:
    """The exchange of two lanes for which the content speaks while it denies them as they are.

    Args:
        lanes: Bytes of each chip, shape (n,) each, in the order in which they are written.

    Returns:
        The exchange for which most speaks. Nothing is raised.
    """
    if not 2 <= len(lanes) <= MOST_LANES or sum(map(len, lanes)) > MOST_BYTES or not len(lanes[0]):
        return None
    as_is = cache(lambda by: _LEFT[by](_laid(lanes)))
    found = []
    for first, second in combinations(range(len(lanes)), 2):
        if bool((lanes[first] == lanes[second]).all()):
            continue
        moved = list(lanes)
        moved[first], moved[second] = moved[second], moved[first]
        data = _laid(moved)
        for by, speaks in _SPEAKING.items():
            one = speaks(data)
            # The order as it is has to be asked only where another one speaks, and hardly any does.
            if one is not None and one.outweighs(None) and one.outweighs(against := as_is(by)):
                nats = one.nats - (against.left if against is not None else 0.0)
                found.append(Exchanged(first, second, by, nats, one.words))
    return max(found, key=lambda one: one.nats, default=None)


def _laid(lanes: Sequence[Words]) -> Bytes:
    return np.ascontiguousarray(np.stack(lanes, axis=1).astype(np.uint8).reshape(-1))


def _header(data: Bytes) -> Witness | None:
    """A header whose sum holds, or none."""
    if not any(one.holds and one.method.startswith("PC") for one in promises(data)):
        return None
    return Witness(_HEADER_NATS, _HEADER_NATS, "a header 55 AA whose sum holds reads AA 55")


def _text(data: Bytes) -> Witness | None:
    """Text that reads, by its pairs of letters."""
    text = sum(
        one.letters * (one.fit * COMMON_PAIR - (1 - one.fit) * RARE_PAIR)
        for one in texts(data, 8)
        if one.fit is not None and one.fit > LEGIBLE_FIT
    )
    return Witness(text, text, "text reads with its letters exchanged in pairs") if text > 0 else None


def _flow(data: Bytes, *, speaking: bool = False) -> Witness | None:
    """A program's branches."""
    flow = flow_evidence(data, 8, speaking=speaking)
    return flow and flow._replace(words="branches and calls land only the other way round")


_LEFT: dict[str, Callable[[Bytes], Witness | None]] = {"header": _header, "text": _text, "flow": _flow}
"""What in the bytes depends on their order, by name."""
_SPEAKING: dict[str, Callable[[Bytes], Witness | None]] = {**_LEFT, "flow": partial(_flow, speaking=True)}
"""The same where only what speaks for the order is asked for."""


def exchanged_findings(space: str, chips: Sequence[str], found: Exchanged) -> tuple[Finding, ...]:
    """The caution `lanes-exchanged`, one for each of the two chips.

    Args:
        space: Its name.
        chips: The chips of the lanes, in the order in which their bytes are written.
        found: Which two of them.
    """
    pair = chips[found.first], chips[found.second]
    return tuple(
        Finding(
            code=Code.LANES_EXCHANGED,
            severity=Severity.CAUTION,
            chip=chip,
            where={"space": space, "with": [other]},
            evidence={"by": found.by, "nats": round(found.nats, 1)},
            means=exchanged_words(space, pair, found),
            also="Labels or dump files that were exchanged; a space whose `lanes` or `byte_order` is wrong.",
            next=advise(step("lanes-exchanged", first=pair[0], second=pair[1])),
        )
        for chip, other in (pair, pair[::-1])
    )


def exchanged_words(space: str, pair: tuple[str, str], found: Exchanged) -> str:
    """What speaks for an exchange, in a sentence."""
    return f"In space {space} {found.why}: it makes sense only with {pair[0]} and {pair[1]} exchanged."
