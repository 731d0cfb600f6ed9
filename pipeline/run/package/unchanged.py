"""Whether a project is what it was when its newest version was made, told before any chip is worked on.

A version is the same where the same program would be given the same bytes: the sheet and its tables, every
dump, photograph and document, and what was received of twins. Only digests decide, and a file that cannot be
read now leaves the decision to the run itself, which says so.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Mapping, Sequence
from math import inf
from pathlib import Path

from pipeline import __version__
from pipeline.bags.observed import Verdict
from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import Observing
from pipeline.errors import WellreadError
from pipeline.flow import Packaged, Plan
from pipeline.run.package.names_in_bag import loose_dumps
from pipeline.run.package.open_project import Project
from pipeline.run.package.untouched import digest_of_file, files_held, inputs_digest, same_again, summaries
from pipeline.run.package.versions import Previous
from schemas.record import Record


def attached(project: Project) -> list[str]:
    """Photographs and documents that are packed as they are."""
    return [
        path
        for path, found in project.files.items()
        if path.startswith(("photos/", "docs/")) and not found.refused
    ]


def told_same(previous: Previous | None, inputs_sha256: str) -> bool:
    """Whether a version was made of these inputs by this version of the program."""
    return (
        previous is not None
        and previous.record.get("inputs_sha256") == inputs_sha256
        and previous.record["software"]["version"] == __version__
    )


def unchanged_version(
    project: Project, plan: Plan, twins: Mapping[str, str], previous: Previous
) -> Packaged | None:
    """The newest version again, where all inputs are what it was made of; else None.

    While the inputs are digested here, other processes digest the bag.

    Args:
        project: Looked over.
        plan: Of it.
        twins: Key of each twin that the sheet names → receipt of its bag, verified.
        previous: The newest version.

    Raises:
        BagError: Nothing has changed, but it does not pass a recheck.
    """
    if previous.record["software"]["version"] != __version__:
        return None
    inputs = {f"twins/{key}": receipt for key, receipt in twins.items()}
    inputs |= {name: hashlib.sha256(text).hexdigest() for name, text in project.sheet_files.items()}
    compared = _AgainstVersion(project, previous.record, inputs)
    likely, others = _newest_first(project.folder, _paths(project, plan))
    if not compared.are_same(likely):
        return None
    with Observing(previous.path) as observing:
        if not compared.are_same(others) or not told_same(previous, inputs_digest(inputs)):
            return None
        return same_version(previous, plan, judge(observing.observation()))


def same_version(previous: Previous, plan: Plan, verdict: Verdict) -> Packaged:
    """The newest version again; a damaged one is not passed off as what the project is.

    Args:
        previous: The newest version.
        plan: Of the project.
        verdict: Of a recheck of that version.

    Raises:
        BagError: It does not pass.
    """
    cautions = tuple(str(one) for one in plan.cautions)
    return same_again(previous.path, summaries(previous.record), previous.record, cautions, verdict)


class _AgainstVersion:
    """Files held against what a version was made of, one after the other.

    Args:
        project: Looked over.
        record: Of the version.
        inputs: Gets the digest of each file.
    """

    def __init__(self, project: Project, record: Record, inputs: dict[str, str]) -> None:
        self._folder, self._inputs = project.folder, inputs
        self._was = dict(files_held(record))

    def are_same(self, paths: Iterable[str]) -> bool:
        """Whether each holds what it held; the first that does not ends the search."""
        try:
            return all(
                self._was.get(path) == self._inputs.setdefault(path, digest_of_file(f"{self._folder}/{path}"))
                for path in paths
            )
        except (OSError, WellreadError):
            return False


def _paths(project: Project, plan: Plan) -> list[str]:
    """Every dump, photograph and document of a project."""
    read = [path for chip in plan.chips for path in chip.files]
    return list(dict.fromkeys([*read, *loose_dumps(read, project.files), *attached(project)]))


_LIKELY = 16


def _newest_first(folder: Path, paths: Sequence[str]) -> tuple[list[str], list[str]]:
    """The files that were changed last, which are the likeliest to differ, and all others."""

    def changed(path: str) -> float:
        try:
            return os.stat(os.path.join(folder, path)).st_mtime  # noqa: PTH116, PTH118 - by the ten thousand
        except OSError:
            return inf

    ordered = sorted(paths, key=changed, reverse=True)
    return ordered[:_LIKELY], ordered[_LIKELY:]
