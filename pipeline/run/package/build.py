"""A bag built in staging, and judged there.

1. Each chip is worked on alone (`one_chip`): its dumps and its image go into the staging bag.
2. All chips together: who qualifies which reader, which chips are kin, which checks hold over several.
3. The address spaces are assembled from the images.
4. What was read may be what the newest version was made of after all: then that is said.
5. Each chip's record is completed; record, PREMIS, notes and report are written chip by chip.
6. Manifests; then the bag is judged in staging, by our recheck and by the `bagit` library.
"""

from __future__ import annotations

import uuid
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Self, TypeVar, cast

from pydantic import BaseModel

from pipeline import __version__
from pipeline.bags import record_file
from pipeline.bags.observed import BagEntry, file_record
from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import Observing, observe, told_size_of
from pipeline.edges.bags.pieced import Pieced, Stretches, write_pieced
from pipeline.edges.bags.second_opinion import SecondOpinion
from pipeline.edges.bags.writer import finish_bag, write_member
from pipeline.edges.clock import Now
from pipeline.edges.progress import Progress
from pipeline.edges.project_folder import SHEET_NAME
from pipeline.edges.steady import changed_between
from pipeline.errors import JudgedBadError, NothingToDoError
from pipeline.flow import ChipSummary, Packaged, Plan, Problem
from pipeline.held_once import HeldOnce
from pipeline.machine import WholeMachine
from pipeline.run.crew import Crew
from pipeline.run.package.all_chips import SpooledChips, Walk, how_read, images_folder
from pipeline.run.package.chip_pages import Finish, Finished, ToFinish, finish_batch
from pipeline.run.package.drawn_before import Drawn, drawn_before, keep_drawn
from pipeline.run.package.names_in_bag import attachment_names, loose_names
from pipeline.run.package.one_chip import Job
from pipeline.run.package.open_project import Project
from pipeline.run.package.ready import Ready
from pipeline.run.package.spaces import space_records
from pipeline.run.package.spool import Bytes, Pickles, Spool, pickled
from pipeline.run.package.unchanged import attached, same_version, told_same
from pipeline.run.package.untouched import inputs_digest
from pipeline.run.package.versions import Previous, reasons
from pipeline.run.package.worked_before import worked_before
from pipeline.stages.sheet import refuse
from pipeline.to_do import GRADES_WORST_FIRST, ToDo, of_space, worst_first
from pipeline.views import notes
from pipeline.views.premis import STEPS, Premis
from pipeline.views.report import Summary, neighbours
from schemas.record import (
    RECORD_SCHEMA,
    AttachmentRecord,
    RecordHead,
    ShownRecord,
    StoredFile,
)
from schemas.recorded_sheet import (
    BoardRecord,
    CustodianRecord,
    MachineRecord,
    ReaderRecord,
    ReleaseWordRecord,
    RightsRecord,
)

if TYPE_CHECKING:
    from pipeline.run.package.twins import OpenTwin

_Kind = TypeVar("_Kind", bound=Mapping[str, object])

PROFILE = "https://wellread.example/profiles/rom-bag-1.0.0.json"
"""Name of our BagIt Profile; it does not resolve (RFC 2606), the profile itself lies in the bag."""
_SPACE_OF_IDS = uuid.UUID("6f1d4a52-6f53-5f0e-8f6c-2f4b7f0f3a11")


@dataclass(slots=True)
class _Building:
    """A bag being built."""

    project: Project
    plan: Plan
    moment: Now
    root: Path
    job: Job
    crew: Crew
    entries: Entries
    twins: Sequence[OpenTwin] = ()
    packs: set[str] = field(default_factory=set)
    sheet: list[StoredFile] = field(default_factory=list)
    attachments: list[AttachmentRecord] = field(default_factory=list)


def build_bag(ready: Ready, root: Path, progress: Progress, crew: Crew | None = None) -> Packaged:
    """A bag built under `root`; it gets no name before `judge_twice` has let it pass.

    Where nothing changed it is the previous version. The digest over all inputs decides that, not the images:
    a sheet that says more makes a new version, too. It was asked for before; here of what was read.

    Args:
        ready: What goes into it.
        root: An empty folder of the bag's name, in a folder where scratch files may lie.
        progress: Told how far it has come.
        crew: Who works on the chips; where None, this process alone, and nothing is kept for the next run.

    Raises:
        WellreadError: The bag cannot be built.
    """
    project, moment, previous, twins = ready.project, ready.moment, ready.previous, ready.twins
    plan = project.plan
    assert plan is not None
    images = images_folder(root.parent)
    before = None if crew is None else worked_before(project.folder, plan)
    job = Job(project.folder, root, images, how_read(plan), before=before)
    with (
        Bytes(root.parent) as lines,
        Pickles(root.parent) as given,
        Entries(root.parent) as entries,
        _Parts(root.parent) as parts,
    ):
        workers = crew or Crew(items=0)
        building = _Building(project, plan, moment, root, job, workers, entries, twins)
        walk, machine = _each_chip(building, SpooledChips(lines, given), progress)
        inputs = _inputs(building, walk)
        if previous and told_same(previous, inputs):
            return same_version(previous, plan, judge(observe(previous.path)))
        head = _head(building, previous, inputs, machine)
        _finish(building, head, walk, machine, parts, previous, progress)
        workers.end()
        parts.gather()
        return _written(building, head, parts, previous)


def _each_chip(building: _Building, kept: SpooledChips, progress: Progress) -> tuple[Walk, WholeMachine]:
    """Steps 1 and 2: every chip down the street, some of them a second time, then all chips together."""
    chips = building.plan.chips
    walk = Walk(
        building.plan,
        building.job,
        building.crew,
        kept,
        twins=building.twins,
    )
    problems: list[Problem] = []
    for count, worked in enumerate(walk.first(), start=1):
        problems += worked.problems
        building.packs.add(worked.pack)
        building.entries.add(worked.entries)
        progress.show("chips read", count, len(chips))
    refuse(problems, SHEET_NAME)
    if not any(reading for chip in chips for reading in chip.readings):
        raise NothingToDoError(
            where=SHEET_NAME,
            problem="no chip has a reading",
            remedy="Name the dump files CHIP.READER.N.ext, or list them under `readings`",
        )
    machine = walk.together()
    building.packs |= walk.packs
    return walk, machine


def _inputs(building: _Building, walk: Walk) -> str:
    """The digest over all inputs; those that are no readings are packed.

    These are the sheet as given, in the payload and beside the record, loose dumps, photographs, documents.
    """
    project, root = building.project, building.root
    inputs = dict(walk.read.each()) | {f"twins/{one.key}": one.receipt for one in building.twins}
    for name, content in project.sheet_files.items():
        flat = name.replace("/", "_")
        entry = write_member(root, f"data/sheet/{flat}", content)
        building.sheet.append(file_record(entry, name))
        building.entries.put(entry, write_member(root, f"metadata/{flat}", content))
        inputs[name] = entry.sha256
    shown: dict[str, list[ShownRecord]] = defaultdict(list)
    for photo in building.plan.sheet.photos:
        said = photo.model_dump(mode="json", exclude_none=True, exclude={"file"})
        shown[photo.path].append(cast("ShownRecord", said))
    named = loose_names(building.plan.chips, project.files) | attachment_names(attached(project))
    for path, where in named.items():
        entry = write_member(root, where, project.folder / path)
        building.entries.put(entry)
        if inputs.setdefault(path, entry.sha256) != entry.sha256:
            raise changed_between(path)
        building.attachments.append(_attached(entry, path, shown.get(path, [])))
    return inputs_digest(inputs)


def _attached(entry: BagEntry, original: str, shows: list[ShownRecord]) -> AttachmentRecord:
    """A photograph, a document or a loose dump in the bag, and what it shows where the sheet says so."""
    stored = file_record(entry, original)
    return {**stored, "shows": shows} if shows else stored


def _head(building: _Building, previous: Previous | None, inputs: str, machine: WholeMachine) -> RecordHead:
    """The record without its chips."""
    sheet, moment = building.plan.sheet, building.moment
    version = previous.version + 1 if previous else 1
    of_spaces: list[BagEntry] = []
    spaces = space_records(machine, building.root, of_spaces)
    building.entries.put(*of_spaces)
    bag = f"{sheet.machine.id}-v{version}"
    identifier = f"urn:uuid:{uuid.uuid5(_SPACE_OF_IDS, f'{bag} {inputs} {__version__}')}"
    return {
        "schema": RECORD_SCHEMA,
        "software": {"name": "wellread", "version": __version__},
        "created": moment.text,
        "clock_fixed": moment.fixed,
        "bag": bag,
        "version": version,
        "external_identifier": identifier,
        "supersedes": None,
        "machine": _as_said(MachineRecord, sheet.machine),
        "custodian": _as_said(CustodianRecord, sheet.custodian) if sheet.custodian else None,
        "rights": _as_said(RightsRecord, sheet.rights) if sheet.rights else None,
        "release": _as_said(ReleaseWordRecord, sheet.release) if sheet.release else None,
        "readers": {name: _as_said(ReaderRecord, one) for name, one in sheet.readers.items()},
        "boards": {name: _as_said(BoardRecord, one) for name, one in sheet.boards.items()},
        "parts": machine.parts(),
        "sheet": building.sheet,
        "attachments": building.attachments,
        "cautions": [
            *(str(caution) for caution in building.plan.cautions),
            *_odd_clock(previous, moment),
            *(one.in_words() for one in machine.crossed_readers),
        ],
        "spaces": spaces,
        "suggestions": machine.suggestions,
        "qualification": machine.qualification_json,
        "inputs_sha256": inputs,
        "grades": {},
    }


def _as_said(kind: type[_Kind], said: BaseModel) -> _Kind:
    """A section of the sheet as the record repeats it; a test holds that its type knows every field."""
    del kind
    return cast("_Kind", said.model_dump(mode="json", exclude_none=True))


def _odd_clock(previous: Previous | None, moment: Now) -> list[str]:
    """A version dated before the one that it supersedes.

    Their order stands by number, but a date is wrong.
    """
    return moment.contradicts(previous.bag, str(previous.record.get("created", ""))) if previous else []


class Entries(Pickles):
    """What lies in the bag, some files at a time; as often as needed."""

    def put(self, *entries: BagEntry) -> None:
        """Append some that this process wrote."""
        self.add(pickled(entries))

    def each(self) -> Iterator[BagEntry]:
        """All, in the order in which they came."""
        for some in self:
            yield from some


class _Parts:
    """What the finished chips give, and where their parts of the files of all chips lie.

    What the first page says of each, and what the terminal does, are made again once all are there.
    """

    def __init__(self, folder: Path) -> None:
        with ExitStack() as opened:
            self._told = opened.enter_context(Pickles(folder))
            self._drawn = opened.enter_context(Spool(folder))
            self._opened = opened.pop_all()
        self.lie: dict[str, list[Stretches]] = defaultdict(list)
        self._captures: dict[str, list[Stretches]] = defaultdict(list)
        self.summaries: list[Summary] = []
        self.index: list[ChipSummary] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *ended: object) -> None:
        self._opened.close()

    def add(self, some: Finished) -> None:
        """What some chips give, in the sheet's order."""
        for name, stretches in some.parts.items():
            self.lie[name].append(stretches)
        for key, stretches in some.captures.items():
            self._captures[key].append(stretches)
        self._told.add(some.told)
        for drawn in some.drawn:
            self._drawn.add_value(drawn)

    def captures(self) -> Iterator[Stretches]:
        """Where the capture events lie, sorted by their keys; those of one key as they came."""
        return chain.from_iterable(lie for _, lie in sorted(self._captures.items()))

    def drawn(self) -> Iterator[Drawn]:
        """What is kept of the chips' pages."""
        return (Drawn(*kept) for kept in self._drawn)

    def gather(self) -> None:
        """All chips are there, and whoever made them has gone, and their memory with them."""
        one = HeldOnce()
        for facts, summary in self._told:
            self.index.append(
                facts._replace(
                    grade=one(facts.grade), captures=one(facts.captures), operators=one(facts.operators)
                )
            )
            said = ("board", "socket", "grade", "part", "organisation", "entry", "sitting", "takings")
            alike = {name: one(getattr(summary, name)) for name in said}
            to_do = facts.to_do if summary.to_do == facts.to_do else summary.to_do
            self.summaries.append(summary._replace(to_do=to_do, **alike))

    @property
    def captured(self) -> list[tuple[str, str]]:
        """(date or "", reader) of every reading."""
        return [capture for chip in self.index for capture in chip.captures]


def _finish(
    building: _Building,
    head: RecordHead,
    walk: Walk,
    machine: WholeMachine,
    parts: _Parts,
    previous: Previous | None,
    progress: Progress,
) -> None:
    """Step 5, first half: each chip completed, over the cores; its parts are kept in order."""
    before = building.job.before
    shared = {one.name: one.owner for one in walk.names.shared.values()}
    rates = {one["readers"][0]: one["upper_bound"] for one in head["qualification"]["readers"]}
    placed = [(planned.chip.board or "", planned.chip.chip) for planned in building.plan.chips]
    finish = Finish(
        building.root,
        building.job.images,
        head,
        shared,
        len(placed),
        rates,
        bag_before=previous.path if previous else None,
        kept=before is not None,
    )
    drawn = {} if before is None or previous is None else drawn_before(before)
    items = (
        ToFinish(line, machine.heard(chip), near, drawn.get(chip))
        for (_, chip), line, near in zip(placed, walk.lines(), neighbours(placed), strict=True)
    )
    count = 0
    for some in building.crew.each(finish_batch, finish, items):
        parts.add(some)
        building.entries.add(some.entries)
        count += some.chips
        progress.show("chips recorded", count, len(placed))
    if before is not None:
        building.packs.add(keep_drawn(before, parts.drawn()))
        before.packs.keep_only(building.packs)


LEAST_PIECED_APART_BYTES = 8 << 20
"""Less than this is passed on sooner than another process has started, in a thirtieth of a second."""


def _written(building: _Building, head: RecordHead, parts: _Parts, previous: Previous | None) -> Packaged:
    """Step 5, second half: what is known only once all chips have spoken, and then the manifests."""
    from pipeline.run.package.texts import schema_files, write_report

    counts = Counter(chip.grade for chip in parts.index)
    head["grades"] = {grade: counts.get(grade, 0) for grade in GRADES_WORST_FIRST}
    waiting = worst_first(chip.to_do for chip in parts.index)
    for space in head["spaces"]:
        space["to_do"] = [one.to_json() for one in of_space(space, waiting)]
    if previous:
        head["supersedes"] = {
            "bag": previous.bag,
            "receipt": previous.receipt,
            "external_identifier": previous.record.get("external_identifier"),
            "why": list(reasons(previous.record, head, parts.index)),
        }
    root, entries = building.root, building.entries
    record, pieced = _record(head, parts), [_premis(head, parts), _notes(head, parts, waiting)]
    much = sum(one.size_bytes for one in pieced) >= LEAST_PIECED_APART_BYTES
    with Crew(items=len(parts.index) if much else 0, folder=root.parent, workers=1) as beside:
        # Another process passes on what lies there, four fifths of it, while this one writes all else.
        written = beside.each(write_pieced, root, pieced, batch=1)
        entries.put(*(write_member(root, path, content) for path, content in schema_files()))
        report = write_report(
            root,
            head,
            chain(entries.each(), pieced, [record]),
            captured=parts.captured,
            summaries=parts.summaries,
            record=record,
            images=building.job.images,
        )
        entries.put(*report, *write_pieced(root, [record]))
        info = _bag_info(head, previous, parts.index)
        finish_bag(root, chain(entries.each(), written), info)
    return Packaged(
        root.parent.parent / root.name,
        "",
        parts.index,
        tuple(head["cautions"]),
        tuple(head["spaces"]),
        previous.bag if previous else "",
        tuple(head.get("suggestions", ())),
    )


def _record(head: RecordHead, parts: _Parts) -> Pieced:
    """`metadata/record.json`, chips last."""
    around = record_file.around_chips(head)
    pieces: list[bytes | Stretches] = [around.before.encode()]
    for records in parts.lie["records"]:
        pieces += [(record_file.NEXT if len(pieces) > 1 else record_file.FIRST).encode(), records]
    return Pieced(record_file.PATH, [*pieces, around.behind.encode()])


def _premis(head: RecordHead, parts: _Parts) -> Pieced:
    """`metadata/premis.xml`: objects, then events in time order, then agents and rights."""
    premis = Premis(head)
    operators = dict.fromkeys(person for chip in parts.index for person in chip.operators)
    closing = "".join(premis.closing(operators=operators)).encode()
    steps = chain.from_iterable(parts.lie[step] for step in STEPS)
    chips = (*parts.lie["objects"], *parts.captures(), *steps)
    return Pieced("metadata/premis.xml", [premis.opening().encode(), *chips, closing])


def _notes(head: RecordHead, parts: _Parts, waiting: Sequence[ToDo]) -> Pieced:
    opening = notes.opening(head, waiting).encode("utf-8", "backslashreplace")
    return Pieced("metadata/provenance.txt", [opening, *parts.lie["notes"]])


def _own_numbers(head: RecordHead, chips: Sequence[ChipSummary]) -> Iterator[tuple[str, str | None]]:
    """The custodian's own numbers for boards and chips, each with what it is the number of."""
    for name, board in head["boards"].items():
        for label, number in (("Inventory", board.get("inventory")), ("Accession", board.get("accession"))):
            yield f"Board-{label}-Number", f"{name}: {number}" if number else None
    for chip in chips:
        for label, number in (("Inventory", chip.inventory), ("Accession", chip.accession)):
            yield f"Chip-{label}-Number", f"{chip.chip}: {number}" if number else None


def _bag_info(
    head: RecordHead, previous: Previous | None, chips: Sequence[ChipSummary]
) -> list[tuple[str, str]]:
    """The reserved elements that apply, then ours."""
    custodian = head.get("custodian") or {}
    machine = head["machine"]
    info = [
        ("Source-Organization", custodian.get("organisation") or custodian.get("name") or "not stated"),
        ("Contact-Name", custodian.get("name")),
        ("Contact-Email", custodian["contact"] if "@" in custodian.get("contact", "") else None),
        (
            "External-Description",
            f"ROM contents of {machine['name']}, with readings, evidence and provenance",
        ),
        ("Bagging-Date", head["created"][:10]),
        ("External-Identifier", head["external_identifier"]),
        ("Bag-Group-Identifier", machine["id"]),
        ("Internal-Sender-Identifier", head["bag"]),
        ("Inventory-Number", machine.get("inventory")),
        ("Accession-Number", machine.get("accession")),
        *_own_numbers(head, chips),
        (
            "Internal-Sender-Description",
            f"supersedes {previous.bag}, receipt {previous.receipt}" if previous else None,
        ),
        ("Bag-Software-Agent", f"wellread {head['software']['version']}"),
        ("BagIt-Profile-Identifier", PROFILE),
    ]
    # A person reads this file in a terminal: what acts on one is written out.
    return [(label, notes.plain(" ".join(value.split()))) for label, value in info if value]


MOST_JUDGED_TOGETHER = 100_000
"""Both judges hold the paths of so many files at the same time, which took 19 MB more of 40,000 files; of a
larger bag they would be the peak of all memory, and the second one begins when the first has ended.
"""


def judge_twice(bag: Path, progress: Progress) -> None:
    """Step 6: our own strict recheck, then the library that others will use.

    Raises:
        JudgedBadError: Either finds anything; the bag stays without a name.
    """

    def show(done: int, of: int) -> None:
        progress.show("files hashed", done, of, size=True)

    together = told_size_of(str(bag)).files <= MOST_JUDGED_TOGETHER
    with Observing(bag, progress=show) as observing:
        # While this process reads manifests and names for the second judge, others digest for the first one.
        second = SecondOpinion(bag) if together else None
        verdict = judge(observing.observation())
    if not verdict.valid:
        first = verdict.problems[0]
        raise JudgedBadError(
            where=bag.name,
            problem=f"our own recheck refuses it ({first.path}: {first.means})",
            remedy="Nothing was put in place; report this message as a bug",
        )
    if complaints := (second or SecondOpinion(bag)).complaints():
        raise JudgedBadError(
            where=bag.name,
            problem=f"the bagit library refuses it ({complaints[0]})",
            remedy="Nothing was put in place; report this message as a bug",
        )
