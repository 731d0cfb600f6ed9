"""What reconciling tells, held to the last word: a finding is all that a person at the bench has to go by."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.catalogue.advice import advise, step
from pipeline.flow import Carried, Frame, Framing, Ground, Said, Step, Witness
from pipeline.lines import LineMap
from pipeline.stages.reconcile import Reconciled, Way, reconcile
from pipeline.words import Words
from schemas.finding import Code, Finding
from schemas.names import Organisation
from tests.unit.test_reconcile_frames import (
    ADDRESSES,
    CROSSED,
    CROSSED_LINES,
    HOME_BUILT,
    PROGRAMMER,
    TRUE,
    carried,
    read,
    settled,
)

SAID = {"U1.hb": HOME_BUILT, "U1.prog": PROGRAMMER}
DECIDED = (
    "prog is a device programmer under the chip's own part, and only the home-built hb reads it in another "
    "order"
)
LACKS = "U1.prog has words that U1.hb never shows"
TURN = "; two revisions of a program with code inserted (then the difference does not end)."
COUNTER = f"A counter that missed or doubled a clock, or a serial line that lost bytes{TURN}"
STRAIGHT: dict[str, Any] = {
    "address": [*range(10)],
    "data": [*range(8)],
    "invert_address": [],
    "invert_data": [],
    "rotate": 0,
}
EXCHANGED = STRAIGHT | {"address": [0, 1, 2, 4, 3, 5, 6, 7, 8, 9]}


def beside_a_programmer(words: Words, **facts: object) -> Reconciled:
    """A home-built reader's second pass, listed before a programmer's."""
    return settled([*read(words, "hb", 2, **facts), *read(TRUE, "prog")], SAID)


def document(finding: Finding) -> dict[str, Any]:
    return dict(finding.to_record())


def ground(words: str, kind: str = "programmer") -> dict[str, Any]:
    return {"ground": kind, "frame": 1, "over": [0], "words": words}


def moved(code: str, where: dict[str, Any], evidence: dict[str, Any], **text: str) -> dict[str, Any]:
    """The finding about the home-built reader's pass."""
    return {
        "code": code,
        "severity": "caution",
        "chip": "U1",
        "where": {
            "readings": ["U1.hb"],
            "readers": ["hb"],
            "pass": 2,
            "against": {"reading": "U1.prog", "reader": "prog", "pass": 1},
            **where,
        },
        "evidence": {"words": 1024, "grounds": [ground(DECIDED)], **evidence},
        **text,
    }


def test_crossed_lines_are_told_with_the_wires_and_how_a_board_would_cross_them() -> None:
    (finding,) = beside_a_programmer(CROSSED).findings
    board = "neighbouring address lines are swapped: A3 and A4"
    assert document(finding) == moved(
        "lines-reordered",
        EXCHANGED,
        {
            "differing_words_after": 0,
            "differing_bits_after": 0,
            "other_mappings_that_fit": 0,
            "suggested_board_wiring": {"wiring": {"address": EXCHANGED["address"]}, "why": board},
        },
        means="U1.hb holds the same words as U1.prog with lines in another order: A3 and A4 exchanged. "
        f"Brought into that order, the readings can be compared. {DECIDED}.",
        also="The order of the other reading is the wrong one; a board that scrambles the lines on purpose. "
        f"On such a board {board}.",
        next=advise("crossed-wires"),
    )
    assert beside_a_programmer(CROSSED).settled.passes[0].steps == (
        Step(
            "reorder-lines",
            CROSSED_LINES.to_json(),
            "Lines brought into the order of the other reading.",
        ),
    )


def test_lines_that_no_board_crosses_so_come_without_a_suggestion_and_with_the_bits_that_still_differ() -> (
    None
):
    lines = LineMap.simple(10, 8, address=(1, 0, *range(2, 10)), invert_data=tuple(range(8)))
    words = lines.apply(TRUE)
    words[[5, 9]] ^= np.array([3, 1], np.uint8)
    (finding,) = beside_a_programmer(words).findings
    assert (
        finding.also
        == "The order of the other reading is the wrong one; a board that scrambles the lines on purpose."
    )
    assert "A0 and A1 exchanged, every data line inverted" in finding.means
    assert finding.evidence["differing_words_after"] == 2
    assert finding.evidence["differing_bits_after"] == 3
    assert "suggested_board_wiring" not in finding.evidence


@pytest.mark.parametrize(
    ("by", "began", "also"),
    [
        (37, "began at word 37 (0x25)", "The other reading may be the one that began elsewhere."),
        (64, "began at word 64 (0x40)", "A rotation by a power of two may also be an inverted top line."),
        (256, "began at word 256 (0x100)", "A rotation by a power of two may also be an inverted top line."),
        (-300, "began at word 724 (0x2D4)", "The other reading may be the one that began elsewhere."),
    ],
)
def test_a_rotated_pass_is_told_with_its_start_and_whether_a_line_explains_it_too(
    by: int, began: str, also: str
) -> None:
    done = beside_a_programmer(np.roll(TRUE, -by))
    assert [document(each) for each in done.findings] == [
        moved(
            "rotated",
            {"by": by},
            {"differing_words_after": 0},
            means=f"Against U1.prog, U1.hb {began} and ran round: its counter was not at 0 when the pass "
            f"began. Nothing is lost. {DECIDED}.",
            also=also,
            next=advise("reset-counter"),
        )
    ]
    assert done.settled.passes[0].steps == (
        Step("rotate", {"by": -by % 1024}, "The counter did not start at address 0."),
    )


def test_a_pass_late_by_one_says_that_words_were_taken_too_early() -> None:
    (finding,) = beside_a_programmer(np.roll(TRUE, 1)).findings
    assert document(finding) == moved(
        "late-by-one",
        {"by": -1},
        {"differing_words_after": 0},
        means="Against U1.prog, U1.hb is late by one word: each word was taken before the chip showed it. "
        f"{DECIDED}.",
        also="The other reading may be the one that began elsewhere.",
        next=advise("reset-counter"),
    )


SKIPPED_AT_300 = np.append(np.delete(TRUE, 300), TRUE[:1])
SKIPPED = np.append(np.delete(TRUE, 400), TRUE[:1])
REPEATED = np.insert(TRUE, 400, TRUE[400])[:1024].copy()
STRAY = np.append(np.array([0xA5], np.uint8), TRUE[:-1])


@pytest.mark.parametrize(
    ("words", "code", "at", "by", "latest", "told"),
    [
        (
            SKIPPED,
            "skips-words",
            400,
            1,
            400,
            "1 word lost after address 0x18F; the counter skipped a word",
        ),
        (
            REPEATED,
            "repeats-words",
            400,
            -1,
            401,
            "1 word too many after address 0x18F (or as late as 0x191); the counter missed a clock",
        ),
        (
            STRAY,
            "late-by-one",
            0,
            -1,
            0,
            "1 word too many before address 0x0; each word was taken before the chip showed it",
        ),
    ],
    ids=["skipped", "repeated", "a stray word first"],
)
def test_a_slip_of_one_word_is_the_counters(
    words: Words, code: str, at: int, by: int, latest: int, told: str
) -> None:
    (finding,) = beside_a_programmer(words).findings
    assert document(finding) == moved(
        code,
        {"at": at, "by": by},
        {"slips": [{"at": at, "by": by, "latest": latest}], "differing_words_after": 0},
        means=f"Against U1.prog, U1.hb slipped: {told}. The rest fits once it is moved back. {DECIDED}.",
        also=COUNTER,
        next=advise("slower-line"),
    )


def test_words_lost_from_a_short_file_are_the_streams_and_the_whole_pass_is_a_second_ground() -> None:
    short = np.append(np.delete(TRUE, [400, 401, 402]), np.zeros(3, np.uint8))
    done = beside_a_programmer(short, length_off=-3)
    whole = "U1.prog has exactly the chip's 1024 words; U1.hb lost or doubled some"
    assert [document(each) for each in done.findings] == [
        moved(
            "slipped",
            {"at": 400, "by": 3},
            {
                "slips": [{"at": 400, "by": 3, "latest": 400}],
                "differing_words_after": 0,
                "grounds": [ground(DECIDED), ground(whole, "complete")],
            },
            means="Against U1.prog, U1.hb slipped: 3 words lost after address 0x18F; words were lost or "
            f"doubled on the way to the file. The rest fits once it is moved back. {DECIDED}; {whole}.",
            also=COUNTER,
            next=advise("slower-line"),
        )
    ]
    (realigned,) = done.settled.passes[0].steps
    assert realigned == Step(
        "realign",
        {"words": 1024, "pieces": [[0, 0, 400], [400, 403, 621]]},
        "Brought into step with the other reading; lost words are marked as absent.",
    )
    assert done.settled.passes[0].present is not None
    assert np.flatnonzero(~done.settled.passes[0].present).tolist() == [400, 401, 402]


def test_an_inverted_pass_that_slipped_is_told_with_both_and_turned_before_it_is_realigned() -> None:
    inverted: Words = SKIPPED_AT_300 ^ np.uint8(0xFF)
    done = beside_a_programmer(inverted)
    (finding,) = done.findings
    mapping = STRAIGHT | {"invert_data": [*range(8)]}
    assert finding.evidence["mapping"] == mapping
    assert "slipped: every data line inverted; 1 word lost after address 0x12B; the counter" in finding.means
    assert [(one.action, one.settings.get("invert_data")) for one in done.settled.passes[0].steps] == [
        ("reorder-lines", [*range(8)]),
        ("realign", None),
    ]
    assert np.array_equal(done.settled.words, TRUE)


@pytest.mark.parametrize(
    ("at", "code", "pace", "means", "also"),
    [
        (
            (2 * ADDRESSES) % 1024,
            "skips-words",
            1,
            "shows every second word, then the same again: its counter counts twice a clock.",
            "A dead top address line shows the same content twice as well.",
        ),
        (
            ADDRESSES >> 1,
            "repeats-words",
            -1,
            "shows each word twice and only half of the chip: its counter counts every second clock.",
            "A dead A0 shows each word twice as well, but reaches the whole chip.",
        ),
    ],
    ids=["twice a clock", "every second clock"],
)
def test_a_counter_at_the_wrong_pace_is_told_with_what_it_never_shows(
    at: Any, code: str, pace: int, means: str, also: str
) -> None:
    done = beside_a_programmer(TRUE[at])
    assert [document(each) for each in done.findings] == [
        moved(
            code,
            {"at": 0, "by": pace},
            {
                "by": pace,
                "every": True,
                "differing_words_after": 0,
                "grounds": [ground(DECIDED), ground(LACKS, "complete")],
            },
            means=f"Against U1.prog, U1.hb {means} {DECIDED}; {LACKS}.",
            also=also,
            next=advise("counter-clock"),
        )
    ]
    assert done.settled.passes[0].steps == (
        Step(
            "repace",
            {"by": pace},
            "The counter did not count once a clock; words that were not read are marked as absent.",
        ),
    )
    assert not done.settled.contested.any()


def contested(readings: list[str], others: list[dict[str, Any]], against: str, spoke: str) -> dict[str, Any]:
    first = {"readings": readings[:1], "mapping": None, "words": ""}
    return {
        "code": "frames-differ",
        "severity": "caution",
        "chip": "U1",
        "where": {"readings": readings, "frames": [first, *others], "image": True},
        "evidence": {"grounds": []},
        "means": f"The same words stand in {1 + len(others)} orders. Compared with {readings[0]}: {against}. "
        f"{spoke} The image has the order of the first listed reading and is kept apart.",
        "also": "Any of these orders may be wrong, and so may all of them.",
        "next": advise("frames-differ"),
    }


def test_two_orders_that_nothing_decides_between_are_told_with_both() -> None:
    done = settled([*read(TRUE, "a"), *read(CROSSED, "b")], {})
    other = {"readings": ["U1.b"], "mapping": EXCHANGED, "words": "A3 and A4 exchanged"}
    assert [document(each) for each in done.findings] == [
        contested(
            ["U1.a", "U1.b"],
            [other],
            "U1.b (A3 and A4 exchanged)",
            "Nothing here decides which is right.",
        )
    ]
    assert done.settled.framing == Framing(
        (Frame(("U1.a",), None, ""), Frame(("U1.b",), CROSSED_LINES, "A3 and A4 exchanged")), None, ()
    )


def test_three_orders_are_told_each_against_the_first() -> None:
    done = settled([*read(TRUE, "a"), *read(CROSSED, "b"), *read(np.roll(TRUE, -5), "c")], {})
    turned = STRAIGHT | {"rotate": 1019}
    assert [document(each) for each in done.findings] == [
        contested(
            ["U1.a", "U1.b", "U1.c"],
            [
                {"readings": ["U1.b"], "mapping": EXCHANGED, "words": "A3 and A4 exchanged"},
                {"readings": ["U1.c"], "mapping": turned, "words": "began at word 5 (0x5)"},
            ],
            "U1.b (A3 and A4 exchanged); U1.c (began at word 5 (0x5))",
            "Nothing here decides which is right.",
        )
    ]


def test_grounds_that_contradict_each_other_are_told_with_what_each_says() -> None:
    def checks(words: Words) -> dict[str, Witness]:
        return {"check": Witness(30.0, 30.0, "a CRC holds")} if np.array_equal(words, CROSSED) else {}

    done = settled([*read(CROSSED, "hb"), *read(TRUE, "prog")], SAID, checks=checks)
    speaks = "The content bears out the order of U1.hb: a CRC holds"
    (finding,) = done.findings
    assert f". The evidence does not agree: {speaks}; {DECIDED}. The image" in finding.means
    assert finding.evidence == {
        "grounds": [{"ground": "content", "frame": 0, "over": [1], "words": speaks}, ground(DECIDED)]
    }


def wired(*, applied: bool, same_pins: bool, severity: str, means: str, after: str) -> dict[str, Any]:
    return {
        "code": "wiring-carried",
        "severity": severity,
        "chip": "U1",
        "where": {"readings": ["U1.hb"], "readers": ["hb"], "wiring": "wires-1", **EXCHANGED},
        "evidence": {
            "proved_by": ["U7", "U8"],
            "proved": True,
            "applied": applied,
            "same_pins": same_pins,
            "sheet": PASTE,
        },
        "means": f"U1.hb was read {means}",
        "also": "Wires that were moved between the two chips; a part with another pinout.",
        "next": after,
    }


PASTE = "lines: {address: [A0, A1, A2, A4, A3, A5, A6, A7, A8, A9]}"
PROOF = "A3 and A4 exchanged (proved by U7, U8)"


def test_a_crossing_that_was_undone_is_a_note_and_a_step_of_the_reading() -> None:
    done = settled(read(CROSSED, "hb", 1, 2), {"U1.hb": carried(undo=True)})
    assert [document(each) for each in done.findings] == [
        wired(
            applied=True,
            same_pins=True,
            severity="note",
            means=f"with the wiring wires-1, whose lines are crossed or inverted: {PROOF}. This was undone "
            "here.",
            after=advise("wiring-undone"),
        )
    ]
    why = "The wiring wires-1 is crossed, as shown by U7, U8."
    undone = Step("undo-lines", CROSSED_LINES.to_json(), why)
    assert [one.steps for one in done.settled.passes] == [(undone,), (undone,)]


def test_a_crossing_of_other_pins_is_a_caution_that_leaves_the_words_alone() -> None:
    done = settled(read(CROSSED, "hb"), {"U1.hb": carried(undo=False, same_pins=False)})
    assert [document(each) for each in done.findings] == [
        wired(
            applied=False,
            same_pins=False,
            severity="caution",
            means=f"with wires that are crossed or inverted for chips with other pins: {PROOF}. What that "
            "does to this chip cannot be told from here.",
            after=advise("wiring-other-pins"),
        )
    ]
    assert done.settled.passes[0].steps == ()


def test_a_crossing_that_nobody_named_is_a_caution_and_puts_the_order_in_doubt() -> None:
    done = settled(read(CROSSED, "hb"), {"U1.hb": carried(undo=False)})
    proved = {"readings": [], "mapping": EXCHANGED, "words": "A3 and A4 exchanged"}
    assert [document(each) for each in done.findings] == [
        wired(
            applied=False,
            same_pins=True,
            severity="caution",
            means="by the same reader on the same date as readings whose lines are crossed or inverted: "
            f"{PROOF}. Nobody says that the wires were the same, so nothing was undone, and the "
            "order of these words is in doubt.",
            after=advise(step("same-wires", paste=PASTE)),
        ),
        contested(
            ["U1.hb"],
            [proved],
            "the wiring proved on other chips (A3 and A4 exchanged)",
            "Nothing here decides which is right.",
        ),
    ]


def test_a_crossing_that_one_chip_alone_shows_is_told_as_possible() -> None:
    reach = Carried("wires-1", CROSSED_LINES, ("U7",), undo=False, same_pins=True, proved=False)
    first = settled(read(CROSSED, "hb"), {"U1.hb": HOME_BUILT._replace(carried=reach)}).findings[0]
    assert "A3 and A4 exchanged (perhaps, as U7 alone suggests)." in first.means
    assert first.evidence["proved"] is False


def test_a_crossing_that_changes_no_word_of_this_chip_is_not_spoken_of() -> None:
    flat: Words = np.repeat(np.arange(32, dtype=np.uint8), 32)
    done = settled(read(flat, "hb"), {"U1.hb": carried(undo=True)})
    assert (done.findings, done.settled.passes[0].steps) == ((), ())
    told = settled(read(flat, "hb"), {"U1.hb": carried(undo=False, same_pins=False)})
    assert len(told.findings) == 1, "of other pins nobody knows what changes"


def test_lines_of_the_sheet_that_another_chip_denies_put_the_order_in_doubt() -> None:
    reach = Carried("wires-1", CROSSED_LINES, ("U7",), undo=False, same_pins=True, denied=True)
    first = settled(read(CROSSED, "hb"), {"U1.hb": HOME_BUILT._replace(carried=reach)}).findings[0]
    assert first.severity.value == "caution"
    assert first.means == (
        "U1.hb was put into order by lines that the sheet says of the wiring wires-1. With the same lines U7 "
        "comes out otherwise than its other readings have it: A3 and A4 exchanged. So the order of these "
        "words is in doubt."
    )
    assert first.next == advise("denied-lines")


def test_a_crossing_of_two_readings_is_told_of_each() -> None:
    both = {"U1.hb": carried(undo=True), "U1.two": carried(undo=True)}
    done = settled([*read(CROSSED, "hb", 1, 2), *read(CROSSED, "two")], both)
    assert [one.where["readings"] for one in done.findings] == [["U1.hb"], ["U1.two"]]


def test_a_crossing_of_a_chip_of_another_size_is_not_spoken_of() -> None:
    small = LineMap.simple(9, 8, address=(0, 1, 2, 4, 3, 5, 6, 7, 8))
    reach = Carried("wires-1", small, ("U7",), undo=False, same_pins=True)
    assert settled(read(CROSSED, "hb"), {"U1.hb": HOME_BUILT._replace(carried=reach)}).findings == ()


def test_a_pass_that_fits_no_order_clears_no_doubted_wiring() -> None:
    strange = np.random.default_rng(12).integers(0, 256, 1024, dtype=np.uint8)
    done = settled([*read(CROSSED, "hb"), *read(strange, "two")], {"U1.hb": carried(undo=False)})
    assert done.settled.frame_contested


def test_a_doubted_order_that_the_content_bears_out_is_cleared() -> None:
    def checks(words: Words) -> dict[str, Witness]:
        return {"check": Witness(30.0, 30.0, "a CRC holds")} if np.array_equal(words, CROSSED) else {}

    said = {"U1.hb": carried(undo=False)}
    assert settled(read(CROSSED, "hb"), said, checks=checks).settled.framing is None
    assert settled(read(TRUE, "hb"), said, checks=checks).settled.framing is not None


# --- grounds ----------------------------------------------------------------------------------------------


def grounds(done: Reconciled) -> list[Ground]:
    assert done.settled.framing is not None
    return list(done.settled.framing.grounds)


def test_the_sheets_word_is_told_with_the_readings_it_speaks_of() -> None:
    said = {"U1.hb": HOME_BUILT._replace(lines_said=True)}
    passes = [*read(TRUE, "a"), *read(CROSSED, "hb", 1, 2), *read(np.roll(TRUE, 9), "c")]
    assert grounds(settled(passes, said)) == [
        Ground("sheet", 1, (0, 2), "The sheet says how the lines of U1.hb lie")
    ]


def test_readers_that_agree_are_told_by_name_in_the_order_of_the_alphabet() -> None:
    mixed = [*read(TRUE, "odd", 1), *read(CROSSED, "odd", 2)]
    done = settled([*mixed, *read(TRUE, "z"), *read(TRUE, "b")], {})
    assert grounds(done) == [
        Ground("readers", 0, (1,), "b and z read it in one order, and no reader speaks for another")
    ]


def test_addresses_in_a_file_are_told_as_the_ground_for_its_start() -> None:
    done = settled([*read(np.roll(TRUE, -37), "hb"), *read(TRUE, "two", addressed=True)], {})
    assert grounds(done) == [
        Ground("addresses", 1, (0,), "The files of U1.two print the address of each line")
    ]
    both = [*read(np.roll(TRUE, -37), "hb", addressed=True), *read(TRUE, "two", addressed=True)]
    assert grounds(settled(both, {})) == []


def test_a_proved_crossing_is_told_with_the_chips_that_prove_it() -> None:
    said = {"U1.hb": carried(undo=False), "U1.two": HOME_BUILT}
    done = settled([*read(CROSSED, "hb"), *read(TRUE, "two")], said)
    assert grounds(done) == [
        Ground(
            "wiring",
            1,
            (0,),
            "The wiring wires-1, with which U1.hb was read, is crossed in just this way on U7, U8",
        )
    ]


@pytest.mark.parametrize(
    ("more", "speaks"), [({}, True), ({"proved": False}, False), ({"lines": LineMap.simple(10, 8)}, False)]
)
def test_a_crossing_speaks_only_where_it_is_proved_and_explains_what_is_seen(
    more: dict[str, Any], *, speaks: bool
) -> None:
    reach = Carried("w", CROSSED_LINES, ("U7",), undo=False, same_pins=True)._replace(**more)
    said = {"U1.hb": HOME_BUILT._replace(carried=reach)}
    done = settled([*read(CROSSED, "hb"), *read(TRUE, "two")], said)
    assert bool(grounds(done)) is speaks


def test_two_programmers_that_stand_in_two_orders_decide_nothing() -> None:
    said = {"U1.prog": PROGRAMMER, "U1.more": PROGRAMMER, "U1.hb": HOME_BUILT}
    done = settled([*read(TRUE, "prog"), *read(CROSSED, "more"), *read(CROSSED, "hb")], said)
    assert grounds(done) == []


def test_two_programmers_against_one_home_built_reader_are_both_named() -> None:
    said = {"U1.prog": PROGRAMMER, "U1.more": PROGRAMMER, "U1.hb": HOME_BUILT}
    done = settled([*read(TRUE, "prog"), *read(CROSSED, "hb"), *read(TRUE, "more")], said)
    assert [each.words for each in grounds(done) if each.ground == "programmer"] == [f"more and {DECIDED}"]


def test_a_programmer_that_was_also_set_to_another_part_is_none_of_this_chip() -> None:
    passes = [*read(TRUE, "prog"), *read(CROSSED, "hb")]
    other = passes[0]._replace(reading="U1.prog.2", number=2)
    said = SAID | {"U1.prog.2": Said(kind="device-programmer", own_part=False)}
    assert grounds(settled([*passes, other], said)) == []


def test_a_pass_that_fits_no_frame_takes_its_reader_the_voice_for_one() -> None:
    stranger = np.random.default_rng(77).integers(0, 256, 1024, dtype=np.uint8)
    passes = [*read(TRUE, "prog"), *read(CROSSED, "hb"), *read(stranger, "prog", 2)]
    assert grounds(settled(passes, SAID)) == []


def test_each_pass_is_given_with_how_it_lay() -> None:
    stranger = np.random.default_rng(77).integers(0, 256, 1024, dtype=np.uint8)
    passes = [*read(TRUE, "a"), *read(stranger, "b")]
    done = settled(passes, {})
    assert done.ways == ((passes[0], Way("same")), (passes[1], Way("stranger")))
    assert done.settled.framing is None


def test_many_wrong_bits_on_one_line_are_no_other_order() -> None:
    wrong = TRUE.copy()
    wrong[np.random.default_rng(3).choice(1024, 60, replace=False)] ^= np.uint8(4)
    done = settled([*read(TRUE, "a"), *read(wrong, "b")], {})
    assert [way.name for _, way in done.ways] == ["same", "same"]
    assert int(np.bitwise_count(done.settled.contested).sum()) == 60


def test_a_short_pass_that_slipped_twice_is_told_with_both_places_and_another_content_with_none() -> None:
    present = np.ones(1024, np.bool_)
    present[-2:] = False
    short = np.append(np.delete(TRUE, [300, 700]), np.zeros(2, np.uint8))
    done = settled([*read(TRUE, "a"), *read(short, "b", present=present, length_off=-2)], {})
    assert done.settled.framing is not None
    assert [frame.words for frame in done.settled.framing.frames] == [
        "",
        "1 word lost after address 0x12B; 1 word lost after address 0x2BB",
    ]
    other = np.random.default_rng(77).integers(0, 256, 1024, dtype=np.uint8)
    present[900:] = False
    done = settled([*read(TRUE, "a"), *read(other, "b", present=present)], {})
    assert [way.name for _, way in done.ways] == ["same", "stranger"]


def test_readings_that_stand_in_one_order_are_named_together() -> None:
    def checks(words: Words) -> dict[str, Witness]:
        return {"check": Witness(30.0, 30.0, "a CRC holds")} if np.array_equal(words, TRUE) else {}

    done = settled([*read(TRUE, "a"), *read(CROSSED, "c"), *read(TRUE, "b")], {}, checks=checks)
    assert grounds(done)[0] == Ground(
        "content", 0, (1,), "The content bears out the order of U1.a and U1.b: a CRC holds"
    )


def test_only_the_whole_order_speaks_over_one_that_shows_every_second_word_and_not_a_third() -> None:
    paced = TRUE[(2 * ADDRESSES) % 1024]
    done = settled([*read(TRUE, "a"), *read(paced, "b"), *read(CROSSED, "c")], {})
    assert grounds(done) == [Ground("complete", 0, (1,), "U1.a has words that U1.b never shows")]


def test_readings_that_differ_in_start_alone_are_sent_to_the_counter_and_not_to_the_wires() -> None:
    (told,) = settled([*read(TRUE, "a"), *read(np.roll(TRUE, -37), "b")], {}).findings
    assert (told.code, told.next) == (Code.FRAMES_DIFFER, advise("frames-differ-start"))
    assert "lines:" not in told.next


def test_readings_that_differ_in_byte_order_alone_are_sent_to_the_byte_order() -> None:
    wide = (TRUE.astype(np.uint16) << 8 | np.roll(TRUE, 5)).astype(np.uint16)
    passes = [*read(wide, "a"), *read(wide.byteswap(), "b")]
    done = reconcile(passes, chip="U1", organisation=Organisation(words=wide.size, bits=16), said={})
    assert done is not None
    assert [one.next for one in done.findings] == [advise("frames-differ-bytes")]
