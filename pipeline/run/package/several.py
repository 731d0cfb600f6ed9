"""`package` of several projects: each gets its bag, and one that fails stops no other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import WellreadError
from pipeline.flow import Packaged
from pipeline.run.many import Done, several
from pipeline.run.package.package import package, recorded_chips
from pipeline.to_do import GRADES_WORST_FIRST
from pipeline.views.terminal import package_json

if TYPE_CHECKING:
    from schemas.answers import SeveralAnswer


def package_on(
    scheduler: str | None, folders: Sequence[Path], into: Path | None, *, quiet: bool, clear_leftovers: bool
) -> Callable[[Path], Packaged]:
    """Who packages some projects, asked for one after the other: this process, or a cluster's workers.

    Args:
        scheduler: Its address, or None.
        folders: In the order in which they will be asked for.
        into: Where all bags go; each beside its folder where not said.
        quiet: No progress and no notices.
        clear_leftovers: Remove what runs that died in the middle left beside the bags.
    """
    if scheduler is None:
        return lambda folder: package(folder, into, quiet=quiet, clear_leftovers=clear_leftovers)
    from pipeline.run.package.on_cluster import packaged_on

    found = packaged_on(scheduler, folders, into, quiet=quiet, clear_leftovers=clear_leftovers)

    def one(_folder: Path) -> Packaged:
        result = next(found)
        if isinstance(result, WellreadError):
            raise result
        return result

    return one


def package_several(
    folders: Sequence[Path],
    into: Path | None,
    *,
    clear_leftovers: bool,
    strict: bool,
    whole: bool,
    scheduler: str | None = None,
) -> SeveralAnswer:
    """The summary of several projects.

    Args:
        folders: Of the projects.
        into: Where all bags go; each beside its folder where not said.
        clear_leftovers: Remove what runs that died in the middle left beside the bags.
        strict: Whether a chip that needs a person counts.
        whole: Whether each project's whole answer is wanted.
        scheduler: Address of a scheduler whose workers do it; None: this process does.
    """
    packaged = package_on(scheduler, folders, into, quiet=True, clear_leftovers=clear_leftovers)

    def one(folder: Path) -> Done:
        done = packaged(folder)
        counts = Counter(chip.grade for chip in done.chips)
        grades = ", ".join(f"{counts[grade]} {grade}" for grade in GRADES_WORST_FIRST if counts[grade])
        said = f"same as {done.same_as}" if done.same_as else f"{done.bag.name}: {grades}"
        if whole:
            return Done(package_json(done, recorded_chips(done.bag)), said, whole=True)
        return Done({"command": "package", "needs_person": done.needing}, said, whole=False)

    return several("package", folders, one, strict=strict)
