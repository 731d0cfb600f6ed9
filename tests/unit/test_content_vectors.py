"""Vectors and headers: evidence of order and completeness, and promises that may be broken."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.stages.content import content_findings, self_checks, vectors
from pipeline.stages.content.headers import promises
from pipeline.stages.content.vectors import MOST_CHANCE
from pipeline.words import Words
from schemas.finding import Severity
from tests.kit.images import Octets as Image
from tests.kit.images import code_image, put, random_image


def families(image: Words, bits: int = 8) -> list[str]:
    return [one.family for one in vectors(image, bits)]


def test_6502_vectors_at_the_top_are_read_low_byte_first() -> None:
    image = put(put(code_image(1), 0x100, b"\x78\xd8\xa2\xff"), 2042, b"\x20\xf9\x00\xf9\x40\xf9")
    found = next(one for one in vectors(image, 8) if one.family == "6502")
    assert found.targets == (0xF920, 0xF900, 0xF940)
    assert (found.at, found.end) == (2042, 2048)
    assert found.chance <= MOST_CHANCE


def test_6502_vectors_are_lost_when_two_address_lines_are_exchanged() -> None:
    image = put(put(code_image(1), 0x100, b"\x78\xd8\xa2\xff"), 2042, b"\x20\xf9\x00\xf9\x40\xf9")
    address = np.arange(2048)
    differ = (address ^ address >> 8) & 1
    assert "6502" not in families(image[address ^ (differ | differ << 8)])


@pytest.mark.parametrize(("family", "table", "start"), [("6800", 4, b"\x0f\x8e"), ("6809", 8, b"\x1a\x50")])
def test_6800_and_6809_vectors_are_read_high_byte_first(family: str, table: int, start: bytes) -> None:
    image = put(put(code_image(2), 0x200, start), 2048 - 2 * table, b"\xfa\x00" * table)
    assert family in families(image)


@pytest.mark.parametrize("start", [b"\xc3\x40\x00", b"\xf3\xc3\x40\x00", b"\x00\xc3\x80\x01"])
def test_a_jump_at_zero_into_the_image_is_an_8080s_start(start: bytes) -> None:
    assert "8080, 8085, Z80" in families(put(code_image(3), 0, start))


def test_a_jump_at_zero_out_of_the_image_is_none() -> None:
    assert "8080, 8085, Z80" not in families(put(code_image(3), 0, b"\xc3\x00\xe0"))


def test_a_far_jump_below_the_top_is_an_8086s_start() -> None:
    image = put(code_image(4, 8192), 8192 - 16, b"\xea\x5b\xe0\x00\xf0")
    assert families(image) == ["8086, 8088"]


def test_a_68000s_stack_and_start_are_read_from_wide_words() -> None:
    image = put(code_image(5, 16384), 0, b"\x00\x01\x00\x00\x00\x00\x04\x00" + b"\x00\x00\x05\x10" * 14)
    words = image.view(">u2").astype(np.uint16)
    assert "68000" in families(words, 16)
    assert "68000" in families(image)


def test_a_9900s_workspaces_and_starts_are_found() -> None:
    image = put(code_image(6, 4096), 0, b"\x83\xe0\x00\x24\x83\x00\x01\x00\x83\xc0\x02\x00\x83\xe0\x03\x00")
    assert "9900" in families(image)


@pytest.mark.parametrize("opcodes", [(0x6000,), (0x6000, 0x6100), (0x6700, 0x6600, 0x6000), (0x4EBA,)])
def test_a_68000s_table_of_branches_is_no_table_of_workspaces(opcodes: tuple[int, ...]) -> None:
    table = [word for n in range(4) for word in (opcodes[n % len(opcodes)], 0x40 + 0x2C * n)]
    image = put(code_image(6, 4096), 0, np.array(table, dtype=">u2").tobytes())
    assert "9900" not in families(image)


def test_an_8048s_and_an_8051s_jumps_are_found() -> None:
    image48 = put(put(put(code_image(7), 0, b"\x04\x10"), 3, b"\x24\x20"), 7, b"\x44\x30")
    assert "8048" in families(image48)
    slots = {0x00: b"\x02\x01\x00", 0x03: b"\x32", 0x0B: b"\x02\x02\x00", 0x13: b"\x32"}
    image51 = code_image(8)
    for at, content in slots.items():
        image51 = put(image51, at, content)
    assert "8051" in families(image51)


def test_vectors_turn_up_in_random_images_no_more_often_than_claimed() -> None:
    """Eight rules, each at most MOST_CHANCE.

    At most 16 of 1,000 by the union bound, 32 at four deviations.
    """
    found = sum(bool(vectors(random_image(seed), 8)) for seed in range(1000))
    assert found <= 1000 * 8 * MOST_CHANCE + 4 * (1000 * 8 * MOST_CHANCE) ** 0.5


@pytest.mark.parametrize("word", [0x00, 0xFF])
def test_blank_images_have_no_vectors(word: int) -> None:
    assert vectors(np.full(2048, word, dtype=np.uint8), 8) == ()


def option_rom(
    blocks: int, *, code: int | None = None, last: bool = True, stated: int | None = None
) -> Image:
    """An expansion ROM with a PCI data structure where `code` is given; its sum is zero."""
    image = put(random_image(blocks + (code or 0), blocks * 512), 0, bytes([0x55, 0xAA, blocks, 0xE9]))
    if code is not None:
        size = stated if stated is not None else blocks
        pcir = b"PCIR" + bytes(12) + size.to_bytes(2, "little") + b"\0\0" + bytes([code, 0x80 if last else 0])
        image = put(put(image, 0x18, b"\x1c\x00"), 0x1C, pcir + bytes(4))
    image[-1] = 0
    image[-1] = -int(image.sum(dtype=np.uint64)) & 0xFF
    return image


def test_an_expansion_roms_sum_is_found_and_what_lies_behind_it_is_not_covered() -> None:
    image = np.concatenate([option_rom(2), random_image(1, 1024)])
    check = next(one for one in self_checks({"U1": image}, 8) if "expansion-ROM" in one.method)
    assert (check.holds, check.covers, check.whole) == (True, ((0, 1024),), False)
    assert "what lies outside the stated length" in check.blind_to


def test_every_image_of_a_chained_rom_is_judged_by_itself() -> None:
    image = np.concatenate([option_rom(2, code=0, last=False), option_rom(3, code=0)])
    assert [(one.covers, one.holds) for one in promises(image)] == [((0, 1024), True), ((1024, 2560), True)]


def test_an_image_for_another_kind_of_processor_promises_no_sum() -> None:
    other = option_rom(2, code=3)
    other[600] ^= 1
    image = np.concatenate([option_rom(2, code=0, last=False), other])
    assert [one.covers for one in promises(image)] == [(0, 1024)]


def test_a_signature_without_a_valid_sum_is_a_caution_that_names_the_trap() -> None:
    image = option_rom(4)
    image[700] ^= 4
    checks = tuple(one for one in self_checks({"U1": image}, 8) if "expansion-ROM" in one.method)
    finding = content_findings("U1", (), checks)[0]
    assert finding.severity == Severity.CAUTION
    assert "never filled it in" in finding.means
    assert not checks[0].lifts


def test_an_fcode_header_is_checked_over_its_own_length() -> None:
    body = random_image(9, 200).tobytes()
    length = (len(body) + 8).to_bytes(4, "big")
    image = put(
        random_image(10, 512),
        0,
        bytes([0xF1, 0x08]) + (sum(body) & 0xFFFF).to_bytes(2, "big") + length + body,
    )
    assert [(one.holds, one.covers, one.stored) for one in promises(image)] == [(True, (8, 208), (2, 4))]
    image[100] ^= 1
    assert [one.holds for one in promises(image)] == [False]


def test_images_without_a_header_promise_nothing() -> None:
    promised = [seed for seed in range(2000) if promises(random_image(seed, 512))]
    assert promised == []
