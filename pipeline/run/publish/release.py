"""`wellread release`: from a bag that has just passed recheck to a public bundle and its zip.

1. The bag is rechecked; its record is read as it was judged.
2. The record is surveyed: what is private, whether content may go out, where else private values stand.
3. Each chip's public view is made; its image, HEX and S-record files and its public readings are written.
4. Spaces, photographs without what the camera wrote, documents let out by name.
5. Report, record, PREMIS, notes, README, citation, RO-Crate and checksums are made from the public view
   alone.
6. Every text just written is searched for the private values once more.
7. Manifests; the folder is judged twice, zipped, and the zip judged; then both get their names, the folder
   first.
"""

from __future__ import annotations

import tempfile
import uuid
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import __version__
from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import observe
from pipeline.edges.bags.second_opinion import second_opinion
from pipeline.edges.bags.writer import finish_bag
from pipeline.edges.clock import now
from pipeline.edges.names import refuse_existing
from pipeline.edges.one_place import lies_in, refuse_in_a_bag
from pipeline.edges.progress import Progress
from pipeline.edges.project_folder import last_folder, real
from pipeline.edges.staging import Staging, make_last_folder
from pipeline.edges.zip_writer import write_zip
from pipeline.errors import DestinationError, JudgedBadError
from pipeline.publish.public_view import Public, refuse_unreleasable, survey
from pipeline.run.keep.valid_bag import Judged
from pipeline.run.leftovers import dead_runs
from pipeline.run.package.spool import Spool
from pipeline.run.publish.bundle_files import Making, each_chip, other_files
from pipeline.run.publish.bundle_texts import derived_files
from pipeline.to_do import worst_first
from pipeline.views import bundle

if TYPE_CHECKING:
    from schemas.answers import ReleaseAnswer
    from schemas.record import RecordHead

PROFILE = "https://wellread.example/profiles/rom-bundle-1.0.0.json"
"""The bundle's BagIt Profile, which lies in the bundle; the name does not resolve (RFC 2606)."""
_SPACE_OF_IDS = uuid.UUID("0b6c8a3e-5f0d-5a41-9f6e-3d0e3a3b6c52")


def release(
    path: Path,
    into: Path | None = None,
    *,
    dry_run: bool = False,
    quiet: bool = False,
    clear_leftovers: bool = False,
) -> ReleaseAnswer:
    """The public bundle of a bag, as `release --json` prints it.

    Args:
        path: The bag's folder.
        into: Where the bundle goes; beside the bag where not said.
        dry_run: Say what would go out and what would stay; write nothing.
        quiet: No progress and no notices.
        clear_leftovers: Remove what runs that died in the middle left where the bundle goes.

    Raises:
        BagError: The bag does not pass recheck, or is no bag that can be released.
        RightsError: The sheet says nothing about rights.
        DestinationError: The bundle or its zip is there already, or would lie inside the bag.
        JudgedBadError: The bundle did not pass its own checks; nothing was put in place.
        StorageError: The disk refused.
    """
    moment = now()
    progress = Progress(quiet=quiet)
    try:
        bag = Judged(path, progress)
        head = bag.head()
        refuse_unreleasable(head)
        public = Public(survey(head, bag.chips()))
        name = f"{head['bag']}-public"
        place = _place(bag, into, make=not dry_run, quiet=quiet)
        making = Making(
            bag, public, _public_head(head, public, bag, name, moment.text if moment.fixed else ""), None
        )
        if moment.fixed:
            making.cautions += moment.contradicts("the bag", head["created"])
        if dry_run:
            with Spool(Path(tempfile.gettempdir())) as spool:
                each_chip(making, spool, progress)
            other_files(making, head)
            return _document(making, None, None, "")
        dead_runs(place, [name], clear=clear_leftovers, quiet=quiet)
        return _made(making, head, place, name, progress)
    finally:
        progress.done()


def _place(bag: Judged, into: Path | None, *, make: bool, quiet: bool) -> Path:
    chosen = real(into) if into is not None else real(bag.path).parent
    if lies_in(chosen, bag.path):
        raise DestinationError(
            where=str(into), problem="this lies inside the bag", remedy="Choose a folder outside it"
        )
    refuse_in_a_bag(chosen / "a bundle")
    last_folder(chosen)
    if make:
        make_last_folder(chosen, quiet=quiet)
    return chosen


def _public_head(head: RecordHead, public: Public, bag: Judged, name: str, fixed: str) -> RecordHead:
    """The public head, dated and named as the bundle's own."""
    out = public.head(head)
    receipt = bag.verdict.receipt
    made = f"{receipt} {__version__} {fixed}"
    out["bag"] = name
    out["external_identifier"] = f"urn:uuid:{uuid.uuid5(_SPACE_OF_IDS, made)}"
    out["released_from"] = {
        "bag": head["bag"],
        "external_identifier": head["external_identifier"],
        "receipt": receipt,
        "when": fixed or head["created"],
        "clock_fixed": bool(fixed),
        "software": {"name": "wellread", "version": __version__},
        "content": public.survey.content,
    }
    return out


def _made(making: Making, head: RecordHead, place: Path, name: str, progress: Progress) -> ReleaseAnswer:
    packed = place / f"{name}.zip"
    refuse_existing(packed)
    with Staging(place / name) as staging:
        making.root = staging.path
        with Spool(staging.outer) as spool:
            each_chip(making, spool, progress)
            other_files(making, head)
            derived_files(making, spool)
        _search(making)
        _ready(making)
        _judge(staging.path, progress)
        moment = datetime.fromisoformat(making.origin["when"])
        beside = staging.outer / packed.name
        digest = write_zip(beside, staging.path, moment)
        _judge_zip(beside, progress)
        # The folder's flush covers the zip too: both lie in one file system.
        staging.commit(beside=[packed.name])
    return _document(making, place / name, packed, digest)


def _search(making: Making) -> None:
    """Step 6: the public view was made without private values; this looks whether that is so.

    Raises:
        JudgedBadError: A text holds one; nothing is put in place.
    """
    assert making.root is not None
    for entry in making.entries:
        if entry.path.startswith(
            ("data/images", "data/spaces/", "data/readings/", "data/photos/", "data/docs/")
        ):
            continue
        label = making.public.leak_in((making.root / entry.path).read_bytes())
        if label:
            raise JudgedBadError(
                where=entry.path,
                problem=f"it would have held the text of a private field ({label})",
                remedy=(
                    "Nothing was put in place. Word that field differently if it holds an everyday word; "
                    "otherwise report this message as a bug"
                ),
            )


def _ready(making: Making) -> None:
    assert making.root is not None
    finish_bag(making.root, making.entries, bundle.bag_info(making.head, PROFILE))


def _judge(root: Path, progress: Progress) -> None:
    """Two judges, as for every bag.

    Raises:
        JudgedBadError: Either finds anything.
    """
    verdict = judge(
        observe(root, progress=lambda done, of: progress.show("files hashed", done, of, size=True))
    )
    errors = [one for one in verdict.problems if one.severity == "error"]
    complaints = [f"{one.path}: {one.means}" for one in errors] or second_opinion(root)
    if not verdict.valid or complaints:
        raise JudgedBadError(
            where=root.name,
            problem=f"the bundle does not pass ({complaints[0]})",
            remedy="Nothing was put in place; report this message as a bug",
        )


def _judge_zip(packed: Path, progress: Progress) -> None:
    verdict = judge(
        observe(packed, progress=lambda done, of: progress.show("zip read back", done, of, size=True))
    )
    if not verdict.valid:
        raise JudgedBadError(
            where=packed.name,
            problem=f"the zip does not pass ({verdict.problems[0].path}: {verdict.problems[0].means})",
            remedy="Nothing was put in place; report this message as a bug",
        )


def _document(making: Making, folder: Path | None, packed: Path | None, digest: str) -> ReleaseAnswer:
    """What `release --json` prints."""
    rights = making.head["rights"]
    assert rights is not None
    return {
        "schema": "wellread/release/1",
        "command": "release",
        "bag": str(making.bag.path),
        "dry_run": folder is None,
        "bundle": str(folder) if folder else None,
        "zip": str(packed) if packed else None,
        "zip_sha256": digest or None,
        "content": making.origin["content"],
        "rights": rights["statement"],
        "grades": making.head["grades"],
        "files": sorted(making.described),
        "chips": making.chips,
        "needs_person": [one.chip for one in worst_first(making.waiting) if one.needs_person],
        "to_do": [one.to_json() for one in worst_first(making.waiting)],
        "withheld": [
            {
                "what": one.what,
                "kind": one.kind,
                "why": one.why,
                "chip": one.chip or None,
                "sha256": one.sha256 or None,
            }
            for one in making.public.withheld
        ],
        "replaced": dict(sorted(making.public.replaced.items())),
        "cautions": making.cautions,
    }
