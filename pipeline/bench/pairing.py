"""How a replacement part meets an old socket: which pins go straight, which need a wire, which a tie.

The old part's pinout says what each hole of the socket carries; the new part's pinout says what each of its
pins wants. Every instruction follows from holding one against the other, never from a list of known pairs.

Source: common practice and second-hand, from memory; the rules themselves are logic.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple

from pipeline.bench.sockets import HIGH, LOW, Wire, seat, wiring
from schemas.part import Enable, Kind, Part, PinUse

Action = Literal["straight", "wire", "tie", "either", "follows", "open", "ask"]
"""`straight` into the hole below; `wire` to another hole; `tie` to a rail; `either` rail, but not floating;
`follows` the hole below, whatever its level; `open` joined to nothing; `ask` the data sheet.
"""


class Joint(NamedTuple):
    """What happens to one pin of the new part.

    Attributes:
        pin: Pin of the new part.
        name: Its function.
        action: See `Action`.
        hole: Socket hole it is joined to, for `straight`, `follows` and `wire`; for a tie, the hole that
            carries that rail, or None.
        level: Level it then has: 0, 1, or None where it is a line, switched, or not known.
        lifted: Whether it must not touch the hole below it.
        why: For a person.
    """

    pin: int
    name: str
    action: Action
    hole: int | None = None
    level: int | None = None
    lifted: bool = False
    why: str = ""


class Pairing(NamedTuple):
    """A replacement in an old socket, pin by pin.

    Attributes:
        source: The old part, which the socket is wired for.
        target: The new part.
        shift: Pin of the target over hole 1 of the socket, less 1; None where the two cannot share a socket.
        joints: One for every pin of the target.
        free_levels: Level of each address line of the target that the old part has not: 0, 1, None if not
            known.
        lost_selects: Socket holes with a select that no longer gates anything.
        always_on: Whether nothing gates the new part.
        unsure: Selects whose polarity a mask chose and nobody told.
    """

    source: Part
    target: Part
    shift: int | None
    joints: tuple[Joint, ...]
    free_levels: Mapping[int, int | None]
    lost_selects: tuple[int, ...]
    always_on: bool
    unsure: tuple[int, ...]

    def below(self, pin: int) -> int | None:
        """The socket hole under a pin of the target, where there is one."""
        return hole_below(pin, self.shift, self.source)

    @property
    def worked(self) -> tuple[Joint, ...]:
        """The pins that need an adapter or a tie."""
        return tuple(j for j in self.joints if j.action in {"wire", "tie", "either", "ask"} or j.lifted)

    @property
    def needs_adapter(self) -> bool:
        """Whether the new part does not simply drop in."""
        return self.shift is None or bool(self.worked)


def hole_below(pin: int, shift: int | None, source: Part) -> int | None:
    """The hole of the source's socket under a pin of the target, where there is one."""
    if shift is None or not 1 <= pin - shift <= source.pins:
        return None
    return pin - shift


def obstacle(source: Part, target: Part) -> str:
    """Why the target cannot stand in for the source; "" where it can.

    Args:
        source: The old part.
        target: The new one.
    """
    old, new = source.organisation, target.organisation
    if source.kind is Kind.LOGIC_ARRAY:
        return "a logic array is programmed with its fuse map: the .jed file among the readings in the bag"
    if old is None or new is None:
        return "one of the two has no single organisation"
    if target.kind.value in {"mask ROM", "logic array (not a ROM)"}:
        return f"a {target.kind} cannot be programmed as a memory"
    if new.words < old.words:
        return f"it holds {new.words} words and the image has {old.words}"
    if new.bits < old.bits:
        return f"its words have {new.bits} bits and the image's have {old.bits}"
    if source.part == target.part:
        return ""
    unknown = [part.part for part in (source, target) if part.pinout != "known"]
    if unknown:
        return f"the pins of the {' and the '.join(unknown)} are not in the catalogue"
    missing = [volts for volts in target.supplies_v if volts not in source.supplies_v]
    if missing:
        return f"it needs {', '.join(f'{v:+g} V' for v in missing)}, which the socket does not have"
    if any(enable.active not in {"low", "high"} for enable in target.enables):
        return "the polarity of its enables is not known"
    if target.contested_pins:
        pins = ", ".join(map(str, sorted(target.contested_pins)))
        return f"the sources contradict each other on its pin {pins}"
    if target.pages > 1:
        return "its pages are chosen by writing to it, which the socket does not do"
    return ""


def pair(
    source: Part,
    target: Part,
    *,
    select_levels: Mapping[int, int] | None = None,
    address: Sequence[int] = (),
    data: Sequence[int] = (),
) -> Pairing:
    """How the target meets the source's socket.

    Args:
        source: The old part; `obstacle(source, target)` must be "".
        target: The new part.
        select_levels: Level that selects, by pin of the source, where a mask chose it.
        address: For each address line of the source, the target's line that carries it; () for the same.
        data: For each data line of the source, the target's line that carries it; () for the same.
    """
    if source.part == target.part and not address and not data:
        return _same(source, target)
    return _Meeting(source, target, dict(select_levels or {}), tuple(address), tuple(data)).pairing()


def _same(source: Part, target: Part) -> Pairing:
    """A part in its own socket: everything goes straight, whatever its pins are."""
    joints = tuple(Joint(use.pin, use.name, "straight", use.pin) for use in target.pin_table)
    return Pairing(source, target, 0, joints, {}, (), always_on=False, unsure=())


class _Meeting:
    """The two pin tables held against each other."""

    def __init__(
        self,
        source: Part,
        target: Part,
        levels: dict[int, int],
        address: tuple[int, ...],
        data: tuple[int, ...],
    ) -> None:
        self.source, self.target = source, target
        self.shift = seat(source, target)
        self.holes = wiring(source)
        self.selects = {e.pin: self._active(e, levels) for e in source.enables}
        self.unsure = tuple(e.pin for e in source.enables if e.active == "mask" and e.pin not in levels)
        address = address or tuple(range(len(source.address_pins)))
        data = data or tuple(range(len(source.data_pins)))
        self.address_hole = {line: source.address_pins[k] for k, line in enumerate(address)}
        self.data_hole = {line: source.data_pins[k] for k, line in enumerate(data)}
        self.gating: set[int] = set()

    @staticmethod
    def _active(enable: Enable, levels: Mapping[int, int]) -> int | None:
        """The level that selects; None where a mask chose it and nobody told."""
        known = {"low": 0, "high": 1, "low-edge": 0}.get(enable.active)
        return levels.get(enable.pin, known) if enable.active in {"mask", "unknown"} else known

    def pairing(self) -> Pairing:
        enables = {e.pin: e for e in self.target.enables}
        order = sorted(
            self.target.pin_table, key=lambda use: use.pin in enables and not self._gates(enables[use.pin])
        )
        joints = {use.pin: self._joint(use, enables.get(use.pin)) for use in order}
        if not self.gating:
            joints |= self._gate_by_wire()
        free = {
            use.line: joints[use.pin].level
            for use in self.target.pin_table
            if use.role == "address" and use.line is not None and use.line not in self.address_hole
        }
        return Pairing(
            source=self.source,
            target=self.target,
            shift=self.shift,
            joints=tuple(joints[pin] for pin in sorted(joints)),
            free_levels=free,
            lost_selects=tuple(pin for pin in self.selects if pin not in self.gating),
            always_on=not self.gating,
            unsure=tuple(pin for pin in self.unsure if pin in self.gating),
        )

    def _below(self, pin: int) -> int | None:
        """The socket hole under a pin of the target."""
        return hole_below(pin, self.shift, self.source)

    def _hole_level(self, hole: int | None) -> int | None:
        """Fixed level of a hole: 0, 1, or None where it is a line, switched, floating or another voltage."""
        if hole is None or hole in self.selects:
            return None
        return {HIGH: 1, LOW: 0}.get(self.holes[hole])

    def _floats(self, hole: int | None) -> bool:
        return hole is None or (hole not in self.selects and self.holes[hole].kind in {"open", "ask"})

    def _rail_hole(self, wire: Wire) -> int | None:
        rails = [
            *(self.source.vcc if wire == HIGH else self.source.gnd if wire == LOW else ()),
            *(s.pin for s in self.source.other_supply if s.volts == wire.value),
        ]
        return rails[0] if rails else None

    def _gates(self, enable: Enable) -> bool:
        """Whether the hole below is a select that enables at the same level (a mask's is taken to)."""
        hole = self._below(enable.pin)
        return hole in self.selects and self.selects[hole] in (None, _level_of(enable))

    def _joint(self, use: PinUse, enable: Enable | None) -> Joint:
        if enable is not None:
            return self._enable(use, enable)
        if use.role == "address":
            return self._address(use)
        if use.role == "data":
            return self._data(use)
        want = wiring(self.target)[use.pin]
        if want.kind == "rail" and use.name.startswith("/WE"):
            return self._write_enable(use)
        if want.kind == "rail":
            return self._rail(use, want)
        if use.role == "nc":
            return Joint(use.pin, use.name, "open", why="not connected inside")
        return Joint(
            use.pin,
            use.name,
            "ask" if want.kind == "ask" else "open",
            lifted=not self._floats(self._below(use.pin)),
            why="take it from the data sheet" if want.kind == "ask" else "an output that nothing may drive",
        )

    def _address(self, use: PinUse) -> Joint:
        below = self._below(use.pin)
        assert use.line is not None
        if use.line in self.address_hole:
            return self._line(use, self.address_hole[use.line], below)
        level = self._hole_level(below)
        if level is not None:
            return Joint(use.pin, use.name, "straight", below, level, why=f"the hole is held {_word(level)}")
        if below is not None and below in self.selects:
            return Joint(
                use.pin, use.name, "follows", below, why="the hole is a select: the level may change"
            )
        if below is not None and self._floats(below):
            return Joint(
                use.pin,
                use.name,
                "either",
                lifted=True,
                why="nothing is known to drive the hole; the image is repeated",
            )
        return self._tied(use, 0, below, "the old part has no such address line")

    def _data(self, use: PinUse) -> Joint:
        below = self._below(use.pin)
        assert use.line is not None
        if use.line in self.data_hole:
            return self._line(use, self.data_hole[use.line], below)
        return Joint(
            use.pin, use.name, "open", lifted=not self._floats(below), why="the socket has no such output"
        )

    def _line(self, use: PinUse, hole: int, below: int | None) -> Joint:
        if hole == below:
            return Joint(use.pin, use.name, "straight", hole)
        return Joint(
            use.pin, use.name, "wire", hole, lifted=below is not None, why=f"that line is in hole {hole}"
        )

    def _rail(self, use: PinUse, want: Wire) -> Joint:
        below = self._below(use.pin)
        level = {HIGH: 1, LOW: 0}.get(want)
        if below is not None and below not in self.selects and self.holes[below] == want:
            return Joint(use.pin, use.name, "straight", below, level)
        if level is not None:
            return self._tied(use, level, below, f"it wants {want}")
        return Joint(
            use.pin, use.name, "tie", self._rail_hole(want), lifted=below is not None, why=f"it wants {want}"
        )

    def _write_enable(self, use: PinUse) -> Joint:
        """Into a supply hole or onto the rail.

        A hole that a board drives may go low, and then the chip writes.
        """
        below = self._below(use.pin)
        if below is not None and below in self.source.vcc:
            return Joint(use.pin, use.name, "straight", below, 1)
        return self._tied(use, 1, below, "it writes when it goes low")

    def _tied(self, use: PinUse, level: int, below: int | None, why: str) -> Joint:
        return Joint(
            use.pin,
            use.name,
            "tie",
            self._rail_hole(HIGH if level else LOW),
            level,
            lifted=below is not None,
            why=why,
        )

    def _enable(self, use: PinUse, enable: Enable) -> Joint:
        below = self._below(use.pin)
        level = _level_of(enable)
        if below is not None and self._gates(enable):
            self.gating.add(below)
            return Joint(use.pin, use.name, "straight", below, why="gated by the socket's select")
        if below is not None and self._hole_level(below) == level and not self._programs(below):
            return Joint(use.pin, use.name, "straight", below, level, why=f"the hole is held {_word(level)}")
        return self._tied(use, level, below, f"it enables {_word(level)}")

    def _programs(self, hole: int) -> bool:
        """Whether the hole belongs to a programming pin, whose level a board may not keep."""
        return any(o.pin == hole and "PROG" in o.name.upper() for o in self.source.other_pins)

    def _gate_by_wire(self) -> dict[int, Joint]:
        """Join the target's enables to selects elsewhere in the socket, as far as polarities allow."""
        joints = {}
        waiting = list(self.selects)
        for enable in self.target.enables:
            fitting = [hole for hole in waiting if self.selects[hole] in (None, _level_of(enable))]
            if fitting:
                hole = fitting[0]
                waiting.remove(hole)
                self.gating.add(hole)
                joints[enable.pin] = Joint(
                    enable.pin,
                    enable.name,
                    "wire",
                    hole,
                    lifted=self._below(enable.pin) is not None,
                    why=f"the socket's select is in hole {hole}",
                )
        return joints


def _level_of(enable: Enable) -> int:
    return 1 if enable.active == "high" else 0


def _word(level: int) -> str:
    return "high" if level else "low"


__all__ = ["Action", "Joint", "Pairing", "obstacle", "pair"]
