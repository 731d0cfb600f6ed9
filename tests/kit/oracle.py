"""Which frame the rules settle, written from the rules alone.

The rules, in the order of the text:

1. A mapping that changes no word is no frame: frames are told apart by the words that they show.
2. Grounds: a check in the content; for start and step, a complete pass against one that is short or long, and
   addresses printed in the file; two or more readers in one frame while none speaks for another; a fault
   proved of the wiring; a device programmer, under the chip's own part, against one home-built reader.
3. A reader speaks for a frame only where all its passes stand in it.
4. The number of passes is no ground. Grounds that are silent, or speak for different frames, leave it
   contested.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from typing import Literal

from tests.kit.frames import Group
from tests.kit.project import Kind

Frame = Hashable


@dataclass(frozen=True)
class Voice:
    """One reader of a chip.

    Attributes:
        kind: As the sheet says.
        stands: The frame of each of its passes.
        complete: Whether each has as many words as the chip.
        own_part: A programmer under the chip's own part, an alias or an equivalent of the same pinout.
        printed: Its files carry addresses.
        proved_wrong: Its wiring's fault is proved on other chips.
    """

    kind: Kind
    stands: tuple[Frame, ...]
    complete: tuple[bool, ...]
    own_part: bool = False
    printed: bool = False
    proved_wrong: bool = False

    @property
    def speaks_for(self) -> Frame | None:
        return self.stands[0] if len(set(self.stands)) == 1 else None


@dataclass(frozen=True)
class Verdict:
    """What has to come out: `settled` in a frame, `contested`, or `open` where the text leaves both."""

    kind: Literal["one", "settled", "contested", "open"]
    frame: Frame | None = None
    grounds: tuple[str, ...] = ()


@dataclass
class _Grounds:
    by_frame: dict[Frame, list[str]] = field(default_factory=dict)
    unclear: bool = False

    def add(self, frame: Frame, why: str) -> None:
        self.by_frame.setdefault(frame, []).append(why)


def verdict(
    voices: Sequence[Voice],
    group: Group,
    *,
    content: Frame | None = None,
    content_may_speak: bool = False,
) -> Verdict:
    """What the rules say of one chip.

    Args:
        voices: Its readers.
        group: In what the frames differ.
        content: The frame in which an order-sensitive check holds while it fails in the others.
        content_may_speak: Whether the content has something that may be such a check.
    """
    frames = {frame for voice in voices for frame in voice.stands}
    if len(frames) == 1:
        return Verdict("one", frames.pop())
    grounds = _Grounds()
    if content is not None:
        grounds.add(content, "content")
    if group in ("start", "step"):
        _lengths(voices, grounds)
    _readers(voices, grounds)
    _programmer(voices, grounds)
    _wiring(voices, grounds)
    if grounds.unclear:
        return Verdict("open")
    spoken = grounds.by_frame
    if len(spoken) == 1:
        frame, why = next(iter(spoken.items()))
        return Verdict("settled", frame, tuple(why))
    if not spoken and content_may_speak:
        return Verdict("open")
    return Verdict("contested", grounds=tuple(why for some in spoken.values() for why in some))


def _lengths(voices: Sequence[Voice], grounds: _Grounds) -> None:
    passes = [(frame, whole) for one in voices for frame, whole in zip(one.stands, one.complete, strict=True)]
    if not all(whole for _, whole in passes):
        for frame in {frame for frame, whole in passes if whole}:
            grounds.add(frame, "complete")
    printed = {frame for voice in voices if voice.printed for frame in voice.stands}
    for frame in printed:
        grounds.add(frame, "printed addresses")


def _readers(voices: Sequence[Voice], grounds: _Grounds) -> None:
    spoken = [voice.speaks_for for voice in voices if voice.speaks_for is not None]
    if len(spoken) >= 2 and len(set(spoken)) == 1:
        grounds.add(spoken[0], "readers agree")


def _programmer(voices: Sequence[Voice], grounds: _Grounds) -> None:
    trusted = [one for one in voices if one.kind == "device-programmer" and one.own_part]
    for frame in {one.speaks_for for one in trusted if one.speaks_for is not None}:
        own = [one for one in trusted if one.speaks_for == frame]
        others = [one for one in voices if set(one.stands) != {frame}]
        if len(others) == 1:
            if others[0].kind == "home-built":
                grounds.add(frame, "device programmer")
            elif others[0].kind != "device-programmer":
                grounds.unclear = True  # the text speaks of home-built readers only
        elif len({one.speaks_for for one in others}) > 1 or len(own) > 1:
            grounds.unclear = True  # "against two that agree, a lone programmer decides nothing"


def _wiring(voices: Sequence[Voice], grounds: _Grounds) -> None:
    wrong = {one.speaks_for for one in voices if one.proved_wrong}
    if wrong:
        for frame in {frame for voice in voices for frame in voice.stands} - wrong:
            grounds.add(frame, "wiring")
