"""Order, start and step are settled by grounds, never by how often they were read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from pipeline.catalogue.advice import advise
from pipeline.flow import Carried, Pass, Said, Step, Witness
from pipeline.lines import LineMap
from pipeline.stages.grade import held_back
from pipeline.stages.reconcile import Reconciled, reconcile
from pipeline.words import Words
from schemas.finding import Code
from schemas.names import Organisation

CHIP = Organisation(1024, 8)
TRUE: Words = np.random.default_rng(11).integers(0, 256, 1024, dtype=np.uint8)
ADDRESSES = np.arange(1024)
CROSSED_LINES = LineMap.simple(10, 8, address=(0, 1, 2, 4, 3, 5, 6, 7, 8, 9))
CROSSED: Words = CROSSED_LINES.apply(TRUE)

PROGRAMMER = Said(kind="device-programmer", own_part=True)
HOME_BUILT = Said(kind="home-built")


def read(words: Words, reader: str, *numbers: int, **facts: object) -> list[Pass]:
    """One reading of a reader with passes of these numbers."""
    return [
        Pass(f"U1.{reader}", reader, f"{reader}/", number, words)._replace(**facts)  # type: ignore[arg-type]
        for number in numbers or (1,)
    ]


def settled(passes: list[Pass], said: Mapping[str, Said], **more: object) -> Reconciled:
    """What reconciling gives."""
    done = reconcile(passes, chip="U1", organisation=CHIP, said=said, **more)  # type: ignore[arg-type]
    assert done is not None
    return done


def contested(done: Reconciled) -> bool:
    """Whether the frame is contested, and told so by its finding."""
    codes = [one.code for one in done.findings]
    assert (Code.FRAMES_DIFFER in codes) == done.settled.frame_contested
    return done.settled.frame_contested


def test_one_pass_of_a_programmer_stands_against_three_of_a_crossed_reader() -> None:
    said = {"U1.hb": HOME_BUILT, "U1.prog": PROGRAMMER}
    done = settled([*read(CROSSED, "hb", 1, 2, 3), *read(TRUE, "prog")], said)
    assert np.array_equal(done.settled.words, TRUE)
    (finding,) = done.findings
    assert finding.code is Code.LINES_REORDERED
    assert finding.evidence["grounds"][0]["ground"] == "programmer"
    assert finding.where["readings"] == ["U1.hb"]


@pytest.mark.parametrize("kind", ["other", ""])
def test_a_reader_of_no_stated_kind_decides_nothing(kind: str) -> None:
    said = {"U1.hb": Said(kind=kind), "U1.prog": PROGRAMMER}
    assert contested(settled([*read(CROSSED, "hb"), *read(TRUE, "prog")], said))
    said = {"U1.hb": HOME_BUILT, "U1.prog": Said(kind=kind, own_part=True)}
    assert contested(settled([*read(CROSSED, "hb"), *read(TRUE, "prog")], said))


def test_a_programmer_set_to_another_part_decides_nothing() -> None:
    said = {"U1.hb": HOME_BUILT, "U1.prog": Said(kind="device-programmer", own_part=False)}
    assert contested(settled([*read(CROSSED, "hb"), *read(TRUE, "prog")], said))


def test_a_lone_programmer_decides_nothing_against_two_home_built_readers_that_agree() -> None:
    said = {"U1.hb": HOME_BUILT, "U1.two": HOME_BUILT, "U1.prog": PROGRAMMER}
    done = settled([*read(CROSSED, "hb"), *read(CROSSED, "two"), *read(TRUE, "prog")], said)
    assert contested(done)


def test_two_readers_decide_where_the_third_speaks_for_no_frame() -> None:
    said = {"U1.hb": HOME_BUILT, "U1.two": HOME_BUILT, "U1.odd": HOME_BUILT}
    mixed = [*read(CROSSED, "odd", 1), *read(TRUE, "odd", 2)]
    done = settled([*mixed, *read(TRUE, "hb"), *read(TRUE, "two")], said)
    assert not contested(done)
    assert np.array_equal(done.settled.words, TRUE)


def test_the_sheets_word_settles_over_everything_else() -> None:
    said = {"U1.hb": HOME_BUILT._replace(lines_said=True), "U1.prog": PROGRAMMER}
    done = settled([*read(TRUE, "prog"), *read(CROSSED, "hb")], said)
    assert not contested(done)
    assert np.array_equal(done.settled.words, CROSSED)


def test_two_words_of_the_sheet_that_contradict_each_other_settle_nothing() -> None:
    said = {"U1.hb": HOME_BUILT._replace(lines_said=True), "U1.two": HOME_BUILT._replace(lines_said=True)}
    assert contested(settled([*read(TRUE, "two"), *read(CROSSED, "hb")], said))


def test_a_check_in_the_content_decides_between_two_home_built_readers() -> None:
    def checks(words: Words) -> dict[str, Witness]:
        return {"check": Witness(30.0, 30.0, "a CRC holds")} if np.array_equal(words, TRUE) else {}

    said = {"U1.hb": HOME_BUILT, "U1.two": HOME_BUILT}
    done = settled([*read(CROSSED, "hb"), *read(TRUE, "two")], said, checks=checks)
    assert not contested(done)
    assert np.array_equal(done.settled.words, TRUE)
    assert done.settled.order_checked


def test_grounds_for_two_frames_leave_the_frame_contested() -> None:
    def checks(words: Words) -> dict[str, Witness]:
        return {"check": Witness(30.0, 30.0, "a CRC holds")} if np.array_equal(words, CROSSED) else {}

    said = {"U1.hb": HOME_BUILT, "U1.prog": PROGRAMMER}
    done = settled([*read(CROSSED, "hb"), *read(TRUE, "prog")], said, checks=checks)
    assert contested(done)
    assert np.array_equal(done.settled.words, CROSSED), "the frame of the first listed reading"
    finding = next(one for one in done.findings if one.code is Code.FRAMES_DIFFER)
    assert {one["ground"] for one in finding.evidence["grounds"]} == {"content", "programmer"}


def test_addresses_in_the_file_settle_a_start_but_no_order() -> None:
    turned: Words = np.roll(TRUE, -37)
    said = {"U1.hb": HOME_BUILT, "U1.two": HOME_BUILT}
    done = settled([*read(turned, "hb"), *read(TRUE, "two", addressed=True)], said)
    assert np.array_equal(done.settled.words, TRUE)
    assert done.findings[0].code is Code.ROTATED
    assert done.findings[0].where["by"] == 37
    assert "began at word 37" in done.findings[0].means
    assert contested(settled([*read(CROSSED, "hb"), *read(TRUE, "two", addressed=True)], said))


def shorter(words: Words, at: int, count: int = 1) -> Words:
    """A stream that lost words there, and 0 where the chip's last ones would stand."""
    return np.concatenate([np.delete(words, slice(at, at + count)), np.zeros(count, np.uint8)])


def test_a_complete_pass_stands_against_one_that_lost_a_word() -> None:
    short = read(shorter(TRUE, 300), "two")[0]._replace(present=ADDRESSES < 1023, length_off=-1)
    done = settled([*read(TRUE, "hb"), short], {})
    assert not contested(done)
    assert [one.code for one in done.findings] == [Code.SLIPPED]


def test_a_pass_that_lost_words_and_read_on_to_its_full_count_decides_nothing_against_a_short_one() -> None:
    went_on = np.concatenate([np.delete(TRUE, slice(300, 303)), TRUE[:3]])
    early = read(TRUE, "two")[0]._replace(present=ADDRESSES < 900, length_off=-124)
    assert contested(settled([*read(went_on, "hb", 1, 2, 3), early], {}))


def test_a_pass_that_lost_words_and_read_on_decides_nothing_against_one_that_doubled_a_word() -> None:
    went_on = np.concatenate([np.delete(TRUE, slice(300, 303)), TRUE[:3]])
    doubled = read(np.insert(TRUE, 700, TRUE[700])[:1024], "two")[0]._replace(length_off=1)
    assert contested(settled([*read(went_on, "hb"), doubled], {}))


@pytest.mark.parametrize(
    ("others", "speaks"),
    [
        ({"prog": PROGRAMMER}, "prog is a device programmer under the chip's own part, and only "),
        ({"two": HOME_BUILT, "odd": HOME_BUILT}, "odd and two both read it in another order. So"),
    ],
)
def test_readings_that_speak_against_the_sheets_word_hold_the_image_back(
    others: Mapping[str, Said], speaks: str
) -> None:
    said = {
        "U1.hb": HOME_BUILT._replace(lines_said=True),
        **{f"U1.{name}": one for name, one in others.items()},
    }
    done = settled([*read(CROSSED, "hb"), *(one for name in others for one in read(TRUE, name))], said)
    assert not contested(done), "the sheet's word settles"
    assert np.array_equal(done.settled.words, CROSSED)
    assert held_back(done.settled, done.findings) == (Code.LINES_REORDERED,)
    means = done.findings[0].means
    assert f" The sheet says how the lines of U1.hb lie. That word settles the order, but {speaks}" in means
    assert means.endswith(". So the image is held back until the sheet is put right, or answers.")
    assert done.findings[0].next == advise("denied-lines")
    answered = [
        replace(one, evidence={**one.evidence, "answer": "seen on the drawing"}) for one in done.findings
    ]
    assert held_back(done.settled, answered) == ()


def test_content_that_speaks_against_the_sheets_word_is_told_in_a_clause() -> None:
    def checks(words: Words) -> dict[str, Witness]:
        return {"check": Witness(30.0, 30.0, "a CRC holds")} if np.array_equal(words, TRUE) else {}

    said = {"U1.hb": HOME_BUILT._replace(lines_said=True), "U1.two": HOME_BUILT}
    done = settled([*read(CROSSED, "hb"), *read(TRUE, "two")], said, checks=checks)
    (finding,) = done.findings
    clause = "but the content bears out the order of U1.two: a CRC holds. So the image is held back until "
    assert clause in finding.means
    assert held_back(done.settled, done.findings) == (Code.LINES_REORDERED,)


def test_the_sheets_word_against_a_lone_reader_holds_nothing_back() -> None:
    said = {"U1.hb": HOME_BUILT._replace(lines_said=True), "U1.two": HOME_BUILT}
    done = settled([*read(CROSSED, "hb"), *read(TRUE, "two")], said)
    assert not contested(done)
    assert held_back(done.settled, done.findings) == ()


def test_a_mapping_that_changes_no_word_is_no_frame() -> None:
    flat: Words = np.repeat(np.arange(64, dtype=np.uint8), 16)
    done = settled([*read(flat, "hb"), *read(flat.copy(), "two")], {})
    assert done.settled.framing is None


def test_a_pass_that_is_late_by_one_word_is_named_so() -> None:
    done = settled(
        [*read(TRUE, "prog"), *read(np.roll(TRUE, 1), "hb")], {"U1.hb": HOME_BUILT, "U1.prog": PROGRAMMER}
    )
    assert [(one.code, one.where["by"]) for one in done.findings] == [(Code.LATE_BY_ONE, -1)]


def test_bytes_of_a_word_exchanged_are_told_as_byte_order() -> None:
    wide: Words = np.random.default_rng(2).integers(0, 1 << 16, 1024, dtype=np.uint16)
    passes = [
        Pass("U1.prog", "prog", "prog/", 1, wide),
        Pass("U1.hb", "hb", "hb/", 1, wide.byteswap()),
    ]
    said = {"U1.hb": HOME_BUILT, "U1.prog": PROGRAMMER}
    done = reconcile(passes, chip="U1", organisation=Organisation(1024, 16), said=said)
    assert done is not None
    assert "byte_order" in done.findings[0].means
    assert "D0 on" not in done.findings[0].means


def carried(*, undo: bool, same_pins: bool = True) -> Said:
    """A reading whose wiring is proved crossed on two other chips."""
    reach = Carried("wires-1", CROSSED_LINES, ("U7", "U8"), undo=undo, same_pins=same_pins)
    return HOME_BUILT._replace(wiring="wires-1", named=undo, carried=reach)


def test_a_named_wiring_that_is_proved_crossed_is_undone_on_its_other_chips() -> None:
    done = settled(read(CROSSED, "hb"), {"U1.hb": carried(undo=True)})
    assert np.array_equal(done.settled.words, TRUE)
    (finding,) = done.findings
    assert finding.code is Code.WIRING_CARRIED
    assert finding.evidence["proved_by"] == ["U7", "U8"]
    assert done.settled.passes[0].steps[-1].action == "undo-lines"


def test_a_wiring_that_nobody_named_is_not_undone_but_doubted() -> None:
    done = settled(read(CROSSED, "hb"), {"U1.hb": carried(undo=False)})
    assert np.array_equal(done.settled.words, CROSSED)
    assert contested(done)
    finding = next(one for one in done.findings if one.code is Code.WIRING_CARRIED)
    assert "lines: {address: [A0, A1, A2, A4, A3, A5, A6, A7, A8, A9]}" in finding.next


def test_a_pass_that_lost_words_does_not_clear_a_doubted_wiring() -> None:
    lost = read(shorter(CROSSED, 300), "hb", 2)[0]._replace(present=ADDRESSES < 1023, length_off=-1)
    done = settled([*read(CROSSED, "hb"), lost], {"U1.hb": carried(undo=False)})
    assert contested(done)
    assert {one.code for one in done.findings} == {Code.SLIPPED, Code.WIRING_CARRIED, Code.FRAMES_DIFFER}


def test_grounds_that_spoke_of_lines_on_this_chip_are_not_undone_by_a_doubt_from_others() -> None:
    reach = Carried("prog", CROSSED_LINES, ("U7",), undo=False, same_pins=True, proved=False)
    said = {"U1.hb": HOME_BUILT, "U1.prog": PROGRAMMER._replace(carried=reach)}
    done = settled([*read(CROSSED, "hb"), *read(TRUE, "prog")], said)
    assert not contested(done)
    assert np.array_equal(done.settled.words, TRUE)


def test_on_other_pins_a_proved_crossing_is_a_caution_and_no_doubt() -> None:
    done = settled(read(CROSSED, "hb"), {"U1.hb": carried(undo=False, same_pins=False)})
    assert not contested(done)
    assert [one.code for one in done.findings] == [Code.WIRING_CARRIED]


def test_a_data_bus_turned_at_the_readers_end_is_doubted_whatever_the_pins() -> None:
    turned = LineMap.simple(10, 8, data=(4, 5, 6, 7, 0, 1, 2, 3))
    reach = Carried("hb", turned, ("U7",), undo=False, same_pins=False, proved=False, whole_bus=True)
    said = {"U1.hb": HOME_BUILT._replace(carried=reach)}
    done = settled(read(TRUE, "hb"), said)
    assert contested(done)
    assert {one.code for one in done.findings} == {Code.WIRING_CARRIED, Code.FRAMES_DIFFER}
    assert not contested(settled([*read(TRUE, "hb"), *read(TRUE, "two")], said))


def test_a_doubted_reading_is_cleared_by_another_wiring_that_reads_the_same() -> None:
    done = settled([*read(TRUE, "hb"), *read(TRUE, "two")], {"U1.hb": carried(undo=False)})
    assert not contested(done)


def test_a_crossing_proved_elsewhere_is_a_ground_where_readings_differ() -> None:
    said = {"U1.hb": carried(undo=False), "U1.two": HOME_BUILT}
    done = settled([*read(CROSSED, "hb"), *read(TRUE, "two")], said)
    assert not contested(done)
    assert np.array_equal(done.settled.words, TRUE)


def lined(words: Words, lines: LineMap, reader: str) -> list[Pass]:
    """A pass put into order by lines that the sheet says."""
    return [
        one._replace(steps=(Step("undo-lines", lines.to_json(), "The sheet says so."),))
        for one in read(lines.undo(words), reader)
    ]


@pytest.mark.parametrize("written", ["needlessly", "the other way round"])
def test_one_reader_speaks_against_the_sheet_where_it_reads_the_sheets_lines_otherwise(written: str) -> None:
    said = {"U1.hb": HOME_BUILT._replace(lines_said=True), "U1.two": HOME_BUILT}
    lines = LineMap.simple(10, 8, address=(3, 1, 2, 7, 4, 5, 6, 0, 8, 9))
    came = TRUE if written == "needlessly" else lines.inverse().apply(TRUE)
    done = settled([*lined(came, lines, "hb"), *read(TRUE, "two")], said)
    assert not contested(done), "the sheet's word settles"
    assert held_back(done.settled, done.findings) == (Code.LINES_REORDERED,)


def test_where_a_part_of_the_programmers_file_begins_decides_nothing() -> None:
    late = np.concatenate([np.full(3, 0xFF, np.uint8), TRUE[:-3]])
    passes = [*read(TRUE, "hb"), *read(late, "prog")]
    assert not contested(settled(passes, {"U1.hb": HOME_BUILT, "U1.prog": PROGRAMMER}))
    taken = {"U1.hb": HOME_BUILT, "U1.prog": PROGRAMMER._replace(taken=True)}
    assert contested(settled(passes, taken))
    crossed = [*read(CROSSED, "hb"), *read(TRUE, "prog")]
    assert not contested(settled(crossed, taken)), "of wires it is still the better witness"
