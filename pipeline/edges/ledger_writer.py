"""Rows of a ledger, written beside the work that they tell of: whoever checks bags waits for no disk.

Putting a row on the disk for sure takes longer than most checks. The first row is begun at once; all that
come while it is written follow together, in one transaction. So a row is never later than one flush, however
long the next bag takes, and a run that is killed has remembered all but what it finished in that last moment:
each row is whole or absent, in order, and none is there twice.
"""

from __future__ import annotations

from contextlib import suppress
from queue import Empty, SimpleQueue
from threading import Thread
from typing import Self

from pipeline.edges.ledger import Body, Ledger


class LedgerWriter:
    """Adds rows to a ledger; a context, behind which all of them are on the disk.

    Args:
        book: Open; nobody else uses it within the context.
    """

    def __init__(self, book: Ledger) -> None:
        self._book = book
        self._waiting: SimpleQueue[Body | None] = SimpleQueue()
        self._failed: BaseException | None = None
        self._thread = Thread(target=self._write, name="ledger", daemon=True)

    def __enter__(self) -> Self:
        """Begin.

        Raises:
            MemoryError: The system gives no more threads.
        """
        try:
            self._thread.start()
        except RuntimeError as error:
            raise MemoryError("no thread for the ledger") from error
        return self

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        """Wait until all rows are there, also where the run is interrupted.

        Raises:
            LedgerError, StorageError: They could not be added, and the run had not failed by itself.
        """
        self._waiting.put(None)
        while self._thread.is_alive():
            with suppress(KeyboardInterrupt):  # the ledger is no place for half a goodbye
                self._thread.join()
        if error is None:
            self._tell()

    def add(self, body: Body) -> None:
        """One more row, which is on the disk soon.

        Raises:
            LedgerError, StorageError: An earlier one could not be added; neither will this be.
        """
        self._tell()
        self._waiting.put(body)

    def _tell(self) -> None:
        if self._failed is not None:
            raise self._failed

    def _write(self) -> None:
        try:
            while rows := self._taken():
                self._book.add_all(rows)
        except BaseException as error:  # noqa: BLE001 - raised again by whoever adds rows
            self._failed = error

    def _taken(self) -> list[Body]:
        """All that wait, at least one; none where there will be no more."""
        rows: list[Body] = []
        body = self._waiting.get()
        while body is not None:
            rows.append(body)
            try:
                body = self._waiting.get_nowait()
            except Empty:
                return rows
        self._waiting.put(None)  # for the next look, after these are written
        return rows
