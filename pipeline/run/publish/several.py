"""`release` of several bags: one that cannot be released keeps none of the others behind."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.run.many import Done, several
from pipeline.run.publish.release import release

if TYPE_CHECKING:
    from schemas.answers import SeveralAnswer


def release_several(
    bags: Sequence[Path],
    into: Path | None,
    *,
    dry_run: bool,
    clear_leftovers: bool,
    strict: bool,
    quiet: bool = True,
) -> SeveralAnswer:
    """The summary of several bags.

    Args:
        bags: Each is rechecked first.
        into: Where all bundles go; each beside its bag where not said.
        dry_run: Nothing is written.
        clear_leftovers: Remove what runs that died in the middle left beside the bundles.
        strict: Whether a chip that needs a person counts.
        quiet: No progress.
    """

    def one(bag: Path) -> Done:
        answer = release(bag, into, dry_run=dry_run, quiet=quiet, clear_leftovers=clear_leftovers)
        place = answer["zip"] or "nothing written"
        out = sum(1 for chip in answer["chips"] if chip["goes_out"])
        said = f"{place}: {out} of {len(answer['chips'])} chips go out"
        return Done(answer, said, whole=True)

    return several("release", bags, one, strict=strict)
