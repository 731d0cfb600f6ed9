"""Conditions that only old or foreign writers break are warnings.

What cannot be read is named for what it is.

Sources: RFC 8493 sections 2.1.1, 2.3 and 6; the .ZIP format specification (APPNOTE), sections 4.4.4 bit 11,
4.4.5 and 4.6.9, from memory; that Info-ZIP on Unix writes names as they are on the disk, without bit 11 where
the system's encoding is UTF-8 and no flag is asked for, from memory; `zip` itself is asked where it is there.
"""

from __future__ import annotations

import io
import shutil
import struct
import subprocess
import tarfile
import unicodedata
import zipfile
import zlib
from pathlib import Path

import pytest

from pipeline.bags.observed import Verdict
from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import observe
from tests.journey.cli import wellread
from tests.outside import bag_cases

NAMES = {"data/käse.bin": b"one", "data/日本.bin": b"two", "data/plain.bin": b"three"}


def judged(path: Path) -> Verdict:
    return judge(observe(path))


def severities(verdict: Verdict) -> set[str]:
    return {each.severity for each in verdict.problems}


@pytest.mark.parametrize("version", ["0.93", "0.94", "0.95", "0.96", "0.97", "1.0"])
def test_a_declaration_without_a_last_line_ending_is_a_warning(tmp_path: Path, version: str) -> None:
    bag_cases.bag(tmp_path / "bag", version=version)
    bag_cases.edit(tmp_path / "bag", "bagit.txt", lambda raw: raw.rstrip(b"\n"))
    verdict = judged(tmp_path / "bag")
    assert verdict.valid
    assert severities(verdict) == {"warning"}
    assert verdict.version == version


def test_one_path_in_two_unicode_forms_with_equal_digests_is_a_warning(tmp_path: Path) -> None:
    composed, apart = (unicodedata.normalize(form, "data/käse.bin") for form in ("NFC", "NFD"))
    bag_cases.bag(tmp_path / "bag", {composed: b"one"})
    for name in ("manifest-sha256.txt", "manifest-sha512.txt"):
        bag_cases.edit(
            tmp_path / "bag",
            name,
            lambda raw: raw + raw.replace(composed.encode(), apart.encode()),
        )
    verdict = judged(tmp_path / "bag")
    assert verdict.valid, verdict.problems
    assert severities(verdict) == {"warning"}


def test_one_path_in_two_unicode_forms_with_different_digests_is_an_error(tmp_path: Path) -> None:
    composed, apart = (unicodedata.normalize(form, "data/käse.bin") for form in ("NFC", "NFD"))
    bag_cases.bag(tmp_path / "bag", {composed: b"one"})
    other = bag_cases.digest("sha256", b"other")
    bag_cases.edit(tmp_path / "bag", "manifest-sha256.txt", lambda raw: raw + f"{other}  {apart}\n".encode())
    assert not judged(tmp_path / "bag").valid


class Unflagged(zipfile.ZipInfo):
    """A name in UTF-8 without the flag that says so."""

    def _encodeFilenameFlags(self) -> tuple[bytes, int]:  # noqa: N802 - the library's own name
        return self.filename.encode("utf-8"), self.flag_bits & ~0x800


class WithExtraName(Unflagged):
    """A name in a DOS code page, and in an extra field the true one in UTF-8."""

    def _encodeFilenameFlags(self) -> tuple[bytes, int]:  # noqa: N802
        return self.filename.encode("ascii", "replace").replace(b"?", b"_"), self.flag_bits & ~0x800


def zipped(folder: Path, target: Path, kind: type[zipfile.ZipInfo] = zipfile.ZipInfo) -> Path:
    with zipfile.ZipFile(target, "w") as packed:
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                member = kind(f"{folder.name}/{path.relative_to(folder).as_posix()}")
                if kind is WithExtraName and not member.filename.isascii():
                    raw = member._encodeFilenameFlags()[0]  # type: ignore[attr-defined]
                    body = struct.pack("<BI", 1, zlib.crc32(raw)) + member.filename.encode()
                    member.extra = struct.pack("<HH", 0x7075, len(body)) + body
                packed.writestr(member, path.read_bytes())
    return target


@pytest.mark.parametrize("kind", [zipfile.ZipInfo, Unflagged, WithExtraName])
def test_names_that_are_no_ascii_are_read_however_a_zip_says_them(
    tmp_path: Path, kind: type[zipfile.ZipInfo]
) -> None:
    bag_cases.bag(tmp_path / "bag", NAMES)
    verdict = judged(zipped(tmp_path / "bag", tmp_path / "bag.zip", kind))
    assert verdict.valid, verdict.problems
    assert verdict.files >= 3


@pytest.mark.skipif(shutil.which("zip") is None, reason="there is no zip here")
def test_a_bag_packed_by_zip_itself_is_the_bag(tmp_path: Path) -> None:
    bag_cases.bag(tmp_path / "bag", NAMES)
    subprocess.run(["zip", "-qr", "bag.zip", "bag"], cwd=tmp_path, check=True)
    verdict = judged(tmp_path / "bag.zip")
    assert verdict.valid, verdict.problems


def test_a_damaged_bag_is_mended_from_a_zip_with_unflagged_names(tmp_path: Path) -> None:
    bag_cases.bag(tmp_path / "bag", NAMES)
    zipped(tmp_path / "bag", tmp_path / "copy.zip", Unflagged)
    (tmp_path / "bag/data/käse.bin").write_bytes(b"damaged")
    ran = wellread("mend", tmp_path / "bag", "--from", tmp_path / "copy.zip")
    assert ran.code == 0, ran.err
    assert judged(tmp_path / "bag").valid


def test_what_a_desktop_leaves_beside_the_bag_in_a_zip_is_a_warning(tmp_path: Path) -> None:
    bag_cases.bag(tmp_path / "bag")
    packed = zipped(tmp_path / "bag", tmp_path / "bag.zip")
    with zipfile.ZipFile(packed, "a") as more:
        more.writestr("__MACOSX/bag/._bagit.txt", b"\0\x05\x16\x07")
        more.writestr("__MACOSX/._bag", b"\0\x05\x16\x07")
        more.writestr("._bag", b"\0\x05\x16\x07")
        more.writestr(".DS_Store", b"\0\0\0\1Bud1")
    verdict = judged(packed)
    assert verdict.valid, verdict.problems
    assert severities(verdict) == {"warning"}


def test_anything_else_beside_the_bag_in_a_zip_is_an_error(tmp_path: Path) -> None:
    bag_cases.bag(tmp_path / "bag")
    packed = zipped(tmp_path / "bag", tmp_path / "bag.zip")
    with zipfile.ZipFile(packed, "a") as more:
        more.writestr("stray.txt", b"x")
    assert not judged(packed).valid


@pytest.mark.parametrize(("method", "called"), [(12, "bzip2"), (14, "LZMA")])
def test_a_way_of_packing_that_is_not_read_is_named_and_not_called_damage(
    tmp_path: Path, method: int, called: str
) -> None:
    bag_cases.bag(tmp_path / "bag")
    with zipfile.ZipFile(tmp_path / "bag.zip", "w", method) as packed:
        for path in sorted((tmp_path / "bag").rglob("*")):
            if path.is_file():
                packed.writestr(f"bag/{path.relative_to(tmp_path / 'bag').as_posix()}", path.read_bytes())
    ran = wellread("recheck", tmp_path / "bag.zip")
    assert ran.code == 1
    assert f"method {method} ({called})" in ran.out
    assert "damaged" not in ran.out


@pytest.mark.parametrize("stray", ["fetch.txt", "manifest-md5.txt"])
def test_a_stray_tag_file_that_no_tag_manifest_lists_is_set_aside_by_mend(tmp_path: Path, stray: str) -> None:
    bag_cases.bag(tmp_path / "bag")
    shutil.copytree(tmp_path / "bag", tmp_path / "copy")
    text = "https://example.org/x 5 data/x\n" if stray == "fetch.txt" else f"{'0' * 32}  data/a.bin\n"
    (tmp_path / "bag" / stray).write_text(text)
    assert not judged(tmp_path / "bag").valid
    ran = wellread("mend", tmp_path / "bag", "--from", tmp_path / "copy")
    assert ran.code == 0, ran.err
    assert judged(tmp_path / "bag").valid
    assert (tmp_path / "bag.damaged-1" / stray).read_text() == text


def as_method(packed: Path, name: bytes, method: int) -> None:
    """A zip that says of one file that it is packed in this way, in both places where a zip says so."""
    raw = bytearray(packed.read_bytes())
    changed = 0
    for mark, at_method, at_length, at_name in ((b"PK\3\4", 8, 26, 30), (b"PK\1\2", 10, 28, 46)):
        at = raw.find(mark)
        while at >= 0:
            (length,) = struct.unpack_from("<H", raw, at + at_length)
            if raw[at + at_name : at + at_name + length].endswith(name):
                struct.pack_into("<H", raw, at + at_method, method)
                changed += 1
            at = raw.find(mark, at + 4)
    assert changed == 2
    packed.write_bytes(raw)


METHODS = {
    1: "shrunk", 2: "reduced", 5: "reduced", 6: "imploded", 7: "tokenized", 9: "deflate64",
    10: "imploded by the compression library", 12: "bzip2", 14: "LZMA", 16: "CMPSC", 18: "TERSE", 19: "LZ77",
    93: "Zstandard", 94: "MP3", 95: "XZ", 96: "JPEG", 97: "WavPack", 98: "PPMd", 99: "AES", 77: "unknown",
}  # fmt: skip


@pytest.mark.parametrize("method", METHODS)
def test_every_way_of_packing_that_is_not_read_is_named_by_recheck_and_by_mend(
    tmp_path: Path, method: int
) -> None:
    bag_cases.bag(tmp_path / "bag", NAMES)
    packed = zipped(tmp_path / "bag", tmp_path / "copy.zip")
    as_method(packed, b"plain.bin", method)
    (tmp_path / "bag/data/plain.bin").write_bytes(b"damaged")
    checked = wellread("recheck", packed)
    mended = wellread("mend", tmp_path / "bag", "--from", packed)
    assert (checked.code, mended.code) == (1, 21)
    for said in (checked.out, mended.err):
        assert f"method {method} ({METHODS[method]})" in said
        assert "damaged" not in said.replace(str(tmp_path), "")
    assert (tmp_path / "bag/data/plain.bin").read_bytes() == b"damaged"


@pytest.mark.parametrize("place", ["__MACOSX/._bag", "._bag", ".DS_Store", "__MACOSX/bag/data/._plain.bin"])
def test_what_a_desktop_leaves_beside_the_bag_in_a_tar_is_a_warning_too(tmp_path: Path, place: str) -> None:
    bag_cases.bag(tmp_path / "bag", NAMES)
    with tarfile.open(tmp_path / "bag.tar", "w") as packed:
        packed.add(tmp_path / "bag", "bag")
        stray = tarfile.TarInfo(place)
        stray.size = 4
        packed.addfile(stray, io.BytesIO(b"\0\5\x16\7"))
    verdict = judged(tmp_path / "bag.tar")
    assert verdict.valid, verdict.problems
    assert severities(verdict) == {"warning"}


@pytest.mark.parametrize(
    ("stray", "text"),
    [
        ("fetch.txt", ""),
        ("fetch.txt", "no line of it\n"),
        ("manifest-sha384.txt", "zzz\n"),
        ("manifest-unknown.txt", "x"),
        ("manifest-sha256 (1).txt", "x"),
        ("tagmanifest-md5.txt", f"{'0' * 32}  bagit.txt\n"),
        ("tagmanifest-md5.txt", f"{'0' * 32}  nowhere.txt\n"),
        ("tagmanifest-sha384.txt", ""),
        ("tagmanifest-unknown.txt", "x"),
        ("tagmanifest-sha256 (1).txt", "x"),
    ],
)
def test_a_stray_tag_file_of_any_content_is_set_aside_by_mend(tmp_path: Path, stray: str, text: str) -> None:
    bag_cases.bag(tmp_path / "bag")
    shutil.copytree(tmp_path / "bag", tmp_path / "copy")
    (tmp_path / "bag" / stray).write_text(text)
    ran = wellread("mend", tmp_path / "bag", "--from", tmp_path / "copy")
    assert ran.code == 0, ran.err
    assert judged(tmp_path / "bag") == judged(tmp_path / "copy")
    assert (tmp_path / "bag.damaged-1" / stray).read_text() == text


UNTRUE = f"{'0' * 32}  bagit.txt\n"


@pytest.mark.parametrize("with_ledger", [False, True])
def test_a_stray_tag_manifest_beside_damage_is_set_aside_while_the_damage_is_mended(
    tmp_path: Path, *, with_ledger: bool
) -> None:
    bag_cases.bag(tmp_path / "bag")
    shutil.copytree(tmp_path / "bag", tmp_path / "copy")
    remembered: list[str | Path] = ["--ledger", tmp_path / "l"] if with_ledger else []
    if with_ledger:
        assert wellread("recheck", tmp_path / "bag", *remembered, "--new-ledger").code == 0
    damaged = next(path for path in sorted((tmp_path / "bag/data").iterdir()) if path.is_file())
    damaged.write_bytes(b"damaged")
    (tmp_path / "bag/tagmanifest-md5.txt").write_text(UNTRUE)
    ran = wellread("mend", tmp_path / "bag", "--from", tmp_path / "copy", *remembered)
    assert ran.code == 0, ran.err
    assert judged(tmp_path / "bag") == judged(tmp_path / "copy")
    assert (tmp_path / "bag.damaged-1/tagmanifest-md5.txt").read_text() == UNTRUE


def test_a_tag_manifest_that_a_copy_has_too_is_no_stray_one_where_both_are_untrue(tmp_path: Path) -> None:
    """Either may be what is left of a true one."""
    bag_cases.bag(tmp_path / "bag")
    shutil.copytree(tmp_path / "bag", tmp_path / "copy")
    (tmp_path / "bag/tagmanifest-md5.txt").write_text(UNTRUE)
    (tmp_path / "copy/tagmanifest-md5.txt").write_text(UNTRUE.replace("0", "1"))
    before = (tmp_path / "bag/tagmanifest-md5.txt").read_text()
    ran = wellread("mend", tmp_path / "bag", "--from", tmp_path / "copy")
    assert ran.code == 21
    assert "no copy proves tagmanifest-md5.txt" in ran.err
    assert (tmp_path / "bag/tagmanifest-md5.txt").read_text() == before


def test_a_bag_whose_only_tag_manifest_the_copy_has_lost_is_not_mended_without_it(tmp_path: Path) -> None:
    """It alone vouches for the tag files: without it nothing would tell that bag-info.txt was altered."""
    bag_cases.bag(tmp_path / "bag")
    shutil.copytree(tmp_path / "bag", tmp_path / "copy")
    for each in (tmp_path / "copy").glob("tagmanifest-*.txt"):
        each.unlink()
    (tmp_path / "bag/bag-info.txt").write_text("Contact-Name: somebody else\n")
    ran = wellread("mend", tmp_path / "bag", "--from", tmp_path / "copy")
    assert ran.code == 21
    assert list((tmp_path / "bag").glob("tagmanifest-*.txt"))
