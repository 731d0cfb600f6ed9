"""One tree of exceptions: the run cannot go on, and here is where, what and what to do.

A finding about a chip is data, not an exception. A bug is any exception that is not of this tree: it keeps
its traceback and ends the program with 70. Each class has an exit code of its own, from 10 to 49, which never
changes its meaning; the table is in the README.
"""

from __future__ import annotations

from typing import Any, ClassVar


class WellreadError(Exception):
    """The run cannot go on.

    Args:
        where: The file, line, chip or option.
        problem: What is wrong, without a full stop.
        remedy: What the person can do, without a full stop; it may begin in lower case.
    """

    exit_code: ClassVar[int] = 10

    def __init__(self, *, where: str, problem: str, remedy: str) -> None:
        super().__init__(where, problem, remedy)
        self.where = where
        self.problem = problem
        self.remedy = remedy

    def __str__(self) -> str:
        stop = "" if self.remedy.endswith("?") else "."
        return f"{self.where}: {self.problem}. {self.remedy[:1].upper()}{self.remedy[1:]}{stop}"

    def __reduce__(self) -> tuple[Any, ...]:
        return _rebuilt, (type(self), dict(self.__dict__))


def _rebuilt(kind: type[WellreadError], fields: dict[str, Any]) -> WellreadError:  # each class has its own
    """The error on the other side of a process boundary.

    Its fields are keywords, which pickling alone forgets.
    """
    return kind(**fields)


class UsageError(WellreadError):
    """The options contradict each other or name something impossible."""

    exit_code = 2


class SheetError(WellreadError):
    """The sheet or its tables have problems; `problems` holds them all."""

    exit_code = 10

    def __init__(self, *, where: str, problem: str, remedy: str, problems: tuple[str, ...] = ()) -> None:
        super().__init__(where=where, problem=problem, remedy=remedy)
        self.problems = problems


class FormatError(WellreadError):
    """A dump cannot be decoded: where the first bad place is, and why.

    `where` reads `line 3, column 7` or `offset 0x1F`; the caller puts the file's name before it.
    """

    exit_code = 11


class AmbiguousError(FormatError):
    """A dump has more than one reading; nothing is guessed until the sheet or an option declares which."""

    exit_code = 12


class PartError(WellreadError):
    """The part is not in the catalogue, or cannot be what the dump needs; `near` has numbers like it."""

    exit_code = 13

    def __init__(self, *, where: str, problem: str, remedy: str, near: tuple[str, ...] = ()) -> None:
        super().__init__(where=where, problem=problem, remedy=remedy)
        self.near = near


class BagError(WellreadError):
    """What was given is not a bag that can be used."""

    exit_code = 14


class DestinationError(WellreadError):
    """The place to write to exists already, lies inside the source, or cannot be written."""

    exit_code = 15


class StorageError(WellreadError):
    """The disk refused: full, read-only, or a failing device."""

    exit_code = 16


class JudgedBadError(WellreadError):
    """A bag just built did not pass its own checks; nothing was put in place."""

    exit_code = 17


class ClockError(WellreadError):
    """SOURCE_DATE_EPOCH is malformed or lies before something that the sheet says happened."""

    exit_code = 18


class RightsError(WellreadError):
    """The sheet does not say enough about rights for a public bundle."""

    exit_code = 19


class LedgerError(WellreadError):
    """The ledger is not whole, not a ledger, or not the one expected."""

    exit_code = 20


class MendError(WellreadError):
    """No copy can prove itself; nothing was touched."""

    exit_code = 21


class PairingError(WellreadError):
    """The replacement part cannot hold or stand in for this chip."""

    exit_code = 22


class UnsettledError(WellreadError):
    """The chip's image is contested or faulty and was not asked for in spite of that."""

    exit_code = 23


class NothingToDoError(WellreadError):
    """Checking nothing is never a pass: no chips, no files, no bags."""

    exit_code = 24


class PortError(WellreadError):
    """The serial port cannot be opened, went away, or sends what no reader prints."""

    exit_code = 25


class PinoutError(WellreadError):
    """Pin numbers were asked for that are not known well enough."""

    exit_code = 26


class UnsafeError(WellreadError):
    """A path leads out of its folder, or something is not a regular file."""

    exit_code = 27


class ResourceError(WellreadError):
    """The system gave no memory, or ended a process of this run."""

    exit_code = 28


class HoldingsError(WellreadError):
    """The index of a shelf is none, is damaged, or is kept locked; it can be made anew from the bags."""

    exit_code = 29


class ClusterError(WellreadError):
    """The scheduler cannot be reached or went away, or none of its workers may do this."""

    exit_code = 30
