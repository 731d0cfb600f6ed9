"""One way to open an SQLite file of ours, and one way to say what SQLite refused.

A file that somebody else made, or changed, is looked at before it is believed: it bears the number of its
kind in its header, and holds the tables of its kind and nothing else, since a view or a trigger of a stranger
would run as soon as somebody asks.

Source: SQLite, "Defense Against The Dark Arts" (untrusted database files), "Result and Error Codes", "PRAGMA
application_id"; the wording from memory.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Generator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from pipeline.edges.disk_errors import absent, storage_trouble
from pipeline.edges.locks import locks_work
from pipeline.errors import StorageError, WellreadError


class DatabaseKind(NamedTuple):
    """What an SQLite file of ours is, and how its troubles are told.

    Attributes:
        noun: `ledger`, `index`.
        application_id: In the file's header, by which `file` and we tell it from any other database.
        tables: The statements that make it.
        error: Raised where the file is wrong rather than the disk.
        remedy: What to do about a damaged one.
    """

    noun: str
    application_id: int
    tables: tuple[str, ...]
    error: type[WellreadError]
    remedy: str

    @property
    def one(self) -> str:
        """`a ledger`, `an index`."""
        return f"{'an' if self.noun[0] in 'aeiou' else 'a'} {self.noun}"

    def is_none(self, path: Path) -> WellreadError:
        """A file that is not a database of this kind."""
        return self.error(
            where=str(path), problem=f"is not {self.one}", remedy=f"Give the path of {self.one}"
        )


def connected(path: Path, kind: DatabaseKind, *, make: bool, wait_seconds: float) -> sqlite3.Connection:
    """A connection that runs nothing which the file's schema may hide.

    Args:
        path: The file.
        kind: What it is to be.
        make: Make it where it is not there.
        wait_seconds: How long another process may keep it locked.

    Raises:
        StorageError: It is not there, or cannot be made.
        sqlite3.Error: As SQLite says; the caller tells it.
    """
    if not make and not path.is_file():
        raise absent(path, kind.noun, f"Give the path of a {kind.noun}")
    # Not mode=ro where it can be helped: a file whose writer was killed must first be put back in order.
    writable = os.access(path if path.exists() else path.parent, os.W_OK) and os.access(path.parent, os.W_OK)
    mode = "rwc" if make else "rw" if writable else "ro"
    if make:
        # Only of a file that is there can it be said whether it can be locked.
        with storage_trouble(path):
            os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o644))
    vfs = "" if locks_work(path) else "&vfs=unix-dotfile"
    base = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}{vfs}",
        uri=True,
        timeout=wait_seconds,
        isolation_level=None,
        check_same_thread=False,  # a ledger's rows are written beside the caller's work, by one thread
    )
    base.execute("PRAGMA trusted_schema = OFF")
    return base


def first_row(base: sqlite3.Connection, query: str) -> tuple[Any, ...] | None:
    """The first row that a query finds; None where there is none.

    The cursor is closed even where reading it fails: one that is left open keeps the file locked for as long
    as the error's traceback lives, whether or not the connection was closed.
    """
    with closing(base.execute(query)) as found:
        row: tuple[Any, ...] | None = found.fetchone()
        return row


def is_of_kind(base: sqlite3.Connection, path: Path, kind: DatabaseKind) -> bool:
    """Whether the file is of this kind; False where it is new and empty.

    Raises:
        WellreadError: It is something else.
    """
    (application,) = first_row(base, "PRAGMA application_id") or (0,)
    if application not in {0, kind.application_id}:
        raise kind.is_none(path)
    if application == kind.application_id:
        return True
    (tables,) = first_row(base, "SELECT count(*) FROM sqlite_master") or (0,)
    if tables:
        raise kind.is_none(path)
    return False


def make_tables(base: sqlite3.Connection, kind: DatabaseKind) -> None:
    """The tables of a new file, and its number; inside a transaction of the caller's."""
    for statement in kind.tables:
        base.execute(statement)
    base.execute(f"PRAGMA application_id = {kind.application_id}")


def schema_problems(base: sqlite3.Connection, kind: DatabaseKind) -> tuple[list[str], list[str]]:
    """What the file holds that no file of this kind has, and what it lacks of what every one has."""
    ours = {" ".join(statement.split()) for statement in kind.tables}
    query = "SELECT name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_autoindex_%'"
    with closing(base.execute(query)) as found:
        there = [(str(name), " ".join(str(sql or "").split())) for name, sql in found.fetchall()]
    odd = [f"it holds {name!r:.60}, which no {kind.noun} has" for name, sql in there if sql not in ours]
    gone = sorted(ours - {sql for _, sql in there})
    return odd, [f"it lacks what every {kind.noun} has: {sql:.40}…" for sql in gone]


@contextmanager
def writing(base: sqlite3.Connection) -> Generator[None]:
    """A transaction that has the file to itself from its first statement; all of it or nothing."""
    base.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        # A disk that is full may have rolled the transaction back already.
        if base.in_transaction:
            base.execute("ROLLBACK")
        raise
    base.execute("COMMIT")


@contextmanager
def told(path: Path, kind: DatabaseKind, *, wait_seconds: float) -> Generator[None]:
    """SQLite's refusals as errors that say what to do."""
    try:
        yield
    except sqlite3.Error as error:
        raise _refusal(error, path, kind, wait_seconds) from error
    except UnicodeDecodeError as error:
        # SQLite's own message quotes the damaged page.
        raise kind.error(
            where=str(path),
            problem=f"is not {kind.one}, or a damaged one (a text in it is not UTF-8)",
            remedy=kind.remedy,
        ) from error


def _refusal(error: sqlite3.Error, path: Path, kind: DatabaseKind, wait_seconds: float) -> WellreadError:
    """What SQLite refused, as an error with a remedy.

    The low byte of an extended result code is the primary one. Source: SQLite, "Result and Error Codes".
    """
    said, where, noun = str(error), str(path), kind.noun
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code == sqlite3.SQLITE_FULL:
        return StorageError(
            where=where,
            problem="the disk is full; what was to be added is not there, all earlier rows are",
            remedy="Free some space and run it again",
        )
    if code in {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH}:
        return StorageError(
            where=where,
            problem=f"cannot be written ({said})",
            remedy=f"Keep the {noun} where you may write, and its folder too",
        )
    if code == sqlite3.SQLITE_IOERR:
        return StorageError(
            where=where,
            problem=f"the disk says: {said}",
            remedy=f"Save a copy of the {noun}, then look at the disk",
        )
    if code in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
        return kind.error(
            where=where,
            problem=f"is kept locked by another process for more than {wait_seconds:g} seconds",
            remedy="Wait until that has ended, then run it again",
        )
    if code in {sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT}:
        return kind.error(
            where=where, problem=f"is not {kind.one}, or a damaged one ({said})", remedy=kind.remedy
        )
    return kind.error(where=where, problem=f"cannot be used ({said})", remedy=kind.remedy)
