"""`wellread recheck`: bags against what they say of themselves."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline.bagflow import Verdict
from pipeline.edges.baghash import observe
from pipeline.edges.console import Progress
from pipeline.stages.recheck import judge


def verdict_of(path: Path, progress: Progress) -> Verdict:
    """One bag, seen once and judged."""
    return judge(
        observe(path, progress=lambda done, of: progress.show(f"{path.name}: bytes read:", done, of))
    )


def told(path: Path, verdict: Verdict) -> dict[str, Any]:
    """One bag as `recheck --json` prints it."""
    return {
        "path": str(path), "complete": verdict.complete, "valid": verdict.valid,
        "problems": [
            {"path": one.path, "kind": one.kind, "means": one.means, "severity": one.severity} for one in verdict.problems
        ],
        "files": verdict.files, "size_bytes": verdict.size_bytes, "receipt": verdict.receipt or None,
    }  # fmt: skip


def recheck_bags(bags: Sequence[Path], *, quiet: bool) -> dict[str, Any]:
    """What `recheck --json` prints.

    Raises:
        BagError: Something given is no bag at all.
        StorageError: It cannot be read.
    """
    progress = Progress(quiet=quiet)
    out = []
    for path in bags:
        out.append(told(path, verdict_of(path, progress)))
        progress.done()
    return {"schema": "wellread/recheck/1", "command": "recheck", "bags": out}
