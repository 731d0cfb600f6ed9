"""Hostile bags and archives: every command tells them in words, follows nothing, writes nothing elsewhere."""

from __future__ import annotations

import io
import random
import shutil
import subprocess
import sys
import tarfile
import time
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import observe
from tests.journey import drilled
from tests.journey.cli import Ran, wellread
from tests.journey.hostile import SECRET, Words, deep, in_words, inert, nested, within
from tests.journey.test_hostile_files import NO_FILES
from tests.kit.examples import drilled_but
from tests.outside import bag_cases

posix = pytest.mark.skipif(sys.platform == "win32", reason="links, pipes and devices as POSIX has them")


def every_way(bag: Path, copy: Path, out: Path) -> list[Words]:
    """Every command that takes a bag."""
    return [
        ["recheck", bag],
        ["recheck", bag, "--json"],
        ["recheck", bag, "--ledger", out / "l", "--new-ledger"],
        ["mend", bag, "--from", copy],
        ["mend", copy, "--from", bag],
        ["release", bag, "--into", out],
        ["reopen", bag, "--into", out / "again"],
        ["burn", bag, "--chip", "U1", "--into", "2716", "-o", out / "burnt"],
        ["changes", copy, bag],
        ["changes", bag, copy],
    ]


def a_bag(folder: Path) -> Path:
    """A bag of this program, which every command takes as it is."""
    return Path(shutil.copytree(drilled.packaged() / "m-v1", folder / "m-v1"))


def holding(folder: Path) -> list[bytes]:
    return [path.read_bytes() for path in folder.rglob("*") if path.is_file() and not path.is_symlink()]


# --- what is no file, and what lies elsewhere -------------------------------------------------------------


@posix
@pytest.mark.parametrize(
    "place",
    [
        "data/docs/notes.txt",
        "data/stray",
        "data/docs",
        "metadata/record.json",
        "manifest-sha256.txt",
        "manifest-md5.txt",
        "bag-info.txt",
        "bagit.txt",
        "fetch.txt",
        "tagmanifest-sha512.txt",
        "data",
        "metadata",
    ],
)
@pytest.mark.parametrize("made", NO_FILES, ids=lambda made: made.__name__.strip("_"))
def test_what_is_no_file_in_a_bag_is_never_waited_for_and_never_read(
    tmp_path: Path, made: Callable[[Path, Path], None], place: str
) -> None:
    outside, out = tmp_path / "outside", tmp_path / "out"
    outside.mkdir()
    out.mkdir()
    bag = a_bag(tmp_path)
    copy = Path(shutil.copytree(bag, tmp_path / "copy"))
    target = bag / place
    # Good as what it stands for: only where it lies forbids it.
    (outside / "secret").write_bytes((target.read_bytes() if target.is_file() else b"") + SECRET)
    if target.is_dir():
        shutil.rmtree(target)
    target.unlink(missing_ok=True)
    made(target, outside)
    for command in every_way(bag, copy, out):
        if command[:2] == ["mend", bag]:
            continue  # below
        with within(20):
            ran = wellread(*command)
        # A copy that cannot prove itself mends nothing, and a whole bag needs no mending.
        in_words(ran)
    with within(20):
        mended = wellread("mend", bag, "--from", copy)
    inert(mended)
    if mended.code == 0:
        assert judge(observe(bag)).problems == ()
        assert not target.is_symlink()
    assert not any(SECRET in content for content in [*holding(out), *holding(bag)])
    assert (outside / "secret").read_bytes().endswith(SECRET)


@posix
@pytest.mark.parametrize(
    "path",
    [
        "../victim",
        "data/../../victim",
        "/victim-of-a-drill",
        "{victim}",
        "C:/victim",
        "C:victim",
        "\\\\host\\victim",
        "\\\\?\\C:\\victim",
        "data\\..\\..\\victim",
        "~/victim",
        "data/./../../victim",
        "data//../../victim",
        "",
        ".",
        "data/..",
    ],
)
def test_a_listed_path_that_leads_out_is_neither_read_nor_written(tmp_path: Path, path: str) -> None:
    (tmp_path / "victim").write_bytes(SECRET)
    (tmp_path / "out").mkdir()
    path = path.format(victim=tmp_path / "victim")
    bag, copy = a_bag(tmp_path), tmp_path / "copies/m-v1"
    shutil.copytree(bag, copy)
    (copy.parent / "victim").write_bytes(b"from the copy")
    for each in (bag, copy):
        for algorithm in bag_cases.TWO:
            with (each / f"manifest-{algorithm}.txt").open("a", encoding="utf-8") as stream:
                stream.write(f"{bag_cases.digest(algorithm, b'from the copy')}  {path}\n")
        (each / "fetch.txt").write_text(f"http://archive.example/x 13 {path}\n", encoding="utf-8")
        bag_cases.seal(each)
    (bag / "data/docs/notes.txt").write_bytes(b"damaged")
    before = {each for each in tmp_path.rglob("*") if each.is_file()}
    for command in every_way(bag, copy, tmp_path / "out"):
        in_words(wellread(*command))
    assert (tmp_path / "victim").read_bytes() == SECRET
    assert {each for each in tmp_path.rglob("*") if each.is_file()} - before <= {tmp_path / "out/l"}
    assert not Path("/victim-of-a-drill").exists()


@posix
def test_mending_and_checking_change_no_other_name_of_a_file(tmp_path: Path) -> None:
    drilled.damaged_shelf(tmp_path)
    other = tmp_path / "other-name"
    other.hardlink_to(tmp_path / "bag/data/0.bin")
    kept = tmp_path / "kept-name"
    kept.hardlink_to(tmp_path / "bag/data/1.bin")
    told = wellread("recheck", tmp_path / "bag")
    assert "has 2 names on its file system" in told.out
    assert (
        wellread("mend", tmp_path / "bag", "--from", tmp_path / "copy", "--ledger", tmp_path / "l").code == 0
    )
    assert other.read_bytes() == b"damaged"
    assert kept.read_bytes() == bytes([1]) * 300
    assert judge(observe(tmp_path / "bag")).valid


# --- names --------------------------------------------------------------------------------------------------


@posix
def test_long_reserved_and_odd_names_in_a_bag_are_checked_as_they_are(tmp_path: Path) -> None:
    names = [
        "n" * 255,
        "é" * 127,
        "CON",
        "NUL.bin",
        "aux.txt",
        "COM1",
        "trailing.",
        "trailing ",
        "a:b",
        "-rf",
        "~x",
        "$(x)",
        "back\\slash",
        "esc\x1b[31m",
        "line\nbreak",
        "c1\x9b",
        "turned\u202e",
        "\u200b",
    ]
    payload = {f"data/{name}": name.encode() for name in names}
    bag_cases.bag(tmp_path / "bag", payload)
    shutil.copytree(tmp_path / "bag", tmp_path / "copy")
    ran = wellread("recheck", tmp_path / "bag")
    assert ran.code == 0, ran.out
    inert(ran)
    for path in payload:
        (tmp_path / "bag" / path).write_bytes(b"damaged")
    ran = wellread("recheck", tmp_path / "bag")
    assert ran.out.count("altered data/") == len(names)
    inert(ran)
    mended = wellread("mend", tmp_path / "bag", "--from", tmp_path / "copy")
    assert mended.code == 0, mended.err
    inert(mended)
    assert judge(observe(tmp_path / "bag")).valid


@posix
def test_a_bag_whose_own_name_leaves_no_room_beside_it_is_checked_and_stays_as_it_is(tmp_path: Path) -> None:
    drilled.damaged_shelf(tmp_path)
    bag = (tmp_path / "bag").rename(tmp_path / ("n" * 255))
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    in_words(wellread("recheck", bag, "--ledger", tmp_path / "l2", "--new-ledger"))
    (tmp_path / "l2").unlink()
    ran = wellread("mend", bag, "--from", tmp_path / "copy")
    assert ran.code == 16
    assert "name too long" in ran.err.lower()
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


@pytest.mark.drill
@posix
def test_folders_nested_deep_are_walked_and_deeper_than_a_path_can_say_are_told(tmp_path: Path) -> None:
    with deep(tmp_path / "here") as here:
        bag, copy = here / "bag", here / "copy"
        lowest = "data/" + "e/" * 1_500 + "x"
        bag_cases.bag(bag, {"data/a": b"a"}, info="Contact-Name: A\n")
        for algorithm in bag_cases.TWO:
            with (bag / f"manifest-{algorithm}.txt").open("a", encoding="utf-8") as stream:
                stream.write(f"{bag_cases.digest(algorithm, b'x')}  {lowest}\n")
        bag_cases.seal(bag)
        # Python's own ways go down by recursion, and give up.
        subprocess.run(["mkdir", "-p", str((bag / lowest).parent)], check=True)
        (bag / lowest).write_bytes(b"x")
        subprocess.run(["cp", "-r", str(bag), str(copy)], check=True)
        with within(20):
            assert wellread("recheck", bag).code == 0
        for path in (lowest, "data/a"):
            (bag / path).write_bytes(b"damaged")
            with within(20):
                assert wellread("mend", bag, "--from", copy).code == 0
            assert judge(observe(bag)).problems == ()
        (bag / "data/a").unlink()
        nested(bag / "data", 2100)
        with within(20):
            in_words(wellread("recheck", bag))
            in_words(wellread("mend", copy, "--from", bag))
            mended = wellread("mend", bag, "--from", copy)
        assert mended.code == 0, mended.err
        assert judge(observe(bag)).problems == ()
        # What was nested goes too, though no path and no recursion reaches it.
        assert not list(here.glob(".bag.staging-*"))


@pytest.mark.drill
def test_a_bag_of_a_hundred_thousand_files_is_checked(tmp_path: Path) -> None:
    bag_cases.bag(
        tmp_path / "bag", {f"data/{number % 100}/{number}": b"%d" % number for number in range(100_000)}
    )
    started = time.monotonic()
    with within(120):
        ran = wellread("recheck", tmp_path / "bag")
    print(f"recheck of 100,000 files: {time.monotonic() - started:.1f} s")
    assert ran.code == 0
    assert "valid, 100006 files" in ran.out  # with the manifests, the declaration and bag-info.txt


# --- archives -----------------------------------------------------------------------------------------------


def refused_at_once(tmp_path: Path, trap: Path, *, seconds: int = 10) -> list[Ran]:
    """The archive checked, and taken for a copy: told in words each time, and nothing unpacked."""
    drilled.damaged_shelf(tmp_path / "shelf")
    before = {path for path in tmp_path.rglob("*") if path.is_file()}
    damaged = (tmp_path / "shelf/bag/data/0.bin").read_bytes()
    told = []
    commands: tuple[Words, ...] = (
        ["recheck", trap],
        ["mend", tmp_path / "shelf/bag", "--from", trap],
        ["check", trap],
        ["release", trap],
    )
    for command in commands:
        with within(seconds):
            ran = wellread(*command)
        in_words(ran)
        told.append(ran)
    assert {path for path in tmp_path.rglob("*") if path.is_file()} == before
    assert (tmp_path / "shelf/bag/data/0.bin").read_bytes() == damaged
    return told


def lying(raw: bytes, was: int, says: int) -> bytes:
    """The archive with a size of four bytes replaced wherever it stands."""
    assert was.to_bytes(4, "little") in raw
    return raw.replace(was.to_bytes(4, "little"), says.to_bytes(4, "little"))


def one_file(target: Path, size_bytes: int, method: int = zipfile.ZIP_DEFLATED) -> None:
    with zipfile.ZipFile(target, "w", method) as archive:
        archive.writestr("bag/bagit.txt", "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
        with archive.open("bag/data/0.bin", "w") as stream:
            for _ in range(size_bytes >> 20):
                stream.write(bytes(1 << 20))


def test_a_zip_that_declares_more_than_deflate_can_give_is_not_read(tmp_path: Path) -> None:
    one_file(tmp_path / "trap", 1 << 20)
    raw = (tmp_path / "trap").read_bytes()
    (tmp_path / "trap").write_bytes(lying(raw, 1 << 20, 0xF000_0000))
    assert "more than an honest archive" in refused_at_once(tmp_path, tmp_path / "trap")[0].out


def test_a_zip_that_inflates_to_more_than_it_says_is_read_no_further(tmp_path: Path) -> None:
    one_file(tmp_path / "trap", 512 << 20)
    raw = (tmp_path / "trap").read_bytes()
    (tmp_path / "trap").write_bytes(lying(raw, 512 << 20, 4096))
    assert "the archive is damaged there" in refused_at_once(tmp_path, tmp_path / "trap", seconds=3)[0].out


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_a_zip_packed_in_a_way_that_cannot_be_bounded_is_not_unpacked(tmp_path: Path, method: int) -> None:
    one_file(tmp_path / "trap", 64 << 20, method)
    raw = (tmp_path / "trap").read_bytes()
    (tmp_path / "trap").write_bytes(lying(raw, 64 << 20, 4096))
    told = refused_at_once(tmp_path, tmp_path / "trap", seconds=3)[0].out
    assert f"it is packed by method {method} (" in told


def test_a_zip_of_zips_is_one_zip_of_files(tmp_path: Path) -> None:
    one_file(tmp_path / "inner.zip", 64 << 20)
    with zipfile.ZipFile(tmp_path / "outer.zip", "w") as archive:
        for number in range(16):
            archive.write(tmp_path / "inner.zip", f"bag/data/{number}.zip")
    refused_at_once(tmp_path, tmp_path / "outer.zip", seconds=3)


@pytest.mark.parametrize("entries", [2, 100_000])
def test_a_zip_of_entries_that_share_one_content_is_a_trap(tmp_path: Path, entries: int) -> None:
    with zipfile.ZipFile(tmp_path / "trap", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("bag/data/0", bytes(1 << 20))
        first = archive.infolist()[0]
        for number in range(1, entries):
            twin = zipfile.ZipInfo(f"bag/data/{number}")
            twin.compress_type, twin.CRC, twin.header_offset = (
                first.compress_type,
                first.CRC,
                first.header_offset,
            )
            twin.compress_size, twin.file_size = first.compress_size, first.file_size
            archive.filelist.append(twin)
    told = refused_at_once(tmp_path, tmp_path / "trap")
    assert "in the same bytes" in told[0].out


def taped(target: Path, entry: tarfile.TarInfo, mode: str) -> Path:
    """A tar with this header and nothing after it.

    Written past the library, which from Python 3.13 on makes no header that promises what does not follow.
    """
    with tarfile.open(target, mode) as archive:  # type: ignore[call-overload]
        archive.fileobj.write(entry.tobuf())
    return target


def header(name: str, size_bytes: int, kind: bytes = tarfile.REGTYPE) -> tarfile.TarInfo:
    entry = tarfile.TarInfo(name)
    entry.size, entry.type = size_bytes, kind
    return entry


@pytest.mark.parametrize("mode", ["w", "w:gz", "w:bz2", "w:xz"])
def test_a_tar_that_declares_more_than_it_has_is_told(tmp_path: Path, mode: str) -> None:
    taped(tmp_path / "huge", header("bag/data/huge", 1 << 50), mode)
    assert "more than an honest archive" in refused_at_once(tmp_path, tmp_path / "huge")[0].out
    taped(tmp_path / "little", header("bag/data/little", 1 << 20), mode)
    shutil.rmtree(tmp_path / "shelf")
    refused_at_once(tmp_path, tmp_path / "little")


@pytest.mark.parametrize("size_bytes", [1 << 50, 1 << 62])
def test_a_sparse_file_in_a_tar_counts_as_long_as_it_says_it_is(tmp_path: Path, size_bytes: int) -> None:
    entry = header("bag/data/sparse", 512)
    entry.pax_headers = {
        "GNU.sparse.major": "0",
        "GNU.sparse.minor": "1",
        "GNU.sparse.map": "0,512",
        "GNU.sparse.size": str(size_bytes),
        "GNU.sparse.numblocks": "1",
    }
    with tarfile.open(tmp_path / "trap", "w:gz", format=tarfile.PAX_FORMAT) as archive:
        archive.addfile(entry, io.BytesIO(bytes(512)))
    assert "more than an honest archive" in refused_at_once(tmp_path, tmp_path / "trap")[0].out


@pytest.mark.parametrize(
    "kind", [tarfile.XHDTYPE, tarfile.XGLTYPE, tarfile.GNUTYPE_LONGNAME, tarfile.GNUTYPE_LONGLINK]
)
@pytest.mark.parametrize("pack", drilled_but(["gz", "bz2", "xz"], "gz"))
def test_a_tar_whose_names_are_gigabytes_long_is_not_taken_into_memory(
    tmp_path: Path, kind: bytes, pack: str
) -> None:
    import bz2
    import gzip
    import lzma

    openers: dict[str, Callable[..., Any]] = {"gz": gzip.open, "bz2": bz2.open, "xz": lzma.open}
    with openers[pack](tmp_path / "trap", "wb") as stream:
        stream.write(header("x", 64 << 20, kind).tobuf(tarfile.GNU_FORMAT))
        for _ in range(64):
            stream.write(bytes(1 << 20))
        stream.write(header("bag/bagit.txt", 0).tobuf())
        stream.write(bytes(10240))
    for ran in refused_at_once(tmp_path, tmp_path / "trap")[:2]:
        assert "bytes for a name" in ran.out + ran.err


@pytest.mark.drill
def test_a_tar_of_so_many_empty_files_in_so_little_is_a_trap(tmp_path: Path) -> None:
    import gzip

    block = b"".join(header(f"bag/data/{number:06d}", 0).tobuf() for number in range(1000))
    with gzip.open(tmp_path / "trap", "wb", compresslevel=1) as stream:
        for _ in range(300):
            stream.write(block)
        stream.write(bytes(10240))
    assert (tmp_path / "trap").stat().st_size < 300_000 * 16
    assert "more than an honest archive" in refused_at_once(tmp_path, tmp_path / "trap", seconds=60)[0].out


def archives(bag: Path, folder: Path) -> Iterator[Path]:
    """The bag in every kind of archive that is read."""
    for method in ("STORED", "DEFLATED"):
        target = folder / f"{method}.zip"
        with zipfile.ZipFile(target, "w", getattr(zipfile, f"ZIP_{method}")) as archive:
            for path in sorted(bag.rglob("*")):
                archive.write(path, f"bag/{path.relative_to(bag)}")
        yield target
    for mode in ("w", "w:gz", "w:bz2", "w:xz"):
        target = folder / f"{mode.replace(':', '-')}.tar"
        with tarfile.open(target, mode) as tape:
            tape.add(bag, "bag")
        yield target


def test_no_damage_to_an_archive_is_a_bug_or_passes_for_the_bag(tmp_path: Path) -> None:
    bag_cases.bag(tmp_path / "bag")
    receipt = judge(observe(tmp_path / "bag")).receipt
    source = random.Random(8)
    checked = 0
    for path in archives(tmp_path / "bag", tmp_path):
        whole = path.read_bytes()
        assert wellread("recheck", path).code == 0, path.name
        for _ in range(60):
            raw = bytearray(whole)
            for _ in range(source.choice((1, 1, 4))):
                raw[source.randrange(len(raw))] ^= 1 << source.randrange(8)
            path.write_bytes(raw)
            with within(20):
                ran = wellread("recheck", path, "--json")
            inert(ran)
            checked += 1
            if ran.code == 0:
                # In padding, a time or a mode, which carry nothing of the bag.
                assert ran.document["bags"][0]["receipt"] == receipt
    assert checked == 360


@posix
def test_what_an_archive_names_outside_itself_lands_nowhere(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_bytes(SECRET)
    names = ["../victim", str(victim), "bag/../../victim", "bag/data/0.bin"]
    with zipfile.ZipFile(tmp_path / "trap.zip", "w") as archive:
        archive.writestr("bag/bagit.txt", "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")
        for name in names:
            archive.writestr(name, b"overwritten")
    told = refused_at_once(tmp_path, tmp_path / "trap.zip")[0].out
    assert f"unsafe {victim}: the archive lists it, but" in told
    assert "unsafe bag/../../victim: the archive lists it, but" in told
    shutil.rmtree(tmp_path / "shelf")
    with tarfile.open(tmp_path / "trap.tar", "w") as tape:
        link = tarfile.TarInfo("bag/data")
        link.type, link.linkname = tarfile.SYMTYPE, str(tmp_path)
        tape.addfile(link)
        for name in ("bag/data/victim", *names):
            entry = tarfile.TarInfo(name)
            entry.size = 11
            tape.addfile(entry, io.BytesIO(b"overwritten"))
    refused_at_once(tmp_path, tmp_path / "trap.tar")
    assert victim.read_bytes() == SECRET
