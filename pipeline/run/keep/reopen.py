"""`wellread reopen`: the project folder back from a bag, so that a correction makes the next version.

The sheet comes back as given, dumps and attachments under the names that they had. Every byte is held against
the digests that a recheck of the whole bag has just confirmed.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.bags.portable_names import is_portable
from pipeline.edges.bags.restore import restore_file
from pipeline.edges.one_place import lies_in
from pipeline.edges.progress import Progress
from pipeline.edges.project_folder import DEEPEST_FOLDERS, SHEET_NAME, real, speakable
from pipeline.edges.staging import Staging
from pipeline.errors import BagError, DestinationError, UnsafeError
from pipeline.result import Result
from pipeline.run.keep.valid_bag import Judged
from pipeline.views.changes import reopened

if TYPE_CHECKING:
    from schemas.answers import ReopenAnswer
    from schemas.record import RecordHead, StoredFile

_FOLDERS = ("dumps", "photos", "docs")


def reopen(path: Path, into: Path, *, quiet: bool = False) -> Result[ReopenAnswer]:
    """Write the project folder that a bag was made from, and say so.

    Args:
        path: The bag's folder.
        into: The project folder to make; nothing may have that name.
        quiet: No progress.

    Raises:
        BagError: It does not pass recheck, or is a public bundle, which has no sheet.
        UnsafeError: A name in its record leads out of the project folder.
        DestinationError: There is something of that name, or it would lie inside the bag.
        StorageError: The disk refused.
    """
    progress = Progress(quiet=quiet)
    bag = Judged(path, progress)
    head = bag.head()
    if origin := head.get("released_from"):
        raise BagError(
            where=str(path),
            problem="this is a public bundle: the sheet and most readings stayed behind",
            remedy=f"Reopen the bag {origin['bag']} that it was made from",
        )
    final = real(into)
    if lies_in(final, bag.path):
        raise DestinationError(
            where=str(into), problem="this lies inside the bag", remedy="Choose a folder outside it"
        )
    files = dict(_files(bag, head))
    if SHEET_NAME not in files:
        raise BagError(
            where=str(path), problem="its record names no sheet", remedy="Take the bag from another copy"
        )
    with Staging(final) as staging:
        for original, stored in sorted(files.items()):
            inside = stored["path"]
            sha256, sha512 = restore_file(staging.path, original, bag.file(inside))
            bag.matches(inside, sha256, sha512)
        staging.commit()
    document: ReopenAnswer = {
        "schema": "wellread/reopen/1",
        "command": "reopen",
        "bag": str(path),
        "folder": str(into),
        "files": sorted(files),
        "chips": sum(1 for _ in bag.chips()),
    }
    return Result(document, reopened(document))


def _files(bag: Judged, head: RecordHead) -> Iterator[tuple[str, StoredFile]]:
    """(original name, entry of the record), a file once for each name it had."""
    for stored in (*head["sheet"], *head.get("attachments", ())):
        yield _safe(stored["original_name"] or "", sheet=stored in head["sheet"]), stored
    for chip in bag.chips():
        for reading in chip["readings"]:
            for stored in reading["files"]:
                yield _safe(stored["original_name"] or "", sheet=False), stored


def _safe(name: str, *, sheet: bool) -> str:
    """A name from a record, which anyone may have written, as a path that stays inside the folder.

    Raises:
        UnsafeError: It does not, or it is no place where a project keeps files.
    """
    pieces = name.split("/")
    deep = len(pieces) > DEEPEST_FOLDERS + 2  # dumps/, the folders in it, and the file
    sound = all(piece not in ("", ".", "..") and speakable(piece) for piece in pieces)
    # What another system allowed in a name may be a path, a drive or a device on this one.
    sound = sound and (os.sep == "/" or all(map(is_portable, pieces)))
    sound = sound and not (len(pieces[0]) > 1 and pieces[0][1] == ":")
    if deep or not sound or not (sheet or pieces[0] in _FOLDERS or len(pieces) == 1):
        raise UnsafeError(
            where=repr(name),
            problem="is not a file of a project folder",
            remedy="Do not trust this bag's record",
        )
    return name
