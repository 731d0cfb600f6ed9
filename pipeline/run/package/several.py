"""`package` of one project or several: each gets its bag, and one that fails stops no other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from pipeline.edges.console import can_draw, caution_once
from pipeline.errors import ClusterError, WellreadError
from pipeline.flow import Packaged
from pipeline.result import Result
from pipeline.run.many import Done, several
from pipeline.run.package.package import package, recorded_chips
from pipeline.to_do import GRADES_WORST_FIRST
from pipeline.views.terminal import package_json, packaged


@contextmanager
def packager(
    scheduler: str | None, folders: Sequence[Path], into: Path | None, *, quiet: bool, clear_leftovers: bool
) -> Generator[Callable[[Path], Packaged]]:
    """Who packages some projects, asked for one after the other: this process, or a cluster's workers.

    Args:
        scheduler: Its address, or None.
        folders: In the order in which they will be asked for.
        into: Where all bags go; each beside its folder where not said.
        quiet: No progress and no notices.
        clear_leftovers: Remove what runs that died in the middle left beside the bags.

    Raises:
        ClusterError: The scheduler cannot be reached, or none of its workers may do this: told once, not of
            each project.
    """
    if scheduler is None:
        yield lambda folder: package(folder, into, quiet=quiet, clear_leftovers=clear_leftovers)
        return
    from pipeline.edges.cluster import Cluster
    from pipeline.run.package.on_cluster import packaged_by

    with Cluster(scheduler, folders, caution_once) as cluster:
        cluster.members.first()
        found = packaged_by(cluster, folders, into, quiet=quiet, clear_leftovers=clear_leftovers)
        yield Awaited(found)


class Awaited:
    """The next project's bag, or why there is none; once the cluster is gone, that of all that are left."""

    def __init__(self, found: Iterator[Packaged | WellreadError]) -> None:
        self._found = found
        self._gone: ClusterError | None = None

    def __call__(self, _folder: Path) -> Packaged:
        """The bag of the project whose turn it is.

        Raises:
            WellreadError: There is none.
        """
        if self._gone is not None:
            raise self._gone
        try:
            result = next(self._found)
        except ClusterError as error:
            self._gone = error
            raise
        if isinstance(result, WellreadError):
            raise result
        return result


def package_projects(
    folders: Sequence[Path],
    into: Path | None,
    *,
    clear_leftovers: bool,
    strict: bool,
    whole: bool,
    quiet: bool = True,
    scheduler: str | None = None,
) -> Result[Mapping[str, object]]:
    """What `package` says: of one project all, of several a line each.

    Args:
        folders: Of the projects.
        into: Where all bags go; each beside its folder where not said.
        clear_leftovers: Remove what runs that died in the middle left beside the bags.
        strict: Whether a chip that needs a person counts.
        whole: Whether each project's whole answer is wanted.
        quiet: No progress.
        scheduler: Address of a scheduler whose workers do it; None: this process does.

    Raises:
        ClusterError: The scheduler cannot be reached, or none of its workers may do this.
    """

    def one(folder: Path) -> Done:
        done = packaged_from(folder)
        counts = Counter(chip.grade for chip in done.chips)
        grades = ", ".join(f"{counts[grade]} {grade}" for grade in GRADES_WORST_FIRST if counts[grade])
        said = f"same as {done.same_as}" if done.same_as else f"{done.bag.name}: {grades}"
        return Result(_document(done, whole=whole), said)

    with packager(scheduler, folders, into, quiet=quiet, clear_leftovers=clear_leftovers) as packaged_from:
        if len(folders) > 1:
            return several("package", folders, one, strict=strict)
        done = packaged_from(folders[0])
    text = packaged(done, draw=can_draw())
    return Result(_document(done, whole=whole), text, brief=str(done.bag))


def _document(done: Packaged, *, whole: bool) -> Mapping[str, object]:
    """What `--json` prints; where nobody asks for it only what decides the exit code: no record is read."""
    if whole:
        return package_json(done, recorded_chips(done.bag))
    return {"command": "package", "needs_person": done.needing}
