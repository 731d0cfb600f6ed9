"""Digesting on several processes: everything once, nothing awaited that cannot come."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
from collections import Counter
from hashlib import md5, sha256, sha512
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.edges import disk_errors, worker, worker_pool
from pipeline.edges.bags import digest_worker
from pipeline.edges.bags.digest_pool import Digested, Digesting
from pipeline.errors import ResourceError
from tests.kit.examples import examples

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such signal")

SIZES = (
    0,
    1,
    2047,
    digest_worker.LARGE_BYTES - 1,
    digest_worker.LARGE_BYTES,
    digest_worker.THREADED_BYTES + 1,
)


def digested(
    root: Path, named: list[list[str]], workers: int | None
) -> list[tuple[str, digest_worker.Result]]:
    """Groups of paths, the first with two algorithms and the second with one."""
    with Digesting(str(root), (("sha256", "sha512"), ("md5",)), workers=workers) as crew:
        for group, paths in enumerate(named):
            crew.add(paths, group)
        crew.named_all()
        return [one for done in crew.results() for one in told(done, (96, 16))]


def told(done: Digested, widths: tuple[int, ...]) -> list[tuple[str, digest_worker.Result]]:
    """Each file of a batch that was read, and what was read of it; its digests are so wide, all together."""
    sizes, digests, others = done.answer
    apart = dict(others)
    plain = [path for place, path in enumerate(done.paths) if place not in apart]
    width = len(digests) // len(plain) if plain else 0
    assert len(plain) == len(sizes)
    assert not plain or width in widths
    cut = [digests[at : at + width] for at in range(0, len(digests), width)] if width else []
    read = [
        (path, (size, (own[:32], own[32:]) if width == 96 else (own,), 1, ""))
        for path, size, own in zip(plain, sizes, cut, strict=True)
    ]
    return read + [(done.paths[at], one) for at, one in others if not isinstance(one, int)]


def written(root: Path, name: str, size_bytes: int) -> bytes:
    content = random.Random(name).randbytes(size_bytes)
    (root / name).write_bytes(content)
    return content


@pytest.mark.parametrize("workers", [0, 1, 2, 5])
def test_large_files_among_many_small_ones_come_back_once_and_right(tmp_path: Path, workers: int) -> None:
    sizes = [SIZES[number % len(SIZES)] if number % 97 == 0 else number % 50 for number in range(900)]
    contents = {
        f"{number:04d}": written(tmp_path, f"{number:04d}", size) for number, size in enumerate(sizes)
    }
    names = list(contents)
    results = digested(tmp_path, [names[:700], names[700:]], workers)
    assert Counter(path for path, _ in results) == Counter(names)
    for path, (size, digests, links, trouble) in results:
        content = contents[path]
        wanted = (sha256, sha512) if path < "0700" else (md5,)
        assert (size, links, trouble) == (len(content), 1, "")
        assert digests == tuple(each(content).digest() for each in wanted)


@settings(max_examples=examples(0.08), deadline=None)
@given(sizes=st.lists(st.sampled_from(SIZES[:5]), max_size=12), workers=st.integers(0, 4))
def test_any_mixture_of_sizes_and_processes_ends_with_each_file_once(
    sizes: list[int], workers: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    root = tmp_path_factory.mktemp("mixture")
    contents = {str(number): written(root, str(number), size) for number, size in enumerate(sizes)}
    results = dict(digested(root, [list(contents)], workers))
    assert {path: result[1][0] for path, result in results.items()} == {
        path: sha256(content).digest() for path, content in contents.items()
    }


def test_more_processes_than_files_and_no_file_at_all(tmp_path: Path) -> None:
    contents = {name: written(tmp_path, name, 10) for name in ("a", "b", "c")}
    results = digested(tmp_path, [["a", "b", "c"]], 40)
    assert {path: result[1][0] for path, result in results} == {
        path: sha256(content).digest() for path, content in contents.items()
    }
    assert digested(tmp_path, [[]], 3) == []


def test_what_cannot_be_read_is_a_result_and_not_an_end(tmp_path: Path) -> None:
    written(tmp_path, "there", 5)
    results = dict(digested(tmp_path, [["gone", "there", "."]], 2))
    assert results["there"][3] == ""
    assert results["gone"][3] == os.strerror(2)
    assert results["."][3]


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="file names are text here")
def test_a_name_that_is_no_text_reaches_the_child_and_comes_back(tmp_path: Path) -> None:
    name = os.fsdecode(b"caf\xe9")
    (tmp_path / name).write_bytes(b"x")
    assert dict(digested(tmp_path, [[name, "none"]], 2))[name][1][0] == sha256(b"x").digest()


def started_by(monkeypatch: pytest.MonkeyPatch) -> list[subprocess.Popen[bytes]]:
    """Grows by every process that is started from now on."""
    children: list[subprocess.Popen[bytes]] = []
    started = subprocess.Popen

    def popen(*arguments: object, **options: object) -> object:
        child = started(*arguments, **options)  # type: ignore[call-overload]
        children.append(child)
        return child

    monkeypatch.setattr(subprocess, "Popen", popen)
    return children


@posix_only
@pytest.mark.parametrize("victims", [1, 2])
@pytest.mark.parametrize("after", [0, 1, 3])
def test_a_child_killed_at_work_is_told_and_nobody_waits_for_it(
    tmp_path: Path, victims: int, after: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed before its first answer, or in the middle; the other one, if it lives, ends too.

    Everybody else stands still until its end is seen: a child whose work the others have finished by then is
    rightly missed by nobody.
    """
    names = [f"{number:04d}" for number in range(3000)]
    for name in names:
        (tmp_path / name).write_bytes(b"x" * 100)
    children = started_by(monkeypatch)
    asked = 0
    received, digested_here, ended = worker.receive, digest_worker.digest_files, disk_errors.worker_ended
    killed, seen = threading.Event(), threading.Event()

    def receive(stream: object) -> object:
        nonlocal asked
        asked += 1
        if asked > after and len(children) >= victims and not killed.is_set():
            killed.set()  # once: none of them has been waited for, so that its number is nobody else's
            for child in children[:victims]:
                os.kill(child.pid, signal.SIGKILL)
        answer = received(stream)  # type: ignore[arg-type]
        if killed.is_set() and all(stream is not child.stdout for child in children[:victims]):
            assert seen.wait(60)
        return answer

    def digest_here(*arguments: object) -> object:
        assert seen.wait(60)
        return digested_here(*arguments)  # type: ignore[arg-type]

    def worker_ended(where: str) -> ResourceError:
        seen.set()
        return ended(where)

    monkeypatch.setattr(worker, "receive", receive)
    monkeypatch.setattr(digest_worker, "digest_files", digest_here)
    monkeypatch.setattr(worker_pool, "worker_ended", worker_ended)
    got: list[tuple[str, digest_worker.Result]] = []
    before = set(threading.enumerate())
    with Digesting(str(tmp_path), (("sha256",),), workers=2) as crew:
        crew.add(names, 0)
        crew.named_all()
        with pytest.raises(ResourceError, match="a process of this run was ended"):
            got.extend(one for done in crew.results() for one in told(done, (32,)))
    assert len({path for path, _ in got}) == len(got)
    assert set(threading.enumerate()) <= before


@posix_only
def test_leaving_in_the_middle_ends_children_and_threads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    children = started_by(monkeypatch)
    names = [f"{number:04d}" for number in range(2000)]
    for name in names:
        (tmp_path / name).write_bytes(b"x")
    before = set(threading.enumerate())
    with Digesting(str(tmp_path), (("sha256",),), workers=3) as crew:
        crew.add(names, 0)
        crew.named_all()
        next(crew.results())
    assert set(threading.enumerate()) <= before
    assert len(children) == 3
    for child in children:
        with pytest.raises(ChildProcessError):  # it has ended, and its end was taken note of
            os.waitpid(child.pid, os.WNOHANG)


@pytest.mark.parametrize("possible", [0, 1])
def test_a_system_without_room_for_more_processes_gets_the_work_done_by_fewer(
    tmp_path: Path, possible: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = [f"{number:04d}" for number in range(2000)]
    for name in names:
        (tmp_path / name).write_bytes(b"x")
    started, asked = subprocess.Popen, 0

    def popen(*arguments: object, **options: object) -> object:
        nonlocal asked
        asked += 1
        if asked > possible:
            raise BlockingIOError(11, os.strerror(11))
        return started(*arguments, **options)  # type: ignore[call-overload]

    monkeypatch.setattr(subprocess, "Popen", popen)
    results = digested(tmp_path, [names], 2)  # as many as asked for, also on one core
    assert sorted(path for path, _ in results) == names
    assert asked >= 1
