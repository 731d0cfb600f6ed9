"""The grade is the first that applies, is that of the weakest bit, and is lifted by nothing that proves less.

The order and the meaning of the grades are those of schemas/README.md, section "Grades"; an oracle below
works them out bit by bit, in plain Python, from that text alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.flow import Frame, Framing, Ground, Pass, Settled, Step
from pipeline.stages.grade import (
    STATE_WORDS,
    concerns_image,
    grade,
    held_back,
    lifted,
    missing,
    weigh_lengths,
)
from pipeline.words import Words, words_dtype
from schemas.finding import Code, Finding, Severity
from schemas.names import Organisation
from schemas.vocabulary import Grade

CHIP = Organisation(8, 4)
IMAGE: Words = np.array([1, 2, 3, 4, 5, 6, 7, 8], np.uint8)
NOTHING = np.zeros_like(IMAGE)
CHIP_BITS = 0b1111
MOVED = (Step("reorder-lines"),)


def read(
    reader: str, *images: Words, sitting: str = "", present: Sequence[bool] = (), moved: bool = False
) -> tuple[Pass, ...]:
    """Passes of one reader, one an image."""
    return tuple(
        Pass(
            reading=f"U1.{reader}",
            reader=reader,
            sitting=f"{reader}/{sitting}",
            number=number,
            words=words,
            present=np.array(present, np.bool_) if present else None,
            steps=MOVED if moved else (),
        )
        for number, words in enumerate(images, 1)
    )


def settled(
    *readings: tuple[Pass, ...], contested: Words = NOTHING, framing: Framing | None = None
) -> Settled:
    passes = tuple(one for reading in readings for one in reading)
    return Settled(CHIP, IMAGE, contested, passes, framing)


def with_bit(words: Words, address: int, bit: int) -> Words:
    """The same image with one bit turned over."""
    out = words.copy()
    out[address] ^= 1 << bit
    return out


def finding(
    code: Code = Code.DATA_LINE_STUCK,
    severity: Severity = Severity.FAULT,
    *,
    where: Any = None,
    **evidence: Any,
) -> Finding:
    return Finding(
        code=code,
        severity=severity,
        chip="U1",
        where={"line": "D3"} if where is None else where,
        evidence=evidence,
        means="m",
        also="a",
        next="n",
    )


def framing(chosen: int | None, *grounds: Ground) -> Framing:
    frames = (Frame(("U1.hb",), None, ""), Frame(("U1.prog",), None, "A3 and A4 exchanged"))
    return Framing(frames, chosen, grounds)


ONE = settled(read("hb", IMAGE))
THREE = settled(read("hb", IMAGE, IMAGE, IMAGE))
TWO_READERS = settled(read("hb", IMAGE), read("prog", IMAGE))


# --- each grade -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("state", "words"), STATE_WORDS.items())
def test_a_chip_without_a_reading_is_missing_and_the_sheets_word_says_why(state: str, words: str) -> None:
    done = missing(state, 0, 0)
    assert done.grade is Grade.MISSING
    assert done.reasons == (words.capitalize(),)
    assert done.bears == {"passes": 0, "sittings": 0, "readers": 0, "checks": 0}


def test_attempts_and_readings_set_aside_are_counted_where_a_chip_is_missing() -> None:
    unsaid = "The sheet does not say why there is no reading"
    assert missing(None, 0, 0).reasons == (unsaid,)
    assert missing(None, 1, 1).reasons == (unsaid, "1 attempt in the sheet", "1 reading set aside")
    assert missing("on-loan", 2, 3).reasons == ("On loan", "2 attempts in the sheet", "3 readings set aside")
    assert missing("on-loan", 0, 2).reasons == ("On loan", "2 readings set aside")


def test_one_pass_is_single() -> None:
    done = grade(ONE, ())
    assert done.grade is Grade.SINGLE
    assert done.reasons == ("One pass by hb",)
    assert done.bears == {"passes": 1, "sittings": 1, "readers": 1, "checks": 0}


def test_two_passes_of_one_reader_that_agree_are_repeatable() -> None:
    done = grade(settled(read("hb", IMAGE, IMAGE)), ())
    assert done.grade is Grade.REPEATABLE
    assert done.reasons == ("2 passes by hb agree on every bit",)


def test_two_readers_that_agree_on_every_bit_are_corroborated() -> None:
    done = grade(TWO_READERS, ())
    assert done.grade is Grade.CORROBORATED
    assert done.reasons == ("hb and prog agree on every bit (2 passes)",)
    assert done.bears["readers"] == 2


def test_three_readers_are_counted_not_listed() -> None:
    three = settled(read("a", IMAGE), read("b", IMAGE), read("c", IMAGE))
    assert grade(three, ()).reasons == ("3 readers agree on every bit (3 passes)",)


def test_a_check_that_lifts_makes_it_self_checked_with_its_reason_first() -> None:
    done = grade(
        ONE, (), checks=2, lifting=("a sum over all words holds",), reader_notes=("hb is qualified",)
    )
    assert done.grade is Grade.SELF_CHECKED
    assert done.reasons == ("a sum over all words holds", "1 pass by hb", "hb is qualified")
    assert done.bears["checks"] == 2


def test_a_bit_without_settlement_is_contested_and_bits_and_words_are_counted() -> None:
    mask = NOTHING.copy()
    mask[2] = 0b1010
    done = grade(settled(read("hb", IMAGE, IMAGE), contested=mask), ())
    assert done.grade is Grade.CONTESTED
    assert done.reasons[0] == "2 bits in 1 word unresolved"
    assert done.bears == {"passes": 2, "sittings": 1, "readers": 1, "checks": 0}
    lone = grade(settled(read("hb", IMAGE), contested=with_bit(NOTHING, 0, 0)), ())
    assert lone.reasons[0] == "1 bit in 1 word unresolved"
    mask[3] = 1
    assert grade(settled(read("hb", IMAGE), contested=mask), ()).reasons[0] == "3 bits in 2 words unresolved"


def test_words_that_no_reading_has_are_told_apart_from_bits_that_readings_contest() -> None:
    every_bit = np.full_like(NOTHING, CHIP_BITS)
    for lacking in (1, 2):
        present = [True] * (8 - lacking) + [False] * lacking
        nobodys = np.where(present, NOTHING, every_bit)
        done = grade(settled(read("hb", IMAGE, present=present), contested=nobodys), ())
        assert done.grade is Grade.CONTESTED
        told = f"No reading has {lacking} word{'s' if lacking > 1 else ''}"
        assert done.reasons == (told, "1 pass by hb")
        beside = settled(read("hb", IMAGE, present=present), contested=with_bit(nobodys, 2, 1))
        assert grade(beside, ()).reasons == (told, "1 bit in 1 word unresolved", "1 pass by hb")


def test_bits_contested_where_words_were_read_are_no_word_that_nobody_has() -> None:
    short = read("hb", IMAGE, present=[True] * 7 + [False])
    done = grade(settled(short, contested=with_bit(NOTHING, 2, 1)), ())
    assert done.reasons == ("1 bit in 1 word unresolved", "1 pass by hb")


def test_a_frame_without_settlement_is_contested_though_no_bit_is() -> None:
    unsettled = settled(read("hb", IMAGE), read("prog", IMAGE), framing=framing(None))
    done = grade(unsettled, (), lifting=("a sum holds",))
    assert done.grade is Grade.CONTESTED
    assert done.reasons[0] == "Read in 2 orders, and nothing decides which is the chip's"


def test_a_fault_that_the_image_carries_makes_it_faulty_and_is_named_once() -> None:
    done = grade(
        THREE, (finding(), finding(), finding(Code.ADDRESS_LINES_JOINED, where={"lines": ["A1", "A2"]}))
    )
    assert done.grade is Grade.FAULTY
    assert done.reasons == (
        "The image carries a reading fault: data-line-stuck D3, address-lines-joined A1 and A2",
    )


def test_a_fault_without_a_line_is_named_by_its_code_alone() -> None:
    blank = finding(Code.BLANK, where={"addresses": [[0, 8]]})
    assert grade(THREE, (blank,)).reasons == ("The image carries a reading fault: blank",)


@pytest.mark.parametrize("bits", [1, 8, 12, 16])
def test_chips_of_every_width_are_graded_alike(bits: int) -> None:
    words: Words = np.full(4, (1 << bits) - 1, words_dtype(bits))
    passes = tuple(Pass(f"U1.{name}", name, name, 1, words) for name in ("hb", "prog"))
    both = Settled(Organisation(4, bits), words, np.zeros_like(words), passes)
    assert grade(both, ()).grade is Grade.CORROBORATED
    assert grade(both._replace(passes=passes[:1]), ()).grade is Grade.SINGLE


# --- the order of the grades ------------------------------------------------------------------------------


def test_the_first_grade_that_applies_is_given() -> None:
    """faulty, contested, self-checked, corroborated, repeatable, single: each wins over all that follow."""
    mask = with_bit(NOTHING, 0, 0)
    given = [
        grade(settled(read("hb", IMAGE), read("prog", IMAGE), contested=mask), (finding(),), lifting=("x",)),
        grade(settled(read("hb", IMAGE), read("prog", IMAGE), contested=mask), (), lifting=("x",)),
        grade(TWO_READERS, (), lifting=("x",)),
        grade(TWO_READERS, ()),
        grade(THREE, ()),
        grade(ONE, ()),
    ]
    order = ["faulty", "contested", "self-checked", "corroborated", "repeatable", "single"]
    assert [one.grade.value for one in given] == order


@pytest.mark.parametrize("severity", [Severity.CAUTION, Severity.NOTE])
def test_what_is_less_than_a_fault_lowers_nothing(severity: Severity) -> None:
    assert grade(TWO_READERS, (finding(severity=severity),)).grade is Grade.CORROBORATED


def test_a_fault_of_one_reading_that_the_image_does_not_carry_lowers_nothing() -> None:
    fault = finding(Code.ROTATED, where={"readings": ["U1.hb"]})
    assert not concerns_image(fault)
    assert grade(TWO_READERS, (fault,)).grade is Grade.CORROBORATED


def test_a_fault_of_a_reading_that_the_image_carries_is_the_images() -> None:
    carried = finding(Code.ROTATED, where={"readings": ["U1.hb"], "image": True})
    assert grade(TWO_READERS, (carried,)).grade is Grade.FAULTY
    own = finding(where={"line": "D3", "image": False})
    assert grade(TWO_READERS, (own,)).grade is Grade.CORROBORATED


# --- the weakest bit --------------------------------------------------------------------------------------


def test_words_that_only_one_pass_has_make_it_single() -> None:
    partly = (True,) * 6 + (False,) * 2
    both = settled(read("hb", IMAGE), read("hb", IMAGE, present=partly, sitting="2"))
    done = grade(both, ())
    assert done.grade is Grade.SINGLE
    assert done.reasons == ("2 words rest on one pass alone (2 passes by hb)",)
    one = settled(read("hb", IMAGE), read("hb", IMAGE, present=(True,) * 7 + (False,)))
    assert grade(one, ()).reasons == ("1 word rests on one pass alone (2 passes by hb)",)


def test_a_word_that_the_second_reader_lacks_makes_it_no_more_than_repeatable() -> None:
    both = settled(read("hb", IMAGE, IMAGE), read("prog", IMAGE, present=(False,) + (True,) * 7))
    done = grade(both, ())
    assert done.grade is Grade.REPEATABLE
    assert done.reasons == ("3 passes by hb and prog; 1 word rests on one reader alone",)


def test_a_bit_on_which_a_readers_own_passes_differ_has_only_the_other_readers_voice() -> None:
    """The reader is silent there, so one pass of the other alone bears that bit."""
    wavering = read("hb", IMAGE, with_bit(IMAGE, 4, 2))
    assert grade(settled(wavering, read("prog", IMAGE)), ()).grade is Grade.SINGLE
    assert grade(settled(wavering, read("prog", IMAGE, IMAGE)), ()).grade is Grade.REPEATABLE
    assert grade(settled(wavering, read("prog", IMAGE), read("third", IMAGE)), ()).grade is Grade.CORROBORATED


def test_two_readers_that_agree_bear_a_bit_whatever_a_third_leaves_open() -> None:
    """In whichever order the three are listed: what is borne stays borne."""
    silent_at_4 = read("c", IMAGE, with_bit(IMAGE, 4, 2))
    a, b = read("a", IMAGE), read("b", IMAGE)
    for order in ((a, b, silent_at_4), (a, silent_at_4, b), (silent_at_4, a, b)):
        assert grade(settled(*order), ()).grade is Grade.CORROBORATED


def test_one_bit_that_one_pass_alone_has_is_single_on_a_chip_of_one_bit_too() -> None:
    words: Words = np.ones(4, np.uint8)
    whole = Pass("U1.hb", "hb", "hb", 1, words)
    partly = whole._replace(number=2, present=np.array([True, True, False, False]))
    fuses = Settled(Organisation(4, 1), words, np.zeros_like(words), (whole, partly))
    done = grade(fuses, ())
    assert (done.grade, done.reasons) == (
        Grade.SINGLE,
        ("2 words rest on one pass alone (2 passes by hb)",),
    )


def test_what_two_moved_readers_bear_stays_borne_where_a_third_has_no_word() -> None:
    lacking = read("c", IMAGE, present=(False,) + (True,) * 7, moved=True)
    three = settled(read("a", IMAGE, moved=True), read("b", IMAGE, moved=True), lacking)
    assert grade(three, ()).grade is Grade.REPEATABLE


# --- frames -----------------------------------------------------------------------------------------------


def test_a_pass_that_was_moved_into_the_frame_makes_no_second_reader() -> None:
    both = settled(read("prog", IMAGE), read("hb", IMAGE, IMAGE, moved=True), framing=framing(0))
    done = grade(both, ())
    assert done.grade is Grade.REPEATABLE


def test_a_moved_pass_counts_where_the_content_itself_decided_the_order() -> None:
    ground = Ground("content", 0, (1,), "a sum that minds the order holds")
    both = settled(read("prog", IMAGE), read("hb", IMAGE, moved=True), framing=framing(0, ground))
    done = grade(both, ())
    assert done.grade is Grade.CORROBORATED
    assert "Order: a sum that minds the order holds" in done.reasons


def test_a_ground_of_content_for_another_frame_proves_nothing_for_this_one() -> None:
    ground = Ground("content", 1, (0,), "a sum holds in the other order")
    both = settled(read("prog", IMAGE), read("hb", IMAGE, moved=True), framing=framing(0, ground))
    assert grade(both, ()).grade is not Grade.CORROBORATED


def test_a_reader_with_one_straight_pass_and_one_moved_speaks_for_no_order() -> None:
    mixed = (*read("hb", IMAGE), *read("hb", IMAGE, moved=True, sitting="2"))
    assert grade(settled(read("prog", IMAGE), mixed), ()).grade is Grade.REPEATABLE


# --- laws -------------------------------------------------------------------------------------------------

BITS = st.integers(0, 15)


@st.composite
def readings(draw: st.DrawFn) -> tuple[Pass, ...]:
    """One to three readers with one to three passes each, which may waver and lack words."""
    passes: list[Pass] = []
    for reader in draw(st.lists(st.sampled_from("abc"), min_size=1, max_size=3, unique=True)):
        for number in range(draw(st.integers(1, 3))):
            flips = np.array(
                draw(st.lists(st.sampled_from([0, 0, 0, 1, 8]), min_size=8, max_size=8)), np.uint8
            )
            there = draw(st.lists(st.sampled_from([True, True, True, False]), min_size=8, max_size=8))
            present = None if all(there) else tuple(there)
            moved = draw(st.sampled_from([False, False, True]))
            one = read(reader, IMAGE ^ flips, present=present or (), moved=moved)[0]
            passes.append(one._replace(number=number + 1))
    return tuple(passes)


def oracle(passes: Sequence[Pass]) -> Grade:
    """Bit by bit: two readers, none of whose passes was moved; else two passes; else one."""
    grades = []
    for address in range(CHIP.words):
        for bit in range(CHIP.bits):
            speaking = {}
            for reader in {one.reader for one in passes}:
                own = [one for one in passes if one.reader == reader]
                said = [
                    int(o.words[address]) >> bit & 1 for o in own if o.present is None or o.present[address]
                ]
                if said and len(set(said)) == 1:
                    speaking[reader] = (len(said), any(one.moved for one in own))
            straight = [1 for _, moved in speaking.values() if not moved]
            if len(straight) > 1:
                grades.append(2)
            else:
                # A bit that nobody speaks for is contested, which is told before grades by voices.
                grades.append(int(len(speaking) > 1 or any(count > 1 for count, _ in speaking.values())))
    return (Grade.SINGLE, Grade.REPEATABLE, Grade.CORROBORATED)[min(grades)]


@given(readings())
def test_the_grade_of_voices_is_that_of_the_weakest_bit(passes: tuple[Pass, ...]) -> None:
    assert grade(settled(passes), ()).grade is oracle(passes)


@given(readings(), st.integers(0, 8), st.integers(1, 4))
def test_repeating_a_pass_lifts_nothing_but_single_to_repeatable(
    passes: tuple[Pass, ...], which: int, times: int
) -> None:
    again = passes[which % len(passes)]._replace(number=99)
    before = grade(settled(passes), ()).grade
    after = grade(settled((*passes, *(again,) * times)), ()).grade
    assert after is before or (before, after) == (Grade.SINGLE, Grade.REPEATABLE)


@given(readings())
def test_what_bears_the_grade_is_counted(passes: tuple[Pass, ...]) -> None:
    bears = grade(settled(passes), (), checks=3).bears
    assert bears["passes"] == len(passes)
    assert bears["readers"] == len({one.reader for one in passes})
    assert bears["readers"] <= bears["sittings"] <= bears["passes"]
    assert bears["checks"] == 3


def test_sittings_are_counted_reader_by_reader() -> None:
    four = settled(
        read("hb", IMAGE, IMAGE, sitting="1"),
        read("hb", IMAGE, sitting="2"),
        read("prog", IMAGE, sitting="1"),
    )
    assert grade(four, ()).bears == {"passes": 4, "sittings": 3, "readers": 2, "checks": 0}


# --- once all chips have spoken ----------------------------------------------------------------------------


@pytest.mark.parametrize("of", [ONE, THREE, TWO_READERS], ids=["single", "repeatable", "corroborated"])
def test_a_check_over_several_chips_lifts_a_sound_grade(of: Settled) -> None:
    alone = grade(of, ())
    done = lifted(
        alone, checks=1, lifting=("a sum over both holds", "a sum over both holds"), reader_notes=("n",)
    )
    assert done.grade is Grade.SELF_CHECKED
    assert done.reasons == ("a sum over both holds", *alone.reasons, "n")
    assert done.bears["checks"] == 1


@pytest.mark.parametrize(
    "given_alone",
    [
        missing(None, 0, 0),
        grade(THREE, (finding(),)),
        grade(settled(read("hb", IMAGE), contested=with_bit(NOTHING, 0, 0)), ()),
    ],
    ids=lambda graded: str(graded.grade.value),
)
def test_no_check_lifts_what_is_missing_faulty_or_contested(given_alone: Any) -> None:
    done = lifted(given_alone, checks=1, lifting=("a sum holds",), reader_notes=())
    assert done.grade is given_alone.grade
    assert done.reasons == given_alone.reasons


@pytest.mark.parametrize("of", [ONE, THREE], ids=["single", "repeatable"])
def test_another_specimen_corroborates_what_one_reader_alone_stands_behind(of: Settled) -> None:
    alone = grade(of, ())
    assert lifted(alone, checks=0, lifting=(), reader_notes=()) == alone
    twin = ("the same in another specimen",)
    done = lifted(alone, checks=0, lifting=(), reader_notes=("n",), borne_out=twin)
    assert done.grade is Grade.CORROBORATED
    assert done.reasons == (*twin, *alone.reasons, "n")


@pytest.mark.parametrize(
    "alone",
    [
        missing(None, 0, 0),
        grade(THREE, (finding(),)),
        grade(settled(read("hb", IMAGE), contested=with_bit(NOTHING, 0, 0)), ()),
        grade(TWO_READERS, ()),
        grade(ONE, (), lifting=("a sum holds",)),
    ],
    ids=lambda graded: str(graded.grade.value),
)
def test_no_other_specimen_lifts_a_chip_of_any_other_grade(alone: Any) -> None:
    assert lifted(alone, checks=0, lifting=(), reader_notes=(), borne_out=("a twin",)) == alone


def test_what_is_known_of_the_readers_is_no_reason_of_a_missing_or_faulty_chip() -> None:
    for alone in (missing(None, 0, 0), grade(THREE, (finding(),))):
        assert lifted(alone, checks=0, lifting=(), reader_notes=("hb is qualified",)).reasons == alone.reasons
    single = grade(ONE, ())
    done = lifted(single, checks=0, lifting=(), reader_notes=("hb is qualified",))
    assert done.reasons == (*single.reasons, "hb is qualified")


def test_checks_of_the_chip_alone_are_not_forgotten() -> None:
    assert lifted(grade(ONE, (), checks=2), checks=0, lifting=(), reader_notes=()).bears["checks"] == 2


def test_the_grades_rank_from_worst_to_best_as_the_record_has_them() -> None:
    ranked = [Grade.SINGLE, Grade.REPEATABLE, Grade.CORROBORATED, Grade.SELF_CHECKED]
    given_by = [
        grade(ONE, ()),
        grade(THREE, ()),
        grade(TWO_READERS, ()),
        grade(TWO_READERS, (), lifting=("x",)),
    ]
    assert [one.grade for one in given_by] == ranked
    assert all(worse is not better for worse, better in pairwise(ranked))


# --- held back --------------------------------------------------------------------------------------------

HALF = finding(Code.CONSTANT, Severity.CAUTION, where={}, holds_back=True)


def test_a_finding_that_makes_half_the_content_doubtful_holds_a_lone_readers_image_back() -> None:
    assert held_back(THREE, (HALF, HALF)) == ("constant",)


def test_a_second_reader_or_an_answer_releases_the_image() -> None:
    assert held_back(TWO_READERS, (HALF,)) == ()
    answered = finding(
        Code.CONSTANT, Severity.CAUTION, where={}, holds_back=True, answer="the chip is a constant"
    )
    assert held_back(THREE, (answered,)) == ()
    assert held_back(THREE, (answered, HALF)) == ("constant",)


def test_a_second_reader_releases_only_what_it_saw() -> None:
    """One that read the first half alone and one whose pass was moved bear nothing out."""
    half = read("prog", IMAGE, present=(True,) * 4 + (False,) * 4)
    assert held_back(settled(read("hb", IMAGE), half), (HALF,)) == ("constant",)
    halves = (*half, *read("prog", IMAGE, present=(False,) * 4 + (True,) * 4))
    assert held_back(settled(read("hb", IMAGE), halves), (HALF,)) == ()
    moved = settled(read("hb", IMAGE), read("prog", IMAGE, moved=True))
    assert held_back(moved, (HALF,)) == ("constant",)


@pytest.mark.parametrize(("shown_by", "held"), [(["hb"], ("data-line-stuck",)), (["hb", "prog"], ())])
def test_a_relation_that_only_one_of_two_readers_shows_still_holds_the_image_back(
    shown_by: list[str], held: tuple[str, ...]
) -> None:
    where = {"line": "D3", "readers": shown_by}
    stuck = finding(severity=Severity.CAUTION, where=where, holds_back=True)
    assert held_back(TWO_READERS, (stuck,)) == held


def test_a_finding_about_one_reading_or_without_that_weight_holds_nothing_back() -> None:
    of_one = finding(Code.CONSTANT, Severity.CAUTION, where={"readings": ["U1.hb"]}, holds_back=True)
    assert held_back(THREE, (of_one, finding(severity=Severity.CAUTION))) == ()


@pytest.mark.parametrize(("severity", "held"), [(Severity.CAUTION, True), (Severity.NOTE, False)])
def test_lines_that_may_be_crossed_hold_an_image_back_without_further_evidence(
    severity: Severity, *, held: bool
) -> None:
    crossed = finding(Code.LINES_CROSSED, severity, where={"address": ["A3", "A4"]})
    assert held_back(THREE, (crossed,)) == (("lines-crossed",) if held else ())


# --- lengths ----------------------------------------------------------------------------------------------

SHORT = finding(Code.SHORT_READ, where={"readings": ["U1.hb"]})


def test_a_short_reading_is_a_fault_while_its_missing_words_are_nobodys() -> None:
    short = read("hb", IMAGE, present=(True,) * 6 + (False,) * 2)
    assert weigh_lengths((SHORT,), settled(short)) == (SHORT,)
    assert grade(settled(short), (SHORT,)).grade is Grade.FAULTY


def test_a_short_reading_beside_one_that_has_the_words_is_a_caution_and_says_so() -> None:
    short = read("hb", IMAGE, present=(True,) * 6 + (False,) * 2)
    rest = read("prog", IMAGE, present=(False,) * 5 + (True,) * 3)
    for other in (rest, read("prog", IMAGE)):
        (weighed,) = weigh_lengths((SHORT,), settled(short, other))
        assert weighed.severity is Severity.CAUTION
        assert weighed.also == "a Other passes have the missing words; they settle the image."


def test_a_word_that_no_pass_has_keeps_it_a_fault_though_there_are_two() -> None:
    short = read("hb", IMAGE, present=(True,) * 6 + (False,) * 2)
    rest = read("prog", IMAGE, present=(True,) * 7 + (False,))
    assert weigh_lengths((SHORT,), settled(short, rest)) == (SHORT,)


def test_findings_that_are_about_no_length_pass_through() -> None:
    other = finding(Code.OVER_READ, where={"readings": ["U1.hb"]})
    assert weigh_lengths((other,), ONE) == (other,)


LONG = finding(Code.LONG_READ, Severity.CAUTION, where={"readings": ["U1.hb"]}, holds_back=True, extra=3)


def test_a_long_reading_holds_the_image_back_until_another_pass_has_exactly_the_chips_words() -> None:
    long = tuple(one._replace(length_off=3) for one in read("hb", IMAGE))
    (alone,) = weigh_lengths((LONG,), settled(long))
    assert alone == LONG
    assert held_back(settled(long), (alone,)) == ("long-read",)
    beside = settled(long, read("hb", IMAGE, sitting="2"))
    (weighed,) = weigh_lengths((LONG,), beside)
    assert weighed.evidence == {"holds_back": False, "extra": 3}
    assert held_back(beside, (weighed,)) == ()


def test_what_no_design_explains_is_held_back_whoever_reads_it() -> None:
    where = {"line": "A5", "readers": ["hb", "prog"]}
    dead = finding(severity=Severity.CAUTION, where=where, holds_back=True, whoever_reads=True)
    assert held_back(TWO_READERS, (dead,)) == (dead.code.value,)
    answer = replace(dead, evidence={**dead.evidence, "answer": "A5: seen on the drawing"})
    assert held_back(TWO_READERS, (answer,)) == ()


def test_bits_above_the_chips_own_hold_a_lone_readers_image_back_though_no_word_is_too_many() -> None:
    where = {"readings": ["U1.hb"], "extra": 0, "extra_bits": 4}
    told = finding(Code.LONG_READ, Severity.CAUTION, where=where, holds_back=True)
    (weighed,) = weigh_lengths((told,), THREE)
    assert held_back(THREE, (weighed,)) == ("long-read",)
    assert held_back(TWO_READERS, weigh_lengths((told,), TWO_READERS)) == ()
