"""The index of a shelf: one SQLite file, made from bags and ledger alone, so that it may be thrown away.

Its tables carry their meaning as comments, which any SQL tool shows (`.schema` in the sqlite3 shell);
pipeline/holdings/README.md has questions to begin with. Two processes may bring it up to date at once: each
bag's rows are replaced in one transaction.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Generator, Iterable, Mapping, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

from pipeline.edges.database import (
    DatabaseKind,
    connected,
    is_of_kind,
    make_tables,
    schema_problems,
    told,
    writing,
)
from pipeline.errors import HoldingsError
from pipeline.holdings.rows import BagRow, ChipRow, Facts

WAIT_SECONDS = 30.0
_BAGS = """
CREATE TABLE bags (
    id INTEGER PRIMARY KEY,
    path TEXT NOT NULL UNIQUE,       -- where it lies, without links
    fingerprint TEXT NOT NULL,       -- by which a change is seen: its receipt, or size and time of an archive
    receipt TEXT NOT NULL,           -- digest over its tag manifests: stands for every byte
    bag TEXT NOT NULL,               -- its name, such as loom-78-v2
    machine TEXT NOT NULL,           -- the machine's id
    machine_name TEXT NOT NULL,
    model TEXT NOT NULL,
    serial TEXT NOT NULL,            -- private: no bundle has it
    inventory TEXT NOT NULL,         -- the holder's own number for the machine
    custodian TEXT NOT NULL,
    year INTEGER,                    -- in which the machine was made, where known
    released INTEGER NOT NULL,       -- 1: a public bundle
    made_from TEXT NOT NULL,         -- of a bundle: the receipt of the bag that it was made from, or ''
    version INTEGER NOT NULL,
    identifier TEXT NOT NULL,        -- External-Identifier
    created TEXT NOT NULL,           -- ISO 8601, UTC
    rights TEXT NOT NULL,            -- the statement's URI, or ''
    trouble TEXT NOT NULL,           -- why it could not be read, or ''
    newest INTEGER NOT NULL DEFAULT 1, -- 1: no later version is here, nor a bundle's own bag
    last_check TEXT NOT NULL DEFAULT '',   -- from the ledger, where one was given
    last_outcome TEXT NOT NULL DEFAULT ''
)
"""
_CHIPS = """
CREATE TABLE chips (
    id INTEGER PRIMARY KEY,
    bag_id INTEGER NOT NULL REFERENCES bags (id),
    chip TEXT NOT NULL,              -- its id in the sheet
    board TEXT NOT NULL,
    socket TEXT NOT NULL,
    part TEXT NOT NULL,              -- as the sheet names it
    catalogued TEXT NOT NULL,        -- the catalogue's entry
    kind TEXT NOT NULL,              -- of part, such as UV EPROM
    fades_to INTEGER,                -- level to which its cells fade; NULL where they do not, or nobody knows
    organisation TEXT NOT NULL,      -- 2048x8
    words INTEGER,
    bits INTEGER,
    label TEXT NOT NULL,
    marking TEXT NOT NULL,
    date_code TEXT NOT NULL,
    year INTEGER,                    -- from the date code, else the machine's
    revision TEXT NOT NULL,
    inventory TEXT NOT NULL,
    state TEXT NOT NULL,             -- why there is no reading: not-read, read-failed, socket-empty, on-loan
    grade TEXT NOT NULL,
    reasons TEXT NOT NULL,           -- JSON list of sentences
    held_back TEXT NOT NULL,         -- codes, with blanks between
    findings TEXT NOT NULL,          -- JSON list of open ones, such as "caution short-read"
    passes INTEGER NOT NULL,
    readers INTEGER NOT NULL,
    read TEXT NOT NULL,              -- date of the last reading, EDTF
    original INTEGER,                -- 1 stated, 0 a copy, NULL not said
    twins INTEGER NOT NULL,          -- other specimens that bear it out
    image_path TEXT NOT NULL,        -- in the bag; '' where it holds none
    sha256 TEXT NOT NULL,            -- of the image
    bare INTEGER NOT NULL,           -- 1: one word throughout
    sample BLOB NOT NULL,            -- one byte each of 512 places: see pipeline/twins/signature.py
    shape TEXT NOT NULL,             -- the same for every order and polarity of lines
    low_half TEXT NOT NULL,          -- SHA-256 of the lower half
    high_half TEXT NOT NULL
)
"""
_KIND = DatabaseKind(
    "index",
    0x57_52_48_32,  # `WRH2`
    (
        _BAGS.strip(),
        _CHIPS.strip(),
        "CREATE INDEX bags_by_machine ON bags (machine)",
        "CREATE INDEX bags_by_receipt ON bags (receipt)",
        "CREATE INDEX chips_by_bag ON chips (bag_id)",
        "CREATE INDEX chips_by_part ON chips (part COLLATE NOCASE)",
        "CREATE INDEX chips_by_label ON chips (label COLLATE NOCASE, part COLLATE NOCASE, bag_id)",
        "CREATE INDEX chips_by_grade ON chips (grade)",
        "CREATE INDEX chips_by_content ON chips (sha256, bare, bag_id)",
        "CREATE INDEX chips_by_shape ON chips (shape)",
        "CREATE INDEX chips_by_low_half ON chips (low_half)",
        "CREATE INDEX chips_by_high_half ON chips (high_half)",
        "CREATE INDEX chips_by_size ON chips (words, bits)",
    ),
    HoldingsError,
    "It is made from the bags alone: delete it, and name another file or the same again",
)
_NEWEST = """
UPDATE bags SET newest = NOT EXISTS (
    SELECT 1 FROM bags AS source
    WHERE source.receipt = bags.made_from AND bags.made_from != '' AND source.trouble = ''
) AND NOT EXISTS (
    SELECT 1 FROM bags AS later
    WHERE later.machine = bags.machine AND later.serial IN (bags.serial, '') AND later.trouble = ''
        AND later.custodian = bags.custodian AND later.id != bags.id
        AND (later.version, -later.released, -later.id) > (bags.version, -bags.released, -bags.id)
) WHERE machine IN (SELECT value FROM json_each(?))
"""


class HoldingsIndex:
    """An index, open for reading and writing.

    Args:
        path: The file, made where there is none; None for one in memory, which is gone with it.

    Raises:
        HoldingsError: It is no index, or another process keeps it locked.
        StorageError: The disk refused.
    """

    def __init__(self, path: Path | None) -> None:
        self.path = path or Path("the index")
        with self._told():
            if path is None:
                self._base = sqlite3.connect(":memory:", isolation_level=None)
            else:
                self._base = connected(path, _KIND, make=True, wait_seconds=WAIT_SECONDS)
        try:
            self._begin()
        except BaseException:
            self._base.close()
            raise

    def _begin(self) -> None:
        with self._told():
            # It can be made anew from the bags, so that a power cut may cost it, but never a wrong answer.
            self._base.execute("PRAGMA synchronous = NORMAL")
            if not is_of_kind(self._base, self.path, _KIND):
                with writing(self._base):
                    if not is_of_kind(self._base, self.path, _KIND):
                        make_tables(self._base, _KIND)
            odd, gone = schema_problems(self._base, _KIND)
        if odd or gone:
            raise HoldingsError(
                where=str(self.path), problem=f"is not whole: {(odd + gone)[0]}", remedy=_KIND.remedy
            )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._base.close()

    def known(self) -> dict[str, str]:
        """Path → fingerprint of every bag in the index."""
        return {
            str(one["path"]): str(one["fingerprint"])
            for one in self.ask("SELECT path, fingerprint FROM bags")
        }

    def replace(self, bags: Iterable[tuple[BagRow, Sequence[ChipRow]]], gone: Iterable[str] = ()) -> None:
        """Put bags in the place of what was known of them, and forget those that are gone; all or nothing.

        Args:
            bags: Rows of each.
            gone: Paths.
        """
        with self._told(), writing(self._base):
            machines = {machine for path in gone for machine in self._forget(path)}
            for bag, chips in bags:
                machines |= {bag.machine, *self._forget(bag.path)}
                number = self._insert("bags", bag)
                for chip in chips:
                    self._insert("chips", chip, bag_id=number)
            self._base.execute(_NEWEST, (_json_list(machines),))

    def _forget(self, path: str) -> list[str]:
        found = self._base.execute("SELECT id, machine FROM bags WHERE path = ?", (path,)).fetchall()
        for number, _ in found:
            self._base.execute("DELETE FROM chips WHERE bag_id = ?", (number,))
            self._base.execute("DELETE FROM bags WHERE id = ?", (number,))
        return [str(machine) for _, machine in found]

    def _insert(self, table: str, row: BagRow | ChipRow, **more: int) -> int:
        values = {**row._asdict(), **more}
        marks = ", ".join("?" * len(values))
        statement = f"INSERT INTO {table} ({', '.join(values)}) VALUES ({marks})"  # noqa: S608 - names of our own
        return int(self._base.execute(statement, [_storable(one) for one in values.values()]).lastrowid or 0)

    def checked(self, checks: Mapping[str, tuple[str, str]]) -> None:
        """What the ledger says of each bag: path → when it was checked last, and with which outcome."""
        with self._told(), writing(self._base):
            self._base.executemany(
                "UPDATE bags SET last_check = ?, last_outcome = ? WHERE path = ? AND last_check != ?",
                [(when, outcome, path, when) for path, (when, outcome) in checks.items()],
            )

    def ask(self, question: str, values: Sequence[object] | Mapping[str, object] = ()) -> list[Facts]:
        """The rows that a question of ours finds, each by its columns.

        Args:
            question: SQL, no part of it from outside.
            values: What stands for its marks.
        """
        with self._found(question, values) as found:
            names = [str(one[0]) for one in found.description]
            return [dict(zip(names, row, strict=True)) for row in found]

    @contextmanager
    def _found(
        self, question: str, values: Sequence[object] | Mapping[str, object]
    ) -> Generator[sqlite3.Cursor]:
        with self._told(), closing(self._base.execute(question, values)) as found:
            yield found

    @contextmanager
    def _told(self) -> Generator[None]:
        with told(self.path, _KIND, wait_seconds=WAIT_SECONDS):
            yield


def _storable(value: object) -> object:
    """A text as SQLite takes it: a path may hold bytes that are no text."""
    return value.encode("utf-8", "backslashreplace").decode() if isinstance(value, str) else value


def _json_list(texts: Iterable[str]) -> str:
    return json.dumps(sorted(str(_storable(one)) for one in texts))
