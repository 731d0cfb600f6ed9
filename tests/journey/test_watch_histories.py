"""Random histories of a board: what `watch` shows of every line, held against image and wires alone.

Each history draws wires put in, taken out, bridged and exchanged while the power is off, and contacts that
loosen or open at any time, over a pseudo-terminal. The chip of the simulated board dies of what kills chips,
and the test with it.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

pytest.importorskip("serial", reason="watching needs the optional package pyserial")

from pipeline.bench.live.sitting import BenchSitting
from pipeline.run.bench.watch import WatchWish, watch
from pipeline.run.bench.watched_line import Watching
from schemas.names import Organisation
from tests.kit.board_simulated import Board
from tests.kit.histories import Player, Score, chips, supplies_of
from tests.kit.reader_looping import LoopingReader, SteppedLine, SteppedReader
from tests.kit.reader_simulated import Line

SHORT, LONG = 10, 2000 if os.environ.get("WELLREAD_DRILLS") == "all" else 400
"""Random histories in every run, and in the drill: `WELLREAD_DRILLS=all` takes two thousand."""
SHARES = (
    *(("listens", 512, 3), ("listens", 1024, 3), ("listens", 2048, 2), ("deaf", 512, 1)),
    ("plain", 1024, 1),
)
"""Of every ten: chips of three sizes; readers that listen, that do not, that print plain hex."""
PIECE = 20
"""Histories over one line and one watch."""
AT_ONCE = 5
"""Lines watched beside each other: most of a history is waiting for the other end."""
MOST_WRONG = 1 / 5_000
"""Share of states that may be otherwise wrong: of 272,325 unseen ones 9 were. Those looked at were dead lines
that were told as loose ones, for a pass or two. None may be called alive that is not.
"""
FOUND = (
    (10_073, 2048, "listens"),
    (20_000, 512, "listens"),
    (40_114, 512, "listens"),
    (40_192, 512, "deaf"),
    (40_288, 2048, "listens"),
    (61_766, 512, "deaf"),
)
"""Histories that were shown wrong once: words that a loose line spoiled were taken for proof of another; a
line was named by what half a pass looked like, though the words read again behind it took that back; in
nearly blank content a loose line was not told from others, though it alone explains the words that are rare;
across a dead line stands the word itself, which was taken for the word that it would have spoiled.
"""

Plays = Callable[[range, int, str], Score]


def played(numbers: range, size: int, how: str) -> Score:
    """Some histories over one line and one watch, the whole of it as it runs for people."""
    score, line, board = Score(), Line(), board_of(size)
    # a busy machine may let it wait long for what it is asked
    reader = LoopingReader(line, board, listens=how == "listens", plain=how == "plain", patient=60.0)
    over = player(reader, numbers, score, how)
    # the line protocol tells by its numbers that the power was off; plain printing by its rest alone
    quiet = 0.6 if how == "plain" else 5.0
    wish = WatchWish(line.name, None, f"{size}x8", 115_200, None, None, quiet, find_speed=False)
    with reader:
        watch(wish, show=lambda *_: None, until=over)
    line.close()
    return score


def stepped(numbers: range, size: int, how: str) -> Score:
    """The same over the same pseudo-terminal, in one thread, and time moves with the bytes."""
    score, line, board = Score(), Line(), board_of(size)
    reader = SteppedReader(line, board, listens=how == "listens", plain=how == "plain", patient=60.0)
    over = player(reader, numbers, score, how)
    sitting = BenchSitting(Organisation(size, 8))
    quiet = 0.6 if how == "plain" else 5.0
    watching = Watching(SteppedLine(reader, 115_200), sitting, quiet, lambda *_: None)

    def turn() -> bool:
        watching.turn(over)
        return over(sitting)

    reader.turn = turn
    reader.run()
    line.close()
    return score


def board_of(size: int) -> Board:
    """A board whose supplies, and first chip, its size draws."""
    random = np.random.default_rng(size)
    return Board(next(chips(random, size)), supplies=supplies_of(random), seed=size)


def player(reader: LoopingReader, numbers: range, score: Score, how: str) -> Callable[[BenchSitting], bool]:
    """Plays the histories; whether all of them are over."""
    one = Player(reader, iter(numbers), score, needs=1 if how == "listens" else 2)

    def over(sitting: BenchSitting) -> bool:
        states = {name: state.state.value for name, state in sitting.states.items()}
        return one.turn(sitting.whole, states, off=sitting.phase == "off")

    return over


def scored(plays: Plays, first: int, histories: int, at_once: int = 1) -> Score:
    """Histories from this number on, a multiple of ten of them."""
    score, jobs, tens = Score(), [], histories // 10
    with ThreadPoolExecutor(at_once) as pool:
        for how, size, share in SHARES:
            end = first + share * tens
            pieces = [range(begin, min(begin + PIECE, end)) for begin in range(first, end, PIECE)]
            jobs += [pool.submit(plays, piece, size, how) for piece in pieces]
            first = end
        for job in jobs:
            score.add(job.result())
    assert score.histories == histories
    return score


def assert_sound(score: Score, capsys: pytest.CaptureFixture[str]) -> None:
    total = score.right + sum(map(len, (score.in_doubt, score.undecided, score.alive, score.wrong)))
    with capsys.disabled():
        print(
            f"\nwatch: {score.histories} histories, {score.passes} passes, {total} states of lines: "
            f"{len(score.alive)} called alive that are not, {len(score.wrong)} otherwise wrong, "
            f"{len(score.in_doubt)} hidden until the third pass by a loose contact, "
            f"{len(score.undecided)} later, where more than one line could have made all that it did"
        )
    assert score.alive == []
    assert len(score.wrong) <= MOST_WRONG * total


@pytest.mark.clock
def test_every_line_of_random_histories_is_shown_as_image_and_wires_have_it(
    capsys: pytest.CaptureFixture[str],
) -> None:
    score = scored(played, 0, SHORT, AT_ONCE)
    assert score.passes > 5 * SHORT
    assert_sound(score, capsys)


@pytest.mark.parametrize(("number", "size", "how"), FOUND)
def test_a_history_that_was_shown_wrong_once_is_shown_right(number: int, size: int, how: str) -> None:
    score = stepped(range(number, number + 1), size, how)
    assert score.histories == 1
    assert score.right > 100
    assert (score.alive, score.wrong) == ([], [])


@pytest.mark.drill
@pytest.mark.parametrize("part", range(4))
def test_every_line_of_many_random_histories_is_shown_as_image_and_wires_have_it(
    part: int, capsys: pytest.CaptureFixture[str]
) -> None:
    each = LONG // 4
    assert_sound(scored(stepped, 10_000 + part * each, each), capsys)
