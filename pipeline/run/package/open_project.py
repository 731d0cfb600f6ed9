"""The first steps of every task on a project folder.

The sheet read, the files surveyed, all problems at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from pipeline.catalogue import Catalogue, load
from pipeline.edges.memory import need_room
from pipeline.edges.project_folder import (
    LARGEST_SHEET_BYTES,
    SHEET_NAME,
    project_folder,
    read_file,
    sheet_content,
    survey,
)
from pipeline.errors import NothingToDoError
from pipeline.flow import FoundFile, Plan, Problem
from pipeline.stages.sheet import parse_sheet, read_sheet


class Project(NamedTuple):
    """A project folder, read as far as its sheet.

    Attributes:
        folder: Where it lies.
        plan: Chips with their readings, or None where the sheet cannot be typed.
        problems: Of the sheet and its tables, cautions among them.
        files: Everything the survey saw.
        sheet_files: The sheet and its tables: name → bytes, as given.
        catalogue: The parts known, the sheet's own before the others.
    """

    folder: Path
    plan: Plan | None
    problems: tuple[Problem, ...]
    files: Mapping[str, FoundFile]
    sheet_files: Mapping[str, bytes]
    catalogue: Catalogue


def read_project(given: Path) -> Project:
    """The project that a folder holds, with or without dumps.

    Raises:
        NothingToDoError: No project, an empty sheet, or no chips.
        SheetError: The sheet's text cannot be read as YAML.
        UnsafeError: The sheet is a link out of the folder, or not a regular file.
        ResourceError: The limit of memory is too low.
    """
    need_room(str(given))
    folder = project_folder(given)
    files = survey(folder)
    content = sheet_content(folder, files)
    document = parse_sheet(content, SHEET_NAME)
    sheet_files = {SHEET_NAME: content}
    for table in document.tables:
        found = files.get(table)
        if found is not None and not found.refused:
            sheet_files[table] = read_file(folder, table, limit=LARGEST_SHEET_BYTES)
    catalogue = load()
    tables = {name: bytes_ for name, bytes_ in sheet_files.items() if name != SHEET_NAME}
    plan, problems = read_sheet(document, tables=tables, files=files, catalogue=catalogue)
    if plan is not None:
        catalogue = catalogue.with_parts(plan.sheet.parts)
    return Project(folder, plan, problems, files, sheet_files, catalogue)


def open_project(given: Path) -> Project:
    """The project that a folder holds, with something in it to work on.

    Raises:
        NothingToDoError: As `read_project`, and where there are no dumps at all.
        SheetError, UnsafeError: As `read_project`.
    """
    project = read_project(given)
    named = project.plan is not None and any(chip.readings for chip in project.plan.chips)
    if (
        not named
        and not any(path.startswith("dumps/") for path in project.files)
        and all(one.caution for one in project.problems)
    ):
        raise NothingToDoError(
            where=str(given / "dumps"),
            problem="there are no dump files",
            remedy=(
                "Put what your readers wrote into dumps/, named CHIP.READER.N.ext or listed under `readings`"
            ),
        )
    return project


def dump_bytes(project: Project) -> int:
    """How many bytes the files of all readings have, as the survey saw them."""
    chips = project.plan.chips if project.plan is not None else ()
    read = {path for chip in chips for path in chip.files}
    return sum(project.files[path].size_bytes for path in read)
