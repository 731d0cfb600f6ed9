"""`wellread twins`: the same programs in other specimens, found by content, label and socket.

1. The bag is verified, and the shelf is looked through as `holdings` does.
2. By content (the same, near, through other lines, halves), by label and by socket each chip gets candidates.
3. Every bag that holds one is verified before anything of it is believed, and the images are laid side by
   side. What turns out to be another program is left out.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Literal, cast

from pipeline.catalogue import load
from pipeline.edges.disk_errors import absent
from pipeline.edges.holdings_index import HoldingsIndex
from pipeline.edges.progress import Progress
from pipeline.edges.project_folder import SHEET_NAME, project_folder
from pipeline.errors import NothingToDoError, SheetError, WellreadError
from pipeline.holdings import questions
from pipeline.result import Result
from pipeline.run.bench.sheet_row import add_row
from pipeline.run.holdings.likeness import like_image
from pipeline.run.holdings.update import update
from pipeline.run.keep.twin_of import twin_of
from pipeline.run.keep.valid_bag import Judged
from pipeline.twins.findings import TwinTold, hear_twin
from pipeline.views.twins import twins_found

if TYPE_CHECKING:
    from pipeline.holdings.rows import Facts
    from pipeline.twins.compare import SpecimenImage
    from pipeline.twins.specimen import Specimen
    from schemas.answers import FoundTwin, TroubledBag, TwinsAnswer
    from schemas.record import ChipRecord

How = Literal["same", "near", "lines", "half", "holds", "label", "socket"]
_NOTHING = frozenset(["unrelated", "not-compared", "only-here"])
"""Verdicts that make a candidate no twin."""
_ROWS = frozenset(["same", "line", "crossed", "fading", "perhaps-fading", "strewn", "revision", "only-there"])
"""Verdicts whose rows go into a sheet."""


@dataclass(slots=True)
class Own:
    """One chip of the bag, and what on the shelf may be its twin.

    Attributes:
        record: Its record.
        this: The same as a specimen.
        image: Its image, where the bag holds it.
        candidates: (path of a bag, chip there) → by what it was found.
    """

    record: ChipRecord
    this: Specimen
    image: SpecimenImage | None
    candidates: dict[tuple[str, str], list[How]] = field(default_factory=dict)


def find_twins(
    bag: Path, among: Sequence[Path], *, project: Path | None = None, quiet: bool = False
) -> Result[TwinsAnswer]:
    """What `twins` says, and why the rows could not be written where they could not.

    Args:
        bag: A bag, a bundle or an archive that holds one.
        among: Where to look.
        project: The project folder into whose sheet the rows are written.
        quiet: No progress.

    Raises:
        BagError: The bag does not pass recheck.
        NothingToDoError: There is no other bag.
        StorageError: The disk refused.
    """
    progress = Progress(quiet=quiet)
    folder = project_folder(project) if project else None
    for shelf in among:
        if not shelf.exists():
            raise absent(shelf, "bag", "Give the path of a bag, or of a folder that holds some")
    with TemporaryDirectory(prefix="wellread-") as unpacked:
        judged = Judged(bag, progress, Path(unpacked))
        head = judged.head()
        own = [Own(one, *twin_of(judged, head, one)) for one in judged.chips()]
    with HoldingsIndex(None) as index:
        done = update(index, among, lambda read, of: progress.show("bags read", read, of))
        progress.done()
        here = os.path.realpath(bag)
        others = [path for path in index.known() if path != here]
        if not others:
            raise NothingToDoError(
                where=", ".join(map(str, among)),
                problem="there is no other bag to look through",
                remedy="Give the path of a folder that holds bags of other machines",
            )
        boards = {name: str(one.get("number") or name) for name, one in head["boards"].items()}
        for chip in own:
            _candidates(index, chip, here, boards)
        troubled: list[TroubledBag] = [
            {"path": str(one["path"]), "trouble": str(one["trouble"])}
            for one in index.ask(questions.TROUBLED)
        ]
    found = sorted(_heard(own, troubled), key=_best_first)
    rows = list(_rows(found))
    added, refusal = _write(folder / SHEET_NAME, rows) if folder else (0, None)
    twinned = {one["chip"] for one in found}
    answer: TwinsAnswer = {
        "schema": "wellread/twins/1",
        "command": "twins",
        "bag": str(bag),
        "among": done.bags,
        "troubled": troubled,
        "found": found,
        "rows": rows,
        "without": [one.record["chip"] for one in own if one.record["chip"] not in twinned],
        "added": added,
    }
    return Result(answer, twins_found(answer), refusal=refusal)


def _candidates(index: HoldingsIndex, chip: Own, here: str, boards: dict[str, str]) -> None:
    """Whatever on the shelf is like a chip, in any bag but its own."""
    if chip.image is not None and chip.this.organisation is not None:
        for one in like_image(index, chip.image.words, chip.this.organisation.bits):
            _add(chip, one.chip, cast("How", one.how), here)
    label = chip.record.get("label")
    if label:
        for row in index.ask(
            questions.chips_where(("label",), all_versions=True), {"label": label, "most": -1}
        ):
            _add(chip, row, "label", here)
    socket, part = chip.record.get("socket"), chip.record.get("part")
    if socket and part:
        board = boards.get(chip.record.get("board") or "", "")
        values = {"socket": socket, "part": part, "board": board, "own": chip.record.get("board") or ""}
        for row in index.ask(questions.SAME_SOCKET, values):
            _add(chip, row, "socket", here)


def _add(chip: Own, row: Facts, how: How, here: str) -> None:
    if row["path"] != here:
        chip.candidates.setdefault((str(row["path"]), str(row["chip"])), []).append(how)


def _heard(own: Sequence[Own], troubled: list[TroubledBag]) -> Iterator[FoundTwin]:
    """Every candidate's bag verified, once; what is another program is left out."""
    wanted: dict[str, list[tuple[Own, str]]] = defaultdict(list)
    for chip in own:
        for path, their in chip.candidates:
            wanted[path].append((chip, their))
    for path, pairs in sorted(wanted.items()):
        try:
            yield from list(_of_bag(Path(path), pairs))
        except WellreadError as error:
            troubled.append({"path": path, "trouble": f"{error.problem}. {error.remedy}"})


def _of_bag(path: Path, pairs: Iterable[tuple[Own, str]]) -> Iterator[FoundTwin]:
    by_their: dict[str, list[Own]] = defaultdict(list)
    for chip, their in pairs:
        by_their[their].append(chip)
    with TemporaryDirectory(prefix="wellread-") as unpacked:
        bag = Judged(path, Progress(quiet=True), Path(unpacked))
        head = bag.head()
        for record in bag.chips():
            for chip in by_their.get(record["chip"], ()):
                other, image = twin_of(bag, head, record)
                part = load().get(chip.record.get("catalogued") or "")
                told = hear_twin(chip.this, other, (chip.image, image), part)
                if told.record["verdict"] not in _NOTHING:
                    yield _found(chip, other, told, str(path))


def _found(chip: Own, other: Specimen, told: TwinTold, path: str) -> FoundTwin:
    """One twin as the answer has it: the record's words, how it was found, and where it lies."""
    twin, this = told.record, chip.this
    serials = this.machine_serial, other.machine_serial
    apart = all(serials) and serials[0] != serials[1]
    found: FoundTwin = {
        "chip": this.chip,
        "bag": twin["bag"],
        "path": path,
        "their": twin["chip"],
        "how": chip.candidates[path, twin["chip"]],
        "one_bit": twin["up"] + twin["down"] == 1,
        "other_machine": apart or this.machine != other.machine,
        "receipt": twin["receipt"],
        "corroborates": twin["corroborates"],
        "against": twin["against"],
        "means": told.finding.means,
        "verdict": twin["verdict"],
        "side": twin["side"],
        "differing_words": twin["differing_words"],
        "up": twin["up"],
        "down": twin["down"],
        "regions": twin["regions"],
    }
    for key in ("lines", "what", "odds", "chance", "beside", "texts", "told", "told_bits"):
        if key in twin:
            found[key] = twin[key]
    return found


def _best_first(one: FoundTwin) -> tuple[str, bool, bool, int, str, str]:
    return (
        one["chip"],
        not one["other_machine"],
        one["verdict"] != "same",
        one["differing_words"],
        one["path"],
        one["their"],
    )


def _rows(found: Iterable[FoundTwin]) -> Iterator[dict[str, str]]:
    """Rows for the sheet: of each other machine's bag the chip that is most like."""
    seen = set()
    for one in found:
        key = one["chip"], one["path"]
        if one["other_machine"] and one["verdict"] in _ROWS and key not in seen:
            seen.add(key)
            yield {"chip": one["chip"], "bag": Path(one["path"]).name, "their": one["their"]}


def _write(sheet: Path, rows: Sequence[dict[str, str]]) -> tuple[int, SheetError | None]:
    """How many rows stand in the sheet, and why the others do not."""
    for count, row in enumerate(rows):
        if not add_row(sheet, row, "twins"):
            return count, SheetError(
                where=SHEET_NAME,
                problem=f"no row for {row['chip']} can be added to it without changing anything else",
                remedy="Paste the rows that `wellread twins` prints",
            )
    return len(rows), None
