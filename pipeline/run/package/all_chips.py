"""What only all chips together can say: readers qualified, kin, checks over several chips, address spaces.

Little is held of each chip while the others are worked on; images are read again from the staging bag where
two of them have to be compared.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.bags.observed import BagEntry
from pipeline.edges.bags.writer import write_member
from pipeline.flow import Plan, Words
from pipeline.run.crew import Crew
from pipeline.run.package.one_chip import Worked
from pipeline.stages.assemble import Assembled, assemble, space_bytes
from pipeline.stages.content import (
    ChipImage,
    Join,
    SelfCheck,
    interleave_findings,
    joins,
    kin,
    recurring,
    self_checks,
    set_checks,
    shared_fills,
    suggest_spaces,
)
from pipeline.stages.content.findings import content_findings
from pipeline.stages.qualify import Gathered, fitness
from pipeline.steps import image_words
from schemas.finding import Finding
from schemas.names import Organisation
from schemas.sheet import Space

MOST_IN_A_SET = 16
"""Boards of more chips are not searched for checks over all of them: the schemes would outnumber the evidence."""
MOST_WEIGHED = 64
"""Of boards with more chips that carry a check, the images are not read again; their digests must do."""
MOST_KIN_FINDINGS = 12
"""Kin findings kept a chip; the evidence of each says how many relatives there are."""


class Together:
    """Gathers chip by chip, then says what they say together.

    Args:
        plan: Of the project.
        root: The bag in staging.
    """

    def __init__(self, plan: Plan, root: Path) -> None:
        self.plan, self.root = plan, root
        self.images: list[ChipImage] = []
        self.paths: dict[str, str] = {}
        self.organisations: dict[str, Organisation] = {}
        self.grades: dict[str, str] = {}
        self.evidence = Gathered()
        self.alone: dict[str, str] = {}
        self.checks: dict[str, tuple[SelfCheck, ...]] = {}
        self.schemes: dict[str, Mapping[int, int]] = {}
        self.findings: dict[str, list[Finding]] = defaultdict(list)
        self.fills: Mapping[str, tuple[str, ...]] = {}
        self.notes: dict[str, list[str]] = defaultdict(list)
        self.lifting: dict[str, list[str]] = defaultdict(list)
        self.holding: Counter[str] = Counter()
        self.spaces: list[tuple[Space, Assembled, tuple[SelfCheck, ...]]] = []
        self.suggestions: list[dict[str, Any]] = []
        self.qualification_json: dict[str, Any] = {}
        self._users: Counter[str] = Counter(
            path for chip in plan.chips for path in {p for reading in chip.readings for p in reading.files}
        )

    def users(self, path: str) -> int:
        """How many chips read a file of the project."""
        return self._users[path]

    def add(self, worked: Worked) -> None:
        """One chip that has been worked on."""
        record = worked.record
        self.grades[worked.chip] = record["grade"]
        if not record["image"]:
            return
        self.paths[worked.chip] = record["image"]["path"]
        self.organisations[worked.chip] = Organisation.parse(record["organisation"])
        readers = {one["reader"] for one in record["readings"] if one["passes"]}
        if worked.evidence is not None:
            self.evidence.add(worked.evidence)
        elif len(readers) == 1:
            self.alone[worked.chip] = next(iter(readers))
        if worked.checks:
            self.checks[worked.chip] = worked.checks
        if worked.schemes:
            self.schemes[worked.chip] = worked.schemes
        planned = self.plan.chips[len(self.grades) - 1]
        self.images.append(
            ChipImage(
                worked.chip,
                worked.kin,
                board=planned.chip.board,
                fades_to=planned.part.fades_to if planned.part else None,
                faulty=record["grade"] == "faulty",
            )
        )

    def load(self, chip: str) -> Words:
        """The image of a chip, from the staging bag."""
        return image_words((self.root / self.paths[chip]).read_bytes(), self.organisations[chip].bits)

    def parts(self) -> dict[str, dict[str, Any]]:
        """The catalogue entries that the chips use."""
        used = {planned.part.part: planned.part for planned in self.plan.chips if planned.part}
        return {name: part.model_dump(mode="json", exclude_none=True) for name, part in sorted(used.items())}

    def additions(self, index: int) -> dict[str, Any]:
        """What is to be added to the record of the chip at this place of the plan."""
        chip = self.plan.chips[index].chip.chip
        out: dict[str, Any] = {}
        if chip in self.findings:
            out["findings"] = [finding.model_dump(mode="json") for finding in self.findings[chip]]
        if chip in self.fills:
            out["shared_with"] = list(self.fills[chip])
        if chip in self.notes:
            out["notes"] = self.notes[chip]
        if chip in self.lifting:
            out["lifting"] = self.lifting[chip]
        if chip in self.holding:
            out["checks"] = self.holding[chip]
        return out

    def space_records(self, entries: list[BagEntry]) -> list[dict[str, Any]]:
        """Writes the spaces; their records."""
        return [self._space_record(space, bank, checks, entries) for space, bank, checks in self.spaces]

    def _space_record(
        self, space: Space, bank: Assembled, checks: Sequence[SelfCheck], entries: list[BagEntry]
    ) -> dict[str, Any]:
        order = space.byte_order or "big"
        chips = _chips_of(space, bank.bank)
        record: dict[str, Any] = {
            "name": space.name + (f".{bank.bank}" if bank.bank else ""),
            "width": space.width,
            "byte_order": order,
            "unit": space.unit,
            "path": None,
            "words": len(bank.filled),
            "incomplete": bool(bank.absent),
            "unsettled": any(self.grades.get(chip) in ("faulty", "contested") for chip in chips),
            "holes": [list(hole) for hole in bank.holes],
            "reasons": list(bank.reasons),
            "placements": [
                one.model_dump(mode="json", exclude_none=True)
                for one in space.placements
                if (one.bank or "") == bank.bank
            ],
            "checks": [check.to_json() for check in checks],
            "image_paths": [self.paths[chip] for chip in chips if chip in self.paths],
        }
        for key in ("fill", "description"):
            value = getattr(space, key)
            if value is not None:
                record[key] = value
        if bank.words is not None:
            name = f"data/spaces/{record['name']}.bin"
            entry = write_member(self.root, name, space_bytes(bank.words, space.width, order))
            entries.append(entry)
            record |= {
                "path": name,
                "size_bytes": entry.size_bytes,
                "sha256": entry.sha256,
                "sha512": entry.sha512,
            }
            record["original_name"] = None
        return record


def _chips_of(space: Space, bank: str) -> list[str]:
    placed = [one for one in space.placements if (one.bank or "") == bank]
    return list(dict.fromkeys(chip for one in placed for chip, _ in one.parsed_lanes))


@dataclass(frozen=True, slots=True)
class BoardImages:
    """The chips of one board as joins are sought among them.

    Attributes:
        images: Their signatures.
        files: Chip → (path of its image in the bag, bits).
    """

    images: tuple[ChipImage, ...]
    files: Mapping[str, tuple[str, int]]


def join_boards(root: Path, boards: Sequence[BoardImages]) -> list[tuple[Join, ...]]:
    """Chips of each board that belong side by side; in workers, since images are read and compared."""

    def found(board: BoardImages) -> tuple[Join, ...]:
        def load(chip: str) -> Words:
            path, bits = board.files[chip]
            return image_words((root / path).read_bytes(), bits)

        return joins(board.images, load)

    return [found(board) for board in boards]


def all_together(together: Together, crew: Crew) -> None:
    """Everything that is said once all chips are there."""
    _qualified(together)
    _kin(together, crew)
    _assembled(together)
    _checked(together)
    # What was only needed to compare; the records still to be written want the memory.
    together.images.clear()
    together.checks.clear()
    together.schemes.clear()


def _qualified(together: Together) -> None:
    found = together.evidence.qualification()
    together.qualification_json = found.to_json()
    if not found.readers:
        return
    cache: dict[tuple[str, Organisation], tuple[str, ...]] = {}
    for chip, reader in together.alone.items():
        key = (reader, together.organisations[chip])
        if key not in cache:
            cache[key] = fitness(found, *key).reasons if found.of(reader) else ()
        if cache[key]:
            together.notes[chip] += cache[key]


def _boards(together: Together, placed: frozenset[str]) -> Iterator[BoardImages]:
    """The chips that no space places yet, board by board."""
    by_board: dict[str | None, list[ChipImage]] = defaultdict(list)
    for image in together.images:
        if image.chip not in placed:
            by_board[image.board].append(image)
    for images in by_board.values():
        if len(images) > 1:
            files = {
                one.chip: (together.paths[one.chip], together.organisations[one.chip].bits) for one in images
            }
            yield BoardImages(tuple(images), files)


def _kin(together: Together, crew: Crew) -> None:
    for finding in kin(together.images, together.load):
        if len(together.findings[finding.chip]) < MOST_KIN_FINDINGS:
            together.findings[finding.chip].append(finding)
    together.fills = shared_fills(together.images)
    placed = frozenset(
        chip
        for space in together.plan.sheet.spaces
        for one in space.placements
        for chip, _ in one.parsed_lanes
    )
    joined = crew.each(join_boards, together.root, _boards(together, placed), batch=4)
    found = sorted((join for some in joined for join in some), key=lambda one: (-one.score, one.chips))
    together.suggestions = suggest_spaces(found)
    for finding in interleave_findings(found):
        together.findings[finding.chip].append(finding)


def _assembled(together: Together) -> None:
    """The spaces, and the embedded checks that hold over their words."""
    plan = together.plan
    chips = {planned.chip.chip: planned.chip for planned in plan.chips}
    organisations = {
        planned.chip.chip: planned.organisation for planned in plan.chips if planned.organisation
    }
    for space in plan.sheet.spaces:
        names = {chip for one in space.placements for chip, _ in one.parsed_lanes}
        images = {name: together.load(name) for name in names if name in together.paths}
        for bank in assemble(space, images=images, organisations=organisations, chips=chips):
            checks: tuple[SelfCheck, ...] = ()
            if bank.words is not None and not bank.absent and space.width % 8 == 0:
                checks = self_checks({space.name: bank.words}, space.width, sets=False)
            together.spaces.append((space, bank, checks))
            members = _chips_of(space, bank.bank)
            for check in checks:
                _lift(together, check, members, f"over space {space.name}")


def _lift(together: Together, check: SelfCheck, chips: Iterable[str], over: str) -> None:
    """A check that holds counts for the chips it covers; one that lifts says so in the grade."""
    for chip in chips:
        if check.beyond_chance:
            together.holding[chip] += 1
        if check.lifts:
            together.lifting[chip].append(
                f"An embedded check holds {over}: {check.method}, chance {check.chance:.1g}"
            )


def _checked(together: Together) -> None:
    """Checks on single chips, those that recur on a board weighed together."""
    boards: dict[tuple[str | None, Organisation], list[str]] = defaultdict(list)
    signatures = {image.chip: image.signature.digest for image in together.images}
    for image in together.images:
        boards[image.board, together.organisations[image.chip]].append(image.chip)
    for (_, organisation), chips in boards.items():
        own = [check for chip in chips for check in together.checks.get(chip, ())]
        schemes = {chip: together.schemes[chip] for chip in chips if chip in together.schemes}
        sets: tuple[SelfCheck, ...] = ()
        if 1 < len(schemes) <= MOST_IN_A_SET:
            sets = set_checks({chip: together.load(chip) for chip in schemes}, organisation.bits, own)
        if not own and not sets:
            continue
        weighed: Sequence[SelfCheck] = own
        if len(schemes) > 1 and own:
            digests = {chip: signatures[chip] for chip in schemes}
            carrying = [chip for chip in chips if chip in together.checks]
            images = (
                {chip: together.load(chip) for chip in carrying} if len(carrying) <= MOST_WEIGHED else None
            )
            weighed = recurring(own, schemes, images, organisation.bits, digests=digests)
        for check in (*weighed, *sets):
            covered = [name for name in check.images if name in together.paths]
            _lift(together, check, covered, f"over {', '.join(check.images)}")
            for chip in covered:
                together.findings[chip] += content_findings(chip, (), (check,))
