"""`wellread bench`: the wiring sheet of a part, with the project's well-read chips to try it on."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipeline.catalogue import load
from pipeline.edges.newfile import write_new
from pipeline.errors import PinoutError
from pipeline.stages.bench import KnownChip, bench
from pipeline.views.bench import bench_document, bench_html, bench_text

GOOD = frozenset(["corroborated", "self-checked"])
"""Grades good enough to try a new reader on."""


def bench_part(
    name: str, *, other: str | None, from_memory: bool, project: Path | None, html: Path | None, quiet: bool
) -> tuple[dict[str, Any], str, PinoutError | None]:
    """What `bench --json` prints, the same as text, and the refusal to end with after it was printed.

    Raises:
        PartError: No such part.
        DestinationError: The page's file exists.
    """
    catalogue = load()
    known = _known(project, quiet=quiet) if project is not None else []
    made = bench(
        catalogue.find(name),
        other=catalogue.find(other) if other else None,
        from_memory=from_memory,
        known=known,
    )
    if html is not None:
        write_new(html, bench_html(made).encode("utf-8"))
    document = {"schema": "wellread/bench/1", "command": "bench", **bench_document(made)}
    document["page"] = str(html) if html is not None else None
    return document, bench_text(made), made.refusal


def _known(folder: Path, *, quiet: bool) -> list[KnownChip]:
    """The project's chips whose image is good and whose part is known, by the same work as `check` does."""
    from tempfile import TemporaryDirectory

    from pipeline.edges.console import Progress
    from pipeline.run.chipwork import Job, work
    from pipeline.run.naming import dump_names
    from pipeline.run.opening import open_project

    project = open_project(folder)
    if project.plan is None:
        return []
    names, owners, _ = dump_names(project.plan.chips, project.files)
    out: list[KnownChip] = []
    progress = Progress(quiet=quiet)
    with TemporaryDirectory(prefix="wellread-bench-") as root:
        job = Job(project.folder, Path(root), project.plan.sheet.readers, names, owners)
        for count, planned in enumerate(project.plan.chips, start=1):
            progress.show("chips looked at:", count, len(project.plan.chips))
            if planned.part is None or not planned.part.address_pins or planned.organisation is None:
                continue
            worked = work(planned, job)
            image = worked.record.get("image")
            if worked.problems or not image or worked.record["grade"] not in GOOD:
                continue
            words = _words(Path(root) / image["path"], planned.organisation.bits)
            out.append(KnownChip(planned.chip.chip, planned.part, words, worked.record["grade"]))
    progress.done()
    return out


def _words(path: Path, bits: int) -> Any:
    import numpy as np

    return np.frombuffer(path.read_bytes(), dtype=np.uint8 if bits <= 8 else ">u2" if bits <= 16 else ">u4")
