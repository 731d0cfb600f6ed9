"""Digests through our own writing and rechecking path, against published vectors.

Sources: FIPS 180-4 with the NIST example computations (SHA-1, SHA-256, SHA-512); RFC 1321 appendix A.5 (MD5
test suite); catalogue of parametrised CRC algorithms, CRC-32/ISO-HDLC check value. The vectors are quoted
from memory and confirmed by recomputing them.
"""

from __future__ import annotations

import zlib
from pathlib import Path

import numpy as np
import pytest

from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import observe
from pipeline.edges.bags.writer import MemberStream, write_member
from pipeline.run.package.one_chip import sums

LONG = (
    b"abcdefghbcdefghicdefghijdefghijkefghijklfghijklmghijklmn"
    b"hijklmnoijklmnopjklmnopqklmnopqrlmnopqrsmnopqrstnopqrstu"
)
TWO_BLOCKS = b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"
SHA256 = {
    b"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    TWO_BLOCKS: "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    b"a" * 1_000_000: "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
}
SHA512 = {
    b"abc": "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a"
    "2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
    LONG: "8e959b75dae313da8cf4f72814fc143f8f7779c6eb9f7fa17299aeadb6889018"
    "501d289e4900f7e4331b99dec4b5433ac7d329eeb6dd26545e96e55b874be909",
}
MD5 = {
    b"": "d41d8cd98f00b204e9800998ecf8427e",
    b"a": "0cc175b9c0f1b6a831c399e269772661",
    b"abc": "900150983cd24fb0d6963f7d28e17f72",
    b"message digest": "f96b697d7cb7938d525a2f31aaf161d0",
    b"abcdefghijklmnopqrstuvwxyz": "c3fcd3d76192e4007dfb496cca67e13b",
    b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789": "d174ab98d277d9f5a5611c2c9f419d9f",
    b"1234567890" * 8: "57edf4a22be3c955ac49da2e2107b67a",
}
SHA1 = {
    b"abc": "a9993e364706816aba3e25717850c26c9cd0d89d",
    TWO_BLOCKS: "84983e441c3bd26ebaae4aa1f95129e5e54670f1",
}


@pytest.mark.parametrize("content", SHA256, ids=len)
def test_the_writer_gives_the_sha_256_of_fips_180_4(content: bytes, tmp_path: Path) -> None:
    assert write_member(tmp_path, "data/x", content).sha256 == SHA256[content]
    with MemberStream(tmp_path, "data/y") as stream:
        for at in range(0, len(content), 65_537):
            stream.write(content[at : at + 65_537])
    assert stream.entry.sha256 == SHA256[content]


@pytest.mark.parametrize("content", SHA512, ids=len)
def test_the_writer_gives_the_sha_512_of_fips_180_4(content: bytes, tmp_path: Path) -> None:
    assert write_member(tmp_path, "data/x", content).sha512 == SHA512[content]


@pytest.mark.parametrize(
    ("algorithm", "vectors"), [("md5", MD5), ("sha1", SHA1), ("sha256", SHA256), ("sha512", SHA512)]
)
def test_rechecking_agrees_with_published_digests(
    algorithm: str, vectors: dict[bytes, str], tmp_path: Path
) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
    lines = []
    for number, (content, digest) in enumerate(vectors.items()):
        (tmp_path / "data" / f"{number}").write_bytes(content)
        lines.append(f"{digest}  data/{number}\n")
    manifest = tmp_path / f"manifest-{algorithm}.txt"
    manifest.write_text("".join(lines))
    assert judge(observe(tmp_path)).valid
    wrong = lines[0].replace(lines[0][0], "0" if lines[0][0] != "0" else "1", 1)
    manifest.write_text("".join([wrong, *lines[1:]]))
    verdict = judge(observe(tmp_path))
    assert not verdict.valid
    assert [one.kind for one in verdict.problems if one.severity == "error"] == ["altered"]


def test_crc_32_and_the_additive_sum_of_an_image_are_the_catalogues_and_practices() -> None:
    words = np.frombuffer(b"123456789", np.uint8)
    found = {(one["method"], one["form"]): one["value"] for one in sums(words, 8)}
    assert found["crc32", "as-stored"] == "CBF43926"
    assert zlib.crc32(b"123456789") == 0xCBF43926
    # Common practice: sums that device programmers show for blank parts.
    for size, shown in (
        (1024, "FC00"),
        (2048, "F800"),
        (4096, "F000"),
        (8192, "E000"),
        (16384, "C000"),
        (32768, "8000"),
        (65536, "0000"),
    ):
        blank = {(one["method"], one["form"]): one["value"] for one in sums(np.full(size, 0xFF, np.uint8), 8)}
        assert blank["sum16", "as-stored"] == shown


def test_wide_and_narrow_chips_have_their_sums_in_every_form() -> None:
    wide = {
        (one["method"], one["form"]): one["value"] for one in sums(np.array([0x0102, 0xFF00], np.uint16), 16)
    }
    assert wide["sum16", "as-stored"] == f"{0x01 + 0x02 + 0xFF:04X}"
    assert wide["sum16", "big-endian"] == f"{(0x0102 + 0xFF00) & 0xFFFF:04X}"
    assert wide["sum16", "little-endian"] == f"{(0x0201 + 0x00FF) & 0xFFFF:04X}"
    assert wide["crc32", "big-endian"] == f"{zlib.crc32(bytes([1, 2, 0xFF, 0])):08X}"
    assert wide["crc32", "little-endian"] == f"{zlib.crc32(bytes([2, 1, 0, 0xFF])):08X}"
    narrow = {(one["method"], one["form"]): one["value"] for one in sums(np.array([0xA, 0x5], np.uint8), 4)}
    assert narrow["sum16", "upper-bits-0"] == "000F"
    assert narrow["sum16", "upper-bits-1"] == f"{0xFA + 0xF5:04X}"
