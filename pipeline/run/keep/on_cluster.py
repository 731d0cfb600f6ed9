"""`recheck` by a cluster: bags are shared out among workers, a large one by its files, and judged the same.

What workers give is what this process would have seen; the ledger is written by this process alone. One file
is never shared out: a digest takes its bytes in order. Nor is an archive, which is read in one go.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, cast

from pipeline.bags.observed import Trouble
from pipeline.bags.validate import judge
from pipeline.edges.bags.digest_pool import Digested
from pipeline.edges.bags.digest_worker import digest_files
from pipeline.edges.bags.observe import BagWalk, ToldSize, told_size_of
from pipeline.edges.progress import DoneByWorkers, Progress
from pipeline.errors import WellreadError
from pipeline.run.keep.recheck import Checked, checked_as, recheck_bag

if TYPE_CHECKING:
    from pipeline.edges.cluster import Cluster


class Sharing(NamedTuple):
    """When and how a bag is shared out by its files.

    Attributes:
        from_size: A bag that says it holds more than this, in bytes or in files.
        slices: So much of it is one worker's at a time.
    """

    from_size: ToldSize
    slices: ToldSize


SHARING = Sharing(ToldSize(512 << 20, 20_000), ToldSize(256 << 20, 5_000))
"""A slice is a second or so. Chosen by the project."""
_PIECE = ToldSize(64 << 20, 4_000)
"""So much of small bags is handed over together: a tenth of a second. Chosen by the project."""
_BAGS_AT_ONCE, _SHARES = 32, 32
"""Small bags handed over together at most, and pieces that there are at least, so that every worker gets
some. Chosen by the project."""
_NO_PROCESSES = 0
"""A worker digests by itself: one is started for each core."""


class _Part(NamedTuple):
    """A bag, or some files of a large one.

    Attributes:
        bag: Its path.
        weight: What part of a piece it is.
        share: What part of the bag it is.
        files: Paths in it, where it is not the whole bag.
        algorithms: That they want.
    """

    bag: str
    weight: float = 1.0
    share: float = 1.0
    files: Sequence[str] = ()
    algorithms: Sequence[str] = ()


_Ended = Checked | Digested


class _Large(NamedTuple):
    """A bag that is shared out."""

    walked: BagWalk
    slices: int


def checked_by(
    cluster: Cluster, some: Iterable[str], progress: Progress, sharing: Sharing = SHARING
) -> Iterator[Checked]:
    """What became of bags, in their order, checked by the workers of a cluster.

    Args:
        cluster: Connected.
        some: Paths of bags.
        progress: Told how many are done, over all workers.
        sharing: When a bag is large.

    Raises:
        ClusterError: The scheduler went away, or no worker may do this.
    """
    paths = list(some)
    fewest = 1 / min(_BAGS_AT_ONCE, max(1, len(paths) // _SHARES))
    large: deque[_Large | None] = deque()

    def parts() -> Iterator[_Part]:
        for path in paths:
            size = told_size_of(path)
            is_large = _share(size, sharing.from_size) > 1
            slices, walked = shared_out(path, sharing.slices) if is_large else ([], None)
            large.append(_Large(walked, len(slices)) if walked else None)
            yield from slices or [_Part(path, max(fewest, _share(size, _PIECE)))]

    ended = cluster.each(
        check_some,
        None,
        parts(),
        places=lambda part: [part.bag],
        lost=_given_up,
        weight=lambda part: part.weight,
        tell=DoneByWorkers(progress, len(paths), "bags checked", lambda part: part.share),
    )
    for path in paths:
        first = next(ended)
        whole = large.popleft()
        if whole is None:
            yield cast("Checked", first)
        else:
            yield _together(path, whole.walked, [first, *islice(ended, whole.slices - 1)])


def _share(size: ToldSize, of: ToldSize) -> float:
    """How much of one size another is, by bytes or by files."""
    return max(size.size_bytes / of.size_bytes, size.files / of.files)


def shared_out(path: str, most: ToldSize) -> tuple[list[_Part], BagWalk | None]:
    """The slices of a large bag; none where it is no folder, or cannot be walked: a worker says so then.

    Args:
        path: Of the bag.
        most: Of a slice.
    """
    try:
        walked = BagWalk(Path(path))
        slices = list(_slices(walked, most))
    except WellreadError:
        return [], None
    share = 1 / max(1, len(slices))
    parts = [
        _Part(path, share=share, files=files, algorithms=walked.groups[group]) for group, files in slices
    ]
    return parts, walked if parts else None


def _slices(walked: BagWalk, most: ToldSize) -> Iterator[tuple[int, list[str]]]:
    """All files in slices that take a worker about as long each, with the number of their group."""
    files: dict[int, list[str]] = {}
    weighs: dict[int, float] = {}
    for group, found in walked.files():
        for path in found:
            size_bytes = 0
            with suppress(OSError):  # whoever opens it will tell why
                size_bytes = os.lstat(f"{walked.root}{os.sep}{path}").st_size
            files.setdefault(group, []).append(path)
            weighs[group] = weighs.get(group, 0.0) + _share(ToldSize(size_bytes, 1), most)
            if weighs[group] >= 1:
                yield group, files.pop(group)
                weighs[group] = 0.0
    yield from files.items()


def check_some(shared: None, parts: Sequence[_Part]) -> list[_Ended]:
    """What a worker does of it."""
    del shared
    return [_digested(part) if part.files else _checked(part.bag) for part in parts]


def _checked(path: str) -> Checked:
    return checked_as(path, lambda: recheck_bag(Path(path), workers=_NO_PROCESSES))


def _digested(part: _Part) -> Digested:
    there = [f"{part.bag}{os.sep}{path}" for path in part.files]
    return Digested(part.files, digest_files(there, part.algorithms))


def _together(path: str, walked: BagWalk, parts: Sequence[_Ended]) -> Checked:
    """A bag judged by what several workers saw of it."""
    lost = next((part for part in parts if isinstance(part, Checked)), None)
    if lost is not None:
        return lost
    return checked_as(path, lambda: judge(walked.observation(cast("Sequence[Digested]", parts))))


def _given_up(part: _Part) -> Checked:
    """A bag at which several workers ended, one after the other."""
    means = "three workers ended while checking it; check it alone, and look at the workers' logs"
    trouble = Trouble("", "malformed", means)
    return Checked(part.bag, "unreadable", complete=False, valid=False, problems=(trouble,))
