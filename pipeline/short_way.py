"""The plain forms of three commands without the command line's machinery, which takes longer than the work.

Starting the full command line costs a quarter of a second; a bag of ten thousand files takes as long, and a
dump is examined sooner. Shelves are checked by the hundred from scripts, so `recheck BAG...`, `examine
FILE...` and `package FOLDER... --into FOLDER`, with the flags named here, go straight to the work. Whatever
else is on the line, help and mistakes too, is left to the full command line; the result is the same.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from pipeline.result import Result


class _PlainLine(NamedTuple):
    """A plain command line.

    Attributes:
        paths: Its arguments.
        flags: Its options without a value.
        into: The value of `--into`.
    """

    paths: tuple[Path, ...]
    flags: frozenset[str]
    into: Path | None = None

    @property
    def as_json(self) -> bool:
        return "--json" in self.flags

    @property
    def quiet(self) -> bool:
        return bool(self.flags & {"--quiet", "-q"})

    @property
    def strict(self) -> bool:
        return "--strict" in self.flags

    @property
    def silent(self) -> bool:
        """Whether nothing but the result is wanted."""
        return self.as_json or self.quiet


def short_way(arguments: Sequence[str]) -> int | None:
    """Run a command if the line has one of its plain forms.

    Args:
        arguments: Without the program's name.

    Returns:
        The exit code; None where the full command line is needed.

    Raises:
        WellreadError: As the command does.
    """
    if not arguments or arguments[0] not in _PLAIN:
        return None
    plain = _PLAIN[arguments[0]]
    line = _parsed(arguments[1:], plain.flags, plain.options)
    if line is None:
        return None
    from pipeline.edges.console import say, say_json, wipe_progress
    from pipeline.edges.progress import begin
    from pipeline.exit_codes import exit_code

    begin(plain.begins, quiet=line.silent)
    result = plain.run(line)
    wipe_progress()
    if line.as_json:
        say_json(result.document)
    elif text := result.brief if line.quiet else result.text:
        say(text, whole=line.quiet)
    if result.refusal is not None:
        raise result.refusal
    return exit_code(result.document, strict=line.strict)


def _parsed(words: Sequence[str], flags: Collection[str], options: Collection[str]) -> _PlainLine | None:
    """A line of paths and known flags, in any order; None for every other."""
    paths, found = [], set()
    into: Path | None = None
    rest = iter(words)
    for word in rest:
        if word in flags:
            found.add(word)
        elif word in options:
            value = next(rest, "-")
            if value.startswith("-"):
                return None
            into = Path(value)
        elif word.startswith("-"):
            return None
        else:
            paths.append(Path(word))
    return _PlainLine(tuple(paths), frozenset(found), into) if paths else None


def _recheck(line: _PlainLine) -> Result[Mapping[str, object]]:
    from pipeline.run.keep.documents import recheck

    return recheck(line.paths, ledger=None, due_days=None, expect_head="", quiet=line.silent)


def _examine(line: _PlainLine) -> Result[Mapping[str, object]]:
    from pipeline.run.look.files import NOT_SAID
    from pipeline.run.look.in_project import examine

    return examine(
        line.paths,
        project=None,
        chip=None,
        part=None,
        organisation=None,
        written=NOT_SAID,
        quiet=line.silent,
    )


def _package(line: _PlainLine) -> Result[Mapping[str, object]]:
    from pipeline.run.package.several import package_projects

    return package_projects(
        line.paths,
        line.into,
        clear_leftovers=False,
        strict=line.strict,
        whole=line.as_json,
        quiet=line.silent,
    )


class _Plain(NamedTuple):
    """A command that has a plain form.

    Attributes:
        run: What it does.
        begins: The first sign of its work.
        flags: Its options without a value.
        options: Its options with a value.
    """

    run: Callable[[_PlainLine], Result[Mapping[str, object]]]
    begins: str
    flags: frozenset[str] = frozenset({"--json", "--quiet", "-q"})
    options: frozenset[str] = frozenset()


_PLAIN: Mapping[str, _Plain] = {
    "recheck": _Plain(_recheck, "Looking at the files"),
    "examine": _Plain(_examine, "Reading the dumps"),
    "package": _Plain(
        _package,
        "Reading the sheet",
        frozenset({"--json", "--quiet", "-q", "--strict"}),
        frozenset({"--into"}),
    ),
}
