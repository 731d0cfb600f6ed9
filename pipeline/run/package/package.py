"""`wellread package`: from a project folder to a bag that has passed two judges.

1. The sheet and the folder are read; all problems are told together and end the run.
2. If nothing changed since the newest version, that is said and nothing is written; where no file is newer
   than it, that is asked first of all.
3. The bag is built in staging (`build`), which is loaded only then.
4. One rename gives it its name.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.bags import record_file
from pipeline.edges.progress import Progress
from pipeline.edges.staging import Staging
from pipeline.flow import Packaged
from pipeline.run.package.untouched import untouched_version

if TYPE_CHECKING:
    from pipeline.run.package.ready import Ready
    from schemas.record import ChipRecord


def package(
    folder: Path, into: Path | None = None, *, quiet: bool = False, clear_leftovers: bool = False
) -> Packaged:
    """The bag of a project.

    Args:
        folder: The project folder.
        into: Where the bag goes; beside the folder where not said.
        quiet: No progress and no notices.
        clear_leftovers: Remove what runs that died in the middle left beside the bag.

    Raises:
        WellreadError: See the exit codes; nothing is left under the final name.
    """
    untouched = untouched_version(folder, into, quiet=quiet, clear_leftovers=clear_leftovers)
    if untouched is not None:
        return untouched
    from pipeline.run.package.ready import chip_crew, get_ready

    ready, final = get_ready(folder, into, quiet=quiet, clear_leftovers=clear_leftovers)
    same = unchanged(ready)
    if same is not None:
        return same
    progress = Progress(quiet=quiet)
    try:
        with Staging(final) as staging:
            with chip_crew(ready.project, staging.path.parent) as crew:
                # What the workers need and what this process needs is loaded at the same time.
                from pipeline.run.package.build import build_bag, judge_twice

                packaged = build_bag(ready, staging.path, progress, crew)
            if not packaged.same_as:
                del ready  # the plan of ten thousand chips makes room for all files of the bag
                judge_twice(staging.path, progress)
                staging.commit()
            return packaged
    finally:
        progress.done()


def unchanged(ready: Ready) -> Packaged | None:
    """The newest version again, where nothing has changed since; else None.

    Raises:
        BagError: Nothing has changed, but it does not pass a recheck.
    """
    project, previous = ready.project, ready.previous
    assert project.plan is not None
    if previous is None:
        return None
    from pipeline.run.package.unchanged import unchanged_version

    receipts = {one.key: one.receipt for one in ready.twins}
    return unchanged_version(project, project.plan, receipts, previous)


def recorded_chips(bag: Path) -> list[ChipRecord]:
    """The chips' records, read from the bag that was just written."""
    return record_file.whole((bag / record_file.PATH).read_bytes())["chips"]
