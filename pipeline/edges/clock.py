"""The clock, read once a run and passed in; SOURCE_DATE_EPOCH takes its place where it is set."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from typing import NamedTuple

from pipeline.errors import ClockError

_MOST_DIGITS = 40
"""More are no number of seconds, and Python makes no number of some thousand."""
_LATEST = 253_402_300_799
"""9999-12-31T23:59:59Z, the last second that ISO 8601 writes with four digits of year."""


class Now(NamedTuple):
    """The time of a run.

    Attributes:
        moment: Aware, UTC, whole seconds.
        fixed: True where SOURCE_DATE_EPOCH set it.
    """

    moment: datetime
    fixed: bool

    @property
    def text(self) -> str:
        """ISO 8601 in UTC: 2026-01-31T12:00:00Z."""
        return self.moment.strftime("%Y-%m-%dT%H:%M:%SZ")

    def contradicts(self, what: str, made: str) -> list[str]:
        """A caution where something that is there already was made, by its own word, later than now.

        Args:
            what: That is there.
            made: When it was made, as `text` writes it.
        """
        if made <= self.text:
            return []
        return [f"the clock says {self.text}, but {what} was made at {made}: one of the two is wrong"]

    @property
    def day(self) -> str:
        """The day in UTC: 2026-01-31."""
        return self.moment.strftime("%Y-%m-%d")


def now() -> Now:
    """The time, or the one that SOURCE_DATE_EPOCH fixes.

    Raises:
        ClockError: SOURCE_DATE_EPOCH is not a whole number of seconds that a date can show.

    Source: the SOURCE_DATE_EPOCH specification (a malformed value ends the run).
    """
    text = os.environ.get("SOURCE_DATE_EPOCH")
    if text is None or text == "":
        return Now(datetime.now(UTC).replace(microsecond=0), fixed=False)
    if not (text.isascii() and text.isdigit() and len(text) < _MOST_DIGITS) or int(text) > _LATEST:
        raise ClockError(
            where="SOURCE_DATE_EPOCH",
            problem=f"{text!r} is not a whole number of seconds since 1970",
            remedy="Set it as `date +%s` prints it, or unset it",
        )
    return Now(datetime.fromtimestamp(int(text), UTC), fixed=True)
