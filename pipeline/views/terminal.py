"""Results as text for a terminal: short tables in plain words, worst first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from pipeline.one_line import one_line, one_lined
from pipeline.summed_up import counted, kind_of, summed_up
from pipeline.to_do import GRADES_WORST_FIRST, UNSETTLED, ToDo, space_state
from pipeline.views.strip import contested_spans, legend, strip
from pipeline.views.suggestions import programs, suggested
from schemas.glossary import GLOSSARY

if TYPE_CHECKING:
    from pipeline.flow import ChipSummary, Packaged
    from schemas.answers import (
        CaptureAnswer,
        CheckAnswer,
        ConvertAnswer,
        Examined,
        Heeded,
        PackageAnswer,
        StartAnswer,
        ToldProblem,
    )
    from schemas.finding import Details
    from schemas.record import ChipRecord, SpaceRecord, ToDoChip
    from schemas.recorded_finding import FindingRecord

MOST_NAMED = 20
MOST_CHIPS = 60


def table(rows: Sequence[Sequence[str]], *, indent: str = "  ") -> str:
    """Rows in columns as wide as their widest cell; the last column runs free."""
    if not rows:
        return ""
    widths = [max(len(row[n]) for row in rows) for n in range(len(rows[0]) - 1)]
    return "\n".join(
        (
            indent
            + "  ".join([*(cell.ljust(width) for cell, width in zip(row, widths, strict=False)), row[-1]])
        ).rstrip()
        for row in rows
    )


def checked(document: CheckAnswer) -> str:
    """What `check` says."""
    document = one_lined(document)
    lines = [f"problem: {one}" for one in _summed(document["problems"])]
    lines += [f"caution: {one}" for one in _summed(document["cautions"])]
    grades = ", ".join(
        f"{document['grades'][grade]} {grade}"
        for grade in GRADES_WORST_FIRST
        if document["grades"].get(grade)
    )
    said = counted(document["chips"], "chip") + (f" ({grades})" if grades else "")
    state = (
        "Sheet and dumps can be read" if document["sound"] else counted(len(document["problems"]), "problem")
    )
    if document["sound"]:
        lines += _as_package_would(document)
    lines.append(f"{state}: {said}, {counted(len(document['cautions']), 'caution')}. Nothing was written.")
    return "\n".join(lines)


def _as_package_would(document: CheckAnswer) -> list[str]:
    """What `package` would say of programs, spaces and what is still to be done, and where to learn more."""
    waiting = document["to_do"]
    lines = [f"  {told}" for told in (*document["programs"], *document["spaces"], *document["suggestions"])]
    lines += still_to_do(waiting, document["needing"])
    if waiting:
        words = [word for one in waiting for word in (one["grade"], *(task["code"] for task in one["tasks"]))]
        lines.append(f"What these words mean, and what to do: {to_explain(words)}")
    return lines


def _summed(problems: Sequence[ToldProblem]) -> list[str]:
    return summed_up((kind_of(one["field"], one["found"], one["expected"]), one["text"]) for one in problems)


def package_json(done: Packaged, chips: Iterable[ChipRecord]) -> PackageAnswer:
    """What `package --json` prints.

    Args:
        done: From packaging.
        chips: The chips' records as the bag has them.
    """
    return {
        "schema": "wellread/package/1",
        "command": "package",
        "bag": str(done.bag),
        "record": str(done.bag / "metadata" / "record.json"),
        "same_as": done.same_as or None,
        "supersedes": done.supersedes or None,
        "chips": [
            {
                "chip": chip["chip"],
                "grade": chip["grade"],
                "held_back": chip.get("held_back", []),
                "findings": chip["findings"],
            }
            for chip in chips
        ],
        "cautions": list(done.cautions),
        "needs_person": list(done.needing),
        "to_do": [one.to_json() for one in done.to_do],
        "suggestions": list(done.suggestions),
    }


def packaged(done: Packaged, *, draw: bool) -> str:
    """What `package` says: each chip with its strip, worst first, and where the bag lies."""
    place = one_line(str(done.bag))
    waiting = still_to_do([one.to_json() for one in done.to_do], done.needing)
    if done.same_as:
        return "\n".join([*waiting, f"Same as {done.same_as}: nothing has changed since.", place])
    lines = [_by_grade(done.chips)]
    lines += _listed(done.chips, draw=draw)
    lines += [f"  {told}" for told in programs(one.reads for one in done.chips if one.reads)]
    lines += [f"  {one_line(told)}" for told in spaces_in_doubt(done.spaces)]
    lines += [f"  {told}" for told in suggested(done.suggestions, (one for c in done.chips for one in c.kin))]
    lines += [f"caution: {one_line(caution)}" for caution in done.cautions]
    lines += waiting
    if done.supersedes:
        lines.append(f"Supersedes {done.supersedes}.")
    lines.append(f"Bag, checked by two judges: {place}")
    return "\n".join(lines)


def _listed(chips: Sequence[ChipSummary], *, draw: bool) -> list[str]:
    """A row a chip, worst first, and what a strip's characters mean.

    Of many chips those with nothing to do are counted, not listed.
    """
    ranked = sorted(chips, key=lambda chip: chip.to_do.rank)
    clean = [chip for chip in ranked if not chip.to_do.tasks] if len(ranked) > MOST_CHIPS else []
    wanting = [chip for chip in ranked if chip.to_do.tasks] if clean else ranked
    shown = wanting[:MOST_CHIPS]
    rows = [
        [chip.chip, _graded(chip.grade, chip.to_do.held_back), _strip_of(chip, draw=draw), _codes(chip.to_do)]
        for chip in shown
    ]
    lines = [table(rows)] if rows else []
    if len(wanting) > len(shown):
        lines.append(f"  … and {len(wanting) - len(shown)} more that want a look; the report has them all")
    if clean:
        lines.append(f"  {counted(len(clean), 'chip')} with nothing to do: {_by_grade(clean)}")
    return lines + _strips_legend(shown, draw=draw)


def _by_grade(chips: Sequence[ChipSummary]) -> str:
    """`300 corroborated, 71 repeatable`."""
    counts = Counter(chip.grade for chip in chips)
    return ", ".join(f"{counts[grade]} {grade}" for grade in GRADES_WORST_FIRST if counts[grade])


def _strips_legend(chips: Sequence[ChipSummary], *, draw: bool) -> list[str]:
    """What the characters of these chips' strips mean, on one line."""
    cuts = [cut for chip in chips for cut in chip.regions]
    told = legend(cuts, contested=any(chip.contested for chip in chips), blocks=draw)
    return [f"  strip: {told.replace('  ', ', ')}"] if told else []


def _graded(grade: str, held_back: Sequence[str]) -> str:
    """The grade, and whether the image is kept apart all the same."""
    return f"{grade}, held back" if held_back else grade


def _codes(waiting: ToDo) -> str:
    return ", ".join(waiting.codes)


def still_to_do(waiting: Sequence[ToDoChip], needing: Sequence[str]) -> list[str]:
    """`Still to be done by a person`: chips that need one and those to look at, worst first.

    Args:
        waiting: The one list, with its codes.
        needing: Those chips of it that need a person.
    """
    if not waiting:
        return []
    rows = []
    for chip in waiting[:MOST_NAMED]:
        told = [f"{one['severity']} {one['code']}" for one in chip["tasks"] if one["code"] != chip["grade"]]
        wants = "" if chip["chip"] in needing else "look at "
        rows.append(
            [
                one_line(chip["chip"]),
                _graded(chip["grade"], chip["held_back"]),
                wants + ", ".join(dict.fromkeys(told)),
            ]
        )
    more = [f"  … and {len(waiting) - MOST_NAMED} more"] if len(waiting) > MOST_NAMED else []
    return ["Still to be done by a person:", table(rows), *more]


def spaces_in_doubt(spaces: Iterable[SpaceRecord]) -> list[str]:
    """Spaces that are not complete, or whose content speaks against how chips are placed, a line each."""
    out = []
    for one in spaces:
        apart = [
            chip["chip"] for chip in one.get("to_do", ()) if chip["held_back"] or chip["grade"] in UNSETTLED
        ]
        named = [f"see {', '.join(apart[:MOST_NAMED])}"] if apart and one.get("unsettled") else []
        told = [space_state(one), *named, *one.get("reasons", ()), *one.get("cautions", ())]
        if told != ["complete"]:
            out.append(f"space {one['name']}: {'; '.join(told)}")
    return out


def _strip_of(chip: ChipSummary, *, draw: bool) -> str:
    if not chip.regions:
        return ""
    *_, (_, _, end) = chip.regions
    return strip(end, chip.regions, contested=chip.contested, cells=32, blocks=draw)


def examined(document: Examined, *, draw: bool) -> str:
    """What `examine` says: one table, then each finding above a note in words."""
    document = one_lined(document)
    name = document["part"] or "no part named"
    about = f"{document['organisation'] or 'organisation not known'} ({name})"
    files = ", ".join(document["files"]) or "no file"
    told = f"chip {document['chip']}: {files}" if document["chip"] else files
    lines = [
        f"{told}: {about}, {counted(document['passes'], 'pass', 'passes')}",
        f"grade {document['grade']}: {'; '.join(document['reasons'])}",
    ]
    if document["image_sha256"]:
        lines.append(f"image SHA-256 {document['image_sha256']}")
    words = int((document["organisation"] or "0").split("x")[0])
    contested = contested_spans(document["contested"], words)
    if document["regions"]:
        cut = [(one["kind"], one["start"], one["end"]) for one in document["regions"]]
        lines.append(strip(words, cut, contested=contested, blocks=draw))
        lines.append(legend(cut, contested=bool(contested), blocks=draw))
    if document["contested"] and "flow" in document["contested"]:
        lines.append(document["contested"]["flow"]["says"])
    findings = document["findings"]
    if not findings:
        return "\n".join([*lines, "No finding."])
    lines += [
        "",
        table(
            [
                [one["severity"], one["code"], _place(one["where"]), _numbers(one["evidence"])]
                for one in findings
            ]
        ),
    ]
    if advised(findings):
        lines += ["", *heeding(document, document["part"])]
    for one in findings:
        lines += [
            "",
            f"{one['severity']} {one['code']} {_place(one['where'])}".rstrip(),
            f"  means  {one['means']}",
        ]
        if one["severity"] != "note":
            lines += [f"  or     {one['also']}", f"  next   {one['next']}"]
        lines += [f"  {_pin(pin)}" for pin in one["where"].get("pins", ())]
    return "\n".join(lines)


MOST_EXPLAINED = 4


def explaining(document: Examined) -> str:
    """What to type to learn more of the grade and the codes that were told, the worst first."""
    words = [document["grade"], *(one["code"] for one in document["findings"])]
    return f"\n\nMore on each: {to_explain(words)}"


def to_explain(words: Iterable[str]) -> str:
    """The command that explains the first few of these grades and codes."""
    known = [word for word in dict.fromkeys(words) if word in GLOSSARY]
    more = (
        f" (and {counted(len(known) - MOST_EXPLAINED, 'more word')})" if len(known) > MOST_EXPLAINED else ""
    )
    return f"wellread explain {' '.join(known[:MOST_EXPLAINED])}{more}"


def advised(findings: Sequence[FindingRecord]) -> bool:
    """Whether a finding is told with its next step, so that a hand may go to the bench."""
    return any(one["severity"] != "note" for one in findings)


def heeding(answer: Heeded, part: str | None) -> list[str]:
    """The cautions that go with advice: the part's own dangers, then all others in one."""
    from pipeline.catalogue.cautions import brief

    texts = brief(answer, part)
    return ["Before a hand goes near the chip", *(f"! {text}" for text in texts)]


def _pin(pin: Details) -> str:
    label = f" ({pin['label']})" if pin.get("label") and pin["label"] != pin["line"] else ""
    return (
        f"{pin['line']}{label} is pin {pin['pin']}; source: {pin['source']}, confidence {pin['confidence']}"
    )


def _place(where: Details) -> str:
    said = []
    for key in (
        "line",
        "lines",
        "level",
        "wins",
        "by",
        "at",
        "count",
        "copies",
        "missing",
        "extra",
        "toward",
    ):
        value = where.get(key)
        if value is None:
            continue
        text = " ".join(map(str, value)) if isinstance(value, list | tuple) else str(value)
        said.append(text if key in ("line", "lines") else f"{key} {text}")
    if where.get("with"):
        said.append("with " + ", ".join(map(str, where["with"])))
    return ", ".join(said)[:60]


def _numbers(evidence: Details) -> str:
    """The plain numbers of the evidence, the first few."""
    said = []
    for key, value in evidence.items():
        if isinstance(value, bool) or not isinstance(value, int | float):
            continue
        shown = f"{value:.3g}" if isinstance(value, float) else str(value)
        said.append(f"{key.replace('_', ' ')} {shown}")
    return ", ".join(said[:4])


def converted(document: ConvertAnswer) -> str:
    """What `convert` says."""
    document = one_lined(document)
    blocks = ", ".join(
        f"0x{one['address']:X} to 0x{one['address'] + one['length'] - 1:X}" for one in document["blocks"][:8]
    )
    begins = f"begins at 0x{document['begins']:X}"
    lines = [f"{document['output']}: {counted(len(document['blocks']), 'block')} ({blocks}), {begins}"]
    if document["passes"] > 1:
        lines.append(
            f"taken: pass {document['taken']} of {document['passes']}; the others are left out (--pass "
            "takes another)"
        )
    lines += [
        f"forgiven: {one['what']} ({one['place']}, {counted(one['count'], 'time')})"
        for one in document["forgiven"]
    ]
    return "\n".join(lines)


def started(document: StartAnswer) -> str:
    """What `start` says."""
    document = one_lined(document)
    lines = [
        (
            f"{document['sheet']}: {counted(document['chips'], 'chip')}, "
            f"{counted(document['readings'], 'reading')} drafted."
        )
    ]
    if document["proposed"]:
        lines.append(f"  a part is proposed for {counted(document['proposed'], 'chip')}, none asserted")
    lines += [f"  {name}: {reason}" for name, reason in document["left_out"]]
    if document["moves"]:
        loose = counted(len(document["moves"]), "dump")
        lines.append(f"  {loose} beside dumps/: move into dumps/ as they are, the sheet finds them there too")
    lines.append(
        "One line a chip is to be confirmed on the chip itself, `unconfirmed`: put in its place what the # "
        "after it proposes; `wellread check` fails until you do."
    )
    return "\n".join(lines)


def schema_list(names: Sequence[str]) -> str:
    """The names that `schema` knows."""
    return "Schemas: " + ", ".join(names)


def _passes_told(document: CaptureAnswer) -> str:
    """A reader that prints on gives more passes than were asked for."""
    whole, asked = document["passes_whole"], document["passes_asked"]
    if whole > asked:
        return f"{whole} passes whole where {asked} {'was' if asked == 1 else 'were'} asked for"
    passes = counted(asked, "pass", "passes")
    return f"{whole} of {passes} whole"


def captured(document: CaptureAnswer, *, draw: bool) -> str:
    """What `capture` says: the reading examined, then where it lies and what the sheet got."""
    document = one_lined(document)
    lines = [examined(document["examined"], draw=draw), ""]
    lines += [f"in the log: {told}" for told in document["told"]]
    form = (
        f"every line checked, {counted(document['damaged_lines'], 'damaged line')}"
        if document["protocol"]
        else "plain printing, in which nothing proves a line"
    )
    lines.append(f"{_passes_told(document)}, {counted(document['received'], 'byte')} received ({form})")
    stall = document["worst_stall_ms"]
    lines.append(
        "How long the line was left unread is not known"
        if stall is None
        else f"The line was never left unread for more than {stall:.1f} ms"
    )
    lines += [f"problem: {problem}" for problem in document["problems"]]
    if not advised(document["examined"]["findings"]):
        lines += heeding(document, document["examined"]["part"])
    row = ", ".join(f"{key}: {value}" for key, value in document["row"].items())
    lines.append(f"The reading is {document['file']}")
    lines.append(
        f"Added to the sheet's readings: {{{row}}}"
        if document["row_added"]
        else (
            f"The sheet was left alone. The reading counts by its name; to keep the date, add to its "
            f"readings: {{{row}}}"
        )
    )
    return "\n".join(lines)
