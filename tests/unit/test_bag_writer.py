"""The writer refuses to leave its folder, refuses to overwrite, and says what truly landed."""

from __future__ import annotations

import os
import sys
from hashlib import sha256, sha512
from multiprocessing import get_context
from pathlib import Path

import bagit
import pytest

from pipeline.bags.observed import BagEntry
from pipeline.edges.bags.writer import MemberStream, finish_bag, write_member
from pipeline.errors import DestinationError, StorageError, UnsafeError

INFO = [
    ("Source-Organization", "Loom Museum"),
    ("External-Description", "Pattern controller"),
    ("Bagging-Date", "2024-05-01"),
]
posix_only = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such thing")


def small_bag(root: Path) -> list[BagEntry]:
    root.mkdir(exist_ok=True)
    entries = [
        write_member(root, "data/readings/main/U1/U1.prog.1.bin", b"\x00" * 512),
        write_member(root, "data/images/main/U1.bin", bytes(range(256))),
        write_member(root, "metadata/record.json", b"{}\n"),
    ]
    finish_bag(root, entries, INFO)
    return entries


def test_a_member_is_written_and_hashed_in_one_go(tmp_path: Path) -> None:
    entry = write_member(tmp_path, "data/a/b.bin", b"abc")
    assert (tmp_path / "data/a/b.bin").read_bytes() == b"abc"
    # Source: FIPS 180-4 examples, the message "abc".
    assert entry.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert entry.sha512.startswith("ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a")
    assert (entry.path, entry.size_bytes) == ("data/a/b.bin", 3)


def test_a_file_is_copied_and_the_copy_is_what_is_hashed(tmp_path: Path) -> None:
    content = os.urandom(3 * 1024 * 1024 + 17)
    (tmp_path / "source.bin").write_bytes(content)
    entry = write_member(tmp_path / "bag", "data/source.bin", tmp_path / "source.bin")
    assert (tmp_path / "bag/data/source.bin").read_bytes() == content
    assert entry == BagEntry(
        "data/source.bin", len(content), sha256(content).hexdigest(), sha512(content).hexdigest()
    )


def test_a_stream_gives_the_entry_of_all_it_was_given(tmp_path: Path) -> None:
    with MemberStream(tmp_path, "metadata/record.json") as stream:
        for part in (b'{"chips": [', b"", b"]}\n"):
            stream.write(part)
    assert stream.entry.sha256 == sha256(b'{"chips": []}\n').hexdigest()
    assert (tmp_path / "metadata/record.json").read_bytes() == b'{"chips": []}\n'


def test_a_stream_says_nothing_before_it_is_closed(tmp_path: Path) -> None:
    with (
        MemberStream(tmp_path, "metadata/record.json") as stream,
        pytest.raises(ValueError, match="still open"),
    ):
        _ = stream.entry


@pytest.mark.parametrize(
    "path",
    [
        "../x",
        "data/../../x",
        "/etc/x",
        "data//x",
        "data/./x",
        "C:/x",
        "data\\x",
        "data/x\n",
        "data/CON",
        "data/x.",
        "",
        "data/",
        "~root/x",
        "data/50%",
    ],
)
def test_a_path_that_leaves_the_bag_or_is_not_portable_is_refused(tmp_path: Path, path: str) -> None:
    with pytest.raises(UnsafeError):
        write_member(tmp_path / "bag", path, b"")
    assert not list(tmp_path.rglob("*"))


def test_nothing_is_written_twice(tmp_path: Path) -> None:
    write_member(tmp_path, "data/x", b"first")
    with pytest.raises(DestinationError, match="in the bag already"):
        write_member(tmp_path, "data/x", b"second")
    assert (tmp_path / "data/x").read_bytes() == b"first"


@posix_only
def test_a_link_lying_in_wait_is_not_written_through(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "victim").write_bytes(b"mine")
    (tmp_path / "data/x").symlink_to(tmp_path / "victim")
    with pytest.raises(DestinationError):
        write_member(tmp_path, "data/x", b"yours")
    assert (tmp_path / "victim").read_bytes() == b"mine"


@posix_only
@pytest.mark.parametrize("make", ["link", "fifo", "folder"])
def test_only_a_regular_file_is_copied_and_a_pipe_is_not_waited_for(tmp_path: Path, make: str) -> None:
    source = tmp_path / "source"
    if make == "link":
        (tmp_path / "target").write_bytes(b"x")
        source.symlink_to(tmp_path / "target")
    elif make == "fifo":
        os.mkfifo(source)
    else:
        source.mkdir()
    with pytest.raises(UnsafeError):
        write_member(tmp_path / "bag", "data/x", source)


@posix_only
def test_a_full_disk_is_told_in_words(tmp_path: Path) -> None:
    import resource

    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1024, old[1]))
    try:
        with pytest.raises(StorageError, match="the disk says"):
            write_member(tmp_path, "data/x", b"\x00" * 4096)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)


def _write_numbered(root: Path, first: int) -> list[BagEntry]:
    return [write_member(root, f"data/d{i % 7}/{i}.bin", bytes([i % 256])) for i in range(first, 200, 2)]


def test_two_processes_write_into_one_bag(tmp_path: Path) -> None:
    with get_context("spawn").Pool(2) as pool:
        both = pool.starmap(_write_numbered, [(tmp_path, 0), (tmp_path, 1)])
    assert len(list(tmp_path.rglob("*.bin"))) == 200 == sum(map(len, both))


def test_the_common_library_finds_the_bag_valid(tmp_path: Path) -> None:
    small_bag(tmp_path / "bag")
    bag = bagit.Bag(str(tmp_path / "bag"))
    assert bag.validate()
    assert bag.version_info == (1, 0)


def test_the_tag_files_are_those_of_the_rfc_byte_for_byte(tmp_path: Path) -> None:
    root = tmp_path / "bag"
    entries = small_bag(root)
    # RFC 8493 section 2.1.1: exactly two lines. The spelling is that of section 7.
    assert (root / "bagit.txt").read_bytes() == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    # Section 2.2.2: the order is kept; Payload-Oxum is octets, a dot, files.
    assert (root / "bag-info.txt").read_text("utf-8") == (
        "Source-Organization: Loom Museum\nExternal-Description: Pattern controller\n"
        "Bagging-Date: 2024-05-01\nPayload-Oxum: 768.2\nBag-Size: 771 B\n"
    )
    # Section 2.1.3: every payload file once, nothing else, sorted by UTF-8 bytes.
    assert (root / "manifest-sha256.txt").read_text("utf-8") == (
        f"{entries[1].sha256}  data/images/main/U1.bin\n{entries[0].sha256}  "
        f"data/readings/main/U1/U1.prog.1.bin\n"
    )
    # Section 2.2.1: every tag file but the tag manifests.
    listed = [
        line.split("  ")[1] for line in (root / "tagmanifest-sha512.txt").read_text("utf-8").splitlines()
    ]
    assert listed == [
        "bag-info.txt",
        "bagit.txt",
        "manifest-sha256.txt",
        "manifest-sha512.txt",
        "metadata/record.json",
    ]


def test_a_bag_without_payload_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="without payload"):
        finish_bag(tmp_path, [write_member(tmp_path, "metadata/x", b"")], INFO)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("data/A.bin", "data/a.bin"),
        ("data/B/x", "data/b/y"),
        ("data/Straße", "data/STRASSE"),
        ("data/a", "data/A/b"),
    ],
)
def test_names_that_are_one_on_some_system_are_refused(tmp_path: Path, one: str, other: str) -> None:
    entries = [BagEntry(path, 0, "", "") for path in (one, other)]
    with pytest.raises(DestinationError, match="same name"):
        finish_bag(tmp_path, entries, INFO)


def test_a_bag_is_finished_once(tmp_path: Path) -> None:
    entries = small_bag(tmp_path / "bag")
    with pytest.raises(DestinationError, match="already"):
        finish_bag(tmp_path / "bag", entries, INFO)


def test_the_same_entries_in_another_order_give_the_same_bytes(tmp_path: Path) -> None:
    entries = small_bag(tmp_path / "one")
    (tmp_path / "two").mkdir()
    finish_bag(tmp_path / "two", reversed(entries), INFO)
    for name in ("bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha512.txt"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
