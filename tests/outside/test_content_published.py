"""Checks and headers against published values, other implementations and real firmware.

Each names its source.
"""

from __future__ import annotations

import re
import zlib

import anycrc
import crccheck.crc
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.content import content_findings, regions, schemes_tried, self_checks, vectors
from pipeline.stages.content.crc import value
from pipeline.stages.content.crc_catalogue import CATALOGUE, Crc
from pipeline.stages.content.headers import promises
from pipeline.stages.content.schemes import search
from schemas.finding import Severity
from tests.kit.firmware import firmware
from tests.kit.images import put, random_image

BY_NAME = {crc.name: crc for crc in CATALOGUE}

OPTION_ROMS = (
    "vgabios.bin",
    "vgabios-stdvga.bin",
    "vgabios-cirrus.bin",
    "pxe-ne2k_pci.rom",
    "pxe-e1000.rom",
    "pxe-rtl8139.rom",
    "sgabios.bin",
    "multiboot.bin",
    "kvmvapic.bin",
)
FCODE = ("QEMU,tcx.bin", "QEMU,cgthree.bin", "QEMU,VGA.bin")


@pytest.mark.parametrize("crc", CATALOGUE, ids=lambda crc: crc.name)
def test_each_crc_gives_the_check_value_of_the_catalogue(crc: Crc) -> None:
    """Source: Catalogue of parametrised CRC algorithms (reveng.sourceforge.io), check="123456789"."""
    assert value(crc, b"123456789") == crc.check


@pytest.mark.parametrize("crc", CATALOGUE, ids=lambda crc: crc.name)
def test_each_crc_agrees_with_anycrc_on_long_data(crc: Crc) -> None:
    """Source: anycrc, an independent implementation with the same parameters."""
    other = anycrc.CRC(crc.width, crc.poly, crc.init, crc.reflected, crc.reflected, crc.xorout)
    for size in (0, 1, 2047, 2048, 2049, 10_000):
        data = random_image(size, size).tobytes()
        assert value(crc, data) == other.calc(data)


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ("CRC-8/SMBUS", "Crc8Smbus"),
        ("CRC-8/MAXIM-DOW", "Crc8MaximDow"),
        ("CRC-8/SAE-J1850", "Crc8SaeJ1850"),
        ("CRC-16/ARC", "Crc16Arc"),
        ("CRC-16/MODBUS", "Crc16Modbus"),
        ("CRC-16/IBM-SDLC", "Crc16IbmSdlc"),
        ("CRC-16/KERMIT", "Crc16Kermit"),
        ("CRC-16/GENIBUS", "Crc16Genibus"),
        ("CRC-16/DNP", "Crc16Dnp"),
        ("CRC-24/OPENPGP", "Crc24OpenPgp"),
        ("CRC-24/OS-9", "Crc24Os9"),
        ("CRC-24/INTERLAKEN", "Crc24Interlaken"),
        ("CRC-32/BZIP2", "Crc32Bzip2"),
        ("CRC-32/MPEG-2", "Crc32Mpeg2"),
        ("CRC-32/XFER", "Crc32Xfer"),
    ],
)
def test_common_crcs_agree_with_crccheck(ours: str, theirs: str) -> None:
    """Source: crccheck, an independent implementation with its own table of parameters."""
    data = random_image(7, 5000).tobytes()
    assert value(BY_NAME[ours], data) == getattr(crccheck.crc, theirs).calc(data)


def test_every_published_crc_of_whole_bytes_to_32_bits_is_looked_for() -> None:
    """Source: the models of anycrc, made from the same catalogue."""
    of_bytes = [one for one in anycrc.models.values() if one.width in {8, 16, 24, 32}]
    theirs = {(one.width, one.poly, one.init, one.refin, one.xorout, one.check) for one in of_bytes}
    assert theirs == {
        (one.width, one.poly, one.init, one.reflected, one.xorout, one.check) for one in CATALOGUE
    }
    assert len(CATALOGUE) == len(of_bytes)


def test_what_a_module_with_its_crc_leaves_is_the_published_residue() -> None:
    """Source: Catalogue of parametrised CRC algorithms, CRC-24/OS-9: residue 800FE3."""
    data = random_image(9, 700).tobytes()
    crc = BY_NAME["CRC-24/OS-9"]
    whole = data + value(crc, data).to_bytes(3, "big")
    assert value(crc, whole) ^ crc.xorout == 0x800FE3


@given(st.binary(max_size=5000))
def test_crc_32_is_zlibs(data: bytes) -> None:
    """Source: zlib (RFC 1952 section 8)."""
    assert value(BY_NAME["CRC-32/ISO-HDLC"], data) == zlib.crc32(data)


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (bytes(32), "aa36918a"),
        (b"\xff" * 32, "43aba862"),
        (bytes(range(32)), "4e79dd46"),
        (bytes(range(31, -1, -1)), "5cdb3f11"),
    ],
)
def test_crc_32c_gives_the_examples_of_rfc_3720(data: bytes, expected: str) -> None:
    """Source: RFC 3720 appendix B.4, bytes in the order they are sent (low byte first).

    Values from memory.
    """
    assert value(BY_NAME["CRC-32/ISCSI"], data).to_bytes(4, "little").hex() == expected


def test_a_word_sum_with_end_around_carry_is_rfc_1071s() -> None:
    """Source: RFC 1071 section 3 (from memory): 0001 f203 f4f5 f6f7 sum to ddf2; 220d completes them."""
    numbers = np.frombuffer(bytes.fromhex("0001f203f4f5f6f7220d"), dtype=np.uint8)
    image = np.concatenate([numbers, np.zeros(54, dtype=np.uint8)])
    assert "sum16 of words with end-around carry = FFFF (RFC 1071)" in [hit.method for hit in search(image)]
    assert "sum16 of words with end-around carry = FFFF (RFC 1071)" not in [
        hit.method for hit in search(put(image, 1, b"\x02"))
    ]


def test_a_stored_adler_32_is_rfc_1950s() -> None:
    """Source: RFC 1950 section 8.2, by zlib; "Wikipedia" gives 0x11E60398 (encyclopedia, from memory)."""
    assert zlib.adler32(b"Wikipedia") == 0x11E60398
    text = b"Wikipedia" * 8
    image = np.frombuffer(text + zlib.adler32(text).to_bytes(4, "big"), dtype=np.uint8)
    assert "Adler-32, high byte first" in [hit.method for hit in search(image)]


@pytest.mark.parametrize(
    ("text", "expected"), [(b"abcde", 0xC8F0), (b"abcdef", 0x2057), (b"abcdefgh", 0x0627)]
)
def test_a_stored_fletcher_16_is_the_published_one(text: bytes, expected: int) -> None:
    """Source: published test vectors of Fletcher-16 (encyclopedia, from memory).

    Leading zero bytes change neither sum, so they bring the text to the size that is searched.
    """
    image = np.frombuffer(bytes(40) + text + expected.to_bytes(2, "big"), dtype=np.uint8)
    assert "Fletcher-16, high byte first" in [hit.method for hit in search(image)]


@pytest.mark.parametrize("name", OPTION_ROMS)
def test_a_real_expansion_rom_keeps_its_headers_promise_until_a_byte_changes(name: str) -> None:
    """Source: firmware of Debian's packages seabios, ipxe-qemu and qemu-system-data, as published."""
    image = firmware(name)
    kept = [one for one in self_checks({"U1": image}, 8) if "expansion-ROM header" in one.method]
    assert [one.holds for one in kept] == [True] * len(kept) != []
    assert not any(one.lifts for one in kept)
    damaged = image.copy()
    damaged[len(image) // 3] ^= 0x10
    broken = [one for one in self_checks({"U1": damaged}, 8) if "expansion-ROM header" in one.method]
    assert [one.holds for one in broken] == [False]
    assert content_findings("U1", (), broken)[0].severity == Severity.CAUTION


@pytest.mark.parametrize("name", FCODE)
def test_a_real_fcode_program_keeps_its_headers_promise_until_a_byte_changes(name: str) -> None:
    """Source: FCode programs of Debian's package qemu-system-data, as published."""
    image = firmware(name)
    kept = [one for one in self_checks({"U1": image}, 8) if one.method.startswith("FCode")]
    assert [(one.holds, one.width_bits) for one in kept] == [(True, 16)]
    image[len(image) // 2] ^= 1
    assert [one.holds for one in self_checks({"U1": image}, 8) if one.method.startswith("FCode")] == [False]


def test_a_real_rom_cut_short_says_that_its_header_states_more() -> None:
    """Source: firmware of Debian's package seabios, as published."""
    image = firmware("vgabios.bin")[:8192]
    found = promises(image)
    assert [(one.holds, "short reading" in one.why) for one in found] == [(False, True)]


def test_a_real_pc_firmwares_far_jump_lands() -> None:
    """Source: firmware of Debian's package seabios, as published."""
    found = vectors(firmware("bios.bin"), 8)
    assert [one.family for one in found] == ["8086, 8088"]
    assert found[0].targets == (0xFE05B,)


def test_a_real_firmwares_copyright_lies_in_a_text_region() -> None:
    """Source: firmware of Debian's package seabios, as published."""
    image = firmware("vgabios-stdvga.bin")
    at = re.search(rb"[A-Z][a-z]+ [a-z ]{12,}", image.tobytes())
    assert at is not None
    found = [one for one in regions(image, 8, erased_state=None, part=None) if one.kind == "text"]
    assert any(one.start <= at.start() and at.end() <= one.end for one in found)


def test_a_real_image_without_a_check_claims_none() -> None:
    """Source: firmware of Debian's package seabios; its main image carries no sum of itself."""
    assert not any(one.lifts or one.width_bits > 16 for one in self_checks({"U1": firmware("bios.bin")}, 8))


def test_chance_hits_on_pieces_of_real_firmware_are_as_many_as_claimed() -> None:
    """Source: all firmware named above, cut into pieces of 2,048 bytes that are no images and hold no check.

    Limits at four standard deviations of a Poisson count (definition); no piece may lift a grade.
    """
    pieces = {
        image[at : at + 2048].tobytes()
        for image in map(firmware, ("bios.bin", *OPTION_ROMS))
        for at in range(2048, len(image) - 4096, 2048)
    }
    hits, expected, lifted = {8: 0, 16: 0}, {8: 0.0, 16: 0.0}, 0
    for raw in pieces:
        words = np.frombuffer(raw, dtype=np.uint8)
        cut = regions(words, 8, erased_state=None, part=None)
        schemes = schemes_tried(words, 8, cut)
        for check in self_checks({"U1": words}, 8, parts={"U1": cut}):
            lifted += check.lifts
            if check.tried > 1 and check.width_bits in hits:
                hits[int(check.width_bits)] += 1
        for bits in hits:
            expected[bits] += schemes.get(bits, 0) * 2.0**-bits
    assert lifted == 0
    assert expected[8] > 10
    for bits, count in hits.items():
        assert count <= expected[bits] + 4 * expected[bits] ** 0.5 + 1, (bits, count, expected[bits])
