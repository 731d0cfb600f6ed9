"""The state machine of a sitting: what silence, a restart, a line test and good passes make of it."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.bench.live.contacts import PassRead
from pipeline.bench.live.events import (
    NoText,
    NotThisChip,
    PassBegan,
    PassEnded,
    PortBack,
    PortGone,
    ReadAgain,
    Silent,
    WireTested,
    WordsCame,
)
from pipeline.bench.live.lines import LineState, Shown
from pipeline.bench.live.sitting import BenchSitting
from pipeline.catalogue import load
from pipeline.catalogue.advice.watching import WATCHING
from pipeline.formats.records.reader_log import LinePulsed, LinesHead, LinesTail, LineTested
from pipeline.views.live import event_line, screen
from pipeline.words import words_dtype
from schemas.names import Organisation
from schemas.part import Part
from tests.kit.board_simulated import Board
from tests.kit.wires import Crossing, Image
from tests.unit.test_watched_lines import passes, powered, program

PART = load().find("2716")
OFF = "Confirm that every supply is off; move wires now."


def sitting(trusted: Image | None = None) -> BenchSitting:
    return BenchSitting(Organisation(2048, 8), PART, trusted)


def read(one: BenchSitting, board: Board, count: int = 1) -> list[str]:
    """So many passes, with what is read again; what was told, in words."""
    told = []
    for number in range(1, count + 1):
        told += one.take(PassBegan(number, anew=False), 10.0 * number)
        whole = passes(board)[0]
        told += one.take(PassEnded(whole), 10.0 * number + 2)
        if not one.good:
            told += one.take(ReadAgain(whole), 10.0 * number + 3)
    return [event_line(each, one) for each in told]


def test_three_whole_passes_alike_without_a_fault_are_good() -> None:
    one = sitting()
    said = read(one, powered(program()), 3)
    assert one.good
    assert one.marks == ".=="
    assert said[-1] == "next: Three passes in a row are whole, alike and free of faults: capture now."
    assert one.words_a_second == 1024


def test_a_dead_line_is_told_with_its_pin_and_never_becomes_good() -> None:
    board, one = powered(program()), sitting()
    board.open_contact("A6", 1)
    said = read(one, board, 4)
    assert "! dead: A6 (pin 2)" in said
    assert one.next == "A6 (pin 2) makes no difference: power off, then its wire and contact."
    assert not one.good


@pytest.mark.parametrize("event", [Silent(), PortGone()])
def test_silence_is_no_error_and_what_comes_after_it_is_judged_alone(event: Silent | PortGone) -> None:
    board, one = powered(program()), sitting()
    board.open_contact("A6", 1)
    read(one, board, 2)
    one.take(event, 50)
    assert one.next.startswith(OFF)
    assert one.stale
    one.take(PortBack(), 51)
    assert "the port is gone" not in screen(one, port="p", baud=9600)[0]
    board.power_off()
    board.mend("A6")
    board.power_on()
    said = read(one, board, 1)
    assert said[0] == "The reader is back"
    assert "+ alive: A6 (pin 2)" in said
    assert one.changed == {"A6"}
    assert (one.alike, one.marks) == (1, ".=|.")


def test_a_reader_that_counts_from_one_again_may_have_been_without_power() -> None:
    board, one = powered(program()), sitting()
    read(one, board, 2)
    said = one.take(PassBegan(1, anew=True), 60)
    assert said[0].text == "The reader has started again"
    assert one.alike == 0


def test_passes_before_and_after_a_rest_never_make_three_in_a_row() -> None:
    board, one = powered(program()), sitting()
    read(one, board, 2)
    one.take(Silent(), 50)
    read(one, board, 1)
    assert not one.good


def test_a_torn_pass_breaks_the_row_and_changes_no_state() -> None:
    board, one = powered(program()), sitting()
    read(one, board, 2)
    before = dict(one.states)
    one.take(PassEnded(None, "16 of its words did not come"), 70)
    assert one.states == before
    assert one.alike == 0
    assert one.marks == ".=x"


def test_crossed_address_wires_are_named_with_the_move_that_cures_them() -> None:
    board, one = powered(program()), sitting(program())
    board.address_at[3], board.address_at[4] = 4, 3
    read(one, board, 1)
    one.hold_against_trusted()
    assert one.next == (
        "A3 and A4 are crossed: power off; at the reader's end exchange the wires leading to pins 5 and 4."
    )
    board.power_off()
    board.exchange_address_wires(3, 4)
    board.power_on()
    one.take(Silent(), 40)
    read(one, board, 3)
    assert one.good


def test_three_wires_in_a_ring_are_each_led_home() -> None:
    board, one = powered(program()), sitting(program())
    board.data_at[0], board.data_at[1], board.data_at[2] = 1, 2, 0
    read(one, board, 1)
    one.hold_against_trusted()
    for move in (
        "the wire of D0 (pin 9) to D0",
        "the wire of D1 (pin 10) to D1",
        "the wire of D2 (pin 11) to D2",
    ):
        assert move in one.next


def test_an_inverted_line_is_named() -> None:
    image = program()
    seen = Crossing(tuple(range(11)), tuple(range(8)), (), (5,)).read(image)
    one = sitting(image)
    read(one, powered(seen), 1)
    one.hold_against_trusted()
    assert one.next == "D5 comes inverted: power off, then look for an inverting buffer in the way."


def test_another_content_than_the_trusted_one_is_no_reason_to_move_wires() -> None:
    other = program()
    other[100:140] ^= 0x55
    one = sitting(other)
    read(one, powered(program()), 3)
    one.hold_against_trusted()
    assert "compare the markings before anything is moved" in one.next
    assert not one.good


def test_nothing_at_the_data_lines_is_told_as_one_thing() -> None:
    one = sitting()
    read(one, powered(np.full(2048, 0xFF, np.uint8)), 2)
    assert one.next.startswith(
        "Every word reads FF, so that nothing may be driving the data lines: power off"
    )


def test_a_wrong_speed_and_another_chip_are_named_and_end_nothing() -> None:
    one = sitting()
    one.take(NoText(115200), 1)
    assert "not text at 115200 baud" in one.next
    one.take(NotThisChip("256x8"), 2)
    assert "set to 256x8, the chip is 2048x8" in one.next
    read(one, powered(program()), 3)
    assert one.good


def test_a_second_reading_proves_lines_before_its_pass_has_ended() -> None:
    image, one = program(), sitting()
    one.take(PassBegan(1, anew=False), 1)
    one.take(PassEnded(passes(powered(image), again=False)[0]), 2)
    assert not any(state.mark == "+" for state in one.states.values())
    one.take(PassBegan(2, anew=False), 3)
    for at in range(0, 256, 16):
        one.take(WordsCame(at, image[at : at + 16]), 3.1)
    assert one.came == 256
    assert all(state.mark == "+" for state in one.states.values())


# -- the line test ----------------------------------------------------------------------------------------


def after_a_line_test(board: Board) -> BenchSitting:
    one = sitting()
    one.take(WireTested(LinesHead(1, board.lines, board.bits)), 1)
    for line in one.states:
        low, high, free = (board.levels(line, level) for level in (0, 1, None))
        one.take(WireTested(LineTested(1, line, low, high, free)), 2)
    one.take(WireTested(LinesTail(1)), 3)
    return one


def empty() -> Board:
    board = Board(program())
    board.take_chip_out()
    return board


def test_a_line_test_of_sound_wires_proves_no_line_alive_and_lets_the_chip_in() -> None:
    one = after_a_line_test(empty())
    assert {state.words for state in one.states.values()} == {"not yet shown"}
    assert "each data line reaches its pull: power off" in one.next


def test_a_bridge_shows_in_a_line_test() -> None:
    board = empty()
    board.bridge("A2", "A7", "low")
    one = after_a_line_test(board)
    assert one.states["A2"].words == "joined with A7"
    assert "A2 (pin 6) and A7 (pin 1) are joined: every supply off" in one.next


def test_a_data_wire_that_does_not_reach_its_pull_shows_in_a_line_test() -> None:
    board = empty()
    board.take_wire_out("D3", None)
    one = after_a_line_test(board)
    assert one.states["D3"].words == "floating"
    assert "D3 (pin 13) does not come back through its pull at the socket's hole" in one.next


@pytest.mark.parametrize("level", [0, 1])
def test_a_line_that_something_holds_shows_in_a_line_test(level: int) -> None:
    board = empty()
    board.take_wire_out("D1", level)
    one = after_a_line_test(board)
    assert one.states["D1"].words == f"stuck at {level}"
    assert "every supply off" in one.next


def test_a_line_test_that_is_not_over_lets_no_chip_in() -> None:
    board, one = empty(), sitting()
    one.take(WireTested(LinesHead(1, board.lines, board.bits)), 1)
    assert one.next == "The line test is running: leave everything as it is."
    low, high, free = (board.levels("A0", level) for level in (0, 1, None))
    one.take(WireTested(LineTested(1, "A0", low, high, free)), 2)
    said = one.take(WireTested(LinesTail(1)), 3)
    assert said[0].text == "Line test 1 is not whole: 1 lines came"
    assert one.next == "The line test is running: leave everything as it is."


def test_pulses_with_an_expendable_chip_prove_no_line_alive_and_call_none_dead() -> None:
    one = sitting()
    one.take(WireTested(LinesHead(1, 11, 8)), 1)
    one.take(WireTested(LinePulsed(1, "A0", 64, 61)), 2)
    one.take(WireTested(LinePulsed(1, "A5", 64, 0)), 2)
    said = one.take(WireTested(LinesTail(1)), 3)
    assert said[0].text == "Line test 1 is over: pulses showed on A0 at 61 of 64; not shown: A5"
    assert {state.words for state in one.states.values()} == {"not yet shown"}
    assert one.next.startswith("Pulses prove no line: power off")


# -- what stands on every screen --------------------------------------------------------------------------


def test_every_screen_says_when_hands_may_move_something() -> None:
    one = sitting()
    pages = [screen(one, port="p", baud=9600)]
    read(one, powered(program()), 1)
    pages.append(screen(one, port="p", baud=9600))
    one.take(Silent(), 50)
    pages.append(screen(one, port="p", baud=9600))
    one.take(PortGone(), 51)
    pages.append(screen(one, port="p", baud=9600))
    assert {page[-1] for page in pages} == {
        "Power off (reader first, supplies in order) before any wire or chip is moved."
    }


@pytest.mark.parametrize("part", [one for one in load().parts if one.organisation], ids=lambda one: one.part)
def test_the_screen_of_every_part_fits_a_small_terminal_in_plain_characters(part: Part) -> None:
    assert part.organisation is not None
    one = BenchSitting(part.organisation, part)
    pages = [screen(one, port="/dev/ttyUSB0", baud=115200)]
    words = part.organisation.words
    if words <= 1 << 16:
        most = (1 << part.organisation.bits) - 1
        image = (np.arange(words, dtype=np.uint64) & np.uint64(most)).astype(
            words_dtype(part.organisation.bits)
        )
        one.take(PassBegan(1, anew=False), 1)
        one.take(PassEnded(PassRead(1, image)), 2)
    one.phase = "reading"
    pages.append(screen(one, port="/dev/ttyUSB0", baud=115200, regions=[("dense", 0, words)]))
    states = one.states
    one.states = {line: LineState(Shown.JOINED, others=tuple(states)[:2]) for line in states}
    one.said, one._next = "a " * 70, "power off " * 15
    pages.append(screen(one, port="/dev/ttyUSB0", baud=115200))
    for page in pages:
        assert len(page) <= 24
        assert page[-1] == "Power off (reader first, supplies in order) before any wire or chip is moved."
        assert max(map(len, page)) <= 80
        assert all(" " <= char <= "~" for line in page for char in line)


def test_what_was_to_be_done_stays_on_the_screen_until_a_whole_pass_shows_it_done() -> None:
    one = sitting()
    board = powered(program())
    board.open_contact("A6", 1)
    read(one, board, 1)
    wanted = one.next
    one.take(Silent(), 50)
    assert f"Before: {wanted}" in " ".join(screen(one, port="p", baud=9600))
    board.power_off()
    board.mend("A6")
    board.power_on()
    one.take(PassBegan(1, anew=True), 60)
    assert one.said == wanted
    read(one, board, 1)
    assert not any(line.startswith("Before:") for line in screen(one, port="p", baud=9600))


def test_what_a_line_test_showed_stays_while_the_reader_is_silent_after_it() -> None:
    board = empty()
    board.bridge("A2", "A7", "low")
    one = after_a_line_test(board)
    one.take(Silent(), 50)
    assert one.next.startswith("A2 (pin 6) and A7 (pin 1) are joined: every supply off")
    one.take(PassBegan(1, anew=False), 60)
    assert one.stale
    assert one.next.startswith("The first pass is coming")


def test_no_sentence_moves_anything_but_with_the_power_off() -> None:
    moving = {
        name
        for name, (text, _) in WATCHING.items()
        if any(word in text for word in ("wire", "move", "bridge"))
    }
    assert len(moving) > 10
    for name in moving:
        text = WATCHING[name][0].lower()
        assert "power off" in text or "every supply" in text or "before anything is moved" in text, name
