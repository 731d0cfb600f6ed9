"""What passes show of single lines: proved, in trouble, or not yet shown; never alive without proof."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from pipeline.bench.live.asking import stretches
from pipeline.bench.live.contacts import PassRead
from pipeline.bench.live.evidence import judge_lines
from pipeline.bench.live.lines import LineState, Shown
from tests.kit.board_simulated import Board
from tests.kit.firmware import installed
from tests.kit.wires import Image

WORDS = 2048


def program() -> Image:
    """A window of real firmware in which every line moves."""
    words = next(
        one.words for one in installed("open")[0] if one.name.startswith("uflash") and "V1" in one.name
    )
    return words[4096 : 4096 + WORDS].copy()


def passes(board: Board, count: int = 1, *, again: bool = True) -> list[PassRead]:
    """Whole passes of a board whose power is on, each with what a listening reader reads again."""
    found = []
    for number in range(1, count + 1):
        words = board.read_all()
        asked = stretches(words, 16) if again else []
        found.append(PassRead(number, words, tuple((at, board.read(np.arange(at, at + 16))) for at in asked)))
    return found


def powered(image: Image) -> Board:
    board = Board(image, seed=7)
    board.power_on()
    return board


def shown(board: Board, count: int = 1, *, again: bool = True) -> dict[str, LineState]:
    return judge_lines(passes(board, count, again=again), board.bits)[0]


def in_trouble(states: dict[str, LineState]) -> dict[str, str]:
    return {line: one.words for line, one in states.items() if one.state is not Shown.ALIVE}


def test_every_line_of_a_sound_board_is_alive_after_one_pass_with_lines_read_again() -> None:
    assert in_trouble(shown(powered(program()))) == {}


def test_one_pass_alone_proves_nothing_alive_and_two_do() -> None:
    board = powered(program())
    assert {one.words for one in shown(board, again=False).values()} == {"not yet shown"}
    assert in_trouble(shown(board, 2, again=False)) == {}


@pytest.mark.parametrize("line", [0, 5, 10])
@pytest.mark.parametrize("level", [0, 1])
def test_a_dead_address_line_is_dead_and_no_other_line_is(line: int, level: int) -> None:
    board = powered(program())
    board.open_contact(f"A{line}", level)
    assert in_trouble(shown(board)) == {f"A{line}": "dead"}


def test_joined_address_lines_are_joined_with_each_other() -> None:
    board = powered(program())
    board.wires.join_address_lines(2, 7, "low")
    assert in_trouble(shown(board)) == {"A2": "joined with A7", "A7": "joined with A2"}


def test_a_constant_data_line_is_stuck_at_its_level() -> None:
    board = powered(program())
    board.open_contact("D3", 1)
    assert in_trouble(shown(board)) == {"D3": "stuck at 1"}


def test_joined_data_lines_are_joined_with_each_other() -> None:
    board = powered(program())
    board.wires.join_data_lines(1, 4, "low")
    assert in_trouble(shown(board)) == {"D1": "joined with D4", "D4": "joined with D1"}


def test_a_line_of_noise_is_floating_after_the_first_pass() -> None:
    board = powered(program())
    board.open_contact("D6", None)
    assert in_trouble(shown(board)) == {"D6": "floating"}


def test_noise_on_a_data_line_proves_no_dead_address_line_alive() -> None:
    """The look-alike: across a dead line the noise differs in half of all words."""
    board = powered(program())
    board.open_contact("D6", None)
    board.open_contact("A4", 0)
    assert in_trouble(shown(board)) == {"D6": "floating", "A4": "dead"}


@pytest.mark.parametrize("line", ["A3", "A9", "D2"])
def test_a_contact_that_comes_and_goes_is_intermittent_after_three_passes(line: str) -> None:
    board = powered(program())
    board.loosen_contact(line, 1, 0.1)
    assert in_trouble(shown(board, 3)) == {line: "intermittent"}


def test_a_loose_address_line_proves_no_dead_one_alive() -> None:
    board = powered(program())
    board.loosen_contact("A3", 0, 0.3)
    board.open_contact("A8", 1)
    assert in_trouble(shown(board)) == {"A3": "intermittent", "A8": "dead"}


def test_a_blank_upper_half_cannot_show_the_top_line() -> None:
    """An address line on a select pin gives just this: half of the words are what the pulls make."""
    image = program()
    image[WORDS // 2 :] = 0xFF
    assert shown(powered(image))["A10"].words == "not yet shown"


def test_a_blank_chip_shows_no_address_line_at_all() -> None:
    states = shown(powered(np.full(WORDS, 0xFF, np.uint8)))
    assert {one.words for line, one in states.items() if line.startswith("A")} == {"not yet shown"}
    assert {one.words for line, one in states.items() if line.startswith("D")} == {"stuck at 1"}


def test_content_stored_twice_never_proves_the_top_line() -> None:
    image = np.concatenate([program()[: WORDS // 2]] * 2)
    assert shown(powered(image), 3)["A10"].state is Shown.DEAD
    trusted = judge_lines(passes(powered(image)), 8, image)[0]
    assert trusted["A10"].words == "not yet shown"


def test_a_trusted_reading_proves_what_one_pass_alone_does_not() -> None:
    image = program()
    states, _ = judge_lines(passes(powered(image), again=False), 8, image)
    assert in_trouble(states) == {}


def test_lines_that_only_two_columns_of_content_share_are_not_called_joined() -> None:
    """The look-alike: a few words in which two columns are alike by chance."""
    image = np.zeros(64, np.uint8)
    image[::7] = 0b0000_0101
    image[1::5] = 0b0010_0000
    states = shown(powered(image), 2)
    assert states["D0"].state is states["D2"].state is Shown.NOT_SHOWN


def test_two_faults_that_came_between_two_passes_leave_the_other_lines_alive() -> None:
    board = powered(program())
    before = passes(board)
    board.open_contact("A1", 0)
    board.open_contact("D5", None)
    states, _ = judge_lines([*before, *passes(board)], 8)
    assert in_trouble(states) == {"A1": "dead", "D5": "floating"}


def test_a_contact_that_opened_between_two_passes_of_nearly_blank_content_makes_no_line_intermittent() -> (
    None
):
    """So few words differ that the earlier pass could be of the same wires."""
    image = np.zeros(WORDS, np.uint8)
    image[:160] = program()[:160]
    board = powered(image)
    before = passes(board, 2)
    board.open_contact("A4", 1)
    states, found = judge_lines([*before, *passes(board)], 8)
    assert [line for line, one in states.items() if one.state is Shown.INTERMITTENT] == []
    assert found.doubtful == set()


def test_a_loose_data_line_and_a_column_that_has_just_opened_leave_the_other_lines_alive() -> None:
    """Words that both have spoiled belong to no single line."""
    board = powered(program())
    board.loosen_contact("D2", 0, 0.1)
    before = passes(board, 2)
    board.open_contact("D7", 0)
    states, _ = judge_lines([*before, *passes(board)], 8)
    assert in_trouble(states) == {"D2": "intermittent", "D7": "stuck at 0"}


@pytest.mark.parametrize("share", [0.02, 0.1, 0.3])
def test_a_line_joined_with_a_loose_one_is_never_alive(share: float) -> None:
    """While the loose one stands still its partner moves by itself."""
    board = powered(program())
    board.wires.join_address_lines(1, 7, "high")
    board.loosen_contact("A1", 0, share)
    states = shown(board, 3)
    assert {states["A1"].state, states["A7"].state} <= {Shown.JOINED, Shown.INTERMITTENT, Shown.NOT_SHOWN}


@given(hnp.arrays(np.uint8, 64), hnp.arrays(np.uint8, 64), st.integers(1, 8))
def test_any_two_passes_are_judged_and_nothing_is_raised(first: Image, second: Image, bits: int) -> None:
    mask = np.uint8((1 << bits) - 1)
    window = [PassRead(1, first & mask), PassRead(2, second & mask)]
    states, _ = judge_lines(window, bits)
    assert set(states) == {*(f"A{k}" for k in range(6)), *(f"D{k}" for k in range(bits))}


@given(st.integers(0, 1 << 30), st.sampled_from([64, 256, 1024]))
def test_noise_alone_proves_nothing(seed: int, size: int) -> None:
    """Three passes with nothing at the data lines: no line may be called alive."""
    random = np.random.default_rng(seed)
    window = [PassRead(k, random.integers(0, 256, size).astype(np.uint8)) for k in (1, 2, 3)]
    states, _ = judge_lines(window, 8)
    assert [line for line, one in states.items() if one.state is Shown.ALIVE] == []
