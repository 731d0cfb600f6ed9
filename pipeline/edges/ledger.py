"""The memory of every check, kept outside the bags: a file to which rows are added and from which none goes.

A bag whose manifests were rewritten to match altered data looks valid to every validator; only somebody who
remembers its receipt can tell. Each row carries the digest of the row before it, so that an edited or removed
row shows; the last digest, the *head*, is printed after every run and is to be kept elsewhere, because only
that tells when rows were cut off at the end.

It is one SQLite file: two processes may add rows at once, and a crash, a full disk or a power cut leaves
either all of a row or nothing of it. The chain is text that any program can recompute:

    digest = SHA-256 of (digest of the row before, a line feed, the row's body as it stands in the file)
"""

from __future__ import annotations

import json
import secrets
import sqlite3
from collections.abc import Generator, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from hashlib import sha256
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self, TypeAlias

from pipeline.edges.console import caution_once
from pipeline.edges.database import (
    DatabaseKind,
    connected,
    first_row,
    is_of_kind,
    make_tables,
    schema_problems,
    told,
    writing,
)
from pipeline.edges.flush import flushes
from pipeline.errors import LedgerError, StorageError

APPLICATION_ID = 0x57_52_4C_31
"""`WRL1` in the file's header, by which `file` and we tell a ledger from any other database."""
FIRST_PREVIOUS = sha256(b"wellread ledger 1\n").hexdigest()
WAIT_SECONDS = 30.0
_TABLES = """
CREATE TABLE rows (
    number INTEGER PRIMARY KEY,
    previous TEXT NOT NULL,
    digest TEXT NOT NULL,
    bag TEXT NOT NULL,
    body TEXT NOT NULL
)
----
CREATE INDEX rows_by_bag ON rows (bag, number)
----
CREATE TRIGGER rows_stay BEFORE UPDATE ON rows BEGIN SELECT RAISE(ABORT, 'rows of a ledger stay'); END
----
CREATE TRIGGER rows_remain BEFORE DELETE ON rows BEGIN SELECT RAISE(ABORT, 'rows of a ledger stay'); END
"""
"""The triggers guard against a slip of the hand; against intent there is the chain."""
_KIND = DatabaseKind(
    "ledger",
    APPLICATION_ID,
    tuple(statement.strip() for statement in _TABLES.split("----")),
    LedgerError,
    "Take the copy of it that you keep elsewhere",
)


Row: TypeAlias = dict[str, Any]
"""A row as SQLite gives it: its columns, among them what it tells as JSON."""
Body: TypeAlias = Mapping[str, Any]
"""What a row tells, of whatever version: `schemas.ledger.LedgerRow` is this one's, and what others wrote is
kept.
"""


class StoredRow(NamedTuple):
    """One row as it stands in the file.

    Attributes:
        number: 1, 2, 3 …
        previous: Digest of the row before.
        digest: Its own digest.
        body: What it tells (`schemas.ledger.LedgerRow` describes it).
    """

    number: int
    previous: str
    digest: str
    body: Body


class Wholeness(NamedTuple):
    """Whether a ledger is what was written.

    Attributes:
        rows: How many rows there are.
        head: Digest of the last row.
        problems: What is wrong with it, in order; none where it is whole.
        cautions: What is odd but explains itself otherwise, such as a clock that went back.
    """

    rows: int
    head: str
    problems: tuple[str, ...]
    cautions: tuple[str, ...] = ()


class Ledger:
    """A ledger file, open for adding and reading.

    Args:
        path: The file; made where there is none and `opened_body` is given.
        opened_body: Body of the first row of a new ledger (`kind`, `when`, `tool`); None opens an existing
            one for reading only.

    Raises:
        LedgerError: It is no ledger, or another process keeps it locked.
        StorageError: The disk refused.
    """

    def __init__(self, path: Path, opened_body: Body | None = None) -> None:
        self.path = path
        with self._told():
            self._base = connected(path, _KIND, make=opened_body is not None, wait_seconds=WAIT_SECONDS)
        try:
            with self._told():
                # EXTRA: also the folder is flushed, so that a finished run survives a power cut.
                self._base.execute("PRAGMA synchronous = EXTRA")
                self._begin_somehow(opened_body)
        except BaseException:
            self._base.close()
            raise

    def _begin_somehow(self, opened_body: Body | None) -> None:
        try:
            self._begin(opened_body)
        except sqlite3.OperationalError:
            if opened_body is None or flushes(self.path):
                raise
            self._go_without_flushing()
            self._begin(opened_body)

    def _begin(self, opened_body: Body | None) -> None:
        if is_of_kind(self._base, self.path, _KIND):
            return
        if opened_body is None:
            raise _KIND.is_none(self.path)
        with self._writing():
            # Another process may have made it between the look above and the lock.
            if is_of_kind(self._base, self.path, _KIND):
                return
            make_tables(self._base, _KIND)
            self._insert({**opened_body, "ledger": secrets.token_hex(16)})

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._base.close()

    def add(self, body: Body) -> str:
        """Add one row, all of it or nothing.

        Args:
            body: What it tells; plain JSON values.

        Returns:
            The new head.

        Raises:
            LedgerError: It is locked or damaged.
            StorageError: The disk refused; the row is not there, all earlier ones are.
        """
        return self.add_all([body])

    def add_all(self, bodies: Sequence[Body]) -> str:
        """Add some rows with one flush, all of them or none.

        Args:
            bodies: What they tell, in order; one at least.

        Returns:
            The new head.

        Raises:
            LedgerError: It is locked or damaged.
            StorageError: The disk refused; none of them is there, all earlier ones are.
        """
        try:
            return self._add_all(bodies)
        except StorageError:
            if flushes(self.path):
                raise
            self._go_without_flushing()
            return self._add_all(bodies)

    def _add_all(self, bodies: Sequence[Body]) -> str:
        with self._told(), self._writing():
            return [self._insert(body) for body in bodies][-1]

    def _go_without_flushing(self) -> None:
        """Where the file system cannot flush a file.

        The database is told not to ask, and all disks are flushed.
        """
        self._base.execute("PRAGMA synchronous = OFF")
        caution_once(
            f"{self.path}: this file system does not say when a file is on the disk; keep a copy elsewhere"
        )

    def _insert(self, body: Body) -> str:
        last = first_row(self._base, "SELECT number, digest FROM rows ORDER BY number DESC LIMIT 1")
        if last and not _typed(last):
            raise _KIND.is_none(self.path)
        number, previous = (last[0] + 1, last[1]) if last else (1, FIRST_PREVIOUS)
        text = canonical(body)
        digest = chained(previous, text)
        self._base.execute(
            "INSERT INTO rows VALUES (?, ?, ?, ?, ?)",
            (number, previous, digest, _indexed(body.get("bag", "")), text),
        )
        return digest

    @property
    def head(self) -> str:
        """The digest of the last row, which stands for all of them."""
        with self._told():
            row = first_row(self._base, "SELECT digest FROM rows ORDER BY number DESC LIMIT 1")
        return str(row[0]) if row else ""

    def rows(self, bag: str | None = None) -> Iterator[StoredRow]:
        """Every row in order, or those about one bag. Raises LedgerError, StorageError."""
        where, values = ("", ()) if bag is None else ("WHERE bag = ?", (_indexed(bag),))
        query = f"SELECT number, previous, digest, body FROM rows {where} ORDER BY number"  # noqa: S608 - no input
        with self._found(query, values) as found:
            for each in found:
                if not _typed(each):
                    raise _KIND.is_none(self.path)
                number, previous, digest, text = each
                yield StoredRow(number, previous, digest, _parsed(text))

    def latest(self) -> dict[str, Row]:
        """What is remembered of each bag: its last check, with the last receipt that counts.

        Returns:
            By path: the body of the last check, `receipt` being the last one of a valid check, a mend or an
            acceptance (or of the first check, where none was ever valid). A receipt that contradicted another
            place's memory is never taken up: a bag moved and rewritten would be believed the second time.
        """
        result: dict[str, Row] = {}
        for row in self.rows():
            body = dict(row.body)
            bag = str(body.get("bag", ""))
            if not bag:
                continue
            before = result.get(bag, {})
            counts = body.get("outcome") == "valid" or body.get("kind") in {"mend", "accepted"}
            receipt = body.get("receipt") if counts or not before.get("receipt") else before["receipt"]
            if not counts and not before.get("receipt") and _contradicts(body):
                receipt = ""
            told = body if body.get("kind") == "check" or not before else before
            kept = {key: body.get(key) or before.get(key, "") for key in ("identifier", "group")}
            result[bag] = {**told, "receipt": receipt or "", **kept}
        return result

    def wholeness(self, *, expect_head: str = "") -> Wholeness:
        """Whether every row is there and as it was written.

        Args:
            expect_head: A head that was printed earlier; where it is no digest of any row, rows were cut off
                after it or the whole ledger was written anew.

        Returns:
            What was found.

        Raises:
            LedgerError: It cannot be read at all.
            StorageError: The disk refused.
        """
        with self._told():
            foreign, problems = schema_problems(self._base, _KIND)
        if foreign:
            # What other tables, views or triggers give is nothing that was written here.
            return Wholeness(0, "", tuple(foreign + problems))
        cautions: list[str] = []
        with self._found("PRAGMA integrity_check(10)") as found:
            problems += [f"the file itself is damaged: {said}" for (said,) in found if said != "ok"]
        query = "SELECT number, previous, digest, bag, body FROM rows ORDER BY number"
        with self._found(query) as found:
            expected, previous, when, met = 1, FIRST_PREVIOUS, "", not expect_head
            for each in found:
                if not _typed(each):
                    problems.append(f"row {expected} was changed: it is of a form that no row has")
                    expected, previous = expected + 1, str(each[2])
                    continue
                number, before, digest, bag, text = each
                if number != expected:
                    problems.append(
                        f"row {expected} is gone"
                        if number - 1 == expected
                        else f"rows {expected} to {number - 1} are gone"
                    )
                elif before != previous:
                    problems.append(f"row {number} does not follow row {number - 1}: one of them was changed")
                if chained(before, text) != digest:
                    problems.append(f"row {number} was changed: its digest is not that of what it says")
                loaded = _loaded(text)
                body = _fitting(loaded)
                if not body or len(body) < len(loaded):
                    odd = ", ".join(sorted(loaded.keys() - body.keys())) or "its whole text"
                    problems.append(f"row {number} has a form that no row has: {odd}")
                if _indexed(body.get("bag", "")) != bag:
                    problems.append(f"row {number} was changed: its index names another bag")
                if (said_when := str(body.get("when", ""))) < when:
                    cautions.append(f"the clock went back between row {number - 1} and row {number}")
                when, expected, previous, met = said_when, number + 1, digest, met or digest == expect_head
        if expected == 1:
            problems.append("it has no rows: checking nothing is never a pass")
        if not met:
            problems.append(
                "the expected head is not among its rows: its end was cut off, or it is another ledger"
            )
        return Wholeness(expected - 1, previous if expected > 1 else "", tuple(problems), tuple(cautions))

    @contextmanager
    def _found(self, query: str, values: tuple[str, ...] = ()) -> Generator[sqlite3.Cursor]:
        """What a query finds.

        The cursor is closed even where reading it fails: one that is left open keeps the file locked for as
        long as the error's traceback lives, whether or not the connection was closed.
        """
        with self._told(), closing(self._base.execute(query, values)) as found:
            yield found

    @contextmanager
    def _writing(self) -> Generator[None]:
        with writing(self._base):
            yield

    @contextmanager
    def _told(self) -> Generator[None]:
        """SQLite's refusals as errors that say what to do."""
        with told(self.path, _KIND, wait_seconds=WAIT_SECONDS):
            yield


def _typed(values: Sequence[object]) -> bool:
    """Whether a row's number is one and all else in it is text."""
    return isinstance(values[0], int) and all(isinstance(value, str) for value in values[1:])


def chained(previous: str, text: str) -> str:
    """The digest of a row from the one before it and its body's text."""
    return sha256(f"{previous}\n{text}".encode("utf-8", "surrogatepass")).hexdigest()


def canonical(body: Body) -> str:
    """A body as the file keeps it: JSON, keys sorted, nothing but ASCII, no blanks."""
    return json.dumps(body, sort_keys=True, ensure_ascii=True, separators=(",", ":"))


def _contradicts(body: Body) -> bool:
    """Whether a check found another receipt than the one remembered (`stages.remember` writes this path)."""
    return any(
        (each.get("path"), each.get("kind")) in {("tagmanifest-*.txt", "altered"), ("", "unsafe")}
        for each in body.get("problems", ())
    )


def _indexed(bag: object) -> str:
    """A path as the index keeps it: SQLite takes no bytes that are no text."""
    return str(bag).encode("utf-8", "backslashreplace").decode("utf-8")


_TEXTS = frozenset(
    {"kind", "bag", "when", "tool", "outcome", "receipt", "note", "identifier", "ledger", "given", "group"}
)
_COUNTS = frozenset({"files", "size_bytes", "problem_count"})


def _loaded(text: str) -> Row:
    try:
        body = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return body if isinstance(body, dict) else {}


def _fitting(body: Body) -> Row:
    """The fields that have the form that we write.

    Anybody may have put a row of another form into the file.
    """
    return {key: value for key, value in body.items() if _fits(key, value)}


def _fits(key: str, value: object) -> bool:
    if key in _TEXTS:
        return isinstance(value, str)
    if key in _COUNTS:
        return isinstance(value, int)
    if key in {"algorithms", "replaced"}:
        return isinstance(value, list) and all(isinstance(each, str) for each in value)
    if key == "problems":
        return isinstance(value, list) and all(
            isinstance(each, dict) and isinstance(each.get("kind"), str) and isinstance(each.get("path"), str)
            for each in value
        )
    return True


def _parsed(text: str) -> Row:
    return _fitting(_loaded(text))
