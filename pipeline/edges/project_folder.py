"""The project folder on disk: surveyed without following anything out of it, and read file by file."""

from __future__ import annotations

import os
import stat
import unicodedata
from collections.abc import Iterator, Mapping
from functools import lru_cache
from pathlib import Path

from pipeline.edges.disk_errors import absent
from pipeline.edges.one_place import lies_in, refuse_in_a_bag
from pipeline.edges.steady import steadily
from pipeline.errors import DestinationError, NothingToDoError, StorageError, UnsafeError
from pipeline.flow import FoundFile
from schemas.meant import meant

SHEET_NAME = "sheet.yaml"
KEPT_FOLDERS = ("dumps", "photos", "docs")
JUNK = frozenset([".DS_Store", "Thumbs.db", "desktop.ini", "ehthumbs.db"])
"""Files that desktops leave behind, listed and left out; common practice, no source."""
DEEPEST_FOLDERS = 32
LARGEST_SHEET_BYTES = 64 * 1024 * 1024
LARGEST_DUMP_BYTES = 1024 * 1024 * 1024


def survey(folder: Path) -> Mapping[str, FoundFile]:
    """Every file of the project folder by its path, sorted; what cannot be used says why.

    Only `dumps/`, `photos/` and `docs/` are walked; beside them the files at the top are seen (the sheet and
    its tables). Links are looked at, never followed out of the folder.

    Args:
        folder: The project folder.

    Returns:
        Path inside the folder → what was found.

    Raises:
        NothingToDoError: The folder does not exist or is no project folder; the message says what it looks
        like.
    """
    root = real(folder)
    out: dict[str, FoundFile] = {}
    for entry in _scan(root, ""):
        path, kind, size, refused = entry
        if kind != "folder":
            out[path] = _found(size, refused)
    for name in KEPT_FOLDERS:
        below = root / name
        if below.is_symlink() and not _inside(root, below):
            out[name] = FoundFile(0, "a link that leads out of the project folder")
            continue
        if below.is_dir():
            _walk(root, name, out, 0)
    return dict(sorted(out.items()))


@lru_cache(maxsize=64)
def _found(size_bytes: int, refused: str) -> FoundFile:
    """The dumps of a project have few sizes: files that are alike are one value."""
    return FoundFile(size_bytes, refused)


def other_folders(folder: Path) -> list[str]:
    """Folders at the top of a project folder that no command looks into, hidden ones left out."""
    return [
        path
        for path, kind, _, _ in _scan(real(folder), "")
        if kind == "folder" and path not in KEPT_FOLDERS and not path.startswith(".")
    ]


def _walk(root: Path, folder: str, out: dict[str, FoundFile], depth: int) -> None:
    if depth > DEEPEST_FOLDERS:
        out[folder] = FoundFile(0, f"a folder nested more than {DEEPEST_FOLDERS} deep")
        return
    for path, kind, size, refused in _scan(root, folder):
        if kind == "folder":
            _walk(root, path, out, depth + 1)
        elif path.rsplit("/", 1)[-1] not in JUNK:
            out[path] = _found(size, refused)


def _scan(root: Path, folder: str) -> Iterator[tuple[str, str, int, str]]:
    """The entries of one folder as (path, folder|file, size, why refused)."""
    try:
        with os.scandir(root / folder if folder else root) as entries:
            listed = sorted(entries, key=lambda entry: entry.name, reverse=True)
    except OSError as error:
        raise StorageError(
            where=folder or root.name,
            problem=f"the folder cannot be read ({error.strerror})",
            remedy="Check its permissions",
        ) from error
    while listed:
        entry = listed.pop()  # what was asked of it goes with it: ten thousand files are not held twice
        name = _composed(entry)
        path = f"{folder}/{name}" if folder else name
        if not speakable(entry.name):
            yield ascii(path)[1:-1], "file", 0, "a name that is not Unicode or has control characters"
            continue
        if entry.is_symlink():
            if not _inside(root, Path(entry.path)):
                yield path, "file", 0, "a link that leads out of the project folder"
                continue
            if entry.is_dir():
                yield path, "file", 0, "a link to a folder"
                continue
        elif entry.is_dir():
            yield path, "folder", 0, ""
            continue
        try:
            facts = entry.stat()
        except OSError:
            yield path, "file", 0, "a link that leads nowhere"
            continue
        if not stat.S_ISREG(facts.st_mode):
            yield path, "file", 0, "a pipe, socket or device, not a regular file"
        elif facts.st_size > LARGEST_DUMP_BYTES:
            yield path, "file", facts.st_size, "a file larger than 1 GiB"
        else:
            yield path, "file", facts.st_size, ""


def _composed(entry: os.DirEntry[str]) -> str:
    """A name as people type it, where the disk gives it decomposed and finds it in either form."""
    name = unicodedata.normalize("NFC", entry.name)
    if name != entry.name:
        try:
            if os.path.samefile(entry.path, os.path.join(os.path.dirname(entry.path), name)):  # noqa: PTH118, PTH120, PTH121
                return name
        except (OSError, ValueError):
            pass
    return entry.name


def speakable(name: str) -> bool:
    """Whether a file's name is Unicode without control characters of ASCII, as all names in a project are."""
    if name.isascii() and name.isprintable():
        return True
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return not any(ord(char) < 32 or ord(char) == 127 for char in name)


def _inside(root: Path, path: Path) -> bool:
    try:
        return path.resolve(strict=True).is_relative_to(root)
    except (OSError, RuntimeError):
        return False


def real(path: Path) -> Path:
    """A path without links; a link that leads to itself stays as it is, and no such file is there then.

    `Path.resolve` raises a RuntimeError of its own for those before Python 3.13.
    """
    return Path(os.path.realpath(path))


def read_file(folder: Path, path: str, *, limit: int = LARGEST_DUMP_BYTES, steady: bool = True) -> bytes:
    """The bytes of one regular file of the project folder, as they were at one moment.

    Args:
        folder: The project's.
        path: In it.
        limit: Most bytes that are read.
        steady: Read it again where it changes meanwhile; not for a log that a capture is writing to.

    Raises:
        UnsafeError: It is not a regular file, is larger than `limit`, or a link out of the folder.
        StorageError: The disk refuses, or the file changes each time that it is read.
    """
    target = folder / path
    if not steady:
        return _read_once(target, path, limit)
    try:
        return steadily(target, lambda: _read_once(target, path, limit), name=path)
    except OSError as error:
        raise _not_opened(path, error) from error


def _read_once(target: Path, path: str, limit: int) -> bytes:
    try:
        handle = os.open(target, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except OSError as error:
        raise _not_opened(path, error) from error
    try:
        facts = os.fstat(handle)
        if not stat.S_ISREG(facts.st_mode):
            raise UnsafeError(
                where=path, problem="not a regular file", remedy="Put a copy of the file itself there"
            )
        if facts.st_size > limit:
            raise UnsafeError(
                where=path,
                problem=f"{facts.st_size} bytes, more than the {limit} that are read",
                remedy="Split the file",
            )
        with os.fdopen(handle, "rb", buffering=0, closefd=False) as stream:
            return stream.readall() or b""
    except OSError as error:
        raise StorageError(
            where=path, problem=f"cannot be read ({error.strerror})", remedy="Check the disk"
        ) from error
    finally:
        os.close(handle)


def _not_opened(path: str, error: OSError) -> StorageError:
    return StorageError(
        where=path,
        problem=f"cannot be opened ({error.strerror})",
        remedy="Check that it is there and may be read",
    )


def project_folder(given: Path) -> Path:
    """The project folder that a person meant, or what to give instead.

    Raises:
        NothingToDoError: A file, a bag, or a folder without a sheet.
        StorageError: Not there.
    """
    text = str(given)
    if not given.exists():
        raise absent(text, "folder", "Give the folder that holds sheet.yaml and dumps/")
    if given.is_file():
        suffix = given.suffix.lower()
        if suffix in (".zip", ".tar", ".tgz", ".gz", ".7z", ".rar"):
            remedy = "Unpack it and give the folder that holds sheet.yaml and dumps/"
            raise NothingToDoError(
                where=text, problem="this is a packed archive, not a folder", remedy=remedy
            )
        if given.name == SHEET_NAME or suffix in (".yaml", ".yml", ".csv", ".xlsx"):
            raise NothingToDoError(
                where=text,
                problem="this is a sheet or table, not its folder",
                remedy=f"Give the folder: {given.parent}",
            )
        raise NothingToDoError(
            where=text,
            problem="this is a file, not a folder",
            remedy="Give the folder that holds sheet.yaml and dumps/",
        )
    if (given / "bagit.txt").is_file():
        raise NothingToDoError(
            where=text,
            problem="this is a finished bag, not a project folder",
            remedy="Check it with `wellread recheck`, or get the project back with `wellread reopen`",
        )
    return given


def need_sheet(folder: Path) -> None:
    """Refuse a folder without a sheet, with the step that makes one.

    Raises:
        NothingToDoError: No sheet.yaml lies in it.
    """
    if not (folder / SHEET_NAME).is_file():
        near = [name for name in ("sheet.yml", "Sheet.yaml", "metadata.yaml") if (folder / name).is_file()]
        remedy = f"Rename {near[0]} to {SHEET_NAME}" if near else f"Draft one with `wellread start {folder}`"
        raise NothingToDoError(where=str(folder), problem=f"no {SHEET_NAME} lies here", remedy=remedy)


def sheet_content(folder: Path, files: Mapping[str, FoundFile]) -> bytes:
    """The sheet's bytes.

    Args:
        folder: Of the project.
        files: What lies there, from `survey`.

    Raises:
        NothingToDoError: No sheet.yaml lies in it.
        UnsafeError: It is a link out of the folder, which would bring what lies there into the bag, or no
        regular
            file.
        StorageError: The disk refused.
    """
    need_sheet(folder)
    if SHEET_NAME in files and files[SHEET_NAME].refused:
        raise UnsafeError(
            where=SHEET_NAME, problem=f"is {files[SHEET_NAME].refused}", remedy="Put the sheet itself there"
        )
    return read_file(folder, SHEET_NAME, limit=LARGEST_SHEET_BYTES)


def destination(folder: Path, into: Path | None) -> Path:
    """Where a bag of this project goes: beside the folder, or where asked, never inside it.

    Raises:
        DestinationError: It lies inside the project folder, is no folder, or its parent is not there.
    """
    chosen = real(into) if into is not None else real(folder).parent
    if lies_in(chosen, folder):
        raise DestinationError(
            where=str(into),
            problem="this lies inside the project folder",
            remedy="Choose a folder outside, such as the one beside it",
        )
    refuse_in_a_bag(chosen / "a bag")
    return last_folder(chosen)


def nearest_name(path: Path) -> str:
    """The file beside a path that is not there whose name is most like it, or ""."""
    try:
        names = [entry.name for entry in os.scandir(path.parent) if entry.is_file()]
    except OSError:
        return ""
    close = meant(path.name, names)
    return str(path.parent / close[0]) if len(close) == 1 else ""


def last_folder(chosen: Path) -> Path:
    """A folder that is there, or that only needs making itself: a misspelt path makes no tree of folders.

    Raises:
        DestinationError: It is a file, or the folder that it would lie in is not there.
    """
    there = next(place for place in (chosen, *chosen.parents) if place.exists())
    if not there.is_dir():
        raise DestinationError(where=str(there), problem="this is a file", remedy="Choose a folder")
    if there not in (chosen, chosen.parent):
        raise DestinationError(
            where=str(chosen),
            problem=f"the folder {chosen.parent} is not there, and only the last one of a path is made",
            remedy=f"Make it first, or choose a folder in {there}",
        )
    return chosen
