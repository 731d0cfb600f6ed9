"""What kind of content an image looks like: only where it looks like a program is a relation a fault.

Character generators, decode PROMs, microcode and tables carry the relations of dead and stuck lines by
design; programs hardly ever do. The limits below were set on the families of `tests.accuracy`, with room on
both sides; an image that looks like nothing in particular gets a caution, never a fault.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.examine.census import Census, bit_matrix
from pipeline.words import Words

LEAST_WORDS = 256
"""A smaller image never shows enough to be called a program beyond reasonable doubt."""
MOST_ORDERED = 8192
"""Words looked at for their order: more would cost time and tell nothing new."""
SHUFFLES = 12
SELDOM_REPEATS = 0.12
"""Share of words, fill aside, that are like the one before: more in character generators and microcode."""
MEASURES = (
    "columns",
    "distinct_words",
    "entropy_share",
    "rarest_level",
    "neighbour_distance",
    "next_alike",
    "order_bits",
    "order_deviations",
)
_PRINTABLE = np.zeros(256, dtype=np.bool_)
_PRINTABLE[0x20:0x7F] = True
_PRINTABLE[[0x00, 0x07, 0x09, 0x0A, 0x0D, 0x1B]] = True
_LETTERS = np.zeros(256, dtype=np.bool_)
_LETTERS[[*range(0x41, 0x5B), *range(0x61, 0x7B)]] = True
LETTERS_OF_HIGH = 0.9
"""Of the characters from 40 up, how many text has as letters; without an alphabet 26 in 32 are."""
CONTROLS_EXPECTED = 0.06
"""So many words without D5 and D6 to expect are twice as many as text may have at most."""


@dataclass(frozen=True)
class Content:
    """What was measured, and what follows.

    Attributes:
        program: It looks like machine code or firmware.
        diverse: The same, but for the order of its words, which a short image cannot show.
        ordered: Many different words that follow each other in an order and seldom repeat at once: firmware
            full of tables and messages, too uneven to be called a program.
        text: It reads as text, bit 7 aside.
        few_words: So few different words that inputs without meaning are to be expected (decode PROM).
        measures: The numbers, for the evidence.
    """

    program: bool
    diverse: bool
    ordered: bool
    text: bool
    few_words: bool
    measures: dict[str, float]

    @property
    def name(self) -> str:
        """One word for the evidence."""
        if self.program:
            return "program-like"
        if self.text and self.measures.get("next_alike", 0.0) <= SELDOM_REPEATS:
            return "text-like"
        if self.diverse:
            return "diverse"
        if self.ordered:
            return "ordered"
        return "few-words" if self.few_words else "other"


def judge(census: Census, spoiled_columns: tuple[int, ...] = ()) -> Content:
    """Measure an image from which the suspected address lines have been folded away.

    Args:
        census: The image.
        spoiled_columns: Data lines already under suspicion; they are left out.
    """
    measures = _measure(census, spoiled_columns)
    return Content(
        program=_is_diverse(measures) and _has_order(measures),
        diverse=_is_diverse(measures),
        ordered=_is_ordered(measures),
        text=is_text(census, spoiled_columns),
        few_words=census.columns.distinct <= max(16, census.seen.size // 32),
        measures=measures,
    )


def is_text(census: Census, spoiled_columns: tuple[int, ...] = ()) -> bool:
    """At least 97 in 100 words, fill aside, are printable but for bit 7, and not by one column alone.

    Microcode whose D5 or D6 is nearly always 1 is printable all through. Text either has letters nearly
    wherever D6 is 1, or fewer control characters than its D5 and D6 make where neither knows of the other.

    Args:
        census: The image.
        spoiled_columns: Data lines already under suspicion; a byte counts if another level there made it
            printable. D5 and D6 are not forgiven, since they alone tell letters from control characters.
    """
    if census.bits not in {7, 8}:
        return False
    printable, letters = _forgiving(_PRINTABLE, spoiled_columns), _forgiving(_LETTERS, spoiled_columns)
    counts = census.histogram.copy()
    if census.fill in {0x00, 0xFF}:
        counts[census.fill] = 0
    folded = counts[:128] + counts[128:]
    total, high = int(folded.sum()), int(folded[0x40:].sum())
    if total < 32 or int(folded[printable].sum()) < 0.97 * total:
        return False
    alphabet = 4 * high >= total and int(folded[0x40:][letters[0x40:]].sum()) >= LETTERS_OF_HIGH * high
    without_d5 = int(folded.reshape(2, 2, 32)[:, 0].sum())
    return alphabet or without_d5 * (total - high) >= CONTROLS_EXPECTED * total * total


def _forgiving(kind: NDArray[np.bool_], spoiled: tuple[int, ...]) -> NDArray[np.bool_]:
    """Which of 128 characters are of a kind, or would be with another level on a spoiled line."""
    out = kind[:128].copy()
    for line in spoiled:
        if line < 5:
            out |= out[np.arange(128) ^ (1 << line)]
    return out


def _is_diverse(measures: dict[str, float]) -> bool:
    """Many different words, balanced columns, and neighbours as far apart as strangers."""
    return (
        measures["words"] >= LEAST_WORDS
        and measures["columns"] >= 5
        and measures["distinct_words"] >= 48
        and measures["entropy_share"] >= 0.62
        and measures["rarest_level"] >= 0.10
        and measures["neighbour_distance"] >= 0.88
        and measures["next_alike"] <= SELDOM_REPEATS
    )


def _is_ordered(measures: dict[str, float]) -> bool:
    """Character generators and microcode repeat one word in seven at once; smooth tables hardly change."""
    return (
        measures["words"] >= LEAST_WORDS
        and measures["distinct_words"] >= 56
        and measures["entropy_share"] >= 0.6
        and measures["neighbour_distance"] >= 0.7
        and measures["next_alike"] <= SELDOM_REPEATS
        and measures["order_bits"] >= 0.25
        and measures["order_deviations"] >= 8
    )


def _has_order(measures: dict[str, float]) -> bool:
    """Words follow each other in a way that shuffled words do not; short images chance upon more of it."""
    least = 0.12 if measures["words"] >= 1024 else 0.20
    return measures["order_bits"] >= least and measures["order_deviations"] >= 8


def _measure(census: Census, spoiled: tuple[int, ...]) -> dict[str, float]:
    words = census.seen
    told = words != census.fill
    measures = dict.fromkeys(MEASURES, 0.0)
    measures["words"] = float(words.size)
    if np.count_nonzero(told) < 64:
        return measures
    kept = words[told]
    levels = bit_matrix(kept, census.bits).mean(axis=0)
    rarest = np.minimum(levels, 1 - levels)
    good = [line for line in range(census.bits) if line not in spoiled and rarest[line] > 0]
    if not good:
        return measures
    entropy = _entropy(kept)
    measures["columns"] = float(len(good))
    measures["distinct_words"] = float(np.unique(kept).size)
    measures["entropy_share"] = entropy / min(len(good), float(np.log2(kept.size)))
    measures["rarest_level"] = float(rarest[good].min())
    measures["neighbour_distance"] = _neighbour_distance(words, told)
    measures["next_alike"] = float((words[1:] == words[:-1])[told[1:]].mean())
    measures["order_bits"], measures["order_deviations"] = _order(kept)
    return {name: round(value, 4) for name, value in measures.items()}


def _entropy(words: NDArray[np.integer[Any]]) -> float:
    _, counts = np.unique(words, return_counts=True)
    share = counts / counts.sum()
    return float(-(share * np.log2(share)).sum())


def _neighbour_distance(words: Words, told: NDArray[np.bool_]) -> float:
    """Bits in which neighbours differ, against bits in which words far apart differ. About 1 in programs."""
    size = int(words.size)

    def apart(step: int) -> float:
        either = told | np.roll(told, step)
        return float(np.bitwise_count(words ^ np.roll(words, step))[either].mean())

    strangers = [apart(size // 2 + 13), apart(size // 3 + 7), apart(size // 5 + 3)]
    return apart(1) / max(1e-9, sum(strangers) / 3)


def _order(words: Words) -> tuple[float, float]:
    """Bits a word that the order of words tells against shuffled words, and how many deviations that is.

    The shuffles are always the same ones, so the same image always gets the same answer.
    """
    _, coded = np.unique(words[:MOST_ORDERED], return_inverse=True)
    many = int(coded.max()) + 1
    random = np.random.default_rng(1)
    shuffled = []
    for _ in range(SHUFFLES):
        mixed = random.permutation(coded)
        shuffled.append(_entropy(mixed[:-1] * many + mixed[1:]))
    tells = float(np.mean(shuffled)) - _entropy(coded[:-1] * many + coded[1:])
    return tells, tells / max(float(np.std(shuffled)), 1e-3)
