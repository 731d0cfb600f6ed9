"""`package` by a cluster: workers build and judge in staging folders, this process gives the names."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import NamedTuple

from pipeline.edges.cluster import Cluster
from pipeline.edges.disk_errors import storage_trouble
from pipeline.edges.progress import DoneByWorkers, Progress
from pipeline.edges.staging import Staging
from pipeline.errors import ClusterError, WellreadError
from pipeline.flow import Packaged
from pipeline.run.package.build import build_bag, judge_twice
from pipeline.run.package.package import unchanged
from pipeline.run.package.ready import Ready, get_ready

_WANTED = "wanted"
"""While this file lies in the staging folder somebody waits for the bag."""
_PATIENCE_SECONDS = 60.0
"""How long a run that is interrupted waits for workers to stop writing. Chosen by the project."""


class AskedBag(NamedTuple):
    """A bag that a worker is to build in a staging folder, or why it cannot be built.

    Attributes:
        ready: What goes into it.
        outer: The staging folder, on storage that all share.
        name: Of the bag.
    """

    ready: Ready | WellreadError
    outer: str = ""
    name: str = ""


class EndedBag(NamedTuple):
    """What became of a bag: what was packaged, or why not, and where it lies in its staging folder."""

    result: Packaged | WellreadError
    outer: str
    root: str = ""


def packaged_by(
    cluster: Cluster, folders: Sequence[Path], into: Path | None, *, quiet: bool, clear_leftovers: bool
) -> Iterator[Packaged | WellreadError]:
    """What becomes of each project, in order; several are worked on at the same time.

    Args:
        cluster: Connected.
        folders: Of the projects.
        into: Where all bags go; each beside its folder where not said.
        quiet: No notices.
        clear_leftovers: As `package` has it.

    Raises:
        ClusterError: The scheduler went away, or none of its workers may do this.
    """
    progress = Progress(quiet=quiet)
    stagings: dict[str, Staging] = {}

    def asked() -> Iterator[AskedBag]:
        for folder in folders:
            try:
                ready, final = get_ready(folder, into, quiet=quiet, clear_leftovers=clear_leftovers)
                staging = opened.enter_context(Staging(final))
                with storage_trouble(staging.outer):
                    # Nobody who sees another folder knows these bytes.
                    (staging.outer / _WANTED).write_bytes(os.urandom(32))
            except WellreadError as error:
                yield AskedBag(error)
                continue
            stagings[str(staging.outer)] = staging
            yield AskedBag(ready, str(staging.outer), final.name)

    def stop() -> None:
        for outer in stagings:
            (Path(outer) / _WANTED).unlink(missing_ok=True)

    with ExitStack() as opened:
        opened.callback(progress.done)
        ended = cluster.each(
            build_batch,
            None,
            asked(),
            places=_places,
            lost=_given_up,
            tell=DoneByWorkers(progress, len(folders), "projects packaged"),
            stop=stop,
            patience_seconds=_PATIENCE_SECONDS,
        )
        for one in ended:
            yield _placed(one, stagings.pop(one.outer, None))


def _places(asked: AskedBag) -> list[str | Path]:
    """The sheet, the dumps and the staging folder: what a worker has to see as it is seen here."""
    if isinstance(asked.ready, WellreadError):
        return []
    folder = asked.ready.project.folder
    return [folder, folder / "dumps", asked.outer]


def _placed(ended: EndedBag, staging: Staging | None) -> Packaged | WellreadError:
    """A bag that was built gets its name; what else lies in its staging folder goes."""
    if staging is None or isinstance(ended.result, WellreadError) or ended.result.same_as:
        if staging is not None:
            staging.discard()
        return ended.result
    try:
        with storage_trouble(staging.path):
            staging.path.rmdir()
            Path(ended.root).rename(staging.path)
        return ended.result._replace(bag=staging.commit())
    except WellreadError as error:
        staging.discard()
        return error


def build_batch(shared: None, asked: Sequence[AskedBag]) -> list[EndedBag]:
    """What a worker does of it."""
    del shared
    return [_built(one) for one in asked]


def _built(asked: AskedBag) -> EndedBag:
    """A bag built in a folder of this try alone, so that one that died is in nobody's way."""
    if isinstance(asked.ready, WellreadError):
        return EndedBag(asked.ready, asked.outer)
    outer = Path(asked.outer)
    attempt = outer / f"attempt-{os.urandom(4).hex()}"
    root = attempt / asked.name
    try:
        with storage_trouble(attempt):
            attempt.mkdir()
            root.mkdir()
        progress = _WhileWanted(outer / _WANTED)
        packaged = unchanged(asked.ready) or build_bag(asked.ready, root, progress)
        if not packaged.same_as:
            judge_twice(root, progress)
    except WellreadError as error:
        return EndedBag(error, asked.outer)
    return EndedBag(packaged, asked.outer, str(root))


class _WhileWanted(Progress):
    """Ends the work once nobody waits for it any more."""

    def __init__(self, wanted: Path) -> None:
        super().__init__(quiet=True)
        self._wanted = wanted

    def show(self, what: str, done: int, of: int, *, size: bool = False) -> None:
        """Look whether the bag is still wanted.

        Raises:
            ClusterError: Whoever asked for it has gone.
        """
        del what, done, of, size
        if not self._wanted.exists():
            raise ClusterError(
                where=str(self._wanted.parent),
                problem="nobody is waiting for this bag any longer",
                remedy="Run it again",
            )


def _given_up(asked: AskedBag) -> EndedBag:
    error = ClusterError(
        where=asked.name,
        problem="three workers ended while packaging it",
        remedy="Nothing was put in place; package it without --scheduler, and look at the workers' logs",
    )
    return EndedBag(error, asked.outer)
