"""`examine --project` and `compare --project`: a project's own chips and readings, as its sheet has them.

Files that lie anywhere come this way, too: what packages a project is loaded only where one was named.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pipeline import to_do
from pipeline.catalogue.cautions import cautions, heeded
from pipeline.edges.console import can_draw
from pipeline.edges.progress import Progress
from pipeline.edges.project_folder import SHEET_NAME, read_file
from pipeline.errors import FormatError, UsageError
from pipeline.result import Result
from pipeline.run.look.files import (
    NOT_SAID,
    HowWritten,
    Side,
    compare_files,
    compare_sides,
    examine_files,
    named,
)
from pipeline.summed_up import listed
from pipeline.views.terminal import examined, explaining
from schemas.meant import one_meant

if TYPE_CHECKING:
    from pipeline.flow import Pass, Plan, PlannedChip, PlannedReading
    from pipeline.run.package.open_project import Project
    from schemas.answers import CompareAnswer, ExamineAnswer
    from schemas.record import ChipRecord


def examine(
    files: Sequence[Path],
    *,
    project: Path | None,
    chip: str | None,
    part: str | None,
    organisation: str | None,
    written: HowWritten,
    quiet: bool,
) -> Result[ExamineAnswer]:
    """What `examine` says: of files, or of a project's chip.

    Args:
        files: Dumps of one chip.
        project: The project folder; the current one where only a chip was named.
        chip: Id in its sheet.
        part: The part as the option says it, for files.
        organisation: Words x bits as the option says them, for files.
        written: What was said of how the files are written.
        quiet: No progress.

    Raises:
        UsageError: Both files and a chip, or neither, or options for files beside a chip.
        WellreadError: Whatever keeps the files, or the project, from being read.
    """
    if project is None and chip is None:
        if not files:
            raise UsageError(
                where="examine",
                problem="nothing was named",
                remedy="Name dump files, or a chip: `wellread examine --project FOLDER --chip U1`",
            )
        return _examined(examine_files(files, part=part, organisation=organisation, written=written))
    if files or part is not None or organisation is not None or written != NOT_SAID:
        raise UsageError(
            where="--chip",
            problem="files and what is said of them do not go with a project's chip",
            remedy="Leave them out: the sheet says which files are the chip's, and how they are read",
        )
    return _examined(examine_chip(project or Path(), chip, quiet=quiet))


def _examined(document: ExamineAnswer) -> Result[ExamineAnswer]:
    return Result(document, examined(document, draw=can_draw()) + explaining(document))


def _sound(folder: Path) -> tuple[Project, Plan]:
    """The project, and its plan.

    Raises:
        SheetError: The sheet has problems.
    """
    from pipeline.run.package.open_project import open_project
    from pipeline.stages.sheet import refuse

    opened = open_project(folder)
    refuse(opened.problems, SHEET_NAME)
    assert opened.plan is not None
    return opened, opened.plan


def examine_chip(folder: Path, chip: str | None, *, quiet: bool) -> ExamineAnswer:
    """A chip as its sheet has it, down the whole street, with all that all chips say together.

    Args:
        folder: The project folder.
        chip: Id in its sheet.
        quiet: No progress.

    Raises:
        UsageError: No such chip.
        SheetError: Sheet or dumps have problems.
    """
    from pipeline.run.package.all_chips import look_over
    from pipeline.stages.sheet import refuse

    opened, plan = _sound(folder)
    planned = _chip(plan, chip)
    progress = Progress(quiet=quiet)
    looked = look_over(opened, progress=lambda done, of: progress.show("chips examined", done, of))
    progress.done()
    refuse(looked.problems, SHEET_NAME)
    record = next(one for one in looked.records if one["chip"] == planned.chip.chip)
    return _told(record, planned, folder)


def _chip(plan: Plan, chip: str | None) -> PlannedChip:
    """The chip of the sheet that was named.

    Raises:
        UsageError: None was, or there is no such chip.
    """
    names = [one.chip.chip for one in plan.chips]
    found = next((one for one in plan.chips if one.chip.chip == chip), None)
    if found is not None:
        return found
    near = one_meant(chip, names)
    raise UsageError(
        where="--chip",
        problem="which chip is not said" if chip is None else f"the sheet has no chip {chip!r}",
        remedy=f"Did you mean --chip {near}?" if near else f"Say one of {listed(names)}",
    )


def _told(record: ChipRecord, planned: PlannedChip, folder: Path) -> ExamineAnswer:
    """A chip's record as `examine` prints it."""
    image, readings = record.get("image"), record.get("readings", [])
    paths = [str(stored["original_name"]) for one in readings for stored in one["files"]]
    return {
        "schema": "wellread/examine/1",
        "command": "examine",
        "project": str(folder),
        "chip": record["chip"],
        "files": list(dict.fromkeys(paths)),
        "part": planned.part.part if planned.part else None,
        "organisation": record.get("organisation"),
        "passes": sum(len(one["passes"]) for one in readings),
        "image_sha256": image["sha256"] if image else None,
        "grade": record["grade"],
        "reasons": record["reasons"],
        "bears": record["bears"],
        "held_back": record.get("held_back", []),
        "contested": record.get("contested"),
        "findings": to_do.in_order(record.get("findings", []), record.get("held_back", [])),
        "regions": record.get("regions", []),
        "vectors": record.get("vectors", []),
        "read_for": record.get("read_for"),
        **heeded(cautions(planned.part)),
    }


def compare(
    first: Path,
    second: Path,
    *,
    project: Path | None,
    part: str | None,
    organisation: str | None,
    written: HowWritten,
    undo: Path | None,
) -> Result[CompareAnswer]:
    """What `compare` says: of two files, or of two readings of a project.

    Args:
        first: A file; with a project, a reading as the sheet has it.
        second: The other, likewise a file or a reading.
        project: The project folder, where readings are named.
        part: The part as the option says it, for files.
        organisation: Words x bits as the option says them, for files.
        written: What was said of how the files are written.
        undo: The file to write the second into, brought into the first's order.

    Raises:
        UsageError: Options for files beside a project, or readings of two widths.
        WellreadError: Whatever keeps the files, or the project, from being read.
    """
    if project is None:
        return compare_files(first, second, part=part, organisation=organisation, written=written, undo=undo)
    if part is not None or organisation is not None or written != NOT_SAID:
        raise UsageError(
            where="--project",
            problem="what is said of files does not go with a project's readings",
            remedy="Leave it out: the sheet says how they are read",
        )
    opened, plan = _sound(project)
    (one, planned), (other, beside) = (_side(opened, plan, name.as_posix()) for name in (first, second))
    bits = planned.organisation.bits if planned.organisation else 8
    if beside.organisation is not None and beside.organisation.bits != bits:
        raise UsageError(
            where=f"{first}, {second}",
            problem=f"words of {bits} and of {beside.organisation.bits} bits cannot be compared",
            remedy="Name two readings of one chip",
        )
    return compare_sides(one, other, bits=bits, part=planned.part, undo=undo)


def _side(opened: Project, plan: Plan, named_as: str) -> tuple[Side, PlannedChip]:
    """A reading's first pass, or the one that was named, as the sheet has it; and its chip."""
    name, _, number = named_as.partition("/")
    planned, reading, which = _reading(plan, name, number, named_as)
    passes = _passes(opened, plan, planned, reading)
    if not 1 <= which <= len(passes):
        raise UsageError(
            where=named_as,
            problem=f"{reading.reading} has {len(passes)} pass{'es' * (len(passes) != 1)}",
            remedy=f"Say {reading.reading}/1" + (f" to {reading.reading}/{len(passes)}" * (len(passes) > 1)),
        )
    one = passes[which - 1]
    return Side(named_as, f"{reading.reading}/{which}", _words_there(one)), planned


def _words_there(one: Pass) -> np.ndarray:
    """A pass as far as it goes: words that are missing at its end are no words."""
    if one.present is None:
        return one.words
    there = np.flatnonzero(one.present)
    return one.words[: int(there[-1]) + 1 if there.size else 0]


def _reading(plan: Plan, name: str, number: str, given: str) -> tuple[PlannedChip, PlannedReading, int]:
    """What `U3.prog.1`, `U3.prog.1/2` or `U3/1` names: a reading, one of its passes, a chip's n-th reading.

    Raises:
        UsageError: Nothing of the sheet is called so.
    """
    digits = number.isascii() and number.isdigit()
    which = int(number) if digits else 1
    for planned in plan.chips:
        for reading in planned.readings:
            if reading.reading == name and (digits or not number):
                return planned, reading, which
        if planned.chip.chip == name and digits and 1 <= which <= len(planned.readings):
            return planned, planned.readings[which - 1], 1
    raise _unknown(plan, name, given)


def _unknown(plan: Plan, name: str, given: str) -> UsageError:
    """A reading that the sheet does not have, and what was most likely meant."""
    known = [reading.reading for one in plan.chips for reading in one.readings]
    own = [one.reading for each in plan.chips if each.chip.chip == name for one in each.readings]
    near = one_meant(name, known)
    remedy = f"Did you mean {near}?" if near else f"Name a reading, such as {listed(own or known, 4)}"
    return UsageError(where=given, problem="the sheet has no such reading", remedy=remedy)


def _passes(opened: Project, plan: Plan, planned: PlannedChip, reading: PlannedReading) -> tuple[Pass, ...]:
    """The passes of a reading, normalised as the sheet says."""
    from pipeline.run.package.all_chips import how_read
    from pipeline.run.package.one_chip import take_reading

    how = how_read(plan)
    passes: list[Pass] = []
    for path in reading.files:
        content = read_file(opened.folder, path)
        try:
            passes += take_reading(planned, reading, how, content, len(passes) + 1).passes
        except FormatError as error:
            raise named(Path(path), error, of_sheet=True) from None
    return tuple(passes)
