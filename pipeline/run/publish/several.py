"""`release` of one bag or several: one that cannot be released keeps none of the others behind."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.result import Result
from pipeline.run.many import Done, several
from pipeline.run.publish.release import release
from pipeline.views.release import released

if TYPE_CHECKING:
    from schemas.answers import ReleaseAnswer


def release_bags(
    bags: Sequence[Path],
    into: Path | None,
    *,
    dry_run: bool,
    clear_leftovers: bool,
    strict: bool,
    quiet: bool = True,
) -> Result[Mapping[str, object]]:
    """What `release` says: of one bag all, of several a line each.

    Args:
        bags: Each is rechecked first.
        into: Where all bundles go; each beside its bag where not said.
        dry_run: Nothing is written.
        clear_leftovers: Remove what runs that died in the middle left beside the bundles.
        strict: Whether a chip that needs a person counts.
        quiet: No progress.
    """

    def made(bag: Path) -> ReleaseAnswer:
        return release(bag, into, dry_run=dry_run, quiet=quiet, clear_leftovers=clear_leftovers)

    def one(bag: Path) -> Done:
        answer = made(bag)
        place = answer["zip"] or "nothing written"
        out = sum(1 for chip in answer["chips"] if chip["goes_out"])
        return Result(answer, f"{place}: {out} of {len(answer['chips'])} chips go out")

    if len(bags) == 1:
        document = made(bags[0])
        return Result(document, released(document), brief=document["zip_sha256"] or "")
    return several("release", bags, one, strict=strict)
