"""The judge: projects of many cases go through `wellread package`, and the bag is held to the truth.

The command line is driven as a user drives it; then only the bag is looked at: `metadata/record.json`,
`data/images/` and `data/images-unsettled/`.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from tests.accuracy import fault_cases, frame_cases, wiring_cases
from tests.accuracy.case import Case, Expect, Task, Wanted
from tests.journey.cli import wellread
from tests.kit.files import binary
from tests.kit.project import project
from tests.kit.wires import UnchangedError

State = Literal[
    "right", "wrong", "faulty", "contested", "held back", "missing", "refused", "crashed", "unchanged"
]
"""right and wrong: lies under `data/images/`; refused: a problem of the sheet, so that there is no bag."""
SHEET_PROBLEM = 10
"""Exit code of a sheet or a dump with problems; any other but 0 is a bug of ours."""
MAKERS = {
    "frames": frame_cases.case,
    "wirings": wiring_cases.case,
    "faults": fault_cases.case,
    "healthy": fault_cases.case,
    "look-alikes": fault_cases.case,
}
LINE_CODES = {
    "address-line-dead",
    "address-lines-joined",
    "data-line-stuck",
    "data-lines-joined",
    "intermittent-line",
}
"""A finding of one of these codes, as a fault or caution, accuses lines."""


@dataclass(frozen=True)
class Outcome:
    """What became of one chip.

    Attributes:
        task, chip, source, words: Which.
        expect, state: What had to come out, and what did.
        grade: Of the record.
        named: The fault's code, with its lines and numbers.
        wrong_line: A line accused that was not touched.
        fault, caution: The gravest finding.
        changed: The image is not what the one reading gave, where it had to be.
        grounds: Of the oracle.
        codes: Of all findings that are no notes.
        examined: What `wellread examine` says otherwise of the same files; `not asked` where it was not.
        refusal: What the command said, where it refused.
    """

    task: Task
    chip: str
    source: str
    words: int
    expect: Expect
    state: State
    grade: str = ""
    named: bool = False
    wrong_line: bool = False
    fault: bool = False
    caution: bool = False
    changed: bool = False
    grounds: tuple[str, ...] = ()
    codes: tuple[str, ...] = ()
    examined: str = "not asked"
    refusal: str = ""


def run(tasks: Sequence[Task]) -> list[Outcome]:
    """All cases of a batch, in one project; one that is refused whole is taken apart."""
    made: list[tuple[Task, Case]] = []
    out: list[Outcome] = []
    for number, task in enumerate(tasks):
        try:
            made.append((task, MAKERS[task.table](task, f"X{number}")))
        except UnchangedError:
            out.append(Outcome(task, "", "", 0, "open", "unchanged"))
    return out + _judged(made)


def _judged(made: Sequence[tuple[Task, Case]]) -> list[Outcome]:
    """Package the cases as one project; one that is refused is halved until the case stands alone."""
    if not made:
        return []
    with tempfile.TemporaryDirectory(prefix="accuracy-") as place:
        folder = make_project(made, Path(place) / "project")
        ran = wellread("package", folder, "--into", Path(place) / "bags", "--json", "--quiet")
        if ran.code == 0:
            bag = Path(ran.document["bag"])
            record = json.loads((bag / "metadata/record.json").read_bytes())
            chips = {chip["chip"]: chip for chip in record["chips"]}
            return [
                _seen(task, one, chips[one.chip.chip], bag, folder / "dumps")
                for task, case in made
                for one in case.wanted
            ]
    if len(made) > 1:
        middle = len(made) // 2
        return _judged(made[:middle]) + _judged(made[middle:])
    task, case = made[0]
    state: State = "refused" if ran.code == SHEET_PROBLEM else "crashed"
    last = ran.err.strip().splitlines()[-2:]
    return [
        Outcome(
            task, one.chip.chip, one.source, one.chip.truth.size, one.expect, state, refusal=" ".join(last)
        )
        for one in case.wanted
    ]


def make_project(made: Sequence[tuple[Task, Case]], folder: Path) -> Path:
    """One project of many cases; their boards, readers and wirings are their own."""
    chips = [one.chip for _, case in made for one in case.wanted]
    wirings = {name: lines for _, case in made for name, lines in case.wirings.items()}
    return project(folder, chips, wirings=wirings)


def _seen(task: Task, wanted: Wanted, record: Mapping[str, Any], bag: Path, dumps: Path) -> Outcome:
    findings = [one for one in record["findings"] if one["severity"] != "note"]
    accused = {line for one in findings if one["code"] in LINE_CODES for line in lines_of(one)}
    state, image = _state(wanted, record, bag)
    return Outcome(
        task=task,
        chip=wanted.chip.chip,
        source=wanted.source,
        words=wanted.chip.truth.size,
        expect=wanted.expect,
        state=state,
        grade=record["grade"],
        named=_named(wanted, record["findings"] if task.table == "wirings" else findings),
        wrong_line=bool(wanted.lines) and bool(accused - wanted.lines),
        fault=any(one["severity"] == "fault" for one in findings),
        caution=any(one["severity"] == "caution" for one in findings),
        changed=wanted.as_read is not None and image != wanted.as_read,
        grounds=wanted.grounds,
        codes=tuple(f"{one['severity']} {one['code']}" for one in findings),
        examined=_examined(task, wanted, record, dumps),
    )


def _examined(task: Task, wanted: Wanted, record: Mapping[str, Any], dumps: Path) -> str:
    """What `wellread examine` says otherwise of the same files, of every fourth chip that one reader read.

    Or "".
    """
    chip = wanted.chip
    if len(chip.readings) != 1 or task.number % 4 or set(chip.readings[0].says) - {"format"}:
        return "not asked"
    files = sorted(dumps.glob(f"{chip.chip}_*.dump"))
    kind = ("--part", chip.part) if chip.part else ("--organisation", f"{chip.truth.size}x{chip.bits}")
    ran = wellread("examine", *files, *kind, "--format", "binary", "--json")
    if ran.code not in (0, 1):
        return ran.err
    said = ran.document
    pairs = (
        ("image", said["image_sha256"], (record["image"] or {}).get("sha256")),
        ("grade", said["grade"], record["grade"]),
        ("faults", _grave(said["findings"]), _grave(record["findings"])),
    )
    return "; ".join(f"{what}: {one} where package says {two}" for what, one, two in pairs if one != two)


def _grave(findings: Sequence[Mapping[str, Any]]) -> list[str]:
    return sorted(one["code"] for one in findings if one["severity"] == "fault")


def _state(wanted: Wanted, record: Mapping[str, Any], bag: Path) -> tuple[State, bytes]:
    if record["image"] is None:
        return "missing", b""
    path = bag / record["image"]["path"]
    image = path.read_bytes()
    settled = path.is_relative_to(bag / "data/images")
    assert settled == record["image"]["settled"]
    assert len(image) == len(binary(wanted.chip.truth, wanted.chip.bits))
    if settled:
        assert record["grade"] not in ("faulty", "contested"), "an unsettled chip lies among the settled"
        assert not record.get("held_back"), "a chip that is held back lies among the settled"
        return ("right" if image == wanted.chip.image else "wrong"), image
    if record["grade"] == "faulty":
        return "faulty", image
    return ("contested" if record["grade"] == "contested" else "held back"), image


def lines_of(finding: Mapping[str, Any]) -> set[str]:
    """The lines that a finding names."""
    where = finding["where"]
    return {str(where["line"])} if "line" in where else {str(line) for line in where.get("lines", ())}


def _named(wanted: Wanted, findings: Sequence[Mapping[str, Any]]) -> bool:
    said = [one for one in findings if one["code"] in wanted.codes and _fits(wanted, one)]
    return bool(said) and wanted.lines <= {line for one in said for line in lines_of(one)}


def _fits(wanted: Wanted, finding: Mapping[str, Any]) -> bool:
    if finding["code"] in LINE_CODES and not lines_of(finding) <= wanted.lines:
        return False
    seen = {**finding["evidence"], **finding["where"]}
    return all(seen[name] == value for name, value in wanted.values if name in seen)
