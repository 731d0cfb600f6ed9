"""A reader's stream as events: what an opponent's line, or a hand on the plug, must not make of it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.bench.live.events import Event, PassEnded, Unplaced
from pipeline.bench.live.following import Follower
from pipeline.bench.live.sitting import BenchSitting
from schemas.names import Organisation
from tests.kit.reader_simulated import plainly, printed

SIZE = 256
IMAGE = [int(word) for word in np.random.default_rng(3).integers(0, 256, SIZE)]
LINE_SECONDS = 0.005


class Bench:
    """A follower and a sitting, and a clock that only the line moves."""

    def __init__(self, words: int = SIZE) -> None:
        self.follower, self.sitting = (
            Follower(Organisation(words, 8), 115_200),
            BenchSitting(Organisation(words, 8)),
        )
        self.at = 0.0
        self.events: list[Event] = []
        self.rest(1.0)

    def rest(self, seconds: float) -> None:
        """Nothing comes."""
        self._asked([])
        self.at += seconds
        self._asked([])

    def hear(self, blocks: list[bytes]) -> None:
        """Blocks, each a moment after the one before."""
        for block in blocks:
            self.at += LINE_SECONDS
            self._asked(self.follower.feed(block, self.at))

    def _asked(self, events: list[Event]) -> None:
        self.follower.request(self.at, events)
        for one in events:
            self.sitting.take(one, self.at)
        self.events += events

    def whole(self) -> list[list[int]]:
        """The words of each pass that came whole."""
        ended = [one.whole for one in self.events if isinstance(one, PassEnded)]
        return [one.words.tolist() for one in ended if one is not None]


def bare(words: list[int]) -> list[bytes]:
    """Plain printing without a line of text before it."""
    return plainly(words)[1:]


# -- another chip -----------------------------------------------------------------------------------------


def test_words_of_a_reader_that_is_set_to_another_chip_are_no_pass_and_its_name_stays_on_the_screen() -> None:
    bench = Bench(words=2 * SIZE)
    for number in (1, 2):
        bench.hear(printed(IMAGE, number))
        bench.rest(0.2)
        assert "set to 256x8, the chip is 512x8" in bench.sitting.next
    assert bench.sitting.marks == ""
    bench.hear(printed(IMAGE * 2, 1))
    assert bench.whole() == [IMAGE * 2]


# -- plain printing ---------------------------------------------------------------------------------------


def test_plain_printing_after_a_rest_begins_at_address_0() -> None:
    bench = Bench()
    bench.hear(bare(IMAGE) + bare(IMAGE))
    assert bench.whole() == [IMAGE, IMAGE]


@pytest.mark.parametrize("text", [b"-- reading pass 2\r\n", b"Pass 02\r\n", b"====\r\n"])
def test_plain_printing_that_is_joined_in_the_middle_begins_behind_a_line_of_text(text: bytes) -> None:
    bench = Bench()
    bench.follower.forget()
    bench.hear([*bare(IMAGE)[5:], text, *bare(IMAGE)])
    assert bench.whole() == [IMAGE]


def test_plain_printing_that_never_says_where_it_begins_is_told_and_never_judged() -> None:
    bench = Bench()
    bench.follower.forget()
    bench.hear((bare(IMAGE) * 4)[5:])
    assert bench.whole() == []
    assert sum(isinstance(one, Unplaced) for one in bench.events) == 1
    assert bench.sitting.next.startswith("Words come, and nothing says where a pass begins: stop the reader")
    bench.rest(0.5)
    bench.hear(bare(IMAGE))
    assert bench.whole() == [IMAGE]


@pytest.mark.parametrize(
    "damage",
    [
        lambda line: line.replace(line[:2], b"0G", 1),
        lambda line: b"\x80\xfe" + line[2:],
        lambda line: line[3:],
        lambda line: line[:7] + line[8:],
        lambda line: line[:3] + line,
    ],
    ids=["a wrong digit", "garbage", "a word lost", "a space lost", "a word doubled"],
)
def test_behind_a_damaged_plain_line_no_word_is_taken_for_another_address(
    damage: Callable[[bytes], bytes],
) -> None:
    bench, lines = Bench(), bare(IMAGE)
    lines[6] = damage(lines[6])
    bench.hear(lines + bare(IMAGE) * 3)
    assert all(one == IMAGE for one in bench.whole())
    assert isinstance(bench.events[-1], Unplaced) or bench.whole()
    bench.rest(0.5)
    bench.hear(bare(IMAGE))
    assert bench.whole()[-1] == IMAGE


# -- a resetting reader, a plug pulled out ----------------------------------------------------------------


def test_a_reader_that_resets_in_the_middle_of_a_line_begins_anew() -> None:
    bench = Bench()
    first, again = printed(IMAGE, 1), printed(IMAGE, 1)
    bench.hear([*first, *printed(IMAGE, 2)[:6], printed(IMAGE, 2)[6][:20], *again])
    bench.rest(0.1)
    assert bench.whole() == [IMAGE, IMAGE]
    assert bench.sitting.alike == 1


def test_a_line_torn_by_the_plug_is_joined_with_nothing_that_comes_later() -> None:
    bench = Bench()
    lines = printed(IMAGE, 1)
    bench.hear([*lines[:5], lines[5][:30]])
    bench.follower.forget()
    bench.hear([lines[5][30:], *lines[6:]])
    assert bench.whole() == []
    bench.hear(printed(IMAGE, 2))
    assert bench.whole() == [IMAGE]


@given(st.lists(st.binary(max_size=90), max_size=12), st.sampled_from(["plain", "protocol"]))
def test_any_bytes_before_a_pass_cost_at_most_that_pass(noise: list[bytes], form: str) -> None:
    bench = Bench()
    bench.hear(noise)
    bench.follower.forget()
    bench.rest(1.0)
    bench.hear(bare(IMAGE) if form == "plain" and not bench.follower.protocol else printed(IMAGE, 1))
    assert bench.whole()[-1:] == [IMAGE]
