"""What a worker on another computer runs: the proof that it may work, and one piece of work."""

from __future__ import annotations

import gc
import os
import pickle
import platform
import threading
from collections.abc import Iterable
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple

import pipeline
from pipeline.edges import open_flags
from pipeline.edges.program_digest import program_digest

_BEGIN_BYTES, _MOST_FILES = 1 << 16, 64
"""Of a folder so many files at most are looked into, and of each so many bytes."""
_READ = open_flags.READ & ~getattr(os, "O_NOFOLLOW", 0)
"""What a link leads to is what is seen."""


def program() -> str:
    """What runs here, in one line: version, Python, and a digest of the program's files."""
    return f"{pipeline.__version__}, Python {platform.python_version()}, sources {program_digest()[:12]}"


def seen_at(path: str) -> str:
    """What lies at a path, as one digest: the names in a folder, and of files how large they are and begin.

    What cannot be read is a sight of its own, so that two computers may agree that nothing is there.
    """
    digest = sha256()
    try:
        names, files = _inside(path)
        digest.update("\0".join(names).encode("utf-8", "surrogateescape"))
        for file in files[:_MOST_FILES]:
            handle = os.open(file, _READ)
            try:
                size_bytes = os.fstat(handle).st_size
                digest.update(f"{size_bytes}:".encode() + os.read(handle, min(size_bytes, _BEGIN_BYTES)))
            finally:
                os.close(handle)
    except OSError as error:
        return f"cannot be read: {error.strerror}"
    return digest.hexdigest()


def _inside(path: str) -> tuple[list[str], list[str]]:
    """The names at a path in order, and the paths of those that are files."""
    if not os.path.isdir(path):  # noqa: PTH112 - text, since this is done before each piece, twice
        return [os.path.basename(path)], [path] if os.path.isfile(path) else []  # noqa: PTH113, PTH119
    with os.scandir(path) as found:
        inside = sorted(found, key=lambda one: one.name)
    return [one.name for one in inside], [one.path for one in inside if one.is_file()]


Proof = tuple[str, str]
"""A path, and what the caller sees there."""


def proofs_of(paths: Iterable[str | Path]) -> list[Proof]:
    """What is seen here at some paths."""
    return [(os.path.abspath(path), seen_at(os.path.abspath(path))) for path in paths]  # noqa: PTH100


def stands(proofs: Iterable[Proof]) -> bool:
    """Whether here the same is seen as when the proofs were made: else something has changed since."""
    return all(seen_at(path) == seen for path, seen in proofs)


class Refusal(NamedTuple):
    """Why a worker gets nothing to do."""

    name: str
    why: str
    path: str = ""


_ONE_AT_A_TIME = threading.Lock()
"""A worker with several threads would work on several bags in one process, and switches such as that of the
collector are one for all threads."""


def _proved(proofs: Iterable[Proof]) -> Refusal | None:
    """In a worker: whether it sees what the caller sees."""
    from distributed import get_worker

    for path, seen in proofs:
        if seen_at(path) != seen:
            return Refusal(str(get_worker().name), f"sees something else at {path}", path)
    return None


def prove(asked: bytes) -> Refusal | None:
    """In a worker, before anything else."""
    from distributed import get_worker

    same, proofs = pickle.loads(asked)  # noqa: S301 - whoever may speak to a worker may run anything there
    if program() != same:
        return Refusal(str(get_worker().name), f"runs wellread {program()}, not {same}")
    return _proved(proofs)


@cache
def _rest() -> None:
    """What is loaded stays: looking through all of Dask for what nobody uses took longer than some pieces."""
    gc.collect()
    gc.freeze()


def do_piece(asked: bytes) -> bytes | Refusal:
    """In a worker: one piece of work, handed over as bytes so that Dask looks for nothing in it."""
    work, shared, items, proofs = pickle.loads(asked)  # noqa: S301 - as above
    with _ONE_AT_A_TIME:
        _rest()
        return _proved(proofs) or pickle.dumps(work(shared, items), protocol=pickle.HIGHEST_PROTOCOL)
