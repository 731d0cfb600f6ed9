"""A folder is built out of sight and gets its name in one step, or not at all.

The staging folder lies beside its destination, so that giving it its name is one rename within one file
system:

1. `.NAME.staging-XXXXXXXX/` is made, closed to other users, and a lock inside it says that its maker lives.
2. The caller builds `.NAME.staging-XXXXXXXX/NAME/`.
3. `commit` flushes that file system once, renames the inner folder to `NAME` if there is no `NAME`, and
   removes the rest. Whatever ends the run before the rename leaves no `NAME`.

A folder that takes another one's place (`exchange`) changes names with it in one step of the system. Where
that knows no such step there is a moment in which neither has the name, and both lie in the staging folder:
what a run that was killed then left behind is put back (`put_back`), and nothing is removed of which a file
lies nowhere else.

A killed run leaves its staging folder; its lock dies with it, which is how `leftovers` knows.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self

from pipeline.edges.console import notice
from pipeline.edges.disk_errors import storage_trouble
from pipeline.edges.flush import sync_folder, sync_tree
from pipeline.edges.locks import hold, is_held
from pipeline.edges.names import exchange, identity, refuse_existing, rename_new, rename_patiently
from pipeline.edges.one_place import refuse_in_a_bag
from pipeline.errors import DestinationError, MendError
from pipeline.one_line import one_line

_NAME = re.compile(r"^\.(?P<name>.+)\.staging-[0-9a-f]{8}$", re.DOTALL)
_LOCK = "in-use"
_BUILT = "built"
"""Says which folder was built, so that a leftover tells whether that got its name before its maker died."""
_REPLACES = "replaces"
"""Says which folder is to be replaced: in such a leftover an old one may lie beside the new."""
_OLD = ".old"
_IDENTITY = re.compile("[0-9]+ [0-9]+")
"""What `identity` gives."""


class Leftover(NamedTuple):
    """A staging folder that was found.

    Attributes:
        path: Where it lies.
        name: The name that it would have got.
        in_use: Its maker is still at work (or may be: on a system without locks this cannot be known).
        waiting: Names of finished files that its maker had still to put beside the finished folder, which is
            in place already; empty where nothing was in place yet.
        replaced: Its maker was to replace a folder of that name, by a mended one.
    """

    path: Path
    name: str
    in_use: bool
    waiting: tuple[str, ...] = ()
    replaced: bool = False


def make_last_folder(place: Path, *, quiet: bool) -> None:
    """Make the folder that a bag or bundle goes into, and say so where it was not there.

    Raises:
        StorageError: The disk refused.
    """
    if place.is_dir():
        return
    with storage_trouble(place):
        place.mkdir(exist_ok=True)
    if not quiet:
        notice(f"The folder {one_line(str(place))} was not there; it is made.")


class Staging:
    """A staging folder beside its destination, gone again unless it is committed.

    Args:
        final: The path that the finished folder gets.
        replacing: The finished folder takes the place of one that is there, by `exchange` instead of
            `commit`.

    Raises:
        DestinationError: There is something of that name already, or its parent is no folder.
        StorageError: The disk refused.
    """

    def __init__(self, final: Path, *, replacing: bool = False) -> None:
        self._replacing = replacing
        self._kept = False
        self._swapping = False
        self.final = Path(os.path.abspath(final))  # noqa: PTH100 - resolve() would follow a link under that name
        self.outer = self.final.parent / f".{self.final.name}.staging-{os.urandom(4).hex()}"
        self.path = self.outer / self.final.name
        self._lock = -1

    def __enter__(self) -> Self:
        if not self._replacing:
            refuse_existing(self.final)
            refuse_in_a_bag(self.final)
        if not self.final.parent.is_dir():
            raise DestinationError(
                where=str(self.final.parent),
                problem="there is no such folder",
                remedy="Make it, or choose another",
            )
        with storage_trouble(self.final.parent):
            self.outer.mkdir(mode=0o700)
        try:
            with storage_trouble(self.outer):
                self._lock = hold(self.outer / _LOCK)
                if self._replacing:
                    (self.outer / _REPLACES).write_text(identity(self.final), "ascii")
                self.path.mkdir()
        except BaseException:
            self.discard()
            raise
        return self

    def commit(self, beside: Sequence[str] = ()) -> Path:
        """Flush the file system once, then give the folder its name unless the name is taken.

        Args:
            beside: Names of files in `outer` that get their place beside the folder, each unless its name is
                taken. They come after the folder; where one is refused, the folder is taken back. A run that
                is killed in between leaves them in its staging folder, and `remove_leftover` puts them in
                place.

        Returns:
            The final path.

        Raises:
            DestinationError: Something has got that name in the meantime; it is left alone.
            StorageError: The disk refused. Nothing has the final name, or all is in place and only the last
                flush of the names was refused.
        """
        with storage_trouble(self.path):
            if beside:
                (self.outer / _BUILT).write_text(identity(self.path), "ascii")
            sync_tree(self.path)
        with storage_trouble(self.final):
            rename_new(self.path, self.final)
        self._place(beside)
        with storage_trouble(self.final):
            sync_folder(self.final.parent)
        self.discard()
        return self.final

    def _place(self, beside: Sequence[str]) -> None:
        placed: list[str] = []
        try:
            if beside:
                # A disk that loses power may keep names out of their order: the folder's is there first.
                with storage_trouble(self.final):
                    sync_folder(self.final.parent)
            for name in beside:
                with storage_trouble(self.final.parent / name):
                    rename_new(self.outer / name, self.final.parent / name)
                placed.append(name)
        except BaseException:
            # All or nothing; where even going back is refused, what waits must not go with the staging
            # folder.
            try:
                for name in placed:
                    rename_new(self.final.parent / name, self.outer / name)
                rename_new(self.final, self.path)
            except (OSError, DestinationError):
                self.keep()
            raise

    def exchange(self, replaced: str) -> Path:
        """Flush the file system once, then let the new folder and the old one change places.

        Args:
            replaced: The `identity` of the folder that is to be replaced; any other that has got the name in
                the meantime keeps it.

        Returns:
            Where the old folder lies now: inside the staging folder. It goes with the end of the block, once
            `settle` was called; before that it stays, whatever happens.

        Raises:
            MendError: Another folder, or none, has the name now; everything is as it was.
            StorageError: The disk refused; the old folder has its name still.
        """
        with storage_trouble(self.path):
            (self.outer / _BUILT).write_text(identity(self.path), "ascii")
            sync_tree(self.outer)
        self._refuse_another(self.final, replaced)
        self._swapping = True
        with storage_trouble(self.final):
            if not exchange(self.path, self.final):
                return self._exchange_in_steps(replaced)
            if not _is(self.path, replaced):
                exchange(self.path, self.final)
                self._swapping = False
                self._refuse_another(self.final, replaced)
        return self.path

    def _exchange_in_steps(self, replaced: str) -> Path:
        """Where the system knows no such step: the old one goes aside, the new one gets the name."""
        aside = self.outer / f"{self.final.name}{_OLD}"
        try:
            rename_patiently(self.final, aside)
            self._refuse_another(aside, replaced)
            rename_new(self.path, self.final)
        except BaseException:
            if os.path.lexists(aside):
                # Where even this is refused both stay where they are, and the next run puts one back.
                rename_new(aside, self.final)
            self._swapping = False
            raise
        return aside

    def _refuse_another(self, path: Path, replaced: str) -> None:
        if not _is(path, replaced):
            raise MendError(
                where=str(self.final),
                problem="was moved away or replaced meanwhile",
                remedy="Nothing was touched; look what lies there now, then run it again",
            )

    def settle(self) -> None:
        """Say that nothing in the old folder is still needed: it goes with the end of the block."""
        self._swapping = False

    def keep(self) -> None:
        """Leave the staging folder where it is, as a killed run would; `leftovers` finds it."""
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1
        self._kept = True

    def discard(self) -> None:
        """Remove the staging folder and whatever is in it; what cannot be removed is left to `leftovers`."""
        if self._swapping:
            self.keep()
        if self._kept:
            return
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1
        _remove_what_goes(self.outer)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.discard()


def leftovers(parent: Path) -> tuple[Leftover, ...]:
    """Staging folders lying in a folder, sorted; those of dead runs are not `in_use` and may be removed.

    Args:
        parent: The folder where bags are built.

    Raises:
        StorageError: The folder cannot be read.
    """
    with storage_trouble(parent), os.scandir(parent) as entries:
        found = [
            (Path(entry.path), match["name"])
            for entry in entries
            if (match := _NAME.fullmatch(entry.name)) and entry.is_dir(follow_symlinks=False)
        ]
    return tuple(
        Leftover(path, name, is_held(path / _LOCK), _waiting(path, name), (path / _REPLACES).exists())
        for path, name in sorted(found)
    )


def is_staging_name(name: str) -> bool:
    """Whether a folder of this name is a staging folder."""
    return _NAME.fullmatch(name) is not None


def put_back(leftover: Leftover) -> bool:
    """Give a folder back its name where a run died while neither the old nor the new one had it.

    Args:
        leftover: Of a dead run.

    Returns:
        Whether there was cause: the new folder, which was finished and judged, has the name now, or the old
        one.

    Raises:
        StorageError: The disk refused.
    """
    final = leftover.path.parent / leftover.name
    new, old = leftover.path / leftover.name, leftover.path / f"{leftover.name}{_OLD}"
    if leftover.in_use or os.path.lexists(final) or not old.is_dir():
        return False
    finished = new.is_dir() and (leftover.path / _BUILT).exists()
    with storage_trouble(final):
        rename_new(new if finished else old, final)
        sync_folder(final.parent)
    return True


def remove_leftover(leftover: Leftover) -> None:
    """Remove the staging folder of a dead run.

    What only waited for its place beside the finished folder gets it.

    Raises:
        DestinationError: It is in use, or holds something of a replaced folder that lies nowhere else.
        StorageError: The disk refused.
    """
    if is_held(leftover.path / _LOCK):
        raise DestinationError(
            where=str(leftover.path),
            problem="is in use by another run",
            remedy="Wait until that run has ended",
        )
    with storage_trouble(leftover.path):
        if only := _only_here(leftover):
            raise DestinationError(
                where=str(leftover.path),
                problem=f"holds {only}, which is not proved to lie anywhere else",
                remedy="Nothing was removed; take out of it what you need, then remove it by hand",
            )
        for name in leftover.waiting:
            if not os.path.lexists(leftover.path.parent / name):
                rename_new(leftover.path / name, leftover.path.parent / name)
        _remove_what_goes(leftover.path)
        if os.path.lexists(leftover.path):
            _remove_flat(leftover.path)


def _only_here(leftover: Leftover) -> str:
    """What a leftover holds of a folder that was to be replaced and nobody else has.

    "" where all is superseded.
    """
    from pipeline.edges.same_files import first_missing

    replaces, built = leftover.path / _REPLACES, leftover.path / _BUILT
    if not replaces.exists():
        return ""
    final = leftover.path.parent / leftover.name
    old = leftover.path / f"{leftover.name}{_OLD}"
    if final.is_dir() and not old.exists():
        # The new one was still being built, from the folder that stands here and from copies: it is not
        # said to be finished, or the old one has the name still, or not even what was to be replaced is on
        # the disk, which was flushed before the two changed places.
        said = replaces.read_text("ascii", "replace")
        if not built.exists() or not _IDENTITY.fullmatch(said) or _is(final, said):
            return ""
    elif not final.is_dir():
        return "the only folder of this name"
    among = [final, *_damaged_beside(final)]
    for folder in (leftover.path / leftover.name, old):
        if folder.is_dir() and (path := first_missing(folder, among)):
            return f"{folder.name}/{path}"
    return ""


def _damaged_beside(final: Path) -> Iterator[Path]:
    named = re.compile(re.escape(final.name) + r"\.damaged-[0-9]+")
    return (path for path in sorted(final.parent.iterdir()) if named.fullmatch(path.name))


def _is(path: Path, told: str) -> bool:
    """Whether a path still leads to the file or folder of this identity."""
    try:
        return identity(path) == told
    except OSError:
        return False


def _remove_what_goes(folder: Path) -> None:
    """Remove a folder with all in it; what the disk refuses stays."""
    import shutil

    with contextlib.suppress(RecursionError):
        shutil.rmtree(folder, ignore_errors=True)
        if os.path.lexists(folder):
            # What may not be written may not be removed either on Windows.
            _make_writable(folder)
            shutil.rmtree(folder, ignore_errors=True)
    if os.path.lexists(folder):
        with contextlib.suppress(OSError):
            _remove_flat(folder)


def _make_writable(folder: Path) -> None:
    """Files below a folder that goes lose what keeps them from going; those with a name elsewhere as well."""
    for inside, _, names in os.walk(folder):
        for name in names:
            path = Path(inside, name)
            with contextlib.suppress(OSError):
                if not path.is_symlink():
                    path.chmod(path.stat().st_mode | 0o200)


def _remove_flat(folder: Path) -> None:
    """Remove a folder in which others are nested deeper than a path, or the way down by recursion, reaches.

    Each folder's folders come up beside it before it goes, so that no path is longer than two names more.

    Raises:
        OSError: The disk refused.
    """
    waiting, number = [folder], 0
    while waiting:
        lowest = waiting.pop()
        with os.scandir(lowest) as entries:
            found = list(entries)
        for entry in found:
            if not entry.is_dir(follow_symlinks=False):
                Path(entry.path).unlink()
                continue
            number += 1
            moved = folder / f".{number}-{os.urandom(4).hex()}"
            Path(entry.path).rename(moved)
            waiting.append(moved)
        if lowest != folder:
            lowest.rmdir()
    folder.rmdir()


def _waiting(path: Path, name: str) -> tuple[str, ...]:
    """Files that a run killed after its folder had got the name had still to put beside it.

    A record, a zip.
    """
    try:
        if (path / _BUILT).read_text("ascii") != identity(path.parent / name):
            return ()
        return tuple(sorted(each.name for each in path.iterdir() if each.suffix in {".json", ".zip"}))
    except (OSError, ValueError):
        return ()
