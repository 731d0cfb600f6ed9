"""A project looked over before it is packaged: all its problems told, and its newest version found."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from pipeline.edges.clock import Now, now
from pipeline.edges.project_folder import SHEET_NAME, destination
from pipeline.edges.staging import make_last_folder
from pipeline.errors import ClockError
from pipeline.flow import Plan
from pipeline.run.crew import Crew
from pipeline.run.leftovers import dead_versions
from pipeline.run.package.open_project import Project, dump_bytes, open_project
from pipeline.run.package.versions import Previous, newest
from pipeline.stages.sheet import refuse

if TYPE_CHECKING:
    from pipeline.run.package.twins import OpenTwin


class Ready(NamedTuple):
    """A project that has been looked over and may be packaged.

    Attributes:
        project: With a plan.
        moment: The time of the run.
        previous: The newest version that is there.
        twins: That the sheet names, verified.
    """

    project: Project
    moment: Now
    previous: Previous | None
    twins: Sequence[OpenTwin]


def get_ready(folder: Path, into: Path | None, *, quiet: bool, clear_leftovers: bool) -> tuple[Ready, Path]:
    """A project looked over, all its problems told together, and the path that its next version gets.

    Raises:
        WellreadError: As `package`; nothing was written but the folder that the bag goes into.
    """
    moment = now()
    project = open_project(folder)
    refuse(project.problems, SHEET_NAME)
    assert project.plan is not None
    refuse_early_clock(project.plan, moment)
    place = destination(folder, into)
    machine = project.plan.sheet.machine.id
    previous = newest(place, machine)
    name = f"{machine}-v{previous.version + 1 if previous else 1}"
    make_last_folder(place, quiet=quiet)
    twins = _twins(project)
    dead_versions(place, machine, clear=clear_leftovers, quiet=quiet)
    return Ready(project, moment, previous, twins), place / name


def chip_crew(project: Project, folder: Path) -> Crew:
    """Who works on the chips of a project: other processes where they pay.

    Args:
        project: With a plan.
        folder: In which scratch files may lie.
    """
    chips = project.plan.chips if project.plan is not None else ()
    return Crew(
        items=len(chips),
        size_bytes=dump_bytes(project),
        folder=folder,
        loads="pipeline.run.package.one_chip",
    )


def _twins(project: Project) -> Sequence[OpenTwin]:
    """The twins that the sheet names, verified; few sheets name any."""
    if project.plan is None or not project.plan.sheet.twins:
        return ()
    from pipeline.run.package.twins import open_twins

    twins, unopened = open_twins(project)
    refuse(unopened, SHEET_NAME)
    return twins


def refuse_early_clock(plan: Plan, moment: Now) -> None:
    """A fixed clock before something that the sheet says happened would make the events lie.

    Raises:
        ClockError: SOURCE_DATE_EPOCH lies before the last capture or attempt.
    """
    dates = [reading.row.date for chip in plan.chips for reading in chip.readings if reading.row.date]
    dates += [attempt.date for chip in plan.chips for attempt in chip.chip.attempts if attempt.date]
    for date in dates:
        begins = date.split("/")[-1].strip("?~%.") or date.split("/")[0].strip("?~%.")
        if begins.replace("X", "0")[:10] > moment.day[: len(begins[:10])]:
            if moment.fixed:
                raise ClockError(
                    where="SOURCE_DATE_EPOCH",
                    problem=f"{moment.text} lies before {date}, when the sheet says something was read",
                    remedy="Set it to a later second, or correct the date in the sheet",
                )
            raise ClockError(
                where="the clock",
                problem=f"it shows {moment.text}, before {date}, when the sheet says something was read",
                remedy="Set the computer's clock, or correct the date in the sheet",
            )
