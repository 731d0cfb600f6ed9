"""`wellread check`: sheet and dumps against the schemas and the decoders; nothing is written."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.edges.progress import Progress
from pipeline.result import Result
from pipeline.run.package.all_chips import look_over
from pipeline.run.package.open_project import open_project
from pipeline.stages.content.among_chips import CrossedReader, crossing_in_words
from pipeline.to_do import to_do, worst_first
from pipeline.views.suggestions import kin_of, programs, reads_for, suggested
from pipeline.views.terminal import checked, spaces_in_doubt

if TYPE_CHECKING:
    from pipeline.flow import Problem
    from schemas.answers import CheckAnswer, ToldProblem
    from schemas.record import ChipRecord, SpaceRecord, SuggestedSpace


def check_project(folder: Path, *, quiet: bool = False) -> Result[CheckAnswer]:
    """What `check` says.

    Args:
        folder: The project folder.
        quiet: No progress.

    Raises:
        WellreadError: The folder is no project, or its sheet no YAML.
    """
    project = open_project(folder)
    problems = [one for one in project.problems if not one.caution]
    cautions = [one for one in project.problems if one.caution]
    chips = len(project.plan.chips) if project.plan is not None else 0
    records: tuple[ChipRecord, ...] = ()
    spaces: tuple[SpaceRecord, ...] = ()
    suggestions: tuple[SuggestedSpace, ...] = ()
    readers: list[ToldProblem] = []
    if project.plan is not None:
        progress = Progress(quiet=quiet)
        looked = look_over(project, progress=lambda done, of: progress.show("chips read", done, of))
        progress.done()
        problems += looked.problems
        readers = [_of_reader(one) for one in looked.crossed_readers]
        records, spaces, suggestions = looked.records, looked.spaces, looked.suggestions
    waiting = worst_first(to_do(record) for record in records)
    document: CheckAnswer = {
        "schema": "wellread/check/1",
        "command": "check",
        "folder": str(folder),
        "sound": not problems,
        "chips": chips,
        "grades": dict(Counter(record["grade"] for record in records)),
        "named": _named(records),
        "needing": [one.chip for one in waiting if one.needs_person],
        "to_do": [one.to_json() for one in waiting],
        "programs": programs(reads_for(record) for record in records),
        "spaces": spaces_in_doubt(spaces),
        "suggestions": suggested(
            suggestions, (kin for one in records for kin in kin_of(one["chip"], one["findings"]))
        ),
        "problems": [_told(one) for one in problems],
        "cautions": [*(_told(one) for one in cautions), *readers],
    }
    return Result(document, checked(document))


def _named(records: tuple[ChipRecord, ...]) -> dict[str, list[str]]:
    """The chips that cannot be trusted, by grade: findings do not change what `check` says of the sheet."""
    grades = ("faulty", "contested")
    named = {grade: [one["chip"] for one in records if one["grade"] == grade] for grade in grades}
    return {grade: chips for grade, chips in named.items() if chips}


def _of_reader(crossed: CrossedReader) -> ToldProblem:
    """A reader whose wires are crossed, as the sheet's cautions are told."""
    return {
        "where": f"reader {crossed.reader}",
        "field": "lines",
        "found": crossing_in_words(crossed.crossing),
        "expected": "lines in the chips' own order",
        "nearest": "",
        "text": crossed.in_words(),
    }


def _told(problem: Problem) -> ToldProblem:
    return {
        "where": problem.where,
        "field": problem.field,
        "found": problem.found,
        "expected": problem.expected,
        "nearest": problem.nearest,
        "text": str(problem),
    }
