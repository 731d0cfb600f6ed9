"""The state machine of a sitting at the bench: events in, states of lines and one next sentence out.

Rules that everything here keeps:
- Evidence is of these wires only: whenever the line was silent or gone, or the reader began to count anew,
  the power may have been off, and what comes next is judged alone.
- A line's state changes with a whole pass, or with a stretch that was read twice; never with a torn one.
- No sentence moves anything under power.

Pure: it knows no port, no clock of its own and no screen.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from pipeline.bench.live.attribution import Contacts
from pipeline.bench.live.contacts import PassRead
from pipeline.bench.live.events import (
    Event,
    NoText,
    NotThisChip,
    PassBegan,
    PassEnded,
    PortBack,
    PortGone,
    ReadAgain,
    Silent,
    Unplaced,
    WireTested,
    WordsCame,
)
from pipeline.bench.live.evidence import judge_lines
from pipeline.bench.live.line_test import tested_states
from pipeline.bench.live.lines import NOT_YET, TROUBLE, LineState, Shown, names
from pipeline.bench.live.next_step import for_crossing, for_trouble
from pipeline.catalogue.advice import NextStep, advise, step
from pipeline.formats.records.reader_log import LinePulsed, LinesHead, LinesTail, LineTested
from pipeline.lines import LineMap, relate
from pipeline.stages.examine import image_findings
from pipeline.words import Words, words_dtype
from schemas.finding import Finding, Severity
from schemas.names import Organisation
from schemas.part import Part

if TYPE_CHECKING:
    from schemas.answers import Phase

ALIKE_WANTED = 3
"""Whole passes in a row that are to be alike before a reading counts as good (the usual caution's three)."""
EARLY_WORDS = 256
"""Words of a coming pass that are held against the pass before, to prove lines before it ends."""
MOST_MARKS = 32
NOTHING_TO_MOVE = frozenset({"watch-first", "watch-again", "watch-weighed", "watch-differs"})
"""Steps while passes come that ask for no hand."""

Kind = Literal["pass", "line", "off", "on", "gone", "back", "speed", "chip", "test", "next", "good"]


class Happened(NamedTuple):
    """One event in words, for a log, and what it is about."""

    kind: Kind
    text: str
    lines: tuple[str, ...] = ()


@dataclass(slots=True)
class BenchSitting:
    """What is known.

    Attributes:
        organisation: Of the chip.
        part: Its catalogue entry, where known.
        trusted: A trusted reading of this chip, where there is one.
        states: Of every line.
        changed: Lines whose state is another than in the pass before, or before wires were moved.
        stale: Whether the states are those of before the power went off.
        phase: Where the sitting is.
        marks: The last passes, one character each.
        whole: Whole passes.
        alike: Whole passes in a row that are alike, the latest among them.
        words_a_second: Of the latest pass; 0 while none is whole.
        came: Words of the pass that is coming.
        words: The latest whole pass.
        said: What was to be done when the line fell silent, until a whole pass shows what has become of it.
        mapping: How the latest pass maps onto the trusted reading, where they are crossed.
    """

    organisation: Organisation
    part: Part | None = None
    trusted: Words | None = None
    states: dict[str, LineState] = field(default_factory=dict)
    changed: set[str] = field(default_factory=set)
    stale: bool = False
    phase: Phase = "waiting"
    marks: str = ""
    whole: int = 0
    alike: int = 0
    words_a_second: float = 0.0
    came: int = 0
    words: Words | None = None
    said: str = ""
    mapping: LineMap | None = None
    differing: int = 0
    _window: list[PassRead] = field(default_factory=list)
    _named: dict[int, Contacts] = field(default_factory=dict)
    _contacts: Contacts = field(default_factory=Contacts)
    _began: float = 0.0
    _last_told: dict[str, LineState] = field(default_factory=dict)
    _early: Words | None = None
    _early_done: bool = False
    _tested: dict[str, LineTested] = field(default_factory=dict)
    _pulsed: dict[str, LinePulsed] = field(default_factory=dict)
    _next: str = ""
    _faults: tuple[Finding, ...] = ()
    _found: str = ""
    _held: Words | None = None
    _weighed_words: Words | None = None
    _kept_back: tuple[Finding, ...] = ()

    def __post_init__(self) -> None:
        lines = (self.organisation.words - 1).bit_length()
        self.states = dict.fromkeys(names(lines, self.organisation.bits), NOT_YET)
        self._last_told = dict(self.states)
        self._next = advise(self._step())

    def take(self, event: Event, at: float) -> list[Happened]:
        """One event, at this time in seconds; what there is to tell of it."""
        told = self._taken(event, at)
        if isinstance(event, WordsCame) and not told and self.phase == "reading":
            return told  # a word by itself changes no sentence: there are thousands of them in a pass
        sentence = advise(self._step())
        if sentence != self._next:
            self._next = sentence
            told.append(Happened("next", sentence))
        return told

    @property
    def next(self) -> str:
        """The one sentence."""
        return self._next

    def _taken(self, event: Event, at: float) -> list[Happened]:
        """What an event of the stream changes, and what is told of it."""
        match event:
            case WordsCame():
                return self._words(event)
            case PassBegan():
                return self._pass_began(event, at)
            case PassEnded():
                return self._pass_ended(event, at)
            case ReadAgain():
                self._window[-1:] = [event.whole]
                return self._judged()
            case WireTested():
                return self._line_tested(event)
            case Silent() | PortGone():
                return self._silent(gone=isinstance(event, PortGone))
            case PortBack():
                self.phase = "off"
                return [Happened("back", "The port is there again")]
            case NoText():
                self.phase, self._found = "no-text", str(event.baud)
                return [Happened("speed", f"What arrives is not text at {event.baud} baud")]
            case Unplaced():
                self.phase = "unplaced"
                return [Happened("pass", "Words come, and nothing says where a pass begins")]
            case NotThisChip():
                self.phase, self._found = "other-chip", event.found
                return [Happened("chip", f"The reader is set to {event.found}, not {self.organisation}")]

    # -- power off, power on ---------------------------------------------------------------------------------

    def _silent(self, *, gone: bool) -> list[Happened]:
        """Nothing comes: the normal way in which wires are moved."""
        if self.phase in ("off", "gone") or (self.phase == "tested" and not gone):
            # after a line test there is nothing to come: what it showed stays on the screen
            self.phase = "gone" if gone else self.phase
            return []
        self.said = self._said()
        if self.phase != "waiting" or gone:
            self.marks = (self.marks + "|")[-MOST_MARKS:] if self.marks[-1:] not in ("", "|") else self.marks
        self.phase = "gone" if gone else "off"
        self._begin_anew()
        what = "The port is gone" if gone else "The reader is silent"
        return [Happened("gone" if gone else "off", what)]

    def _begin_anew(self) -> None:
        """What comes next may be of other wires."""
        self.stale = bool(self.whole or self._tested)
        self._window, self.alike, self.mapping, self.differing = [], 0, None, 0
        self._early, self._early_done, self.came = None, False, 0
        self._named, self._contacts, self._faults, self._held = {}, Contacts(), (), None
        self._tested, self._pulsed = {}, {}

    # -- passes ----------------------------------------------------------------------------------------------

    def _pass_began(self, event: PassBegan, at: float) -> list[Happened]:
        told = []
        if self.phase in ("off", "gone"):
            told.append(Happened("on", "The reader is back"))
        elif event.anew:
            told.append(Happened("on", "The reader has started again"))
            self.marks = (self.marks + "|")[-MOST_MARKS:]
            self.said = self._said()
            self._begin_anew()
        self.stale = self.stale or self.phase == "tested"
        self.phase, self._began, self.came, self._early_done = "reading", at, 0, False
        self._early = np.zeros(self.organisation.words, dtype=words_dtype(self.organisation.bits))
        return told

    def _words(self, event: WordsCame) -> list[Happened]:
        self.came += int(event.words.size)
        if self._early is None or self._early_done or not self._window:
            return []
        if event.address + event.words.size > self.came:
            self._early_done = True  # not in order: nothing is decided early
            return []
        self._early[event.address : event.address + event.words.size] = event.words
        if self.came < EARLY_WORDS:
            return []
        self._early_done = True
        last = self._window[-1]
        if last.again or self._contacts.compared:
            return []
        held = PassRead(last.number, last.words, (*last.again, (0, self._early[: self.came].copy())))
        return self._judged([*self._window[:-1], held])

    def _pass_ended(self, event: PassEnded, at: float) -> list[Happened]:
        self.came = 0
        if event.whole is None:
            self.marks = (self.marks + "x")[-MOST_MARKS:]
            self.alike = 0
            self._window.clear()
            return [Happened("pass", f"A pass is not whole: {event.trouble}")]
        words = event.whole.words
        same = bool(self._window) and np.array_equal(self._window[-1].words, words)
        mark = "=" if same else "~" if self._window else "."
        self.alike = self.alike + 1 if same else 1
        self.marks = (self.marks + mark)[-MOST_MARKS:]
        self.whole += 1
        self.words = self.words if same else words
        self.stale, self.said = False, ""
        self.words_a_second = words.size / (at - self._began) if at > self._began else 0.0
        self._window = [*self._window, event.whole][-ALIKE_WANTED:]
        how = {
            "=": "like the pass before",
            "~": "unlike the pass before",
            ".": "the first since power came on",
        }
        self.changed = set()
        return [Happened("pass", f"Pass {self.whole} is whole, {how[mark]}"), *self._judged()]

    def _judged(self, window: list[PassRead] | None = None) -> list[Happened]:
        """The states anew; what has changed is told."""
        states, contacts = judge_lines(window or self._window, self.organisation.bits, self.trusted)
        self._contacts, self._faults = contacts, ()
        hard = (Shown.DEAD, Shown.STUCK, Shown.JOINED, Shown.FLOATING)
        # a pass is judged once more when more of it has come: what it showed before counts no longer
        self._named[self.whole] = contacts
        for line in self._loose_for_good():
            if states[line].state not in hard:
                states[line] = LineState(Shown.INTERMITTENT)
        self.states = states
        told = self._changes(pending=not contacts.compared)
        if self._is_good():
            self.phase = "good"
            told.append(Happened("good", "Three passes are whole, alike and free of faults"))
        return told

    def _loose_for_good(self) -> set[str]:
        """Lines that came and went on two occasions that one contact, opening once, cannot both have made.

        A contact that opens in the middle of a pass sets that pass apart from itself, and from the two before
        it and behind it that it is held against.
        """
        lines = {line for contacts in self._named.values() for line in contacts.loose}
        found = set()
        for line in lines:
            named = [at for at, contacts in self._named.items() if line in contacts.loose]
            within = [at for at in named if line in self._named[at].within]
            if len(within) > 1 or named[-1] - named[0] >= ALIKE_WANTED:
                found.add(line)
        return found

    def _changes(self, *, pending: bool) -> list[Happened]:
        """What is another state than was told last, lines of one state together.

        While nothing was read twice, what is not yet shown is only not yet looked at: it is not told.
        """
        fresh = {
            line: one
            for line, one in self.states.items()
            if one != self._last_told[line] and not (pending and one == NOT_YET)
        }
        self._last_told |= fresh
        self.changed |= set(fresh)
        groups: dict[LineState, list[str]] = {}
        for line, one in fresh.items():
            groups.setdefault(one, []).append(line)
        return [
            Happened("line", f"{', '.join(lines)}: {one.words}", tuple(lines))
            for one, lines in groups.items()
        ]

    # -- good, and what a trusted reading says ---------------------------------------------------------------

    @property
    def good(self) -> bool:
        """Whether the reading may be captured."""
        return self.phase == "good"

    def _is_good(self) -> bool:
        if self.alike < ALIKE_WANTED or self.words is None:
            return False
        if any(self.states[line].state in (Shown.FLOATING, Shown.INTERMITTENT) for line in self.states):
            return False
        if self.trusted is not None:
            return bool(np.array_equal(self.words, self.trusted))
        self._faults = self._weighed()
        return not self._faults

    def weigh_ahead(self) -> None:
        """What examining says of the content, once two passes agree on it: the third is then told at once."""
        if self.alike == ALIKE_WANTED - 1 and self.trusted is None:
            self._weighed()

    def _weighed(self) -> tuple[Finding, ...]:
        assert self.words is not None
        if self._weighed_words is not self.words:
            found = image_findings("watched", self.organisation, self.part, self.words)
            self._kept_back = tuple(one for one in found if _keeps_back(one))
            self._weighed_words = self.words
        return self._kept_back

    def hold_against_trusted(self) -> list[Happened]:
        """Name crossings and inversions of the latest pass, once no line is in trouble.

        Slower than all else here, so asked for by itself, and once for each content.
        """
        proved = self._contacts.compared > 0
        if self.trusted is None or self.words is None or not self._window or self.good or not proved:
            return []
        if self._held is self.words or any(one.state in TROUBLE for one in self.states.values()):
            return []
        self._held = self.words
        relation = relate(self.trusted, self.words, self.organisation.bits)
        self.mapping = relation.mapping if relation.relation == "mapped" else None
        self.differing = relation.differing_words
        sentence = advise(self._step())
        if sentence == self._next:
            return []
        self._next = sentence
        return [Happened("next", sentence)]

    # -- a line test -----------------------------------------------------------------------------------------

    def _line_tested(self, event: WireTested) -> list[Happened]:
        record = event.record
        if isinstance(record, LinesHead):
            self._begin_anew()
            self.phase = "testing"
            return [Happened("test", f"Line test {record.number} begins")]
        if isinstance(record, LineTested):
            self._tested[record.line] = record
        if isinstance(record, LinePulsed):
            self._pulsed[record.line] = record
        if not isinstance(record, LinesTail):
            return []
        if self._pulsed and not self._tested:
            return self._pulses_told(record.number)
        lines = (self.organisation.words - 1).bit_length()
        states = tested_states(self._tested.values(), lines, self.organisation.bits)
        self.states |= states
        if len(states) < len(self.states):
            return [Happened("test", f"Line test {record.number} is not whole: {len(states)} lines came")]
        self.phase, self.stale, self.changed = "tested", False, set()
        told = self._changes(pending=False)
        return [*told, Happened("test", f"Line test {record.number} is over: {self._test_sum(states)}")]

    def _pulses_told(self, number: int) -> list[Happened]:
        """With an expendable chip: a pulse that shows is a sign and no proof; one that does not, nothing."""
        self.phase, self.stale, self.changed = "pulsed", False, set()
        seen = [f"{one.line} at {one.differ} of {one.bases}" for one in self._pulsed.values() if one.differ]
        still = [one.line for one in self._pulsed.values() if not one.differ]
        told = [f"pulses showed on {', '.join(seen)}"] if seen else []
        told += [f"not shown: {', '.join(still)}"] if still else []
        return [Happened("test", f"Line test {number} is over: {'; '.join(told)}")]

    def _test_sum(self, states: dict[str, LineState]) -> str:
        wrong = [line for line, one in states.items() if one.state in TROUBLE]
        return f"look at {', '.join(wrong)}" if wrong else "no line is joined or held"

    # -- what to do next -------------------------------------------------------------------------------------

    def _step(self) -> NextStep:
        match self.phase:
            case "waiting":
                return step("watch-wait")
            case "off" | "gone":
                return step("watch-off")
            case "no-text":
                return step("watch-speed", baud=self._found)
            case "unplaced":
                return step("watch-unplaced")
            case "other-chip":
                return step("watch-other-chip", found=self._found, wanted=self.organisation)
            case "good":
                return step("watch-good")
            case "testing":
                return step("watch-testing")
            case "pulsed":
                return step("watch-pulsed")
            case "tested":
                return for_trouble(self.states, self.part, tested=True) or step("watch-test-sound")
            case "reading":
                return self._step_of_passes()

    def _said(self) -> str:
        """What a hand is about to do, so that it need not be remembered while the power is off."""
        wanted = self.phase == "reading" and self._step().name not in NOTHING_TO_MOVE
        return self._next if wanted else self.said

    def _step_of_passes(self) -> NextStep:
        if self.words is None or self.stale:
            return step("watch-first")
        if self.mapping is not None:
            return for_crossing(self.mapping, self.part)
        trouble = for_trouble(self.states, self.part, tested=False)
        return self._undriven() or trouble or self._of_agreement()

    def _undriven(self) -> NextStep | None:
        assert self.words is not None
        data = [one for line, one in self.states.items() if line.startswith("D")]
        if all(one.state is Shown.STUCK for one in data):
            digits = (self.organisation.bits + 3) // 4
            return step("watch-undriven", word=f"{int(self.words[0]):0{digits}X}")
        return step("watch-noise") if all(one.state is Shown.FLOATING for one in data) else None

    def _of_agreement(self) -> NextStep:
        if self._contacts.doubtful:
            return step("watch-doubt")
        if self.trusted is not None and self.differing and self.alike > 1:
            return step("watch-differs", words=f"{self.differing} word{'s' * (self.differing != 1)}")
        if self._faults:
            return step("watch-weighed", fault=self._faults[0].code.value)
        return step("watch-again")


def _keeps_back(one: Finding) -> bool:
    return one.severity is Severity.FAULT or bool(one.evidence.get("holds_back"))
