"""Other specimens of a project's chips: their bags verified, their images laid beside the project's own."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, NamedTuple, cast

from pipeline.edges.progress import Progress
from pipeline.edges.project_folder import SHEET_NAME
from pipeline.errors import StorageError, WellreadError
from pipeline.flow import Plan, Problem
from pipeline.machine import WholeMachine
from pipeline.run.keep.twin_of import twin_of
from pipeline.run.keep.valid_bag import Judged
from pipeline.run.package.one_chip import image_file, load_image, mask_file
from pipeline.run.package.open_project import Project
from pipeline.steps import image_words
from pipeline.twins.compare import SpecimenImage
from pipeline.twins.findings import doubtful, hear_twin, lifts
from pipeline.twins.specimen import Specimen, specimen

if TYPE_CHECKING:
    from schemas.record import ChipRecord, RecordHead
    from schemas.recorded_sheet import CustodianRecord, MachineRecord, ReaderRecord
    from schemas.sheet import Twin


class OpenTwin(NamedTuple):
    """A twin that the sheet names, its bag just verified.

    Attributes:
        chip: The project's own chip.
        key: The bag and its chip as the sheet names them.
        other: The other specimen.
        image: Its image, where the bag holds it.
        receipt: Of the bag.
    """

    chip: str
    key: str
    other: Specimen
    image: SpecimenImage | None
    receipt: str


def open_twins(project: Project) -> tuple[list[OpenTwin], list[Problem]]:
    """Every twin that the sheet names, and a problem for each that cannot be had.

    Each bag is verified once, every file of it, before anything of it is believed.

    Args:
        project: With a plan.
    """
    assert project.plan is not None
    rows: dict[str, list[tuple[int, Twin]]] = defaultdict(list)
    for index, twin in enumerate(project.plan.sheet.twins):
        rows[twin.bag].append((index, twin))
    opened: list[OpenTwin] = []
    problems: list[Problem] = []
    for bag, named in rows.items():
        try:
            found, lacking = _of_bag(_place(project.folder, bag), named)
        except WellreadError as error:
            words = f"twins[{named[0][0]}].bag: {error}"
            problems.append(Problem(SHEET_NAME, "twins", bag, "a bag that verifies", words=words))
            continue
        opened += found
        problems += lacking
    return opened, problems


def _place(folder: Path, bag: str) -> Path:
    """In the project folder or beside it.

    Raises:
        StorageError: It is in neither.
    """
    for place in (folder / bag, folder.parent / bag):
        if place.exists():
            return place
    raise StorageError(
        where=bag,
        problem="is neither in the project folder nor beside it",
        remedy="Put the other specimen's bag there, or take its row out of `twins`",
    )


def _of_bag(place: Path, named: Sequence[tuple[int, Twin]]) -> tuple[list[OpenTwin], list[Problem]]:
    wanted = {twin.their for _, twin in named}
    with TemporaryDirectory(prefix="wellread-") as unpacked:
        bag = Judged(place, Progress(quiet=True), Path(unpacked))
        head = bag.head()
        found = {one["chip"]: twin_of(bag, head, one) for one in bag.chips() if one["chip"] in wanted}
    opened, problems = [], []
    for index, twin in named:
        if twin.their in found:
            opened.append(
                OpenTwin(twin.chip, f"{twin.bag}/{twin.their}", *found[twin.their], bag.verdict.receipt)
            )
        else:
            words = f"twins[{index}].their: {head['bag']} has no chip {twin.their!r}"
            problems.append(Problem(SHEET_NAME, "twins", twin.their, "a chip of that bag", words=words))
    return opened, problems


def hear_twins(
    machine: WholeMachine, twins: Iterable[OpenTwin], records: Iterable[ChipRecord], images: Path
) -> None:
    """What other specimens say of the project's chips; none of them settles a bit.

    Args:
        machine: With all chips together heard.
        twins: Verified.
        records: The project's own, before all chips together are heard.
        images: The folder in which its images lie.
    """
    by_chip: dict[str, list[OpenTwin]] = defaultdict(list)
    for twin in twins:
        by_chip[twin.chip].append(twin)
    planned = {one.chip.chip: one for one in machine.plan.chips}
    head = _own_head(machine.plan, machine)
    for record in records:
        chip = record["chip"]
        if chip not in by_chip:
            continue
        this = _own(head, record, machine)
        mine = _own_image(this, images)
        told = [hear_twin(this, one.other, (mine, one.image), planned[chip].part) for one in by_chip[chip]]
        machine.twins[chip] = [one.record for one in told]
        machine.findings[chip] += [one.finding for one in told]
        machine.borne_out[chip] = lifts(record["grade"], machine.twins[chip])


def _own_head(plan: Plan, machine: WholeMachine) -> RecordHead:
    """What a specimen needs of the record's head, before there is one."""
    sheet = plan.sheet

    def said(model: object) -> object:
        return model.model_dump(mode="json", exclude_none=True)  # type: ignore[attr-defined]

    return cast(
        "RecordHead",
        {
            "bag": sheet.machine.id,
            "machine": cast("MachineRecord", said(sheet.machine)),
            "custodian": cast("CustodianRecord", said(sheet.custodian)) if sheet.custodian else None,
            "readers": {name: cast("ReaderRecord", said(one)) for name, one in sheet.readers.items()},
            "parts": machine.parts(),
        },
    )


def _own(head: RecordHead, record: ChipRecord, machine: WholeMachine) -> Specimen:
    """The project's own chip; what all chips together hold back counts as well."""
    heard = machine.heard(record["chip"])
    held = [*record.get("held_back", ()), *heard.held_back]
    return specimen(head, cast("ChipRecord", {**record, "held_back": held}), "")


def _own_image(this: Specimen, images: Path) -> SpecimenImage | None:
    if not this.sha256 or this.organisation is None:
        return None
    bits = this.organisation.bits
    words = load_image(images, this.chip, bits)
    mask = mask_file(image_file(images, this.chip))
    contested = image_words(mask.read_bytes(), bits) if mask.exists() else None
    return doubtful(words, contested, this.absent, bits)
