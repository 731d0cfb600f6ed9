"""Damage done on the way from the reader to the file.

Seven-bit links, text-mode newlines, eaten characters, UTF-8.

Source: RFC 3629 for UTF-8; the rest (parity, 0D before 0A, flow-control characters eaten, FF doubled) is
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pipeline.catalogue.advice import step
from pipeline.stages.examine import chance
from pipeline.stages.examine.census import Census
from pipeline.stages.examine.content import Content, is_text, judge
from pipeline.stages.examine.odds import BEYOND_DOUBT, LIKELY
from pipeline.stages.examine.suspicion import Suspicion
from pipeline.words import Words
from schemas.finding import Code, Severity

_ODD = np.array([byte.bit_count() & 1 for byte in range(256)], dtype=np.bool_)
_EATEN: tuple[tuple[frozenset[int], str], ...] = (
    (frozenset({0x11, 0x13}), "software flow control took XON and XOFF (11 and 13)"),
    (frozenset({0x0D}), "carriage returns (0D) were taken away"),
    (frozenset({0x0A}), "line feeds (0A) were taken away"),
    (frozenset({0x00}), "nulls (00) were taken away"),
    (frozenset({0x1A}), "end-of-file characters (1A) were taken away"),
    (frozenset({0x08, 0x7F}), "a terminal took backspace and delete (08 and 7F)"),
)
FARTHEST_OPCODE = 4
"""Bytes from 0F to the two FF that end a distance of four bytes."""


def transport_findings(census: Census, noisy: tuple[int, ...] = ()) -> list[Suspicion]:
    """Every kind of stream damage that one image shows; byte-wide images only.

    Args:
        census: The image.
        noisy: Data lines that read otherwise from pass to pass.
    """
    if census.bits != 8 or census.columns.distinct < 16:
        return []
    counts = census.histogram
    found: list[Suspicion | None] = []
    judged = _Judged(census)
    found.append(_seven_bit(census, counts, judged, noisy))
    found.append(_newlines(census, counts, judged))
    found.append(_utf8(census, counts, judged))
    found.append(_eaten(counts))
    found.append(_doubled_ff(census, counts, judged))
    return [one for one in found if one is not None]


class _Judged:
    """The kind of content, worked out only if somebody asks."""

    def __init__(self, census: Census) -> None:
        self._census = census
        self._content: Content | None = None

    def __call__(self) -> Content:
        if self._content is None:
            self._content = judge(self._census)
        return self._content


Judge = Callable[[], Content]


def _seven_bit(
    census: Census, counts: NDArray[np.int64], judged: Judge, noisy: tuple[int, ...]
) -> Suspicion | None:
    """Bit 7 that is the parity of the others, or always 0 in a program: a link of seven bits carried it.

    Two hypotheses are tried, odd and even; each distinct byte value counts once.
    """
    present = np.flatnonzero(counts)
    if present.size < 24:
        return None
    odd = _ODD[present]
    top = present >> 7
    if odd.all() or not odd.any():
        parity = "odd" if odd.all() else "even"
        p_value = chance.corrected(chance.all_alike(int(present.size) - 1, 0.5), 2)
        sure = p_value <= BEYOND_DOUBT and judged().program
        return Suspicion(
            Code.SEVEN_BIT,
            Severity.FAULT if sure else Severity.CAUTION,
            {"line": "D7"},
            {
                "parity": parity,
                "p_value": p_value,
                "informative_words": int(present.size),
                "hypotheses": 2,
                "holds_back": p_value <= BEYOND_DOUBT,
            },
            f"Bit 7 is the {parity} parity of the other seven bits in every byte: the link carried seven "
            "bits, and the chip's own bit 7 is lost.",
            "A chip that stores a parity bit with every word.",
            step("eight-bits"),
        )
    if top.any() or is_text(census, noisy) or not judged().program:
        return None
    return Suspicion(
        Code.SEVEN_BIT,
        Severity.CAUTION,
        {"line": "D7"},
        {"parity": "none", "informative_words": int(present.size), "hypotheses": 2, "holds_back": True},
        "Bit 7 is 0 in every byte of something that looks like a program: a link of seven bits loses it.",
        "A stuck D7.",
        step("eight-bits-or-stuck"),
    )


def _newlines(census: Census, counts: NDArray[np.int64], judged: Judge) -> Suspicion | None:
    """Every 0A has a 0D before it in what is no text: a text-mode transfer put them there.

    In text that is the custom of the time, so there only a doubled 0D speaks.
    """
    feeds = int(counts[0x0A])
    if feeds < 8 or counts[0x0D] < feeds:
        return None
    words = census.seen
    at = np.flatnonzero(words == 0x0A)
    at = at[at > 0]
    if at.size < 8 or not (words[at - 1] == 0x0D).all():
        return None
    if is_text(census):
        return _doubled_returns(words, at)
    share = max(float(counts[0x0D]) / words.size, 1e-6)
    p_value = chance.corrected(chance.all_alike(int(at.size), share), 2)
    if not judged().program:
        return None
    return Suspicion(
        Code.NEWLINE_DAMAGE,
        Severity.FAULT if p_value <= BEYOND_DOUBT and _mixed(words, at) else Severity.CAUTION,
        {"first_at": int(at[0])},
        {"line_feeds": int(at.size), "p_value": p_value, "hypotheses": 2},
        "Every 0A is preceded by 0D in something that is not text: a text-mode transfer put a 0D before "
        "each, and everything behind moved.",
        "Messages with 0D 0A in a program that happens to have no other 0A.",
        step("resend"),
    )


def _doubled_returns(words: Words, feeds: NDArray[np.int64]) -> Suspicion | None:
    """Text whose lines end in 0D 0D 0A: it had 0D 0A already when a transfer put a 0D before each 0A."""
    if not (words[np.maximum(feeds - 2, 0)] == 0x0D).all():
        return None
    return Suspicion(
        Code.NEWLINE_DAMAGE,
        Severity.CAUTION,
        {"first_at": int(feeds[0])},
        {"line_feeds": int(feeds.size), "hypotheses": 2},
        "Every line of this text ends in 0D 0D 0A: a text-mode transfer put a 0D before each 0A of text "
        "that had one, and everything behind moved.",
        "Text written so for a printer that needs time to return its carriage.",
        step("resend"),
    )


def _mixed(words: Words, feeds: NDArray[np.int64]) -> bool:
    """Whether the line feeds stand among bytes that are no text: messages alone prove nothing."""
    before = words[np.maximum(feeds - 2, 0)]
    after = words[np.minimum(feeds + 1, words.size - 1)]
    printable = ((before >= 0x20) & (before < 0x7F)) | ((after >= 0x20) & (after < 0x7F)) | (after == 0)
    return int(np.count_nonzero(~printable)) >= 4


def _utf8(census: Census, counts: NDArray[np.int64], judged: Judge) -> Suspicion | None:
    """Bytes from 80 up are all UTF-8, which chance gives with 1/4 a lead byte.

    Of the 256 values behind a lead byte 64 continue a sequence (RFC 3629 section 3).
    """
    lost = counts[0xEF] >= 4 and counts[0xBF] >= 4 and counts[0xBD] >= 4
    if counts[0xF5:].any() or counts[0xC0:0xC2].any() or int(counts[0xC2:0xF5].sum()) < 4:
        return None
    stream = census.seen.tobytes()
    text = _decoded(stream)
    if text is None:
        return None
    wide = sum(ord(one) > 0x7F for one in text)
    replaced = text.count("\ufffd")
    if wide < 8:
        return None
    lead = int(counts[0xC2:0xF5].sum())
    p_value = chance.all_alike(lead, 0.25)
    destroyed = bool(lost and replaced >= 4)
    latin = all(ord(one) < 0x100 for one in text)
    return Suspicion(
        Code.TEXT_DAMAGE,
        Severity.FAULT
        if p_value <= BEYOND_DOUBT and (destroyed or latin) and not is_text(census)
        else Severity.CAUTION,
        {"kind": "utf-8"},
        {
            "sequences": wide,
            "replaced": replaced,
            "recoverable": latin,
            "p_value": p_value,
            "hypotheses": 1,
            "content": judged().name,
        },
        "Every byte from 80 up belongs to a UTF-8 sequence: the file was saved as text, and "
        + ("bytes were replaced by EF BF BD and are lost." if destroyed else "each such byte became two."),
        "Text that was written in UTF-8, which no chip of the period holds.",
        step("find-unsaved"),
    )


def _decoded(stream: bytes) -> str | None:
    """The text, if all of it is UTF-8 but for a sequence cut off at either end. Source: RFC 3629."""
    for front in range(4):
        for back in range(4):
            try:
                return stream[front : len(stream) - back].decode("utf-8")
            except UnicodeDecodeError as error:
                if error.start > 3 and error.start < len(stream) - front - 8:
                    return None
    return None


def _eaten(counts: NDArray[np.int64]) -> Suspicion | None:
    """Just the byte values that a kind of link takes for itself are absent, where many were due.

    As many as the sixteen rarest others, a cautious guess; absence then has the chance e^-expected (Poisson).
    """
    absent = frozenset(int(byte) for byte in np.flatnonzero(counts == 0))
    if not absent or len(absent) > 4:
        return None
    for taken, what in _EATEN:
        if absent == taken:
            others = np.delete(counts, list(taken))
            expected = float(np.sort(others)[:16].mean()) * len(taken)
            p_value = chance.corrected(chance.all_alike(1, float(np.exp(-expected))), len(_EATEN))
            if p_value > LIKELY:
                return None
            return Suspicion(
                Code.TEXT_DAMAGE,
                Severity.CAUTION,
                {"kind": "eaten"},
                {
                    "absent": sorted(taken),
                    "expected": round(expected, 2),
                    "p_value": p_value,
                    "hypotheses": len(_EATEN),
                },
                f"Of all byte values only {', '.join(f'{byte:02X}' for byte in sorted(taken))} never occur: "
                f"{what}, and everything behind each moved up.",
                "Content that has no use for this value.",
                step("resend"),
            )
    return None


def _doubled_ff(census: Census, counts: NDArray[np.int64], judged: Judge) -> Suspicion | None:
    if counts[0xFF] < 32:
        return None
    is_ff = np.concatenate([[False], census.seen == 0xFF, [False]])
    edges = np.flatnonzero(is_ff[1:] != is_ff[:-1])
    runs = (edges[1::2] - edges[::2])[:-1]
    if runs.size < 16 or (runs & 1).any() or not _anywhere(edges[::2]):
        return None
    if _ends_of_calls(census.seen, edges[::2][:-1]):
        return None
    p_value = chance.all_alike(int(runs.size), 0.5)
    return Suspicion(
        Code.TEXT_DAMAGE,
        Severity.FAULT if p_value <= BEYOND_DOUBT and judged().program else Severity.CAUTION,
        {"kind": "doubled-ff"},
        {"runs": int(runs.size), "p_value": p_value, "hypotheses": 1},
        "FF comes in even runs only: a terminal link doubled each FF, and everything behind moved.",
        "Content in which FF always comes in pairs, such as 16-bit values of -1.",
        step("resend"),
    )


def _ends_of_calls(words: Words, starts: NDArray[np.int64]) -> bool:
    """Whether most of these FF FF end what a processor of 32 bits calls or jumps backwards over.

    Such a distance is a number of four bytes below zero, the least significant first, behind E8, E9 or 0F 8x:
    two FF end it in any program shorter than 64 K. By chance E8 or E9 stand there in one run of a hundred.

    Source: Intel 64 and IA-32 Architectures Software Developer's Manual, volume 2, CALL, JMP and Jcc rel32;
    from memory.
    """
    starts = starts[starts >= FARTHEST_OPCODE]
    far, near = words[starts - FARTHEST_OPCODE], words[starts - 3]
    calls = (near == 0xE8) | (near == 0xE9) | ((far == 0x0F) & (near & 0xF0 == 0x80))
    return 2 * int(np.count_nonzero(calls)) >= starts.size > 0


def _anywhere(starts: NDArray[np.int64]) -> bool:
    """Whether runs start at odd and at even places.

    A stream knows no addresses, a dead line and a table do.
    """
    odd = int(np.count_nonzero(starts & 1))
    return 4 * odd >= starts.size and 4 * odd <= 3 * starts.size
