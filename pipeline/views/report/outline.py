"""The socket from above: the pin that a finding names filled, its neighbours and the supplies named.

Our own drawing of a dual in-line package: as many teeth as it has pins, the notch up, pin 1 at its left and
the count running round against the clock; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

from markupsafe import Markup, escape

from pipeline.views.report import wording

if TYPE_CHECKING:
    from schemas.finding import Details
    from schemas.recorded_sheet import PartRecord

PITCH = 13
BODY = 46
SIDE = 76
HEAD = 10
FEWEST_PINS = 4
MOST_PINS = 64


def pin_names(part: PartRecord) -> dict[int, str]:
    """What each pin of a part is called, as far as the catalogue knows."""
    names: dict[int, str] = {}
    for letter, pins in (("A", part.get("address_pins")), ("D", part.get("data_pins"))):
        names |= {pin: f"{letter}{number}" for number, pin in enumerate(pins or ()) if isinstance(pin, int)}
    for one in (
        *(part.get("enables") or ()),
        *(part.get("other_supply") or ()),
        *(part.get("other_pins") or ()),
    ):
        names[int(one["pin"])] = str(one.get("name") or "")
    return names | dict.fromkeys(part.get("nc") or (), "not connected") | supply_names(part)


def supply_names(part: PartRecord) -> dict[int, str]:
    """The supply and ground pins."""
    names = {int(one["pin"]): str(one.get("name") or "supply") for one in part.get("other_supply") or ()}
    names |= dict.fromkeys(part.get("gnd") or (), "ground")
    return names | dict.fromkeys(part.get("vcc") or (), "Vcc")


def pins_of(where: Mapping[str, object]) -> tuple[int, ...]:
    """The package pins that a finding's place names."""
    told = where.get("pins")
    pins: Sequence[Details] = told if isinstance(told, Sequence) and not isinstance(told, str) else ()
    numbers = [one.get("pin") for one in pins if isinstance(one, Mapping)]
    return tuple(dict.fromkeys(number for number in numbers if isinstance(number, int)))


def neighbours(pins: Collection[int], count: int) -> set[int]:
    """The pins beside these on the same side of the package."""
    side = count // 2
    beside = {(pin, pin + step) for pin in pins for step in (-1, 1)}
    return {
        other
        for pin, other in beside
        if 1 <= other <= count and (pin - 1) // side == (other - 1) // side and other not in pins
    }


def socket_svg(part: PartRecord, pins: Sequence[int], severity: str) -> Markup | None:
    """The socket of a part with some pins filled; None where the catalogue does not know its pins.

    Args:
        part: Its catalogue entry.
        pins: Those that a finding names.
        severity: Of the finding: `fault` or `caution`.
    """
    count = int(part.get("pins") or 0)
    there = tuple(pin for pin in pins if 1 <= pin <= count)
    if not there or count % 2 or not FEWEST_PINS <= count <= MOST_PINS or part.get("pinout") == "unknown":
        return None
    names = pin_names(part)
    if not names:
        return None
    supplies = supply_names(part)
    beside = neighbours(there, count)
    out = [_outline(count)]
    for pin in sorted({*there, *beside, *supplies}):
        if 1 <= pin <= count:
            kind = "named" if pin in there else "beside" if pin in beside else "supply"
            out.append(_name(pin, count, names.get(pin, ""), kind))
    filled = "".join(_tooth(pin, count, filled=True) for pin in there)
    out.append(f'<path class="pin filled" d="{filled}"/>')
    width, height = 2 * SIDE + BODY, HEAD + count // 2 * PITCH + 8
    return Markup(  # noqa: S704 - numbers and escaped text only
        f'<svg class="socket-view {escape(severity)}" role="img" '
        f'aria-label="{escape(_told(there, beside, supplies, names, count))}" width="{width}" '
        f'height="{height}" viewBox="0 0 {width} {height}">{"".join(out)}</svg>'
    )


def _told(
    pins: Sequence[int],
    beside: Collection[int],
    supplies: Mapping[int, str],
    names: Mapping[int, str],
    count: int,
) -> str:
    def called(some: Collection[int]) -> str:
        return wording.listed(
            [f"pin {pin}{f' ({names[pin]})' if names.get(pin) else ''}" for pin in sorted(some)]
        )

    return (
        f"{count}-pin socket from above, notch up: {called(pins)} filled; beside {called(beside)}; "
        f"supplies {called(supplies) or 'not known'}"
    )


def _place(pin: int, count: int) -> tuple[bool, float]:
    """On the left side, and how far down its middle lies."""
    side = count // 2
    row = pin - 1 if pin <= side else count - pin
    return pin <= side, HEAD + row * PITCH + PITCH / 2


@lru_cache(maxsize=32)
def _outline(count: int) -> str:
    """The body with its notch and the dot at pin 1, and all teeth empty; what sockets of one size share."""
    teeth = "".join(_tooth(pin, count, filled=False) for pin in range(1, count + 1))
    return (
        f'<path class="body" d="M{SIDE} {HEAD}h{BODY / 2 - 6:g}a6 6 0 0 0 12 0H{SIDE + BODY}'
        f'v{count // 2 * PITCH}H{SIDE}z"/><circle class="one" cx="{SIDE + 8}" cy="{HEAD + 7}" r="2"/>'
        f'<path class="pin" d="{teeth}"/>'
    )


def _tooth(pin: int, count: int, *, filled: bool) -> str:
    """A tooth as a part of a path; a filled one is larger."""
    left, y = _place(pin, count)
    wide, tall = (14, 9) if filled else (8, 6)
    x = SIDE - wide if left else SIDE + BODY
    return f"M{x} {y - tall / 2:g}h{wide}v{tall}h-{wide}z"


def _name(pin: int, count: int, name: str, kind: str) -> str:
    left, y = _place(pin, count)
    x = SIDE - 18 if left else SIDE + BODY + 18
    shown = escape(wording.short(name, 7))
    text = f"{shown} {pin}" if left else f"{pin} {shown}"
    return f'<text class="{"" if left else "t "}{kind}" x="{x}" y="{y + 4:g}">{text}</text>'
