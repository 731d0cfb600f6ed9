"""Why one frame is believed rather than another: grounds, never a count of passes.

Between any two frames the grounds are weighed in pairs. A frame is the image's where, against each other
frame, some ground speaks for it and none speaks for the other. The sheet's word stands above all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from pipeline.flow import Frame, Framing, Ground, Pass, Said, Witness
from pipeline.lines import LineMap
from pipeline.stages.reconcile.frames import FrameGroup, near_words, way_between
from pipeline.stages.reconcile.wording import way_in_words
from pipeline.words import Words
from schemas.names import Organisation

Checks = Callable[[Words], Mapping[str, Witness]]
"""Words in some order → what in them depends on that order, by name."""
OTHER = Said()


def bears_out(own: Mapping[str, Witness], other: Mapping[str, Witness]) -> bool:
    """Whether the content says that one order is right and another is not."""
    return any(witness.outweighs(other.get(name)) for name, witness in own.items())


def framing_of(
    passes: Sequence[Pass],
    groups: Sequence[FrameGroup],
    strangers: Sequence[int],
    organisation: Organisation,
    said: Mapping[str, Said],
    checks: Checks,
) -> Framing:
    """The frames with the grounds that speak for each, and the one that is the image's, if any.

    Args:
        passes: All of the chip.
        groups: Two frames or more, in the sheet's order.
        strangers: Passes that stand in none.
        organisation: Words and bits.
        said: Reading → what is known of it.
        checks: What in the content speaks for an order of the words.
    """
    weighing = _Weighing(passes, groups, strangers, organisation, said)
    sheet = weighing.sheet()
    grounds = (
        *sheet,
        *weighing.agreeing(sheet),
        *weighing.content(checks),
        *weighing.readers(),
        *weighing.programmer(),
        *weighing.complete(),
        *weighing.addresses(),
        *weighing.wirings(),
    )
    chosen = _decided(len(groups), sheet or grounds)
    frames = tuple(weighing.frame(index) for index in range(len(groups)))
    return Framing(frames, chosen, grounds)


def _decided(count: int, grounds: Sequence[Ground]) -> int | None:
    """The frame for which something speaks against every other, and for none of which anything speaks."""
    pairs = {(ground.frame, other) for ground in grounds for other in ground.over}
    for frame in range(count):
        others = [other for other in range(count) if other != frame]
        if all((frame, other) in pairs and (other, frame) not in pairs for other in others):
            return frame
    return None


def _undone_lines(one: Pass) -> LineMap | None:
    """The crossing that was undone on a pass, where one was."""
    return next((LineMap.of(step.settings) for step in one.steps if step.action == "undo-lines"), None)


class _Weighing:
    """One chip's frames while their grounds are gathered."""

    def __init__(
        self,
        passes: Sequence[Pass],
        groups: Sequence[FrameGroup],
        strangers: Sequence[int],
        organisation: Organisation,
        said: Mapping[str, Said],
    ) -> None:
        self.passes, self.groups, self.organisation = passes, groups, organisation
        self.said = said
        self.members = [[passes[index] for index in group.members] for group in groups]
        self.stands: dict[str, set[int]] = {}
        for frame, own in enumerate(self.members):
            for one in own:
                self.stands.setdefault(one.reader, set()).add(frame)
        for index in strangers:
            self.stands.setdefault(passes[index].reader, set()).add(-1)
        # A reader speaks for a frame only where all its passes stand in it.
        self.speaks = {
            reader: next(iter(frames)) for reader, frames in self.stands.items() if len(frames) == 1
        }

    def of(self, one: Pass) -> Said:
        return self.said.get(one.reading, OTHER)

    def first(self, frame: int) -> Pass:
        """The pass that stands for a frame: the first that has every word."""
        return next((one for one in self.members[frame] if one.complete), self.members[frame][0])

    def others(self, frame: int) -> tuple[int, ...]:
        return tuple(other for other in range(len(self.groups)) if other != frame)

    def names(self, frame: int) -> str:
        return " and ".join(dict.fromkeys(one.reading for one in self.members[frame]))

    def _beside(self, one: Pass, frame: int) -> str:
        """The readings of another frame, a pass by its number where the same reading holds both."""
        return " and ".join(dict.fromkeys(other.beside(one) for other in self.members[frame]))

    def sheet(self) -> list[Ground]:
        """The sheet's word settles."""
        out = []
        for frame, own in enumerate(self.members):
            said = list(dict.fromkeys(one.reading for one in own if self.of(one).lines_said))
            if said:
                words = f"The sheet says how the lines of {' and '.join(said)} lie"
                out.append(Ground("sheet", frame, self.others(frame), words))
        return out if len(out) == 1 else []

    def content(self, checks: Checks) -> list[Ground]:
        """An order-sensitive check that holds in one frame and fails in the other."""
        held = [checks(self.first(frame).words) for frame in range(len(self.groups))]
        out = []
        for frame, own in enumerate(held):
            for name, witness in own.items():
                over = tuple(
                    other for other in self.others(frame) if witness.outweighs(held[other].get(name))
                )
                if over:
                    words = f"The content bears out the order of {self.names(frame)}: {witness.words}"
                    out.append(Ground("content", frame, over, words))
        return out

    def readers(self) -> list[Ground]:
        """Two independent readers or more in one frame, while none speaks for another."""
        frames = {frame for frame in self.speaks.values() if frame >= 0}
        speakers = sorted(reader for reader, frame in self.speaks.items() if frame >= 0)
        if len(frames) != 1 or len(speakers) < 2:
            return []
        frame = frames.pop()
        words = f"{' and '.join(speakers)} read it in one order, and no reader speaks for another"
        return [Ground("readers", frame, self.others(frame), words)]

    def agreeing(self, sheet: Sequence[Ground]) -> list[Ground]:
        """Independent readers that agree with each other, and not with the order that the sheet says.

        One is enough where it reads just what the sheet's lines give the other way round, or what the reading
        is without them: such a coincidence is no other crossing, but a list that was written wrongly.
        """
        out = []
        for one in sheet:
            for frame in one.over:
                speakers = sorted(reader for reader, own in self.speaks.items() if own == frame)
                if len(speakers) > 1:
                    words = f"{' and '.join(speakers)} both read it in another order"
                    out.append(Ground("readers", frame, (one.frame,), words))
                elif speakers and (how := self._otherwise(one.frame, frame)):
                    out.append(Ground("readers", frame, (one.frame,), f"{speakers[0]} read it {how}"))
        return out

    def _otherwise(self, said: int, frame: int) -> str:
        """How another frame is the sheet's lines undone otherwise; "" where it is none of them."""
        near, shown = near_words(self.organisation), self.first(frame).words
        for one in self.members[said]:
            lines = _undone_lines(one)
            if lines is None or not one.complete or not self.of(one).lines_said:
                continue
            came = lines.apply(one.words)
            if int((came != shown).sum()) <= near:
                return f"as {one.reading} is without these lines"
            if int((lines.apply(came) != shown).sum()) <= near:
                return f"as {one.reading} is with these lines the other way round"
        return ""

    def programmer(self) -> list[Ground]:
        """A device programmer under the chip's own part against one home-built reader."""
        able = {
            reader: frame
            for reader, frame in self.speaks.items()
            if frame >= 0 and self._is_programmer(reader)
        }
        if len(set(able.values())) != 1:
            return []
        frame = next(iter(able.values()))
        outside = {reader for reader, frames in self.stands.items() if frames != {frame}}
        if len(outside) != 1 or not all(self._is_home_built(reader) for reader in outside):
            return []
        # Where the sheet cuts the programmer's part out of a file, where it begins is a person's word.
        taken = any(one.taken for reader in able for one in self._readings(reader))
        over = tuple(other for other in self.others(frame) if not (taken and self._steps_only(frame, other)))
        if not over:
            return []
        other = next(iter(outside))
        words = (
            f"{' and '.join(sorted(able))} is a device programmer under the chip's own part, and only the "
            f"home-built {other} reads it in another order"
        )
        return [Ground("programmer", frame, over, words)]

    def _readings(self, reader: str) -> list[Said]:
        return [self.of(one) for one in self.passes if one.reader == reader]

    def _is_programmer(self, reader: str) -> bool:
        return all(one.kind == "device-programmer" and one.own_part for one in self._readings(reader))

    def _is_home_built(self, reader: str) -> bool:
        return all(one.kind == "home-built" for one in self._readings(reader))

    def _steps_only(self, frame: int, other: int) -> bool:
        """Whether two frames differ in start and step alone."""
        return self.groups[frame].way.keeps_lines and self.groups[other].way.keeps_lines

    def complete(self) -> list[Ground]:
        """A complete pass against one that is short or long by just the words it lost or doubled."""
        out = []
        for frame, own in enumerate(self.members):
            whole = [one for one in own if one.complete and not one.length_off]
            over = tuple(
                other
                for other in self.others(frame)
                if self._steps_only(frame, other)
                and whole
                and all(self._lost_or_doubled(whole[0], one) for one in self.members[other])
            )
            if whole and (paced := self._less_than(frame)):
                slower = self._beside(whole[0], paced[0])
                words = f"{whole[0].beside(self.members[paced[0]][0])} has words that {slower} never shows"
                out.append(Ground("complete", frame, paced, words))
            if whole and over:
                words = (
                    f"{whole[0].beside(self.members[over[0]][0])} has exactly the chip's "
                    f"{self.organisation.words} words; "
                    f"{' and '.join(self._beside(whole[0], other) for other in over)} lost or doubled some"
                )
                out.append(Ground("complete", frame, over, words))
        return out

    def _lost_or_doubled(self, whole: Pass, one: Pass) -> bool:
        """Whether a pass is short by words it lost, or long by words it doubled, and by nothing else.

        A short pass with words that the whole one has not shows that the whole one lost them and went on to
        its full count: then neither speaks against the other. More words may be missing at the end.
        """
        way = way_between(whole, one, self.organisation)
        lost = sum(slip.by for slip in way.slips)
        one_way = all(slip.by * one.length_off < 0 for slip in way.slips)
        return way.name == "slipped" and one_way and abs(lost) <= abs(one.length_off)

    def _less_than(self, frame: int) -> tuple[int, ...]:
        """Frames that show only every second word, or each twice, of what this frame has."""
        own = self.groups[frame].way
        if own.name == "paced":
            # The base of all frames is the one that lacks words.
            lacking = [index for index, group in enumerate(self.groups) if group.way.name == "same"]
            return tuple(lacking) if not own.pace else ()
        paced = [
            index for index, group in enumerate(self.groups) if group.way.name == "paced" and group.way.pace
        ]
        return tuple(paced) if own.name == "same" else ()

    def addresses(self) -> list[Ground]:
        """Addresses printed in the file itself, against a file that only counts."""
        out = []
        for frame, own in enumerate(self.members):
            over = tuple(
                other
                for other in self.others(frame)
                if self._steps_only(frame, other) and not any(one.addressed for one in self.members[other])
            )
            if over and all(one.addressed for one in own):
                words = f"The files of {self.names(frame)} print the address of each line"
                out.append(Ground("addresses", frame, over, words))
        return out

    def wirings(self) -> list[Ground]:
        """A fault of the same wiring, proved on other chips, that explains what is seen here."""
        out: dict[tuple[int, str], Ground] = {}
        near = near_words(self.organisation)
        for other, own in enumerate(self.members):
            for one in own:
                carried = self.of(one).carried
                if carried is None or carried.undo or not carried.proved or not one.complete:
                    continue
                straight = carried.lines.undo(one.words)
                for frame in self.others(other):
                    if int((self.first(frame).words != straight).sum()) <= near:
                        words = (
                            f"The wiring {carried.wiring}, with which {one.reading} was read, is crossed in "
                            f"just this way on {', '.join(carried.proved_by)}"
                        )
                        out[frame, carried.wiring] = Ground("wiring", frame, (other,), words)
        return list(out.values())

    def frame(self, index: int) -> Frame:
        """A frame as the record keeps it, against the first."""
        readings = tuple(dict.fromkeys(one.reading for one in self.members[index]))
        if index == 0:
            return Frame(readings, None, "")
        way = way_between(self.first(0), self.first(index), self.organisation)
        if way.name in ("same", "stranger"):
            way = self.groups[index].way
        return Frame(readings, way.mapping, way_in_words(way, self.organisation))
