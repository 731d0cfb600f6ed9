"""A kind of chip: what it holds, which pin is which, and how far each of these may be believed.

An entry never says more than its source: pin numbers, the unprogrammed state and the state that cells fade to
are three separate facts, each of which may be unknown. A project's own sheet may define a part in the same
words.
"""

from __future__ import annotations

from collections import Counter
from typing import Annotated, Literal, NamedTuple, Self

from pydantic import BeforeValidator, Field, ValidationInfo, field_validator, model_validator

from schemas.base import HumanInput
from schemas.evidence import (
    WIRED,
    Contradiction,
    Evidence,
    Group,
    SourceType,
    confidence,
    contradictions,
    weakest,
)
from schemas.names import Organisation
from schemas.vocabulary import Confidence, Kind

Active = Literal["low", "high", "mask", "low-edge", "unknown"]
"""Level that enables: `mask` is chosen by the customer's mask, `low-edge` latches the address."""
ForReading = Literal["vcc", "high", "low", "open", "unknown"]
"""What a pin that is no line, supply or enable needs while the chip is read."""


def _level(found: object) -> object:
    """A level as a sheet writes it: 0, 1, or nothing where it is not known."""
    if isinstance(found, str):
        return {"0": 0, "1": 1, "": None, "null": None, "~": None, "unknown": None}.get(found.strip(), found)
    return found


Level = Annotated[Literal[0, 1] | None, BeforeValidator(_level)]
Pin = Annotated[int, Field(ge=1, le=64)]


class Source(HumanInput):
    """Where an entry comes from.

    Attributes:
        type: `datasheet` and `reference` were seen; `second-hand` is others' word; `from memory` is nobody's.
        citation: The source, so that a person can find it.
    """

    type: SourceType
    citation: str


class Enable(HumanInput):
    """A select or output-enable pin.

    Attributes:
        pin: Package pin.
        name: As the data sheet prints it.
        active: Level that enables.
        note: What else the pin does, or why its level is not known.
    """

    pin: Pin
    name: str
    active: Active
    note: str = ""


class SupplyPin(HumanInput):
    """A supply pin that is neither +5 V nor ground.

    Attributes:
        pin: Package pin.
        name: As the data sheet prints it.
        volts: Against the board's ground.
    """

    pin: Pin
    name: str
    volts: float


class OtherPin(HumanInput):
    """A pin that is no line, supply or enable: programming, write enable, strobe, status.

    Attributes:
        pin: Package pin.
        name: As the data sheet prints it.
        for_reading: What it needs while the chip is read.
        note: Why, or what is not known.
    """

    pin: Pin
    name: str
    for_reading: ForReading = "unknown"
    note: str = ""


class AccessTime(HumanInput):
    """How long after the address the data is good, in nanoseconds.

    Attributes:
        typical: The data sheet's typical figure.
        max: Its guaranteed figure.
        source: Whose figure it is.
    """

    typical: float | None = None
    max: float | None = None
    source: str


class PinUse(NamedTuple):
    """What one package pin is.

    Attributes:
        pin: Package pin.
        role: `address`, `data`, `vcc`, `gnd`, `supply`, `enable`, `other`, `nc` or `unknown`.
        name: Its name: `A5`, `D0`, `+5 V`, `/CE` …
        label: The maker's own label where it differs, else the same as `name`.
        line: Number of the address or data line, else None.
    """

    pin: int
    role: str
    name: str
    label: str
    line: int | None = None


class Part(HumanInput):
    """One kind of chip.

    Attributes:
        part: The generic number.
        aliases: Other numbers of the very same part, with the same unprogrammed state.
        kind: How it keeps its bits.
        words, bits: Its organisation; None where it has no single one.
        pages: How many pages its words lie in, chosen by writing: a plain reader sees one.
        fuses: Fuses of a logic array's fuse map, None for a memory or where it is not known.
        pins: Package pins, dual in line.
        supplies_v: Every supply it needs, in volts against ground.
        output: `tri-state`, `open-collector`, or None where not known.
        pinout: `known` accounts for every pin; `partial` does not; `unknown` gives none.
        address_pins: Package pins of A0, A1 … (the least significant first).
        data_pins: Package pins of D0, D1 …
        address_labels, data_labels: The maker's own labels in the same order where they are not A0 … and D0 …
        labels_source: Ground of those labels.
        vcc, gnd: Pins at +5 V and at ground while reading.
        enables, other_supply, other_pins, nc: Every other pin.
        erased_state: What an unprogrammed cell reads; None where not known or differing by marking.
        erased_confidence: How sure that is.
        erased_note: Why it is not known.
        erased_by_marking: The state by the start of the number on the chip, where makers differ.
        fades_to: What a failing cell turns into; None for mask ROM, EEPROM, flash, fuses that do not regrow,
            and wherever it is not known. It is a fact about the cell, not about blank chips.
        fades_note: Ground of `fades_to`.
        fuse: Fuse material.
        access_ns: Access time.
        equivalents: Numbers that read alike; their unprogrammed state may differ.
        arrangement: How the words are meant, for character generators and logic arrays.
        source: The best ground of its pin numbers, in short.
        evidence: Every source, and which groups of facts it bears out; () where an entry gives only `source`.
        confidence: How far its wiring may be believed; where there is evidence, what the rule of
            `schemas.evidence` makes of it, the weakest of pins, supplies and enables.
        resolves_to: The entry whose pins these are, where the number is known only as reading alike.
        not_vouched: What that does not vouch for.
        notes: What a person ought to know.

    Example:
        >>> chip = Part(part="X1", kind="mask ROM", words=2048, bits=8, pins=24,
        ...             source={"type": "from memory", "citation": "invented"}, confidence="low")
        >>> str(chip.organisation), chip.pinout
        ('2048x8', 'unknown')
    """

    part: str = Field(min_length=1, max_length=40)
    aliases: tuple[str, ...] = ()
    kind: Kind
    words: int | None = Field(default=None, ge=1, le=1 << 28)
    bits: int | None = Field(default=None, ge=1, le=64)
    pages: int = Field(default=1, ge=1, le=256)
    fuses: int | None = Field(default=None, ge=1, le=1 << 20)
    pins: int = Field(ge=4, le=64)
    supplies_v: tuple[float, ...] = (5.0,)
    output: Literal["tri-state", "open-collector"] | None = None
    pinout: Literal["known", "partial", "unknown", "not applicable"] = "unknown"
    address_pins: tuple[Pin, ...] = ()
    data_pins: tuple[Pin, ...] = ()
    address_labels: tuple[str, ...] = ()
    data_labels: tuple[str, ...] = ()
    labels_source: str = ""
    vcc: tuple[Pin, ...] = ()
    gnd: tuple[Pin, ...] = ()
    enables: tuple[Enable, ...] = ()
    other_supply: tuple[SupplyPin, ...] = ()
    other_pins: tuple[OtherPin, ...] = ()
    nc: tuple[Pin, ...] = ()
    erased_state: Level = None
    erased_confidence: Confidence | None = None
    erased_note: str = ""
    erased_by_marking: dict[str, Level] = Field(default_factory=dict)
    fades_to: Level = None
    fades_note: str = ""
    fuse: str = ""
    access_ns: AccessTime | None = None
    equivalents: tuple[str, ...] = ()
    arrangement: str = ""
    source: Source
    evidence: tuple[Evidence, ...] = ()
    confidence: Confidence
    resolves_to: str = ""
    not_vouched: tuple[str, ...] = ()
    notes: str = ""

    @field_validator("pins")
    @classmethod
    def _pins_are_even(cls, pins: int) -> int:
        if pins % 2:
            raise ValueError("an even number of pins (two rows)")
        return pins

    @model_validator(mode="after")
    def _agrees_with_itself(self, info: ValidationInfo) -> Self:
        """Refuse an entry whose pins cannot be those of such a chip.

        The packed catalogue was checked when it was packed (context `checked`), and is not checked at every
        start.

        Raises:
            ValueError: 2 to the number of address pins is not the words, the data pins are not the bits, a
            pin
                is named twice or lies outside the package, a known pinout leaves a pin or a supply out, or
                labels do not match lines.
        """
        if info.context and info.context.get("checked"):
            return self
        problems = [
            *self._pin_problems(),
            *self._count_problems(),
            *self._supply_problems(),
            *self._confidence_problems(),
        ]
        if problems:
            raise ValueError("; ".join(problems))
        return self

    def _pin_problems(self) -> list[str]:
        named = Counter(use.pin for use in self._uses())
        twice = sorted(pin for pin, times in named.items() if times > 1)
        outside = sorted(pin for pin in named if pin > self.pins)
        missing = sorted(set(range(1, self.pins + 1)) - set(named)) if self.pinout == "known" else []
        wrong = (("named twice", twice), (f"beyond pin {self.pins}", outside), ("not named", missing))
        return [f"pin {', '.join(map(str, pins))} {what}" for what, pins in wrong if pins]

    def _count_problems(self) -> list[str]:
        problems = []
        lines = (
            ("address", self.address_pins, self.address_labels),
            ("data", self.data_pins, self.data_labels),
        )
        if self.address_pins and self.words != self.pages << len(self.address_pins):
            problems.append(f"{len(self.address_pins)} address pins for {self.words} words")
        if self.data_pins and self.bits != len(self.data_pins):
            problems.append(f"{len(self.data_pins)} data pins for {self.bits} bits")
        problems += [
            f"{len(labels)} {what} labels for {len(pins)} pins"
            for what, pins, labels in lines
            if labels and len(labels) != len(pins)
        ]
        if self.pinout == "known" and not (self.address_pins and self.data_pins):
            problems.append("a known pinout names every address and data pin")
        return problems

    def _supply_problems(self) -> list[str]:
        if self.pinout != "known":
            return []
        on_pins = {supply.volts for supply in self.other_supply} | ({5.0} if self.vcc else set())
        problems = [f"no pin for {volts:+g} V" for volts in self.supplies_v if volts not in on_pins]
        problems += [f"a pin at {volts:+g} V that is no supply" for volts in on_pins - set(self.supplies_v)]
        if not self.gnd and len(self.supplies_v) < 2:
            problems.append("no ground pin")
        return problems

    def _confidence_problems(self) -> list[str]:
        """A confidence that its own sources do not give: nobody types one in."""
        if not self.evidence:
            return []
        given = [("confidence", self.confidence, weakest(self.confidence_in(group) for group in WIRED))]
        if self.erased_confidence is not None:
            given.append(("erased_confidence", self.erased_confidence, self.confidence_in("erased")))
        return [
            f"{name} {said}, and its sources give {found}" for name, said, found in given if said != found
        ]

    def _uses(self) -> list[PinUse]:
        address = self.address_labels or tuple(f"A{n}" for n in range(len(self.address_pins)))
        data = self.data_labels or tuple(f"D{n}" for n in range(len(self.data_pins)))
        return [
            *(
                PinUse(pin, "address", f"A{n}", address[n : n + 1][0] if n < len(address) else f"A{n}", n)
                for n, pin in enumerate(self.address_pins)
            ),
            *(
                PinUse(pin, "data", f"D{n}", data[n] if n < len(data) else f"D{n}", n)
                for n, pin in enumerate(self.data_pins)
            ),
            *(PinUse(pin, "vcc", "+5 V", "Vcc") for pin in self.vcc),
            *(PinUse(pin, "gnd", "GND", "GND") for pin in self.gnd),
            *(PinUse(s.pin, "supply", f"{s.volts:+g} V", s.name) for s in self.other_supply),
            *(PinUse(e.pin, "enable", e.name, e.name) for e in self.enables),
            *(PinUse(o.pin, "other", o.name, o.name) for o in self.other_pins),
            *(PinUse(pin, "nc", "NC", "NC") for pin in self.nc),
        ]

    @property
    def organisation(self) -> Organisation | None:
        """Words and bits, or None where the part has no single organisation (a programmable logic array)."""
        return None if self.words is None or self.bits is None else Organisation(self.words, self.bits)

    @property
    def fuse_map(self) -> Organisation | None:
        """The fuses of a logic array as words of one bit; None for a memory, or an unknown number."""
        return None if self.fuses is None else Organisation(self.fuses, 1)

    @property
    def pin_table(self) -> tuple[PinUse, ...]:
        """Every package pin in order, each once.

        A pin the entry says nothing about has the role `unknown`.
        """
        named = {use.pin: use for use in self._uses()}
        return tuple(named.get(pin, PinUse(pin, "unknown", "?", "?")) for pin in range(1, self.pins + 1))

    def confidence_in(self, group: Group) -> Confidence:
        """How far one group of facts may be believed.

        By its sources, or as the entry says where it names none.
        """
        if self.evidence:
            return confidence(self.evidence, group)
        if group == "erased":
            return self.erased_confidence or Confidence.LOW
        return self.confidence

    def against(self, group: Group) -> tuple[tuple[Evidence, Contradiction], ...]:
        """What any source says against a group of facts, with the source."""
        return contradictions(self.evidence, group)

    @property
    def contested_pins(self) -> frozenset[int]:
        """Pins whose supply or level the sources contradict.

        None of them is ever printed as a line to wire.
        """
        found = [said for group in WIRED for _, said in self.against(group) if not said.slip]
        return frozenset(pin for said in found if said.group != "pins" for pin in said.pins)

    @property
    def write_enables(self) -> tuple[OtherPin, ...]:
        """Pins that write to the chip when they go low: the danger to a sole copy."""
        return tuple(other for other in self.other_pins if other.name.startswith("/WE"))

    @property
    def open_collector(self) -> bool:
        """Whether a 1 is no current at all, so that reading needs pull-ups."""
        return self.output == "open-collector"


__all__ = [
    "AccessTime",
    "Active",
    "Confidence",
    "Enable",
    "Evidence",
    "ForReading",
    "Kind",
    "Level",
    "OtherPin",
    "Part",
    "Pin",
    "PinUse",
    "Source",
    "SupplyPin",
]
