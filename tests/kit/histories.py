"""Random histories of a board: what a hand does while the power is off, what contacts do at any time.

Beside each history the truth about every line, and what a whole pass begun since then must show of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator

from tests.kit.board_simulated import THREE_SUPPLIES, Board
from tests.kit.firmware import installed
from tests.kit.lines_shown import (
    Others,
    could_have_made,
    could_have_made_all,
    firm_reading,
    may_show,
    share_against,
)
from tests.kit.reader_looping import LoopingReader
from tests.kit.wires import Image

MOST_FAULTS = 3
SETTLED = 3
"""Passes after which a loose contact is named and hides no other line."""


def chips(random: Generator, size: int) -> Iterator[Image]:
    """Windows of real firmware, for ever; none of one word alone."""
    images = [one.words for one in installed("open")[0] if one.words.size >= size]
    while True:
        words = images[int(random.integers(len(images)))]
        at = int(random.integers(words.size - size + 1))
        window = words[at : at + size].copy()
        if np.unique(window).size > 1:
            yield window


@dataclass
class Truth:
    """What is the matter with each line of a board, and since which pass.

    Attributes:
        board: The board.
        faults: Line → `dead`, `stuck`, `joined`, `floating` or `loose`; a line that is not here is good.
        joined: Line → the line that it is joined with.
        passes: Whole passes begun since the last change of anything.
    """

    board: Board
    faults: dict[str, str] = field(default_factory=dict)
    joined: dict[str, str] = field(default_factory=dict)
    passes: int = 0

    def lines(self) -> list[str]:
        board = self.board
        return [*(f"A{k}" for k in range(board.lines)), *(f"D{k}" for k in range(board.bits))]

    def good(self, kind: str) -> list[str]:
        return [line for line in self.lines() if line.startswith(kind) and line not in self.faults]

    # -- the hand, with the power off ------------------------------------------------------------------------

    def rewire(self, random: Generator) -> None:
        """Wires are put in, taken out, bridged, exchanged; some that were wrong are mended."""
        for line in list(self.faults):
            if line in self.faults and random.random() < 0.5:
                self.mend(line)
        for _ in range(int(random.integers(0, MOST_FAULTS))):
            if len(self.faults) < MOST_FAULTS:
                self._spoil(random)

    def mend(self, line: str) -> None:
        """A line made good, with what it is joined with."""
        self.board.mend(line)
        for one in (line, self.joined.pop(line, line)):
            self.faults.pop(one, None)
            self.joined.pop(one, None)

    def _spoil(self, random: Generator) -> None:
        kind = "A" if random.random() < 0.6 else "D"
        good = self.good(kind)
        one, other = (good[int(k)] for k in random.choice(len(good), 2, replace=False))
        what = str(random.choice(["out", "bridge", "exchange"]))
        if what == "out":
            level = int(random.integers(2)) if kind == "A" or random.random() < 0.5 else None
            self.board.take_wire_out(one, level)
            self.faults[one] = "dead" if kind == "A" else "floating" if level is None else "stuck"
        elif what == "bridge":
            self.board.bridge(one, other, "low" if random.random() < 0.5 else "high")
            self.faults |= {one: "joined", other: "joined"}
            self.joined |= {one: other, other: one}
        else:
            move = self.board.exchange_address_wires if kind == "A" else self.board.exchange_data_wires
            move(int(one[1:]), int(other[1:]))

    # -- contacts, at any time -------------------------------------------------------------------------------

    def happens(self, random: Generator) -> bool:
        """A contact loosens, or opens for good; whether one did."""
        if len(self.faults) >= MOST_FAULTS or "loose" in self.faults.values():
            return False
        kind = "A" if random.random() < 0.6 else "D"
        good = self.good(kind)
        line = good[int(random.integers(len(good)))]
        level = int(random.integers(2))
        if random.random() < 0.5:
            self.board.loosen_contact(line, level, float(random.choice([0.02, 0.1, 0.3])))
            self.faults[line] = "loose"
        elif kind == "D" and random.random() < 0.5:
            self.board.open_contact(line, None)
            self.faults[line] = "floating"
        else:
            self.board.open_contact(line, level)
            self.faults[line] = "dead" if kind == "A" else "stuck"
        self.passes = 0
        return True

    # -- what must be shown ----------------------------------------------------------------------------------

    def shows(self, last: list[Image]) -> bool:
        """Whether a loose line spoiled a word in these passes."""
        return any(not np.array_equal(one, last[0]) for one in last[1:])


def supplies_of(random: Generator) -> tuple[float, ...]:
    """One supply, or three that have an order."""
    return THREE_SUPPLIES if random.random() < 0.3 else (5.0,)


@dataclass
class Score:
    """What was shown of every line after every pass that had to show it.

    Attributes:
        right: Line states that are what the image and the wires must show.
        in_doubt: Lines shown as *not yet shown* in the first two passes with a loose contact, though the
            content moves them: each could have made a word that disagreed, or is dead or joined in noise.
        undecided: Lines shown so later too, of which each alone could have made every word that a loose
            contact spoiled: a name would be a guess.
        alive: Lines called alive that are not: history, line, truth.
        wrong: Lines shown as anything else than they must be, and good ones called alive unproved.
        histories: How many were played.
        passes: Whole passes that were judged.
    """

    right: int = 0
    in_doubt: list[str] = field(default_factory=list)
    undecided: list[str] = field(default_factory=list)
    alive: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    histories: int = 0
    passes: int = 0

    def add(self, other: Score) -> None:
        """What other histories have shown, too."""
        self.right += other.right
        self.in_doubt += other.in_doubt
        self.undecided += other.undecided
        self.alive += other.alive
        self.wrong += other.wrong
        self.histories += other.histories
        self.passes += other.passes

    def weigh(
        self, history: int, truth: Truth, states: Mapping[str, str], since: list[Image], others: Others
    ) -> None:
        """One whole pass that was begun after the last change.

        Args:
            history: Its number, to find it again.
            truth: What is the matter.
            states: Line → the state that was shown.
            since: The passes since the last change, as the reader printed them.
            others: What the latest of them can be held against: words read again, and the passes before it.
        """
        self.passes += 1
        latest, others = _driven(truth, since[-1], others)
        # how far earlier passes count depends on whether a contact opened since: both ends
        again = [one for one in others if one[0].size < latest.size] or others
        must = may_show(truth.board, truth.faults)
        must += may_show(truth.board, truth.faults, share_against(latest, again))
        alike = _alike(truth, [*((np.arange(one.size), one) for one in since), *again])
        settled = truth.passes >= SETTLED and truth.shows(since)
        for line, got in states.items():
            fault = truth.faults.get(line, "")
            may = {one[line] for one in must}
            if fault == "loose":
                may = {"intermittent"} if settled else {"intermittent", "not-shown", "alive", "floating"}
            what = (
                f"history {history}, pass {truth.passes}: {line} is {fault or 'good'}, shown {got}, must be "
                f"{sorted(may)}, with {truth.faults}"
            )
            if got in may:
                self.right += 1
            elif got == "not-shown" and _in_doubt(truth, line, latest, others):
                self.in_doubt.append(what)
            elif got == "not-shown" and line in alike:
                self.undecided.append(what)
            else:
                (self.alive if got == "alive" and fault else self.wrong).append(what)


def _driven(truth: Truth, latest: Image, others: Others) -> tuple[Image, Others]:
    """The same without the columns that float."""
    floating = [int(line[1:]) for line, what in truth.faults.items() if what == "floating"]
    keep = latest.dtype.type(((1 << truth.board.bits) - 1) & ~sum(1 << k for k in floating))
    return latest & keep, [(at, words & keep) for at, words in others]


def _alike(truth: Truth, seen: Others) -> set[str]:
    """Lines between which nothing that was read decides: the loose one is among them, and not alone."""
    firm = firm_reading(truth.board)
    firm, seen = _driven(truth, firm, seen)
    could = could_have_made_all(firm, seen, truth.board.bits)
    loose = {line for line, what in truth.faults.items() if what == "loose"}
    return could if loose & could and len(could) > 1 else set()


def _in_doubt(truth: Truth, line: str, latest: Image, others: Others) -> bool:
    """Whether a contact that has just come loose hides this line: settled by the third pass."""
    if truth.passes >= SETTLED:
        return False
    noisy = any(not np.array_equal(latest[at], words) for at, words in others)
    hidden = noisy and truth.faults.get(line) in ("dead", "joined")
    return hidden or could_have_made(line, latest, others)


class Player:
    """Plays histories one after the other over one line, the chip changed between them.

    Args:
        reader: The looping reader, with its board.
        numbers: Of the histories, each the seed of its own.
        score: Gets what was shown.
        needs: Whole passes after a change from which states must be right: one where the reader listens.
    """

    def __init__(self, reader: LoopingReader, numbers: Iterator[int], score: Score, needs: int) -> None:
        self._reader, self._numbers, self._score, self._needs = reader, numbers, score, needs
        self._board = reader.board
        self._may = False
        self._since: list[Image] = []
        self._middle = False
        self._left = 0
        self._seen = self._first = 0
        self._cycles = 0
        reader.may_begin = self._begins
        reader.in_pass = self._in_the_middle
        self._random = np.random.default_rng(0)
        self._truth = Truth(self._board)
        self._number = -1
        self.over = self._begun = False

    def _begins(self) -> bool:
        may, self._may = self._may, False
        return may

    def _next_history(self) -> bool:
        try:
            self._number = next(self._numbers)
        except StopIteration:
            return False
        self._random = np.random.default_rng(self._number)
        board = self._board
        board.random = np.random.default_rng(self._number)
        for line in list(self._truth.faults):
            if line in self._truth.faults:
                self._truth.mend(line)
        # every wire where it belongs, so that a history can be played again by itself
        board.address_at, board.data_at = list(range(board.lines)), list(range(board.bits))
        board.change_chip(next(chips(self._random, int(board.image.size))))
        self._cycles = int(self._random.integers(2, 5))
        self._score.histories += 1
        self._cycle()
        return True

    def _cycle(self) -> None:
        """The power is off: wires are moved, and then every supply comes on in order."""
        self._cycles -= 1
        self._truth.rewire(self._random)
        self._truth.passes, self._since, self._first = 0, [], len(self._reader.passes)
        self._left = int(self._random.integers(1, 6))
        self._board.power_on()
        self._release()

    def _release(self) -> None:
        self._middle = False
        if self._random.random() < 0.25:
            if self._random.random() < 0.5:
                self._middle = True
            elif self._truth.happens(self._random):
                self._since = []
        self._reader.idle.clear()
        self._may = True

    def _in_the_middle(self) -> None:
        if self._middle and self._truth.happens(self._random):
            # the pass that is coming was begun before it: the next one counts
            self._truth.passes, self._since = -1, []

    def turn(self, whole: int, states: Mapping[str, str], *, off: bool) -> bool:
        """Called again and again while the watch runs; whether all histories are played.

        Args:
            whole: Whole passes that the watch has seen.
            states: What it shows.
            off: Whether it says that the reader is silent.
        """
        if not self._begun:
            # nothing is printed before somebody listens
            self._begun, self.over = True, not self._next_history()
        if self.over or not self._reader.idle.is_set() or self._may:
            return self.over
        if not self._board.powered:
            # plain printing shows by its rest alone that the power was off
            if off or not self._reader.plain:
                self._go_on()
            return self.over
        if off:
            # a rest that a busy machine made: the watch begins anew, and so does what it must show
            self._truth.passes, self._since, self._first = 0, [], len(self._reader.passes)
        if whole != len(self._reader.passes) or whole == self._seen:
            return False
        self._seen = whole
        self._truth.passes += 1
        if self._truth.passes > 0:
            self._since = [*self._since, self._reader.passes[-1]][-3:]
        if self._truth.passes >= self._needs:
            self._score.weigh(self._number, self._truth, states, self._since, self._others())
        self._left -= 1
        if self._left > 0:
            self._release()
            return False
        self._board.power_off()
        return False

    def _others(self) -> Others:
        """What the latest pass can be held against: what was read again in it, and two passes before it."""
        before = self._reader.passes[self._first : -1][-2:]
        return [*self._reader.again, *((np.arange(one.size), one) for one in before)]

    def _go_on(self) -> None:
        if self._cycles > 0:
            self._cycle()
        else:
            self.over = not self._next_history()
