"""A programmed replacement in the old socket gives the old image back, for every pairing.

The socket here is a model of its own: it drives holes as the old part's pinout says, carries each level to
the new part by the plan's joints and nothing else, and reads the new part by the new part's pin table.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.bench.pairing import Joint, obstacle
from pipeline.catalogue import load
from pipeline.publish.programming import Burn, LineOrder, Slice, plan_burn, replacements, split_space
from pipeline.words import Words, words_dtype
from schemas.names import Organisation
from schemas.part import Part
from tests.kit.examples import examples

CATALOGUE = load()

FACTS_C = [
    ("2708", "2716"),
    ("2708", "28C16"),
    ("2716", "2732"),
    ("2716", "28C16"),
    ("2532", "2732"),
    ("2732", "2532"),
    ("2332", "2532"),
    ("2316E", "2716"),
    ("2316E", "27128"),
    ("2364", "68764"),
    ("2364", "2764"),
    ("2364", "27128"),
    ("2764", "27128"),
    ("2764", "27256"),
    ("2764", "27512"),
    ("27128", "27256"),
    ("27256", "27512"),
    ("27256", "28C256"),
    ("27C010", "27C020"),
    ("27C010", "27C040"),
    ("23C1000", "27C100"),
    ("23C1000", "27C010"),
    ("7641", "2716"),
    ("82S129", "27512"),
    ("82S131", "27512"),
    ("82S191", "2716"),
]
"""Every pairing of FACTS section c (common practice and second-hand)."""

SMALL = [part for part in CATALOGUE.parts if part.organisation and part.organisation.words <= 8192]
EVERY = [
    (old, new)
    for old in SMALL
    for new in CATALOGUE.parts
    if (new.words or 0) <= 65536 and old != new and not obstacle(old, new)
]


class Socket:
    """The old part's socket with the new part in it, wire by wire.

    A hole that no one drives and a select of the other kind take a level at random, as they may.
    """

    def __init__(self, burn: Burn, levels: dict[int, int], chance: np.random.Generator) -> None:
        self.old, self.new, self.burn = burn.pairing.source, burn.pairing.target, burn
        self.joints = {joint.pin: joint for joint in burn.pairing.joints}
        self.chance = chance
        self.fixed: dict[int, int] = dict.fromkeys(self.old.vcc, 1) | dict.fromkeys(self.old.gnd, 0)
        active = {"low": 0, "high": 1, "low-edge": 0}
        self.fixed |= {
            e.pin: active[e.active] if e.active in active else levels[e.pin] for e in self.old.enables
        }
        rest = {"vcc": 1, "high": 1, "low": 0}
        self.fixed |= {o.pin: rest[o.for_reading] for o in self.old.other_pins if o.for_reading in rest}
        self.danger = {s.pin for s in self.old.other_supply}

    def hole(self, number: int, address: int) -> int:
        """The level that the board puts on a hole while this address is read."""
        assert number not in self.danger, f"hole {number} carries another voltage"
        if number in self.old.address_pins:
            return address >> self.old.address_pins.index(number) & 1
        assert number not in self.old.data_pins, "an input joined to a data line"
        return self.fixed.get(number, int(self.chance.integers(2)))

    def pin(self, joint: Joint, address: int, inverted: frozenset[int]) -> int:
        """The level at a pin of the new part."""
        if joint.action in {"straight", "follows", "wire"}:
            assert joint.hole is not None
            return self.hole(joint.hole, address) ^ (joint.pin in inverted)
        if joint.action == "either":
            return int(self.chance.integers(2))
        assert joint.action == "tie", joint
        assert joint.level is not None
        if joint.hole is not None:
            assert self.hole(joint.hole, address) == joint.level
        return joint.level

    def rail(self, joint: Joint) -> float | None:
        """The voltage at a supply pin of the new part."""
        rails = dict.fromkeys(self.old.vcc, 5.0) | dict.fromkeys(self.old.gnd, 0.0)
        rails |= {s.pin: s.volts for s in self.old.other_supply}
        return rails.get(joint.hole or 0)

    def assert_no_short(self) -> None:
        """Supplies arrive, and nothing that goes elsewhere still touches the hole below it."""
        wanted = dict.fromkeys(self.new.vcc, 5.0) | dict.fromkeys(self.new.gnd, 0.0)
        wanted |= {s.pin: s.volts for s in self.new.other_supply}
        found = {pin: self.rail(self.joints[pin]) for pin in wanted}
        if self.new.gnd and not self.old.gnd:  # the plan says that ground comes from the board
            assert any("no ground" in warning for warning in self.burn.warnings)
            found = {pin: 0.0 if volts is None else volts for pin, volts in found.items()}
        assert found == wanted
        shift = self.burn.pairing.shift
        silent = {*self.old.nc, *(o.pin for o in self.old.other_pins if o.for_reading in {"open", "unknown"})}
        for joint in self.joints.values():
            below = None if shift is None else joint.pin - shift
            if below is None or not 1 <= below <= self.old.pins or joint.pin in self.new.nc:
                continue
            if joint.action in {"straight", "follows"}:
                assert joint.hole == below
            elif not joint.lifted:
                assert below in silent, joint

    def read(self, address: int) -> int:
        """The word that the board gets back on its own data holes."""
        order = self.burn.order
        inverted = frozenset(self.new.address_pins[line] for line in order.invert_address)
        at = sum(
            self.pin(self.joints[pin], address, inverted) << line
            for line, pin in enumerate(self.new.address_pins)
        )
        for enable in self.new.enables:
            assert self.pin(self.joints[enable.pin], address, frozenset()) == (enable.active == "high"), (
                enable
            )
        for other in self.new.other_pins:
            if other.for_reading in {"vcc", "high", "low"}:
                assert self.pin(self.joints[other.pin], address, frozenset()) == (
                    other.for_reading != "low"
                ), other
        word = int(self.burn.words[at])
        back = 0
        for line, pin in enumerate(self.new.data_pins):
            joint = self.joints[pin]
            if joint.action == "open":
                continue
            assert joint.hole is not None
            level = word >> line & 1 ^ (line in order.invert_data)
            back |= level << self.old.data_pins.index(joint.hole)
        return back


def image_of(part: Part, seed: int) -> Words:
    assert part.organisation is not None
    random = np.random.default_rng(seed)
    high = 1 << part.organisation.bits
    return random.integers(0, high, part.organisation.words).astype(words_dtype(part.organisation.bits))


def mask_levels(old: Part, new: Part) -> dict[int, int]:
    """The mask made active as the new part's enables are: low, as all of them are."""
    assert {e.active for e in new.enables} <= {"low", "high"}
    return {e.pin: 0 for e in old.enables if e.active == "mask"}


def assert_reads_back(burn: Burn, image: Words, levels: dict[int, int], seed: int, samples: int) -> None:
    socket = Socket(burn, levels, np.random.default_rng(seed))
    socket.assert_no_short()
    addresses = {0, len(image) - 1, *np.random.default_rng(seed).integers(0, len(image), samples).tolist()}
    assert {a: socket.read(a) for a in addresses} == {a: int(image[a]) for a in addresses}


@pytest.mark.parametrize(("old", "new"), FACTS_C, ids=lambda n: n)
def test_every_pairing_of_the_facts_reads_back_at_every_address_tried(old: str, new: str) -> None:
    source, target = CATALOGUE.find(old), CATALOGUE.find(new)
    levels = mask_levels(source, target)
    image = image_of(source, seed=7)
    for layout in ("auto", "repeat", "offset"):
        burn = plan_burn(image, source, target, layout=layout, select_levels=levels)
        if layout == "offset" and None in burn.pairing.free_levels.values():
            assert len(burn.copies) > 1
        assert_reads_back(burn, image, levels, seed=11, samples=400)


@settings(max_examples=examples(0.75), deadline=None)
@given(st.sampled_from(EVERY), st.integers(0, 2**32 - 1), st.sampled_from(["auto", "repeat", "offset"]))
def test_every_possible_pairing_of_the_catalogue_reads_back(
    pair: tuple[Part, Part], seed: int, layout: str
) -> None:
    source, target = pair
    levels = mask_levels(source, target)
    image = image_of(source, seed)
    burn = plan_burn(image, source, target, layout=layout, select_levels=levels)  # type: ignore[arg-type]
    if any(joint.action == "ask" for joint in burn.pairing.joints):
        return
    assert_reads_back(burn, image, levels, seed, samples=24)


@settings(max_examples=examples(0.3), deadline=None)
@given(
    st.sampled_from([("2716", "2732"), ("82S129", "27512"), ("2364", "2764"), ("27C010", "27C020")]),
    st.data(),
)
def test_lines_in_another_order_or_inverted_read_back_too(pair: tuple[str, str], data: st.DataObject) -> None:
    source, target = CATALOGUE.find(pair[0]), CATALOGUE.find(pair[1])
    assert source.organisation is not None
    address, bits = source.organisation.address_bits, source.organisation.bits
    order = LineOrder(
        address=tuple(data.draw(st.permutations(range(address)))),
        data=tuple(data.draw(st.permutations(range(bits)))),
        invert_address=tuple(sorted(data.draw(st.sets(st.integers(0, address - 1))))),
        invert_data=tuple(sorted(data.draw(st.sets(st.integers(0, bits - 1))))),
    )
    levels = mask_levels(source, target)
    image = image_of(source, data.draw(st.integers(0, 1000)))
    burn = plan_burn(image, source, target, order=order, select_levels=levels)
    assert_reads_back(burn, image, levels, seed=3, samples=40)


@given(
    st.integers(1, 64),
    st.integers(1, 300),
    st.sampled_from([Organisation(64, 16), Organisation(256, 8), Organisation(32, 4), Organisation(128, 5)]),
    st.integers(0, 1),
    st.integers(0, 2**32 - 1),
)
def test_a_space_split_into_chips_joins_again_bit_for_bit(
    width: int, length: int, chip: Organisation, fill_bit: int, seed: int
) -> None:
    random = np.random.default_rng(seed)
    space = (
        random.integers(0, 1 << width, length, dtype=np.uint64, endpoint=False)
        if width < 64
        else (random.integers(0, 2**63, length, dtype=np.uint64) * np.uint64(2) + np.uint64(1))
    )
    slices = split_space(space, width, chip, fill_bit=fill_bit)
    assert np.array_equal(joined(slices, length), space)
    assert all(len(one.words) == chip.words for one in slices)
    assert sum((one.high - one.low + 1) * (one.stop - one.start) for one in slices) == width * length


def joined(slices: tuple[Slice, ...], length: int) -> Words:
    space = np.zeros(length, np.uint64)
    for one in slices:
        used = np.uint64((1 << (one.high - one.low + 1)) - 1)
        space[one.start : one.stop] |= (
            one.words[: one.stop - one.start].astype(np.uint64) & used
        ) << np.uint64(one.low)
    return space


def test_replacements_are_ordered_by_how_much_has_to_be_wired() -> None:
    found = [part.part for part in replacements(CATALOGUE.find("2716"), CATALOGUE.parts)]
    assert {"2732", "28C16"} <= set(found[:8])
    assert found.index("2732") < found.index("27C040")
    assert "2708" not in found
    assert "2316E" not in found
