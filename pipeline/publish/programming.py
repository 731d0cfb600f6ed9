"""What to program into a replacement chip so that the old socket reads the old image.

The image goes where the levels of the new part's extra address pins point, or everywhere when one of them is
not known; the pins that need a wire or a tie follow from the two pinouts; and the sums a device programmer
will show are worked out, so that the person can tell at the programmer that the right file went in.

Source: common practice and second-hand, from memory; position and sums are logic.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np

from pipeline.bench.pairing import Pairing, obstacle, pair
from pipeline.bench.sockets import SAFE_RAILS
from pipeline.catalogue.advice import STAMP, advise, step
from pipeline.catalogue.cautions import DEFERENCE, Caution, programs, replacing
from pipeline.errors import PairingError
from pipeline.words import Words, word_bytes, words_dtype
from schemas.answers import BurnPlan
from schemas.names import Organisation
from schemas.part import Confidence, Kind, Part

Layout = Literal["auto", "repeat", "offset"]
BIPOLAR = {Kind.FUSE_PROM}


class LineOrder(NamedTuple):
    """Lines that the new board or adapter carries in another order or inverted; empty for the chip's own.

    Attributes:
        address: For each address line of the old part, the line of the new part that carries it.
        data: For each data line of the old part, the line of the new part that carries it.
        invert_address: Lines of the new part, below the old part's number of lines, that arrive inverted.
        invert_data: Data lines of the new part, below the old part's number of them, that arrive inverted.
    """

    address: tuple[int, ...] = ()
    data: tuple[int, ...] = ()
    invert_address: tuple[int, ...] = ()
    invert_data: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Burn:
    """A plan for one replacement chip.

    Attributes:
        pairing: Old part, new part, and every pin between them.
        words: The whole content of the new part, one element a word.
        copies: Word addresses at which the image stands.
        layout: `whole` (same size), `repeated`, or `at-offset`.
        fill: Word between the copies, None where none is left over.
        order: The lines as they were asked for.
        image_sum16: 16-bit sum of the old image's bytes.
        device_sum16: 16-bit sum of the whole device's bytes: what a programmer shows.
        device_crc32: CRC-32 of the same bytes.
        dangers: What of this pairing can cost a chip or the machine: told before everything else.
        warnings: Speed, output type, selects, confidence.
        cautions: The usual ones for the new part and for programming it, the dangerous first.
        withheld: Why no pin numbers are told; "" where they are.
        stamp: What stands on every line with a pin number from memory; "" where there is none.
    """

    pairing: Pairing
    words: Words
    copies: tuple[int, ...]
    layout: Literal["whole", "repeated", "at-offset"]
    fill: int | None
    order: LineOrder
    image_sum16: int
    device_sum16: int
    device_crc32: int
    dangers: tuple[str, ...]
    warnings: tuple[str, ...]
    cautions: tuple[Caution, ...] = field(repr=False)
    withheld: str = ""
    stamp: str = ""

    @property
    def organisation(self) -> Organisation:
        """Words and bits of the new part."""
        found = self.pairing.target.organisation
        assert found is not None
        return found


def as_bytes(words: Words, bits: int, *, byte_order: Literal["big", "little"] = "big") -> bytes:
    """Words as a file has them: one byte a word up to 8 bits, else as many as they need.

    Args:
        words: One element a word.
        bits: Width of a word.
        byte_order: Of words wider than 8 bits; this program's image files are big-endian.
    """
    return word_bytes(words, bits, byte_order)


def sum16(words: Words, bits: int) -> int:
    """The plain sum of all bytes, kept to 16 bits, as device programmers show it.

    A part of 4 bits sums its nibbles. The sum is blind to order: it is quoted beside a digest, never instead
    of one.

    Source: common practice, no source.

    Example:
        >>> hex(sum16(np.full(2048, 0xFF, np.uint8), 8))
        '0xf800'
    """
    return int(np.frombuffer(as_bytes(words, bits), np.uint8).sum(dtype=np.uint64)) & 0xFFFF


def plan_burn(
    words: Words,
    source: Part,
    target: Part,
    *,
    layout: Layout = "auto",
    order: LineOrder | None = None,
    select_levels: dict[int, int] | None = None,
    fill_bit: int | None = None,
    others: Iterable[Part] = (),
    common: Sequence[str] = (),
    from_memory: bool = False,
) -> Burn:
    """Work out the content of a replacement and how it meets the old socket.

    Args:
        words: The image, shape (source words,).
        source: The old part, whose socket it is.
        target: The new part.
        layout: `offset` puts the image where the known levels point; `repeat` fills the part with copies;
            `auto` repeats as soon as one level is not known.
        order: Lines carried in another order or inverted.
        select_levels: Level that selects, by pin of the old part, where a mask chose it.
        fill_bit: What to leave between copies; the new part's unprogrammed state where None.
        others: Parts to suggest in a refusal.
        common: Numbers of parts that are easily had, to suggest first.
        from_memory: Tell pin numbers of low confidence too, every line stamped.

    Raises:
        PairingError: The new part cannot hold the image or stand in the socket, or a line order is no
            permutation; the remedy names parts that can.
    """
    order = order or LineOrder()
    _refuse_impossible(words, source, target, order, others, common)
    pairing = pair(source, target, select_levels=select_levels, address=order.address, data=order.data)
    image = _reordered(words, source, order)
    free = _free_levels(pairing, layout)
    copies = _copies(len(words), target, free)
    content, fill = _laid_out(image, source, target, copies, fill_bit)
    bits = target.bits or 0
    low = "" if source.part == target.part else _low(source, target)
    withheld = advise(step("pins-withheld", parts=low)) if low and not from_memory else ""
    known = target.erased_state is not None or (fill is None and target.bits == source.bits)
    return Burn(
        pairing=pairing,
        words=content,
        copies=copies,
        layout="whole" if len(copies) == 1 and fill is None else "repeated" if fill is None else "at-offset",
        fill=fill,
        order=order,
        image_sum16=sum16(words, source.bits or 0),
        device_sum16=sum16(content, bits),
        device_crc32=zlib.crc32(as_bytes(content, bits)),
        dangers=tuple(_dangers(pairing, numbered=not withheld)),
        warnings=tuple(_warnings(pairing, order, fill_known=known, numbered=not withheld)),
        cautions=replacing(source, target, numbered=not withheld),
        withheld=withheld,
        stamp=STAMP if low and not withheld else "",
    )


def _refuse_impossible(
    words: Words,
    source: Part,
    target: Part,
    order: LineOrder,
    others: Iterable[Part],
    common: Sequence[str],
) -> None:
    """Every reason why the pair cannot be, told before anything is made, with the parts that can instead."""
    where = f"{target.part} for {source.part}"
    why = obstacle(source, target)
    if why:
        able = replacements(source, others, common=common)[:5]
        names = ", ".join(part.part for part in able)
        raise PairingError(
            where=where,
            problem=why,
            remedy=f"Parts that can: {names}"
            if able
            else "Program that file into a device of its own kind"
            if source.kind is Kind.LOGIC_ARRAY
            else "Choose a part of at least that size and known pins",
        )
    if len(words) != source.words:
        raise PairingError(
            where=where,
            problem=f"the image has {len(words)} words and a {source.part} holds {source.words}",
            remedy="Give the image of a whole chip, or the part that it came from",
        )
    for what, given, pins in (
        ("address", order.address, len(source.address_pins)),
        ("data", order.data, len(source.data_pins)),
    ):
        if given and sorted(given) != list(range(pins)):
            raise PairingError(
                where=where,
                problem=f"the {what} order {list(given)} is not an order of {pins} lines",
                remedy=f"Name each of 0 to {pins - 1} once",
            )


def replacements(source: Part, parts: Iterable[Part], *, common: Sequence[str] = ()) -> tuple[Part, ...]:
    """The parts that can stand in for this one: those that are easily had first, then the least work.

    Args:
        source: The old part.
        parts: Candidates, such as a catalogue's.
        common: Numbers of parts that are easily had.
    """
    able = [part for part in parts if not obstacle(source, part) and part.part != source.part]
    work = {part.part: len(pair(source, part).worked) for part in able}
    return tuple(
        sorted(
            able,
            key=lambda part: (part.part not in common, work[part.part], part.words or 0, part.bits or 0),
        )
    )


def _reordered(words: Words, source: Part, order: LineOrder) -> Words:
    """The image in the order and polarity of the new part's lines: B[P(a) xor ia] = Q(A[a]) xor id."""
    at = np.arange(len(words), dtype=np.uint64)
    to = _moved(at, order.address) ^ np.uint64(_mask(order.invert_address))
    image = np.empty_like(words)
    image[to] = (_moved(words.astype(np.uint64), order.data) ^ np.uint64(_mask(order.invert_data))).astype(
        words.dtype
    )
    assert source.bits is not None
    return image


def _moved(values: Words, order: Sequence[int]) -> Words:
    """Bit k of every value moved to bit order[k]."""
    if not order:
        return values
    one = np.uint64(1)
    moved = np.zeros_like(values)
    for k, line in enumerate(order):
        moved |= ((values >> np.uint64(k)) & one) << np.uint64(line)
    return moved


def _mask(lines: Iterable[int]) -> int:
    return sum(1 << line for line in set(lines))


def _free_levels(pairing: Pairing, layout: Layout) -> dict[int, int | None]:
    """The levels of the extra address lines as the layout takes them: None means copies at both."""
    unknown = any(level is None for level in pairing.free_levels.values())
    if layout == "repeat" or (layout == "auto" and unknown):
        return dict.fromkeys(pairing.free_levels)
    return dict(pairing.free_levels)


def _copies(words: int, target: Part, free: dict[int, int | None]) -> tuple[int, ...]:
    """Every word address at which the image stands."""
    assert target.words is not None
    starts = range(0, target.words, words)
    return tuple(
        start for start in starts if all(level in (None, start >> line & 1) for line, level in free.items())
    )


def _laid_out(
    image: Words, source: Part, target: Part, copies: tuple[int, ...], fill_bit: int | None
) -> tuple[Words, int | None]:
    """The new part's whole content, and the fill where some of it is left over."""
    assert target.words is not None
    assert target.bits is not None
    assert source.bits is not None
    bit = fill_bit if fill_bit is not None else target.erased_state
    bit = 1 if bit is None else bit
    full = (1 << target.bits) - 1
    fill = full if bit else 0
    content = np.full(target.words, fill, words_dtype(target.bits))
    above = (full & ~((1 << source.bits) - 1)) if bit else 0
    for start in copies:
        content[start : start + len(image)] = image.astype(content.dtype) | content.dtype.type(above)
    return content, fill if len(copies) * len(image) < target.words else None


def _warnings(pairing: Pairing, order: LineOrder, *, fill_known: bool, numbered: bool) -> Iterable[str]:
    """What a person must know before trusting the replacement in the machine."""
    source, target = pairing.source, pairing.target
    if source.part == target.part:
        return
    yield from _output_warnings(source, target)
    yield from _speed_warnings(source, target)
    if any(enable.active == "low-edge" for enable in source.enables):
        yield advise("latch-lost")
    if pairing.always_on:
        yield advise("always-on")
    if numbered:
        yield from _numbered_warnings(pairing)
    if not source.gnd and target.gnd:
        yield advise("no-ground-hole")
    if pairing.shift is None:
        yield advise(step("adapter-board", old=source.pins, new=target.pins))
    if (target.bits or 0) > (source.bits or 0):
        yield advise("extra-outputs")
    if not fill_known:
        yield advise(step("blank-unknown", part=target.part))
    if order.invert_address or order.invert_data:
        yield advise("inverted")
    low = _low(source, target)
    if low:
        yield advise(step("pins-from-memory" if numbered else "pins-withheld", parts=low))
    yield advise("read-back")


def _low(source: Part, target: Part) -> str:
    """Which of the two parts' pins rest on memory, for a sentence."""
    return " and the ".join(part.part for part in (source, target) if part.confidence is Confidence.LOW)


def _numbered_warnings(pairing: Pairing) -> Iterable[str]:
    """The warnings that name pins and holes."""
    yield from _select_warnings(pairing)
    pins = ", ".join(str(joint.pin) for joint in pairing.joints if joint.action == "either")
    if pins:
        yield advise(step("undriven-hole", pins=pins))
    yield from _held_warnings(pairing)


def _held_warnings(pairing: Pairing) -> Iterable[str]:
    """Where the image's place rests on a level that the old part needed and a board may have switched."""
    kept = {other.pin: other.name for other in pairing.source.other_pins}
    for joint in pairing.joints:
        line = joint.name[1:]
        free = line.isdigit() and int(line) in pairing.free_levels
        if joint.hole in kept and joint.level is not None and free:
            level = "high" if joint.level else "low"
            facts = {"pin": joint.pin, "name": joint.name, "level": level, "hole": joint.hole}
            yield advise(step("held-hole", was=kept[joint.hole], **facts))


def _output_warnings(source: Part, target: Part) -> Iterable[str]:
    if source.open_collector and target.output == "tri-state":
        yield advise("three-state-for-open-collector")
    if target.open_collector and not source.open_collector:
        yield advise("open-collector-for-three-state")


def _speed_warnings(source: Part, target: Part) -> Iterable[str]:
    old, new = (part.access_ns for part in (source, target))
    old_ns = (old.max or old.typical) if old else None
    new_ns = (new.max or new.typical) if new else None
    if old_ns and new_ns and new_ns > old_ns:
        yield advise(step("slower", old=old_ns, new=new_ns))
    elif source.kind in BIPOLAR and target.kind not in BIPOLAR:
        yield advise("bipolar-speed")
    elif not new_ns:
        yield advise("speed-unknown")


def _select_warnings(pairing: Pairing) -> Iterable[str]:
    if pairing.lost_selects:
        yield advise(step("lost-select", holes=", ".join(map(str, sorted(pairing.lost_selects)))))
    if pairing.unsure:
        yield advise(step("mask-select", holes=", ".join(map(str, sorted(pairing.unsure)))))


def _dangers(pairing: Pairing, *, numbered: bool) -> Iterable[str]:
    """What of this pairing can cost the new part, the machine or the content: before everything else."""
    source, target = pairing.source, pairing.target
    if source.part == target.part:
        return
    others = [volts for volts in source.supplies_v if volts not in SAFE_RAILS]
    if others:
        name = "danger-negative-socket" if min(others) < 0 else "danger-other-rail"
        yield advise(step(name, volts=" and ".join(f"{volts:+g} V" for volts in others)))
    if _power_moves(pairing):
        yield advise("danger-power-hole")
    pins = [joint for joint in pairing.joints if _writes(joint.name) or programs("other", joint.name)]
    if pins and not numbered:
        yield advise("danger-unnumbered")
    for joint in pins if numbered else ():
        facts = {"pin": joint.pin, "name": joint.name}
        if not _writes(joint.name):
            if joint.action == "straight":
                yield advise(step("danger-programming-hole", **facts, hole=pairing.below(joint.pin)))
        elif joint.lifted:
            yield advise(step("danger-write-hole", **facts, hole=pairing.below(joint.pin)))
        else:
            yield advise(step("danger-write-pin", **facts))


def _power_moves(pairing: Pairing) -> bool:
    """Whether a supply pin of the new part stands over a hole of this socket that carries something else."""
    for pins, holes in ((pairing.target.vcc, pairing.source.vcc), (pairing.target.gnd, pairing.source.gnd)):
        below = {pairing.below(pin) for pin in pins} - {None}
        if not below <= set(holes):
            return True
    return False


def _writes(name: str) -> bool:
    return "/WE" in name.upper()


class Slice(NamedTuple):
    """The content of one chip of a set that together holds a wider or longer space.

    Attributes:
        lane: From the left, 0 is the most significant.
        high, low: The bits of the space's word that it carries, `[high:low]`.
        start, stop: The half-open range of the space's words that it carries.
        words: Its whole content; what the space does not reach is filled.
    """

    lane: int
    high: int
    low: int
    start: int
    stop: int
    words: Words

    @property
    def name(self) -> str:
        """A name such as `47-32_0` for bits 47 to 32 from word 0."""
        return f"{self.high}-{self.low}_{self.start:X}"


def split_space(words: Words, width: int, chip: Organisation, *, fill_bit: int = 1) -> tuple[Slice, ...]:
    """Divide an assembled space into chips of another width or size: 48-bit microcode into three of 16.

    Args:
        words: The space, one element a word, shape (words,).
        width: Bits of a word.
        chip: Words and bits of each chip.
        fill_bit: Unprogrammed state, for bits and words that the space does not reach.

    Returns:
        Slices, most significant lane first, then upwards in address; the top lane may be narrower than a
        chip.

    Raises:
        PairingError: There are no words.
    """
    if len(words) == 0:
        raise PairingError(where="space", problem="it has no words", remedy="Give a space that was assembled")
    lanes = -(-width // chip.bits)
    full = (1 << chip.bits) - 1
    slices = []
    for lane in range(lanes):
        low = (lanes - 1 - lane) * chip.bits
        high = min(low + chip.bits, width) - 1
        used = (1 << (high - low + 1)) - 1
        column = (words.astype(np.uint64) >> np.uint64(low)) & np.uint64(used)
        unused = (full & ~used) if fill_bit else 0
        for start in range(0, len(words), chip.words):
            part = column[start : start + chip.words] | np.uint64(unused)
            content = np.full(chip.words, full if fill_bit else 0, words_dtype(chip.bits))
            content[: len(part)] = part.astype(content.dtype)
            slices.append(Slice(lane, high, low, start, start + len(part), content))
    return tuple(slices)


def burn_document(burn: Burn) -> BurnPlan:
    """A plan as plain JSON values."""
    source, target = burn.pairing.source, burn.pairing.target
    return {
        "source": source.part,
        "target": target.part,
        "organisation": str(burn.organisation),
        "layout": burn.layout,
        "copies": list(burn.copies),
        "fill": burn.fill,
        "image_sum16": f"{burn.image_sum16:04X}",
        "device_sum16": f"{burn.device_sum16:04X}",
        "device_crc32": f"{burn.device_crc32:08X}",
        "seat": None if burn.pairing.shift is None else burn.pairing.shift + 1,
        "pins": [
            {
                "pin": joint.pin,
                "name": joint.name,
                "action": joint.action,
                "hole": joint.hole,
                "level": joint.level,
                "lifted": joint.lifted,
                "why": joint.why,
            }
            for joint in (() if burn.withheld else burn.pairing.joints)
        ],
        "withheld": burn.withheld or None,
        "stamp": burn.stamp or None,
        "pins_source": {
            part.part: {"source": part.source.type, "confidence": part.confidence.value}
            for part in (source, target)
        },
        "dangers": list(burn.dangers),
        "warnings": list(burn.warnings),
        "cautions": [one.text for one in burn.cautions],
        "deference": DEFERENCE,
    }
