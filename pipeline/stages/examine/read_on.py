"""An image that ends as it begins: words were lost on the way, and the reader went on to its full count.

Source: this follows from the definition of a counter that runs round. That a program hardly ever ends with a
copy of its own beginning is common practice, no source; `tests/MEASUREMENTS.md` has how often.
"""

from __future__ import annotations

from math import exp, log

import numpy as np

from pipeline.catalogue.advice import step
from pipeline.stages.examine.address_lines import dead_places
from pipeline.stages.examine.census import Census
from pipeline.stages.examine.chance import SMALLEST
from pipeline.stages.examine.suspicion import Suspicion
from schemas.finding import Code, Severity

LEAST_DIFFERENT = 5
"""Different words in what stands twice, the commonest word aside."""
LARGEST_PART = 4
"""At most this part of the image is looked at: a repeated half or quarter is an address line's."""
ODDS = 0.5
"""That an image which does so lost words: it may as well have been made so."""
BEYOND_CHANCE = 1e-9


def read_on_findings(census: Census) -> list[Suspicion]:
    """One caution, for the longest stretch at the end that is the image's beginning.

    Args:
        census: The image.
    """
    words, size = census.words, census.size
    if census.known is not None or size < 256 or dead_places(census):
        return []
    part = size - size // LARGEST_PART
    starts = part + np.flatnonzero(words[part : size - LEAST_DIFFERENT + 1] == words[0])
    for shift in range(1, LEAST_DIFFERENT):
        starts = starts[words[starts + shift] == words[shift]]
    for start in starts:
        length = size - int(start)
        if np.array_equal(words[start:], words[:length]):
            return _told(census, length)
    return []


def _told(census: Census, length: int) -> list[Suspicion]:
    again = np.unique(census.words[:length])
    again = again[again != census.fill]
    share = dict(zip(census.values.tolist(), (census.counts / census.size).tolist(), strict=True))
    p_value = max(SMALLEST, exp(sum(log(share[word]) for word in again.tolist())) * census.size)
    if again.size < LEAST_DIFFERENT or p_value > BEYOND_CHANCE:
        return []
    return [
        Suspicion(
            code=Code.SLIPPED,
            severity=Severity.CAUTION,
            where={"by": length},
            evidence={"words": length, "p_value": p_value, "odds_of_fault": ODDS, "holds_back": True},
            means=f"The last {length} words are the first {length} over again: as many words were lost on "
            "the way, and the reader went on from the beginning to its full count. Everything behind the "
            "loss stands too low.",
            also="Content that was made so, such as a message stored at both ends.",
            next=step("slower-line"),
        )
    ]
