"""`wellread check`: sheet and dumps against the schemas and the decoders; nothing is written."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

from pipeline.edges.console import Progress
from pipeline.run.crew import Crew
from pipeline.run.package.names_in_bag import dump_names
from pipeline.run.package.one_chip import Job, work_batch
from pipeline.run.package.open_project import open_project


def check_project(folder: Path, *, quiet: bool = False) -> dict[str, Any]:
    """What `check --json` prints.

    Args:
        folder: The project folder.
        quiet: No progress.

    Raises:
        WellreadError: The folder is no project, or its sheet no YAML.
    """
    project = open_project(folder)
    problems = [one for one in project.problems if not one.caution]
    cautions = [one for one in project.problems if one.caution]
    chips = 0
    grades: Counter[str] = Counter()
    if project.plan is not None:
        progress = Progress(quiet=quiet)
        planned = project.plan.chips
        chips = len(planned)
        names, owners, _ = dump_names(planned, project.files)
        job = Job(project.folder, None, project.plan.sheet.readers, names, owners)
        with Crew(items=chips) as crew:
            for count, worked in enumerate(crew.each(work_batch, job, planned), start=1):
                problems += worked.problems
                if not worked.problems:
                    grades[worked.record["grade"]] += 1
                progress.show("chips checked:", count, chips)
        progress.done()
    return {
        "schema": "wellread/check/1",
        "command": "check",
        "folder": str(folder),
        "sound": not problems,
        "chips": chips,
        "grades": dict(grades),
        "problems": [_told(one) for one in problems],
        "cautions": [_told(one) for one in cautions],
    }


def _told(problem: Any) -> dict[str, str]:
    return {
        "where": problem.where,
        "field": problem.field,
        "found": problem.found,
        "expected": problem.expected,
        "nearest": problem.nearest,
        "text": str(problem),
    }
