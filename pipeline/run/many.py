"""The same work on many bags or projects: one that fails keeps none of the others from being done."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias, TypeVar

from pipeline.errors import WellreadError
from pipeline.exit_codes import exit_code
from pipeline.result import Result
from pipeline.views.several import several_ended

if TYPE_CHECKING:
    from schemas.answers import EndedOne, SeveralAnswer

R = TypeVar("R")


Done: TypeAlias = Result[Mapping[str, object]]
"""What became of one bag or project, its text in one line; a document without its schema decides the exit
code alone."""


def each_one(paths: Iterable[Path], work: Callable[[Path], R]) -> Iterator[tuple[Path, R | WellreadError]]:
    """Each path with what the work gave, or with the error that ended it, in order.

    A bug is no error of one bag: it ends the run, as does whoever interrupts it.

    Args:
        paths: Of bags or projects.
        work: Done with one of them.
    """
    for path in paths:
        try:
            yield path, work(path)
        except WellreadError as error:
            yield path, error


def several(
    command: str, paths: Sequence[Path], work: Callable[[Path], Done], *, strict: bool = False
) -> Result[SeveralAnswer]:
    """A command on several bags or projects: one summary, and the worst of their exit codes.

    Args:
        command: Its name.
        paths: Two or more.
        work: Done with one of them.
        strict: Whether `--strict` was said.
    """
    ended = [_ended(path, done, strict=strict) for path, done in each_one(paths, work)]
    document: SeveralAnswer = {
        "schema": "wellread/several/1",
        "command": "several",
        "of": command,
        "ended": ended,
        "exit_code": max(one["exit_code"] for one in ended),
    }
    return Result(document, several_ended(document))


def _ended(path: Path, done: Done | WellreadError, *, strict: bool) -> EndedOne:
    if isinstance(done, WellreadError):
        more = [str(one) for one in getattr(done, "problems", ())]
        return {
            "path": str(path),
            "exit_code": done.exit_code,
            "said": str(done),
            "problems": more,
            "answer": None,
        }
    return {
        "path": str(path),
        "exit_code": exit_code(done.document, strict=strict),
        "said": done.text,
        "problems": [],
        "answer": dict(done.document) if "schema" in done.document else None,
    }
