"""What normalising tells of a dump's length, and the steps it writes down, held to the last word."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.catalogue.advice import advise
from pipeline.errors import AmbiguousError
from pipeline.flow import Step
from schemas.finding import Finding
from schemas.sheet import Packed, Take
from tests.unit.test_normalise import CODE, normalised

WHO: dict[str, Any] = {"readings": ["U1.prog.1"], "readers": ["prog"]}
NIBBLES = CODE & 15
SHORT = "A smaller chip than declared; bytes lost on the serial line; a capture that was stopped early."
PACKED = (
    "Two words packed in each byte (then say `packed: {first: high}` or low); a smaller chip than declared."
)


def document(finding: Finding) -> dict[str, Any]:
    return dict(finding.to_record())


def only(content: bytes, organisation: str = "2048x8", **manner: Any) -> dict[str, Any]:
    (finding,) = normalised(content, organisation, **manner).findings
    return document(finding)


def test_copies_are_told_with_their_number_and_how_far_they_agree() -> None:
    second = CODE.copy()
    second[[3, 9]] ^= 1
    done = normalised(CODE.tobytes() + second.tobytes())
    assert [document(each) for each in done.findings] == [
        {
            "code": "over-read",
            "severity": "note",
            "chip": "U1",
            "where": {**WHO, "copies": 2},
            "evidence": {"copies": 2, "words_read": 4096, "words": 2048, "words_that_differ": 2},
            "means": "The dump holds the chip's 2048 words 2 times: the reader counted further than the chip "
            "has addresses. Each copy counts as a pass of one sitting.",
            "also": "A chip of a larger organisation whose top address line is dead, or a small program "
            "stored several times in a larger chip.",
            "next": advise("compare-marking"),
        }
    ]
    why = "The address counter was wider than the chip."
    assert [one.steps[-2] for one in done.passes] == [
        Step("copy", {"index": index, "words": 2048}, why) for index in range(2)
    ]


@pytest.mark.parametrize(
    ("content", "organisation", "words", "missing", "also"),
    [
        (CODE[:2000].tobytes(), "2048x8", 2048, 48, SHORT),
        (CODE[:1024].tobytes(), "2048x8", 2048, 1024, SHORT),
        (NIBBLES[:1000].tobytes(), "2048x4", 2048, 1048, SHORT),
        (NIBBLES[:1024].tobytes(), "2048x4", 2048, 1024, PACKED),
    ],
)
def test_a_short_dump_is_told_with_what_is_absent(
    content: bytes, organisation: str, words: int, missing: int, also: str
) -> None:
    done = normalised(content, organisation)
    assert [document(each) for each in done.findings] == [
        {
            "code": "short-read",
            "severity": "fault",
            "chip": "U1",
            "where": {**WHO, "missing": missing},
            "evidence": {"missing": missing, "words_read": words - missing, "words": words, "holes": []},
            "means": f"The dump lacks {missing} of the chip's {words} words. What is missing is marked as "
            "absent; nothing stands for it.",
            "also": also,
            "next": advise("count-words"),
        }
    ]
    why = "The dump is short; absent words are marked, not invented."
    assert done.passes[0].steps[-2] == Step("pad", {"words": words}, why)


MERGED = "several chips merged in one file (then say `take`); the declared size is too small."
OTHERS = "Doubled or added bytes on the way; a banner read as data; a wrong declared size."
UNDRIVEN = "he further part is not driven (a chip smaller than the device was set to)."


@pytest.mark.parametrize(
    ("content", "organisation", "extra", "repeats", "constant", "holds_back", "also"),
    [
        (
            CODE.tobytes() + CODE[:9].tobytes(),
            "2048x8",
            9,
            True,
            False,
            True,
            "The counter ran on into the beginning again.",
        ),
        (CODE.tobytes() + b"\xff" * 9, "2048x8", 9, False, True, True, f"T{UNDRIVEN}"),
        (CODE.tobytes() + b"\xff" * 2048, "2048x8", 2048, False, True, False, f"T{UNDRIVEN}"),
        (CODE.tobytes() + CODE[::-1].tobytes(), "2048x8", 2048, False, False, True, f"S{MERGED[1:]}"),
        (CODE.tobytes() + CODE[9:20].tobytes(), "2048x8", 11, False, False, True, OTHERS),
        (CODE.tobytes() + b"\r\n", "2048x8", 2, False, False, False, OTHERS),
        (
            NIBBLES.tobytes() + NIBBLES[::-1].tobytes(),
            "2048x4",
            2048,
            False,
            False,
            True,
            f"S{MERGED[1:-1]}; the file holds one nibble a byte twice, or another organisation.",
        ),
    ],
)
def test_a_long_dump_is_told_with_what_its_further_words_look_like(
    content: bytes,
    organisation: str,
    extra: int,
    *,
    repeats: bool,
    constant: bool,
    holds_back: bool,
    also: str,
) -> None:
    done = normalised(content, organisation)
    assert [document(each) for each in done.findings] == [
        {
            "code": "long-read",
            "severity": "caution",
            "chip": "U1",
            "where": {**WHO, "extra": extra},
            "evidence": {
                "extra": extra,
                "words_read": 2048 + extra,
                "words": 2048,
                "extra_repeats_start": repeats,
                "extra_is_constant": constant,
                "holds_back": holds_back,
            },
            "means": f"The dump has {2048 + extra} words, the chip 2048. The first 2048 are used; the rest "
            "stays in the file.",
            "also": also,
            "next": advise("exact-length"),
        }
    ]
    why = "The dump is longer than the chip and is not a whole number of copies."
    assert done.passes[0].steps[-2] == Step("cut", {"words": 2048}, why)


def test_bits_above_the_chips_own_that_change_are_told_and_constant_ones_are_not() -> None:
    filled = (NIBBLES | 0xF0).astype(np.uint8)
    assert normalised(filled.tobytes(), "2048x4").findings == ()
    kinds = len(np.unique(CODE >> 4))
    assert only(CODE.tobytes(), "2048x4") == {
        "code": "long-read",
        "severity": "caution",
        "chip": "U1",
        "where": {**WHO, "extra": 0, "extra_bits": 4},
        "evidence": {"extra_bits": 4, "different_upper_values": kinds, "words": 2048, "holds_back": True},
        "means": f"The 4 bits above the chip's 4 change from word to word ({kinds} different values); they "
        "are left out of the image.",
        "also": "Inputs of the reader that nothing drives, or a chip on the upper lines, or two chips in one "
        "file (say which bits are the chip's: `take: {bits: hi:lo}`); two words packed in a byte (then say "
        "`packed`).",
        "next": advise("spare-inputs"),
    }


def steps(content: bytes, organisation: str = "2048x8", **manner: Any) -> list[Step]:
    """Between the first, which says how the file was decoded, and the last: the chip's own bits."""
    *done, last = normalised(content, organisation, **manner).passes[0].steps[1:]
    assert last.action == "narrow"
    return done


def test_a_part_of_a_file_is_taken_because_the_sheet_says_so() -> None:
    why = "The sheet says that this part of the file is the chip's."
    pairs = np.repeat(CODE, 2).tobytes()
    assert steps(pairs, take=Take(every=2)) == [Step("take", {"every": 2, "first": 0}, why)]
    assert steps(pairs, take=Take(every=2, first=1)) == [Step("take", {"every": 2, "first": 1}, why)]


def test_words_that_share_a_byte_are_unpacked_because_the_sheet_says_so() -> None:
    why = "The sheet says that two words share a byte."
    done = steps(CODE.tobytes(), "4096x4", packed=Packed(first="high"))
    assert done == [Step("unpack", {"bits": 4, "first": "high"}, why)]


def test_bytes_are_joined_in_the_order_that_the_sheet_says() -> None:
    why = "The sheet says in which order a word's bytes come."
    done = steps(CODE.tobytes(), "1024x12", byte_order="little")
    assert done[0] == Step("join-bytes", {"bytes": 2, "bits": 16, "order": "little"}, why)


def test_polarity_and_order_of_bits_are_undone_because_the_sheet_says_so() -> None:
    inverted = Step("invert", {}, "The sheet says that this reader delivers every bit inverted.")
    turned = Step(
        "reverse-bits", {}, "The sheet says that this reader delivers the data lines in reverse order."
    )
    narrow = Step("narrow", {"bits": 8})
    assert steps(CODE.tobytes(), inverted=True) == [narrow, inverted]
    assert steps(CODE.tobytes(), reversed_bits=True) == [narrow, turned]
    assert steps(CODE.tobytes(), inverted=True, reversed_bits=True) == [narrow, inverted, turned]


def test_words_of_two_bytes_whose_order_nobody_says_are_refused_with_what_to_write() -> None:
    with pytest.raises(AmbiguousError) as caught:
        normalised(CODE.tobytes(), "1024x12")
    assert str(caught.value) == (
        "byte_order: a word of 12 bits comes as 2 bytes, and their order is not stated. Write "
        "`byte_order: big` (most significant first) or `byte_order: little`."
    )
