"""All chips of a project down the street: once each, then those that other chips reach, then all together."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, NamedTuple

from pipeline.catalogue import load
from pipeline.edges.disk_errors import storage_trouble
from pipeline.flow import Plan, PlannedChip, Problem
from pipeline.held_once import HeldOnce
from pipeline.machine import Boards, Contribution, WholeMachine, all_together
from pipeline.run.crew import Crew
from pipeline.run.package.among_images import BoardImages, Joining, join_boards, next_of_words
from pipeline.run.package.chip_record import add_heard
from pipeline.run.package.file_digests import FileDigests
from pipeline.run.package.names_in_bag import DumpNames
from pipeline.run.package.one_chip import HandedOver, Job, ToWork, load_image, work_batch
from pipeline.run.package.open_project import Project, dump_bytes
from pipeline.run.package.spaces import space_records
from pipeline.run.package.spool import Bytes, Pickles, unpickled
from pipeline.stages.content import Windows
from pipeline.stages.content.among_chips import CrossedReader, Join, Microword
from pipeline.street import Crossing, HowRead
from pipeline.to_do import of_space, to_do, worst_first
from pipeline.wirings import Wired, carried_to
from pipeline.words import Words

if TYPE_CHECKING:
    from pipeline.run.package.twins import OpenTwin
    from schemas.finding import Finding
    from schemas.record import ChipRecord, SpaceRecord, SuggestedSpace


def how_read(plan: Plan) -> HowRead:
    """What the sheet says of readers, wires and parts of its own."""
    sheet = plan.sheet
    return HowRead(sheet.readers, sheet.wirings, load().with_parts(sheet.parts))


def images_folder(beside: Path) -> Path:
    """A new folder in which images lie until they are placed."""
    place = beside / "images"
    with storage_trouble(beside):
        place.mkdir()
    return place


class SpooledChips(NamedTuple):
    """Where what is made of chips lies until all of them are there.

    Attributes:
        lines: Their records.
        given: What they bring to the machine.
    """

    lines: Bytes
    given: Pickles


class Walk:
    """Every chip of a project brought to the street, and the results taken away.

    Args:
        plan: Of the project.
        job: What the workers need to know.
        crew: Who does the work.
        kept: Where records, and what chips bring to the machine, lie meanwhile.
        twins: Other specimens of its chips, verified.

    Attributes:
        names: Of the dump files in the bag.
        read: What they held.
        packs: In which what was found on boards is kept.
    """

    def __init__(
        self,
        plan: Plan,
        job: Job,
        crew: Crew,
        kept: SpooledChips,
        *,
        twins: Sequence[OpenTwin] = (),
    ) -> None:
        self.plan, self.job, self.crew, self._kept, self._twins = plan, job, crew, kept, twins
        self.names = DumpNames(plan.chips)
        self.read = FileDigests(plan.chips, self.names.shared)
        self._crossings: list[tuple[Crossing, ...]] = []
        self._one = HeldOnce()
        self._places = {planned.chip.chip: index for index, planned in enumerate(plan.chips)}
        self._again: dict[str, HandedOver] = {}
        self._bits_of: dict[str, int] = {}
        self.packs: set[str] = set()

    def first(self) -> Iterator[HandedOver]:
        """Each chip by itself, in the sheet's order.

        Raises:
            StorageError: A file that is read for several readings changed in between.
        """
        given = map(self._to_work, self.plan.chips)
        each = zip(self.plan.chips, self.crew.each(work_batch, self.job, given), strict=True)
        for planned, worked in each:
            self.read.add(planned, worked.inputs)
            self._kept.lines.add(worked.line)
            self._kept.given.add(worked.given)
            # Nearly all chips show the same of their wires.
            self._crossings.append(self._one(worked.crossings))
            self._know_width(planned, worked)
            yield worked

    def together(self) -> WholeMachine:
        """Chips that others reach once more, then what all chips say together."""
        self._second()
        folder = self.job.images
        with Bytes(folder) as hashes, Bytes(folder) as places:
            machine = WholeMachine(self.plan, self._load, Windows(hashes, places))
            all_together(machine, self._judged(), self._find_joins, self._find_next)
        if self._twins:
            from pipeline.run.package.twins import hear_twins

            hear_twins(machine, self._twins, self.records(), self.job.images)
        return machine

    def _judged(self) -> Iterator[tuple[PlannedChip, Contribution]]:
        """Every chip, and what it brings to the machine."""
        for planned, given in zip(self.plan.chips, self._kept.given, strict=True):
            again = self._again.get(planned.chip.chip)
            yield planned, given if again is None else unpickled(again.given)

    def records(self) -> Iterator[ChipRecord]:
        """The chips' records, in the sheet's order, before all chips together are heard."""
        return map(json.loads, self.lines())

    def lines(self) -> Iterator[bytes]:
        """The same as they lie there, each a line of JSON."""
        for planned, line in zip(self.plan.chips, self._kept.lines.lines(), strict=True):
            again = self._again.get(planned.chip.chip)
            yield line if again is None else again.line

    def _second(self) -> None:
        wired = [Wired(*each) for each in zip(self.plan.chips, self._crossings, strict=True)]
        carried = carried_to(wired, self.job.how, self._load)
        reached = sorted(self._places[chip] for chip in carried)
        again = (self._to_work(self.plan.chips[place]) for place in reached)
        each = self.crew.each(work_batch, self.job.again(carried), again)
        for place, worked in zip(reached, each, strict=True):
            self.read.compare(place, worked.inputs)
            self._again[worked.chip] = worked
            self._know_width(self.plan.chips[place], worked)

    def _know_width(self, planned: PlannedChip, worked: HandedOver) -> None:
        if worked.bits is not None:
            self._bits_of[planned.chip.chip] = worked.bits

    def _to_work(self, planned: PlannedChip) -> ToWork:
        """A chip with the names of its own files, where there is a bag: a worker wants no more."""
        if self.job.root is None:
            return ToWork(planned, {}, frozenset())
        return ToWork(planned, self.names.of(planned), self.names.written_for(planned))

    def _bits(self, chip: str) -> int:
        return self._bits_of[chip]

    def _load(self, chip: str) -> Words:
        return load_image(self.job.images, chip, self._bits(chip))

    def _find_joins(self, boards: Boards) -> Iterator[tuple[Join, ...]]:
        before = self.job.before
        job = Joining(self.job.images, None if before is None else before.of_joins())
        told = (BoardImages(images, tuple(self._bits(one.chip) for one in images)) for images in boards)
        for joined in self.crew.each(join_boards, job, told, batch=4):
            self.packs.add(joined.pack)
            yield joined.joins

    def _find_next(self, words: Iterable[Microword]) -> Iterator[tuple[Finding, ...]]:
        return self.crew.each(next_of_words, self.job.images, words)


class LookedOver(NamedTuple):
    """A project gone through without a bag.

    Attributes:
        records: The chips' records, in the sheet's order, as a bag would have them but for paths.
        problems: Dumps that could not be understood; with any there are no records.
        images: Chip → image, for chips that have one.
        spaces: Records of the spaces, as a bag would have them.
        suggestions: Spaces that the content suggests.
        crossed_readers: Readers whose chips all read as programs with the same lines exchanged or inverted.
    """

    records: tuple[ChipRecord, ...]
    problems: tuple[Problem, ...]
    images: dict[str, Words]
    spaces: tuple[SpaceRecord, ...] = ()
    suggestions: tuple[SuggestedSpace, ...] = ()
    crossed_readers: tuple[CrossedReader, ...] = ()


def look_over(
    project: Project,
    *,
    progress: Callable[[int, int], None],
    keep_images: Callable[[PlannedChip, ChipRecord], bool] | None = None,
) -> LookedOver:
    """A project's chips down the whole street; nothing is written but to a folder that goes again.

    Args:
        project: With a plan.
        progress: HandedOver how many chips of how many are done.
        keep_images: Whether a chip's image is wanted as well; none is where not said.
    """
    plan = project.plan
    assert plan is not None
    twins: Sequence[OpenTwin] = ()
    problems: list[Problem] = []
    if plan.sheet.twins:
        from pipeline.run.package.twins import open_twins

        twins, problems = open_twins(project)
    with TemporaryDirectory(prefix="wellread-") as place:
        folder = Path(place)
        job = Job(project.folder, None, images_folder(folder), how_read(plan))
        size_bytes = dump_bytes(project)
        with (
            Crew(items=len(plan.chips), size_bytes=size_bytes) as crew,
            Bytes(folder) as lines,
            Pickles(folder) as given,
        ):
            walk = Walk(plan, job, crew, SpooledChips(lines, given), twins=twins)
            for count, worked in enumerate(walk.first(), start=1):
                problems += worked.problems
                progress(count, len(plan.chips))
            if problems:
                return LookedOver((), tuple(problems), {})
            machine = walk.together()
            records = tuple(_heard(walk.records(), machine))
            spaces = tuple(space_records(machine, None, []))
            waiting = worst_first(map(to_do, records))
            for space in spaces:
                space["to_do"] = [one.to_json() for one in of_space(space, waiting)]
            images = {
                record["chip"]: machine.load(record["chip"])
                for planned, record in zip(plan.chips, records, strict=True)
                if record["image"] and keep_images is not None and keep_images(planned, record)
            }
            suggestions, crossed = tuple(machine.suggestions), tuple(machine.crossed_readers)
    return LookedOver(records, (), images, spaces, suggestions, crossed)


def _heard(records: Iterable[ChipRecord], machine: WholeMachine) -> Iterator[ChipRecord]:
    for record in records:
        add_heard(record, machine.heard(record["chip"]))
        yield record
