"""Text in an image, weighed: letters are told from bytes that only happen to be printable.

Each byte gets the logarithm of how much more likely it is in text than in bytes without meaning. A stretch
whose scores add up to S turns up by chance at most N·e^(−S) times in N such bytes, so every text found
carries its chance. Text fixes the order of the address lines below its length, which is why a restorer wants
to see it.

Source: the score and its bound are the theory of maximal scoring segments (Karlin and Altschul, PNAS 87,
1990), the simple union bound being used here; the letter weights are rough shares of English, from memory.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.content.fixed_width import fixed_width
from pipeline.stages.content.runs import as_bytes, runs
from pipeline.stages.content.text_codes import DECODED, GAP, KINDS, LETTER, MARKED, PLAIN, SCORED, least_nats
from pipeline.stages.content.text_screen import LONGEST_STRING, SHORTEST_STRING, possible_kinds
from pipeline.words import Words

_BRIDGE = 4
_PAIRS = (
    "THHEINERANREONATENNDTIESORTEOFEDISITALARSTTONTNG"
    "SEHAASOUIOLEVECOMEDEHIRIROICNEEARACELICHLLBEMASI"
    "OMURCAELTALANSDIFOHOPEECPRNOCTUSACOTILTRLYNCETUT"
    "SSSORSUNLOWAGEIEWHEEWIEMADOLRTPOWENAULNITSMOOWPA"
    "IMMIAISHIRSUIDOS"
)
_BIGRAMS = frozenset(_PAIRS[n : n + 2] for n in range(0, len(_PAIRS), 2))
"""Common letter pairs of English, from memory: they tell whole text from every second letter of one."""


WHOLE_FIT, HALF_FIT = 0.6, 0.42
"""Fit of whole English text, and the fit below which 60 letters are not: half of a text, or a wrong pairing.

Measured on three published firmware images and some prose: whole 0.59 to 0.65, every second letter 0.31 to
0.45, letters of wrong partners 0.36 to 0.42.
"""


COMMON_PAIR, RARE_PAIR = math.log(0.61 / 0.37), math.log(0.63 / 0.39)
"""What a common pair of letters speaks for whole text, and what any other pair speaks against it, from those
shares.
"""


_SEEN_AGAIN = 4
"""Bytes in a row that stand as far before, from which on they belong to a pattern."""
_LETTERS_OTHERWISE = 24
"""Letters in all that text in another code must have."""


class TextRun(NamedTuple):
    """A stretch of text.

    Attributes:
        start, end: Half-open word addresses.
        kind: `7-bit`, `bit 7 set`, `last letter marked`, `length-prefixed`, `fixed-width words`, `EBCDIC` or
            `six-bit, blank 00` or `20`.
        score: Natural logarithm of the likelihood ratio, text against bytes without meaning.
        chance: How often such a stretch turns up in an image without text.
        shown: The text, safe to print.
        letters: How many letters it has.
        fit: Share of neighbouring letters that are common pairs (`WHOLE_FIT`, `HALF_FIT`). None with fewer
            than 12 pairs.
        packing: How characters lie in the words where a word is not one character.
    """

    start: int
    end: int
    kind: str
    score: float
    chance: float
    shown: str
    letters: int
    fit: float | None
    packing: str = ""


def in_seven_bits(data: NDArray[np.uint8], code: str | None) -> NDArray[np.uint8]:
    """The bytes of a text as seven-bit characters; 0 for what is none in its code.

    Args:
        data: Shape (n,).
        code: As `TextRun.kind` has it; bit 7 is left out of codes that are seven-bit themselves.
    """
    table = DECODED.get(code or "")
    return data & np.uint8(0x7F) if table is None else table[data]


def safe(data: NDArray[np.uint8] | bytes, *, at_most: int = 48) -> str:
    r"""Characters for one line of a terminal: controls, quotes of terminals and bytes above 126 become `·`.

    Example:
        >>> safe(b"A\x1b[2J")
        'A·[2J'
    """
    raw = bytes(data[:at_most])
    return "".join(chr(byte) if 0x20 <= byte < 0x7F else "·" for byte in raw) + (
        "…" if len(data) > at_most else ""
    )


def pair_fit(data: NDArray[np.uint8]) -> float | None:
    """Share of neighbouring letters that are common English pairs, or None with fewer than 12 pairs."""
    common, pairs = common_pairs(data[:-1], data[1:])
    return common / pairs if pairs >= 12 else None


def _pair_table() -> NDArray[np.bool_]:
    """Shape (256, 256): True for two characters that are a common pair, whatever their case and bit 7."""
    out = np.zeros((32, 32), dtype=bool)
    for pair in _BIGRAMS:
        out[ord(pair[0]) & 31, ord(pair[1]) & 31] = True
    return out


_COMMON_PAIR = _pair_table()


def common_pairs(first: NDArray[np.uint8], second: NDArray[np.uint8]) -> tuple[int, int]:
    """How many pairs of characters are common pairs of letters, and how many are letters at all."""
    one, other = first & 0x7F, second & 0x7F
    letters = LETTER[one] & LETTER[other]
    common = _COMMON_PAIR[one & 31, other & 31] & letters
    return int(common.sum()), int(letters.sum())


def _segments(
    data: NDArray[np.uint8], score: NDArray[np.float32], *, least: float
) -> list[tuple[int, int, float]]:
    """Stretches whose scores add up to `least` or more; up to four other bytes are bridged, at a price."""
    says = score.take(data)
    total = says.cumsum(dtype=np.float64)
    spans = runs(says > GAP, 3)
    found: list[tuple[int, int, float]] = []
    start, end, so_far, best, best_end = 0, 0, 0.0, 0.0, 0
    for first, last in spans:
        gained = float(total[last - 1] - (total[first - 1] if first else 0.0))
        bridged = so_far + GAP * (first - end)
        if first - end > _BRIDGE or bridged <= 0 or so_far <= 0:
            if best >= least:
                found.append((start, best_end, best))
            start, so_far, best, best_end = first, gained, gained, last
        else:
            so_far = bridged + gained
            if so_far > best:
                best, best_end = so_far, last
        end = last
    if best >= least:
        found.append((start, best_end, best))
    return found


def _prefixed(data: NDArray[np.uint8], *, least: float) -> list[tuple[int, int, float]]:
    """Chains of strings that each follow their own length."""
    size = len(data)
    if size < 16:
        return []
    printable = np.concatenate(([0], np.cumsum((PLAIN > GAP)[data])))
    heads = np.flatnonzero((data >= SHORTEST_STRING) & (data <= LONGEST_STRING))
    heads = heads[heads + data[heads] < size]
    length = data[heads].astype(np.int64)
    good = heads[printable[heads + 1 + length] - printable[heads + 1] == length]
    if len(good) < 3:
        return []
    known = set(good.tolist())
    found, used = [], -1
    for head in good.tolist():
        if head < used:
            continue
        at, total, strings = head, 0.0, 0
        while at in known:
            text = data[at + 1 : at + 1 + int(data[at])]
            total += float(PLAIN[text].sum()) + math.log(256 / 39)
            at += 1 + len(text)
            strings += 1
        if strings >= 3 and total >= least:
            found.append((head, at, total))
            used = at
    return found


def _varied(stretch: NDArray[np.uint8]) -> bool:
    """False where a stretch repeats itself within eight characters, or mixes capitals as no text does."""
    if np.count_nonzero(np.bincount(stretch)) < 5:
        return False
    size = len(stretch)
    if any(2 * int((stretch[n:] == stretch[:-n]).sum()) >= size - n for n in range(1, min(9, size))):
        return False
    return not _case_jumps(stretch)


def _new(stretch: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """False where a byte belongs to a pattern that has come round twice, of eight bytes at most.

    What repeats itself is no evidence of writing a second time: strokes of a glyph do, and leaders.
    """
    new = np.ones(len(stretch), dtype=bool)
    for lag in range(1, min(9, len(stretch))):
        for start, end in runs(stretch[lag:] == stretch[:-lag], max(_SEEN_AGAIN, lag)):
            new[start + lag : end + lag] = False
    return new


def _speaks_anew(data: NDArray[np.uint8], found: tuple[int, int, str, float], least: float) -> bool:
    """Whether a stretch still speaks for text without what only repeats itself in it.

    Args:
        data: Shape (n,).
        found: Start, end, kind, score.
        least: What a text must come to.
    """
    start, end, kind, score = found
    stretch = data[start:end]
    repeated = (stretch & np.uint8(0x7F) if kind == "bit 7 set" else stretch)[~_new(stretch)]
    speaks = MARKED if kind == "last letter marked" else PLAIN
    return score - float(np.maximum(speaks[repeated], 0).sum()) >= least


def _case_jumps(stretch: NDArray[np.uint8]) -> bool:
    """Whether capitals follow small letters more often than writing does.

    Operands in the range of letters do.
    """
    plain = stretch & 0x7F
    small, capital = (plain >= 0x61) & (plain <= 0x7A), (plain >= 0x41) & (plain <= 0x5A)
    letters = small | capital
    pairs = int((letters[1:] & letters[:-1]).sum())
    return 8 * int((capital[1:] & small[:-1]).sum()) > pairs


def _otherwise_coded(
    data: NDArray[np.uint8], kinds: frozenset[str], least: float
) -> list[tuple[int, int, str, float]]:
    """Texts in other codes, whose letters must also be neighbours as in writing: their values are common."""
    out = []
    for kind, table in DECODED.items():
        if kind not in kinds:
            continue
        for start, end, worth in _segments(data, PLAIN[table], least=least):
            text = table[data[start:end]]
            letters = int(LETTER[text].sum())
            if letters >= _LETTERS_OTHERWISE and _varied(text) and (pair_fit(text) or 0.0) >= HALF_FIT:
                out.append((start, end, kind, worth))
    return out


def _is_marked(stretch: NDArray[np.uint8]) -> bool:
    """Whether bit 7 stands as at the last letters of words: now and then, and never twice in a row."""
    high = stretch >= 0x80
    return 0.08 <= float(high.mean()) <= 0.5 and not bool((high[:-1] & high[1:]).any())


def text_in_bytes(data: NDArray[np.uint8]) -> list[tuple[int, int, str, float]]:
    """All texts in a row of bytes, the best explanation of each place: (start, end, kind, score).

    Args:
        data: Shape (n,), uint8.

    Returns:
        Not overlapping, in order of address. Nothing is raised.
    """
    (kinds,) = possible_kinds(data)
    if not kinds:
        return []
    least = least_nats(len(data))
    found = []
    for kind, score in SCORED.items():
        if kind in kinds:
            spans = _segments(data, score, least=least)
            found += [(s, e, kind, v) for s, e, v in spans if score is not MARKED or _is_marked(data[s:e])]
    if "length-prefixed" in kinds:
        found += [(s, e, "length-prefixed", v) for s, e, v in _prefixed(data, least=least)]
    found = [one for one in found if _varied(data[one[0] : one[1]]) and _speaks_anew(data, one, least)]
    found += _otherwise_coded(data, kinds, least)
    if "fixed-width words" in kinds:
        told = [(start, end) for start, end, _, _ in found]
        found += [(s, e, "fixed-width words", v) for s, e, v in fixed_width(data, PLAIN, least, told)]
    if len(found) < 2:
        return found
    kept: list[tuple[int, int, str, float]] = []
    for text in sorted(found, key=lambda one: -one[3]):
        if all(text[1] <= other[0] or text[0] >= other[1] for other in kept):
            kept.append(text)
    return sorted(kept)


def _planes(words: Words, bits: int) -> list[tuple[NDArray[np.uint8], int, int, str]]:
    """The ways characters may lie in the words: (bytes, words a unit, bytes a unit, what it is called)."""
    if bits in {7, 8}:
        return [(words.astype(np.uint8, copy=False), 1, 1, "")]
    if bits in {16, 24, 32, 64}:
        size = bits // 8
        data = as_bytes(words, bits)
        turned = data.reshape(-1, size)[:, ::-1].reshape(-1)
        return [(data, 1, size, "high byte first"), (turned, 1, size, "low byte first")]
    if bits == 4 and len(words) >= 16:
        even = words.astype(np.uint8)[: len(words) & ~1].reshape(-1, 2)
        high = (even[:, 0] * np.uint8(16) + even[:, 1]).astype(np.uint8)
        low = (even[:, 1] * np.uint8(16) + even[:, 0]).astype(np.uint8)
        return [(high, 2, 1, "high nibble first"), (low, 2, 1, "low nibble first")]
    return []


def texts(words: Words, bits: int) -> tuple[TextRun, ...]:
    """Every text of an image, with its kind, its chance and a line that is safe to print.

    Words of 7 and 8 bits are characters; wider words of whole bytes are tried with either byte first, words
    of 4 bits as pairs with either nibble first. Words of other widths are not searched.

    Args:
        words: Shape (n,).
        bits: Bits a word.

    Returns:
        In order of address; nothing is raised.
    """
    best: list[TextRun] = []
    for data, unit_words, unit_bytes, packing in _planes(words, bits):
        found = []
        for start, end, kind, score in text_in_bytes(data):
            stretch = DECODED[kind][data[start:end]] if kind in DECODED else data[start:end]
            if unit_words > 1 and (pair_fit(stretch) or 0.0) < HALF_FIT:
                continue
            plain = np.bitwise_and(stretch, 0x7F, dtype=np.uint8)
            found.append(
                TextRun(
                    start=start // unit_bytes * unit_words,
                    end=-(-end // unit_bytes) * unit_words,
                    kind=kind,
                    score=score,
                    chance=min(1.0, KINDS * len(data) * math.exp(-score)),
                    shown=safe(plain if kind != "7-bit" else stretch),
                    letters=int(LETTER[plain].sum()),
                    fit=pair_fit(stretch),
                    packing=packing,
                )
            )
        if sum(t.score * (t.fit or 0.3) for t in found) > sum(t.score * (t.fit or 0.3) for t in best):
            best = found
    return tuple(best)
