"""Watching a bag: each file read once, everything odd told, archives looked at in place."""

from __future__ import annotations

import gzip
import io
import os
import sys
import tarfile
import threading
import zipfile
from collections.abc import Callable
from hashlib import sha256, sha512
from pathlib import Path

import pytest

from pipeline.bags.observed import Observation
from pipeline.bags.validate import judge
from pipeline.edges.bags import archive as bag_archive
from pipeline.edges.bags import digest_worker
from pipeline.edges.bags.observe import observe, receipt
from pipeline.errors import BagError, StorageError, UnsafeError
from tests.outside import bag_cases

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such thing")


def digested(path: str) -> digest_worker.Result:
    """What is told of a file that is not plain."""
    sizes, digests, ((place, result),) = digest_worker.digest_files([path], ["sha256"])
    assert (sizes, digests, place) == ([], b"", 0)
    assert not isinstance(result, int)
    return result


def facts(observation: Observation) -> tuple[object, ...]:
    return (observation.seen, observation.directories, observation.tags, observation.oddities)


def test_workers_see_what_one_process_sees(tmp_path: Path) -> None:
    payload = {f"data/{number % 9}/{number}.bin": os.urandom(number) for number in range(1200)}
    bag_cases.bag(tmp_path / "bag", {**payload, "data/large.bin": os.urandom(9 << 20)})
    alone = observe(tmp_path / "bag", workers=0)
    assert facts(observe(tmp_path / "bag", workers=3)) == facts(alone)
    by_path = {each.path: each for each in alone.seen}
    content = (tmp_path / "bag/data/large.bin").read_bytes()
    assert by_path["data/large.bin"].digests == (sha256(content).digest(), sha512(content).digest())
    assert judge(alone).valid


@pytest.mark.parametrize("workers", [0, 2])
def test_progress_is_told_in_bytes_and_ends_at_the_total(tmp_path: Path, workers: int) -> None:
    bag_cases.bag(tmp_path / "bag", {f"data/{number}.bin": bytes(1000) for number in range(900)})
    (tmp_path / "bag/data/large.bin").write_bytes(bytes(70 << 20))
    told: list[tuple[int, int]] = []
    observe(tmp_path / "bag", workers=workers, progress=lambda done, total: told.append((done, total)))
    assert told[-1] == ((70 << 20) + 900_000,) * 2
    assert told == sorted(told)
    assert len(told) > 2


@posix_only
def test_a_name_that_windows_cannot_make_is_a_warning(tmp_path: Path) -> None:
    """Source: RFC 8493 section 6, the list of characters and device names."""
    odd = {
        "data/aux.txt",
        "data/Com1/x.bin",
        "data/b/NUL",
        "data/a:b.bin",
        'data/"q"',
        "data/back\\slash",
        "data/lpt9.a.b",
    }
    fine = {
        "data/auxiliary",
        "data/icon",
        "data/con1",
        "data/com0",
        "data/a.con",
        "data/lpt",
        "data/x/prn-2.bin",
    }
    bag_cases.bag(tmp_path / "bag", dict.fromkeys(odd | fine, b"x"))
    verdict = judge(observe(tmp_path / "bag"))
    assert verdict.valid
    told = {each.path: each for each in verdict.problems if "Windows" in each.means}
    assert odd <= told.keys() <= odd | {"data/Com1"}
    assert all(each.severity == "warning" for each in told.values())
    assert "named 'Com1'" in told["data/Com1/x.bin"].means


@posix_only
def test_a_pipe_is_never_opened_and_a_link_never_followed(tmp_path: Path) -> None:
    bag_cases.bag(tmp_path / "bag")
    os.mkfifo(tmp_path / "bag/data/pipe")
    os.mkfifo(tmp_path / "bag/manifest-md5.txt")
    (tmp_path / "bag/data/up").symlink_to("..")
    kinds = {each.path: each.kind for each in observe(tmp_path / "bag").seen if each.kind != "regular"}
    assert kinds == {"data/pipe": "fifo", "manifest-md5.txt": "fifo", "data/up": "link"}


@posix_only
def test_a_pipe_that_takes_a_files_place_meanwhile_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert digested(str(tmp_path / "pipe")) == (
        0,
        (),
        1,
        "it is not a regular file",
    )


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no such device here")
def test_an_endless_device_is_not_read() -> None:
    assert digested("/dev/zero")[3] == "it is not a regular file"


class _Failing:
    """An algorithm that breaks at its second chunk."""

    chunks = 0

    def update(self, _chunk: bytes) -> None:
        self.chunks += 1
        if self.chunks == 2:
            raise ValueError("the library failed")

    def digest(self) -> bytes:
        return b""


def test_an_algorithm_that_fails_in_its_thread_gives_no_digest_and_leaves_no_thread(tmp_path: Path) -> None:
    (tmp_path / "large").write_bytes(bytes(20 * digest_worker.CHUNK_BYTES))
    before = set(threading.enumerate())
    with (tmp_path / "large").open("rb") as stream, pytest.raises(ValueError, match="the library failed"):
        digest_worker._digest_threaded(stream.fileno(), [sha256(), _Failing()], print)  # type: ignore[list-item]
    assert set(threading.enumerate()) <= before


def test_a_file_that_vanishes_is_told_and_does_not_end_the_run(tmp_path: Path) -> None:
    size, digests, _, why = digested(str(tmp_path / "gone"))
    assert (size, digests) == (0, ())
    assert why


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="the superuser may read anything")
def test_a_file_that_may_not_be_read_is_named(tmp_path: Path) -> None:
    bag_cases.bag(tmp_path / "bag")
    (tmp_path / "bag/data/a.bin").chmod(0)
    assert [each.path for each in judge(observe(tmp_path / "bag")).problems] == ["data/a.bin"]


@posix_only
def test_a_name_that_is_no_text_is_unexpected_and_harms_nothing(tmp_path: Path) -> None:
    bag_cases.bag(tmp_path / "bag")
    Path(os.fsdecode(os.fsencode(tmp_path) + b"/bag/data/\xff\xfe")).write_bytes(b"x")
    kinds = {each.kind for each in judge(observe(tmp_path / "bag")).problems}
    assert kinds == {"unexpected", "incomplete"}


def test_deep_nesting_is_walked_without_recursion(tmp_path: Path) -> None:
    deep = "data/" + "d/" * 900 + "x"
    bag_cases.bag(tmp_path / "bag", {deep: b"x"})
    assert judge(observe(tmp_path / "bag")).valid


@posix_only
def test_nesting_deeper_than_a_path_can_be_is_told(tmp_path: Path) -> None:
    bag_cases.bag(tmp_path / "bag")
    here = os.getcwd()  # noqa: PTH109 - the path back cannot be spelled from down there
    os.chdir(tmp_path / "bag/data")
    try:
        for _ in range(25):
            os.mkdir("n" * 200)  # noqa: PTH102 - relative on purpose
            os.chdir("n" * 200)
    finally:
        os.chdir(here)
    verdict = judge(observe(tmp_path / "bag"))
    assert not verdict.valid
    assert {each.kind for each in verdict.problems} == {"unsafe"}


def test_the_receipt_is_what_checksum_programs_would_say(tmp_path: Path) -> None:
    bag_cases.bag(tmp_path / "bag")
    lines = "".join(
        f"{sha256((tmp_path / 'bag' / name).read_bytes()).hexdigest()}  {name}\n"
        for name in ("tagmanifest-sha256.txt", "tagmanifest-sha512.txt")
    )
    assert receipt(tmp_path / "bag") == sha256(lines.encode()).hexdigest()
    assert judge(observe(tmp_path / "bag")).receipt == receipt(tmp_path / "bag")


def test_what_is_no_bag_has_no_receipt_and_is_no_bag(tmp_path: Path) -> None:
    with pytest.raises(BagError):
        receipt(tmp_path)
    with pytest.raises(StorageError, match="no such bag"):
        observe(tmp_path / "nowhere")
    (tmp_path / "text").write_text("x")
    with pytest.raises(BagError, match="neither a bag"):
        observe(tmp_path / "text")
    assert not judge(observe(tmp_path)).valid


# --- archives ---------------------------------------------------------------------------------------------


def as_zip(bag: Path, target: Path) -> Path:
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(bag.rglob("*")):
            archive.write(path, f"{bag.name}/{path.relative_to(bag).as_posix()}")
    return target


def as_tar(bag: Path, target: Path, mode: str = "w") -> Path:
    with tarfile.open(target, mode) as archive:  # type: ignore[call-overload]
        archive.add(bag, bag.name)
    return target


PACKERS: list[Callable[[Path, Path], Path]] = [
    as_zip,
    as_tar,
    lambda bag, target: as_tar(bag, target, "w:gz"),
    lambda bag, target: as_tar(bag, target, "w:xz"),
]


@pytest.mark.parametrize("pack", PACKERS)
def test_a_bag_in_an_archive_is_judged_like_its_folder(
    tmp_path: Path, pack: Callable[[Path, Path], Path]
) -> None:
    bag_cases.bag(tmp_path / "bag")
    packed = observe(pack(tmp_path / "bag", tmp_path / "packed"))
    folder = observe(tmp_path / "bag")
    assert facts(packed) == facts(folder)
    assert judge(packed).valid
    (tmp_path / "bag/data/a.bin").write_bytes(b"alphA")
    hurt = judge(observe(pack(tmp_path / "bag", tmp_path / "hurt")))
    assert [(each.path, each.kind) for each in hurt.problems] == [("data/a.bin", "altered")]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bag", "hurt", "packed"]


def evil_zip(target: Path, name: str, content: bytes = b"x", mode: int = 0o100644) -> Path:
    with zipfile.ZipFile(target, "w") as archive:
        entry = zipfile.ZipInfo("x" * len(name))
        entry.external_attr = mode << 16
        archive.writestr(entry, content)
    raw = target.read_bytes().replace(b"x" * len(name), name.encode())
    target.write_bytes(raw)
    return target


@pytest.mark.parametrize("name", ["../../evil", "/etc/evil", "C:\\evil.exe", "a/../../evil", "~root/evil"])
def test_a_path_that_leads_out_of_a_zip_is_unsafe_and_nothing_is_written(tmp_path: Path, name: str) -> None:
    observation = observe(evil_zip(tmp_path / "evil.zip", name))
    assert observation.oddities
    assert not judge(observation).valid
    assert [path.name for path in tmp_path.rglob("*")] == ["evil.zip"]


def test_a_link_in_a_zip_is_unsafe(tmp_path: Path) -> None:
    observation = observe(evil_zip(tmp_path / "evil.zip", "bag/link", b"/etc/passwd", 0o120777))
    assert [each.kind for each in observation.seen] == ["link"]


@pytest.mark.parametrize(
    ("kind", "named"),
    [
        (tarfile.SYMTYPE, "link"),
        (tarfile.LNKTYPE, "link"),
        (tarfile.FIFOTYPE, "fifo"),
        (tarfile.CHRTYPE, "device"),
    ],
)
def test_only_regular_files_of_a_tar_count(tmp_path: Path, kind: bytes, named: str) -> None:
    bag_cases.bag(tmp_path / "bag")
    as_tar(tmp_path / "bag", tmp_path / "b.tar")
    with tarfile.open(tmp_path / "b.tar", "a") as archive:
        entry = tarfile.TarInfo("bag/data/odd")
        entry.type, entry.linkname = kind, "/etc/passwd"
        archive.addfile(entry)
    verdict = judge(observe(tmp_path / "b.tar"))
    assert [(each.path, each.kind) for each in verdict.problems] == [("data/odd", "unsafe")]
    assert named in verdict.problems[0].means


@pytest.mark.parametrize("container", ["zip", "tar"])
def test_a_name_held_twice_is_unsafe(tmp_path: Path, container: str) -> None:
    bag_cases.bag(tmp_path / "bag")
    if container == "zip":
        as_zip(tmp_path / "bag", tmp_path / "b")
        with zipfile.ZipFile(tmp_path / "b", "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
            archive.writestr("bag/data/a.bin", b"other")
    else:
        as_tar(tmp_path / "bag", tmp_path / "b")
        with tarfile.open(tmp_path / "b", "a") as tape:
            entry = tarfile.TarInfo("bag/data/a.bin")
            entry.size = 5
            tape.addfile(entry, io.BytesIO(b"other"))
    verdict = judge(observe(tmp_path / "b"))
    assert [(each.path, each.kind) for each in verdict.problems] == [("data/a.bin", "unsafe")]


def test_what_lies_beside_the_bag_in_an_archive_is_told(tmp_path: Path) -> None:
    bag_cases.bag(tmp_path / "bag")
    as_zip(tmp_path / "bag", tmp_path / "b.zip")
    with zipfile.ZipFile(tmp_path / "b.zip", "a") as archive:
        archive.writestr("beside.txt", "x")
    assert [each.path for each in judge(observe(tmp_path / "b.zip")).problems] == ["beside.txt"]


def test_a_zip_whose_files_share_their_bytes_is_a_trap(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "trap.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("bag/data/0", bytes(1 << 20))
        first = archive.infolist()[0]
        for number in range(1, 4):
            twin = zipfile.ZipInfo(f"bag/data/{number}")
            twin.compress_type, twin.CRC = first.compress_type, first.CRC
            twin.compress_size, twin.file_size = first.compress_size, first.file_size
            twin.header_offset = first.header_offset
            archive.filelist.append(twin)
            archive.NameToInfo[twin.filename] = twin
    with pytest.raises(UnsafeError, match="same bytes"):
        observe(tmp_path / "trap.zip")


@pytest.mark.parametrize("packed", [bytes, gzip.compress])
def test_a_tar_that_declares_more_than_it_can_hold_is_a_trap(
    tmp_path: Path, packed: Callable[[bytes], bytes]
) -> None:
    entry = tarfile.TarInfo("bag/data/huge")
    entry.size = 1 << 50
    (tmp_path / "trap").write_bytes(packed(entry.tobuf() + bytes(1024)))
    with pytest.raises(UnsafeError, match="more than an honest archive"):
        observe(tmp_path / "trap")


def test_too_many_files_are_a_trap(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bag_cases.bag(tmp_path / "bag")
    monkeypatch.setattr(bag_archive, "MOST_MEMBERS", 3)
    with pytest.raises(UnsafeError, match="more than an honest archive"):
        observe(as_zip(tmp_path / "bag", tmp_path / "b.zip"))


@pytest.mark.parametrize("container", ["zip", "tar"])
def test_an_archive_cut_short_is_an_error_or_a_finding_never_a_crash(tmp_path: Path, container: str) -> None:
    bag_cases.bag(tmp_path / "bag")
    whole = (as_zip if container == "zip" else as_tar)(tmp_path / "bag", tmp_path / "b").read_bytes()
    for end in range(0, len(whole), max(1, len(whole) // 150)):
        (tmp_path / "cut").write_bytes(whole[:end])
        try:
            observation = observe(tmp_path / "cut")
        except BagError:
            continue
        # A tar may end anywhere after its end mark: the zeros that follow carry nothing.
        assert not judge(observation).valid or facts(observation) == facts(observe(tmp_path / "bag"))
