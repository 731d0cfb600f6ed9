"""What a run that was killed left behind is named to the person, and removed only where that is asked for."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Collection
from pathlib import Path

from pipeline.edges.console import notice
from pipeline.edges.staging import Leftover, leftovers, put_back, remove_leftover
from pipeline.one_line import one_line


def dead_runs(
    place: Path, names: Collection[str] | Callable[[str], bool], *, clear: bool, quiet: bool
) -> tuple[Leftover, ...]:
    """Tell of the staging folders of dead runs, with the way to be rid of them.

    Those still at work are passed over.

    Where one holds the only folder of its name, that is put back first, asked for or not.

    Args:
        place: The folder where the finished one goes; nothing is told where it is not there yet.
        names: Final names that are this command's business, or what tells them.
        clear: Remove them; finished files that only waited for their place get it first.
        quiet: No notices.

    Returns:
        Those found.

    Raises:
        StorageError: The folder cannot be read, or the disk refused.
    """
    if not place.is_dir():
        return ()
    ours = names if callable(names) else names.__contains__
    for one in leftovers(place):
        if ours(one.name) and put_back(one) and not quiet:
            notice(one_line(f"{place / one.name}: put back; a run ended while neither bag had the name."))
    dead = tuple(one for one in leftovers(place) if not one.in_use and ours(one.name))
    for one in dead:
        if clear:
            remove_leftover(one)
            done = _done(one, place)
        else:
            done = "`--clear-leftovers` " + (
                "puts that in place and removes the rest" if one.waiting else "removes it"
            )
        if not quiet:
            notice(one_line(f"{one.path}: left behind by a run that ended {_when(one)}; {done}."))
    return dead


def dead_runs_of(final: Path, *, clear: bool, quiet: bool) -> tuple[Leftover, ...]:
    """The same for the one folder that a command is to make or to mend. Raises StorageError."""
    real = Path(os.path.realpath(final))
    return dead_runs(real.parent, [real.name], clear=clear, quiet=quiet)


def dead_versions(place: Path, machine: str, *, clear: bool, quiet: bool) -> tuple[Leftover, ...]:
    """The same for all versions of a machine's bag. Raises StorageError."""
    own = re.compile(re.escape(machine) + r"-v[1-9][0-9]*")
    return dead_runs(place, lambda one: own.fullmatch(one) is not None, clear=clear, quiet=quiet)


def _when(one: Leftover) -> str:
    if one.waiting:
        return f"when {one.name} was in place and before {' and '.join(one.waiting)} was"
    if one.replaced:
        return f"before or while {one.name} was replaced"
    return f"before {one.name} was finished"


def _done(one: Leftover, place: Path) -> str:
    there = [name for name in one.waiting if (place / name).exists()]
    held = (
        f"nothing that {one.name} and what is kept beside it lack"
        if one.replaced
        else f"an unfinished {one.name}"
    )
    what = f"removed ({held})"
    return f"{what}, and {' and '.join(there)} is in place now" if there else what
