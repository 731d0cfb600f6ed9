"""Replacement practice as people have worked it out at the bench, held against what the pinouts give.

Source of every figure here: FACTS section c, that is common practice (no source) or second-hand, as each case
says; the blank sums follow from arithmetic alone.
"""

from __future__ import annotations

import io
import zlib

import bincopy
import intelhex
import numpy as np
import pytest

from pipeline.bench.sockets import differences
from pipeline.catalogue import load
from pipeline.errors import PairingError
from pipeline.formats import Block, encode
from pipeline.publish.programming import LineOrder, as_bytes, burn_document, plan_burn, split_space, sum16
from pipeline.views.burn import burn_text
from pipeline.words import Words
from schemas.names import Organisation

CATALOGUE = load()


def image(words: int, bits: int = 8, seed: int = 5) -> Words:
    return (
        np.random.default_rng(seed).integers(0, 1 << bits, words).astype(np.uint8 if bits <= 8 else np.uint16)
    )


@pytest.mark.parametrize(
    ("number", "words", "total"),
    [
        ("2708", 1024, 0xFC00),
        ("2716", 2048, 0xF800),
        ("2732", 4096, 0xF000),
        ("2764", 8192, 0xE000),
        ("27128", 16384, 0xC000),
        ("27256", 32768, 0x8000),
        ("27512", 65536, 0x0000),
    ],
)
def test_a_blank_part_shows_its_known_sum(number: str, words: int, total: int) -> None:
    """Common practice: blank sums (arithmetic: words x FF, kept to 16 bits)."""
    assert CATALOGUE.find(number).words == words
    assert sum16(np.full(words, 0xFF, np.uint8), 8) == total


@pytest.mark.parametrize(
    ("old", "new", "copies", "layout"),
    [
        # 2716 -> 2732: 21 was Vpp at +5 V, now A11 = 1: upper half [logic]
        ("2716", "2732", (0x800,), "at-offset"),
        # 2708 -> 2716: A10 to ground: image at 0 [second-hand]
        ("2708", "2716", (0,), "at-offset"),
        # 2764 -> 27128: pin 26 is not connected in the socket: twice
        ("2764", "27128", (0, 0x2000), "repeated"),
        # 2764 -> 27256: 26 unknown: four times; "simply program it 4 times at all 8k blocks" (cctalk list,
        # January 2008, second-hand)
        ("2764", "27256", tuple(range(0, 0x8000, 0x2000)), "repeated"),
        # 2764 -> 27512: eight times
        ("2764", "27512", tuple(range(0, 0x10000, 0x2000)), "repeated"),
        # 27128 -> 27256: 27 = A14 high: upper half
        ("27128", "27256", (0x4000,), "at-offset"),
        # 27256 -> 27512: 1 = A15 high: upper half
        ("27256", "27512", (0x8000,), "at-offset"),
        # 27C010 -> 27C020 / 27C040: 30 was not connected: replicate
        ("27C010", "27C020", (0, 0x20000), "repeated"),
        ("27C010", "27C040", (0, 0x20000, 0x40000, 0x60000), "repeated"),
        # 512x8 PROM in 24 pins (7641 class) -> 2716: four copies [second-hand]
        ("7641", "2716", (0, 0x200, 0x400, 0x600), "repeated"),
        # 256x4 / 512x4 PROM -> 27512 on an adapter: once at the tied offset [second-hand]
        ("82S129", "27512", (0,), "at-offset"),
        ("2716", "28C16", (0,), "whole"),
        ("2532", "2732", (0,), "whole"),
        ("27256", "28C256", (0,), "whole"),
        ("82S191", "2716", (0,), "whole"),
        ("2364", "68764", (0,), "whole"),
        ("23C1000", "27C010", (0,), "whole"),
    ],
)
def test_the_image_stands_where_practice_puts_it(
    old: str, new: str, copies: tuple[int, ...], layout: str
) -> None:
    source = CATALOGUE.find(old)
    burn = plan_burn(image(source.words or 0, source.bits or 0), source, CATALOGUE.find(new))
    assert (burn.copies, burn.layout) == (copies, layout)


@pytest.mark.parametrize(
    ("old", "new", "worked"),
    [
        # 2708 -> 2716: isolate 18, 19, 21; 18 and 19 to ground, 21 to +5 V [second-hand]
        ("2708", "2716", {18: ("tie", 0), 19: ("tie", 0), 21: ("tie", 1)}),
        # 2716 -> 28C16: 21 becomes /WE, and hole 21 (Vpp) is not trusted to stay high: tied on the adapter,
        # as a builder of such an adapter did too (quicktrip.co.nz, 28C16 for a 2708: /W to pin 24)
        ("2716", "28C16", {21: ("tie", 1)}),
        # 2532 -> 2732: exchange 18, 20, 21 by an adapter [second-hand]; 20 stays an enable active low
        ("2532", "2732", {18: ("tie", 0), 21: ("wire", 18)}),
        # 27256 -> 28C256: exchange 1 and 27
        ("27256", "28C256", {1: ("wire", 27), 27: ("tie", 1)}),
        # 7641 -> 2716: 18 must be pulled low, 21 (Vpp) at +5 V; 19 and 22 become A10 and A9 [second-hand]
        ("7641", "2716", {18: ("tie", 0), 21: ("tie", 1), 22: ("either", None)}),
        # 28-pin 1 Mbit -> 27C010: A16 and /OE exchanged [second-hand]
        ("23C1000", "27C010", {2: ("wire", 22), 24: ("tie", 0)}),
        # 82S191 -> 2716: A10 and selects on other pins (18 to 21)
        ("82S191", "2716", {18: ("tie", 0), 19: ("wire", 21), 21: ("tie", 1)}),
        ("27128", "27256", {}),
        ("27256", "27512", {}),
    ],
)
def test_the_pins_to_work_on_are_those_practice_names(
    old: str, new: str, worked: dict[int, tuple[str, int | None]]
) -> None:
    source, target = CATALOGUE.find(old), CATALOGUE.find(new)
    burn = plan_burn(image(source.words or 0), source, target)
    over_a_hole = {
        joint.pin: (joint.action, joint.hole if joint.action == "wire" else joint.level)
        for joint in burn.pairing.worked
        if joint.pin not in {1, 31, 32} or source.pins == target.pins
    }
    assert over_a_hole == worked


def test_2532_and_2732_differ_on_pins_18_20_and_21() -> None:
    """Second-hand, from memory."""
    for old, new in (("2532", "2732"), ("2732", "2532")):
        assert [d.other_pin for d in differences(CATALOGUE.find(old), CATALOGUE.find(new))] == [18, 20, 21]


def test_m_copies_show_m_times_the_sum() -> None:
    """Common practice: the sum changes with replication (m x S mod 65536) and with padding."""
    words = image(8192)
    burn = plan_burn(words, CATALOGUE.find("2764"), CATALOGUE.find("27512"))
    assert burn.image_sum16 == int(words.sum()) % 65536
    assert burn.device_sum16 == 8 * burn.image_sum16 % 65536
    padded = plan_burn(words, CATALOGUE.find("2764"), CATALOGUE.find("27128"), layout="offset", fill_bit=1)
    assert padded.device_sum16 == 2 * burn.image_sum16 % 65536
    half = plan_burn(image(2048), CATALOGUE.find("2716"), CATALOGUE.find("2732"))
    assert half.device_sum16 == (half.image_sum16 + 0xF800) % 65536


def test_a_nibble_part_sums_its_nibbles_and_its_copy_keeps_the_upper_nibble_erased() -> None:
    """Common practice: 4-bit parts sum nibbles; the upper nibble of the replacement may be anything."""
    words = image(256, bits=4)
    burn = plan_burn(words, CATALOGUE.find("82S129"), CATALOGUE.find("27512"))
    assert burn.image_sum16 == int(words.sum())
    assert np.array_equal(burn.words[:256], words | 0xF0)
    assert any("unconnected" in warning for warning in burn.warnings)


def test_open_collector_for_tri_state_asks_for_pull_ups_and_the_other_way_for_care() -> None:
    """Common practice, no source."""
    words = image(256, bits=4)
    to_open = plan_burn(words, CATALOGUE.find("82S129"), CATALOGUE.find("82S126"))
    to_tri = plan_burn(words, CATALOGUE.find("82S126"), CATALOGUE.find("82S129"))
    assert any("pull-up" in warning for warning in to_open.warnings)
    assert any("no other output shares" in warning for warning in to_tri.warnings)


def test_a_bipolar_part_replaced_by_an_eprom_is_told_about_speed() -> None:
    """Common practice: no 150 ns EPROM replaces a 35-70 ns PROM in a clocked path [second-hand]."""
    burn = plan_burn(image(512), CATALOGUE.find("7641"), CATALOGUE.find("2716"))
    assert any("clocked path" in warning for warning in burn.warnings)


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("2732", "2716", "holds 2048 words"),
        ("2716", "82S185", "4 bits"),
        ("2764", "23128", "mask ROM cannot be programmed"),
        ("2716", "TMS2716", "-5 V, \\+12 V"),
        ("2716", "27513", "its pages are chosen by writing"),
        ("2716", "2816", "contradict each other on its pin 21"),
        ("2732", "82S321", "polarity of its enables"),
        ("2716", "27C322", "pins of the 27C322"),
        ("2716", "66700", "no single organisation"),
        ("82S129", "82S100", "logic array"),
    ],
)
def test_a_part_that_cannot_stand_in_is_refused_and_others_are_named(old: str, new: str, why: str) -> None:
    source = CATALOGUE.find(old)
    with pytest.raises(PairingError, match=f"{why}.*Parts that can: "):
        plan_burn(
            image(source.words or 0, source.bits or 0), source, CATALOGUE.find(new), others=CATALOGUE.parts
        )


def test_an_image_of_another_length_and_a_line_order_that_is_none_are_refused() -> None:
    source, target = CATALOGUE.find("2716"), CATALOGUE.find("2732")
    with pytest.raises(PairingError, match="1024 words"):
        plan_burn(image(1024), source, target)
    with pytest.raises(PairingError, match="not an order of 8 lines"):
        plan_burn(image(2048), source, target, order=LineOrder(data=(0, 0, 1, 2, 3, 4, 5, 6)))


def test_a_48_bit_microcode_becomes_three_16_bit_eproms() -> None:
    space = np.array([0x123456789ABC, 0xFEDCBA987654], np.uint64)
    slices = split_space(space, 48, Organisation(65536, 16))
    assert [(one.high, one.low) for one in slices] == [(47, 32), (31, 16), (15, 0)]
    assert [hex(int(one.words[0])) for one in slices] == ["0x1234", "0x5678", "0x9abc"]
    assert [int(one.words[2]) for one in slices] == [0xFFFF] * 3
    with pytest.raises(PairingError, match="no words"):
        split_space(np.zeros(0, np.uint64), 48, Organisation(65536, 16))


def test_files_read_back_by_other_programs_equal_the_layout() -> None:
    """Our Intel HEX read by `intelhex`, our S-record by `bincopy`: both give the intended layout."""
    burn = plan_burn(image(8192), CATALOGUE.find("2764"), CATALOGUE.find("27512"))
    content = as_bytes(burn.words, 8)
    blocks = [Block(address=0, words=burn.words)]
    by_intelhex = intelhex.IntelHex(io.StringIO(encode("intel-hex", blocks).decode()))
    assert bytes(by_intelhex.tobinarray(start=0, size=len(content))) == content
    by_bincopy = bincopy.BinFile()
    by_bincopy.add_srec(encode("s-record", blocks).decode())
    assert bytes(by_bincopy.as_binary()) == content
    assert encode("binary", blocks) == content
    assert burn.device_crc32 == zlib.crc32(content)


@pytest.mark.parametrize(("bits", "size"), [(4, 1), (8, 1), (12, 2), (16, 2), (48, 6)])
def test_words_become_bytes_high_byte_first_or_low_byte_first(bits: int, size: int) -> None:
    words = np.array([1, (1 << bits) - 1], np.uint64)
    big, little = as_bytes(words, bits), as_bytes(words, bits, byte_order="little")
    assert big[:size] == (1).to_bytes(size, "big")
    assert little[:size] == (1).to_bytes(size, "little")
    assert len(big) == 2 * size


def test_a_part_in_its_own_socket_needs_nothing_even_where_its_pins_are_unknown() -> None:
    part = CATALOGUE.find("27513")
    words = image(65536)
    burn = plan_burn(words, part, part)
    assert not burn.pairing.needs_adapter
    assert np.array_equal(burn.words, words)
    assert "goes straight into the socket" in burn_text(burn)


def test_the_plan_in_words_names_pins_sums_and_cautions() -> None:
    burn = plan_burn(image(1024), CATALOGUE.find("2708"), CATALOGUE.find("28C16"))
    text = burn_text(burn)
    assert "keep it out of the hole below; tie it to +5 V" in text
    assert f"{burn.device_sum16:04X} for the whole chip" in text
    assert "/WE" in text
    document = burn_document(burn)
    assert [pin["pin"] for pin in document["pins"]] == list(range(1, 25))
    assert document["pins_source"]["2708"]["confidence"] == "medium"


def test_a_mask_select_that_nobody_told_is_named() -> None:
    source, target = CATALOGUE.find("2332"), CATALOGUE.find("2532")
    assert any("hole 20 was set by" in w for w in plan_burn(image(4096), source, target).warnings)
    told = plan_burn(image(4096), source, target, select_levels={20: 1, 21: 0})
    assert told.pairing.always_on is False
    assert {j.pin: j.action for j in told.pairing.joints}[20] == "wire"
