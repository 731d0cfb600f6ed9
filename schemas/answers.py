"""What each command prints with `--json`: one document, `{schema, command, …}`.

Programs call these; fields are added, never renamed. Each is a `TypedDict`: a plain dict while the program
runs, in which mypy lets nobody write a field that is not here.
"""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, TypeAlias

from pydantic import Field
from typing_extensions import TypedDict

from schemas.base import Range, stored
from schemas.ledger import LedgerRow
from schemas.record import (
    Bears,
    Contested,
    Differing,
    LinesRecord,
    ReadFor,
    RegionRecord,
    SuggestedSpace,
    ToDoChip,
    TwinDifference,
    VectorRecord,
)
from schemas.recorded_finding import FindingRecord
from schemas.recorded_sheet import PartRecord
from schemas.vocabulary import Grade


@stored()
class Answer(TypedDict):
    """What every answer has."""

    schema: str
    command: str


@stored()
class ToldCaution(TypedDict):
    """One thing to heed before a hand goes near the chip."""

    key: str
    dangerous: Annotated[
        bool, Field(description="Whether heeding it too late costs the chip, the reader or a person")
    ]
    text: str
    ground: str


@stored()
class Heeded(TypedDict):
    """What to heed at the bench, the dangerous first, and that data sheets and local rules come before it."""

    cautions: list[ToldCaution]
    deference: str


@stored()
class HeedingAnswer(Answer, Heeded):
    """An answer that may lead a hand to the bench."""


@stored()
class ToldProblem(TypedDict):
    """A problem or caution about the sheet."""

    where: str
    field: str
    found: str
    expected: str
    nearest: str
    text: str


@stored()
class CheckAnswer(Answer):
    """What `check --json` prints."""

    folder: str
    sound: bool
    chips: int
    grades: dict[str, int]
    named: Annotated[dict[str, list[str]], Field(description="Faulty and contested chips, by grade")]
    needing: Annotated[list[str], Field(description="Chips that still need a person, worst first")]
    to_do: Annotated[
        list[ToDoChip], Field(description="What `package` would say is still to be done, worst first")
    ]
    programs: Annotated[
        list[str],
        Field(description="Which chips read as programs, by processor, and which for no known one"),
    ]
    spaces: Annotated[list[str], Field(description="What `package` would say of spaces")]
    suggestions: Annotated[
        list[str],
        Field(description="What the content suggests: spaces with their reason, chips that are kin"),
    ]
    problems: list[ToldProblem]
    cautions: list[ToldProblem]


@stored()
class PackagedChip(TypedDict):
    """One chip of a package."""

    chip: str
    grade: Grade
    held_back: Annotated[list[str], Field(description="Codes that make half or false content possible")]
    findings: list[FindingRecord]


@stored()
class PackageAnswer(Answer):
    """What `package --json` prints."""

    bag: str
    record: str
    same_as: str | None
    supersedes: str | None
    chips: list[PackagedChip]
    cautions: list[str]
    needs_person: Annotated[list[str], Field(description="Chips that still need a person, worst first")]
    to_do: Annotated[list[ToDoChip], Field(description="What is still to be done, worst first")]
    suggestions: Annotated[list[SuggestedSpace], Field(description="Spaces that the content suggests")]


@stored()
class ExaminedChip(Heeded):
    """What was found out about one chip."""

    organisation: str | None
    passes: int
    image_sha256: Annotated[str | None, Field(description="null where there is no usable reading")]
    grade: Grade
    reasons: list[str]
    bears: Bears
    held_back: Annotated[list[str], Field(description="Codes that make half or false content possible")]
    contested: Contested | None
    findings: list[FindingRecord]
    regions: list[RegionRecord]
    vectors: list[VectorRecord]
    read_for: Annotated[ReadFor | None, Field(description="null where no program was looked for")]


@stored()
class Examined(ExaminedChip):
    """What was found out about one chip, in files of its own or as a project's sheet has it."""

    files: list[str]
    part: str | None
    chip: Annotated[str | None, Field(description="Its id, where it is a project's")]
    project: Annotated[str | None, Field(description="The project folder, where it is a project's")]


@stored()
class ExamineAnswer(Answer, Examined):
    """What `examine --json` prints."""


@stored()
class SlipRecord(TypedDict):
    """Words or bytes lost or doubled in a stream."""

    at: int
    by: int
    latest: int


@stored()
class RelationRecord(TypedDict):
    """How the second of two readings comes from the first."""

    relation: Literal["identical", "mapped", "slipped", "differs", "unrelated"]
    mapping: LinesRecord | None
    differing_words: int
    differing_bits: int
    by_data_line: list[int]
    by_address_line: list[int]
    alternatives: int
    slips: list[SlipRecord]
    undecidable: bool
    notes: list[str]
    undone: NotRequired[Annotated[str, Field(description="The file that --undo wrote")]]


@stored()
class ComparedRecord(RelationRecord):
    """A relation, and what it says about the chip."""

    organisation: str
    raised: list[int]
    lowered: list[int]
    suggests: list[str]
    missing_words: int


@stored()
class CompareAnswer(HeedingAnswer, ComparedRecord):
    """What `compare --json` prints."""

    first: str
    second: str


@stored()
class ConvertedBlock(TypedDict):
    """One block of a converted file."""

    address: int
    length: int


@stored()
class ForgivenPlace(TypedDict):
    """Something about a file's form that its decoder let pass, with the first place."""

    what: str
    place: str
    line: int | None
    column: int | None
    offset: int | None
    count: int


@stored()
class ConvertedRecord(TypedDict):
    """What a conversion found and wrote."""

    format: Annotated[str, Field(description="Of the file that was read")]
    begins: Annotated[int, Field(description="Address of the first byte taken")]
    taken: Annotated[int, Field(description="Number of the pass that was taken")]
    passes: Annotated[int, Field(description="How many passes the file holds")]
    blocks: list[ConvertedBlock]
    forgiven: list[ForgivenPlace]
    notes: list[str]


@stored()
class ConvertAnswer(Answer, ConvertedRecord):
    """What `convert --json` prints."""

    input: str
    output: str


@stored()
class StartAnswer(Answer):
    """What `start --json` prints."""

    sheet: str
    chips: int
    readings: int
    proposed: int
    moves: list[Annotated[list[str], Field(min_length=2, max_length=2)]]
    left_out: list[Annotated[list[str], Field(min_length=2, max_length=2)]]


@stored()
class Difference(TypedDict):
    """One difference between a bag and what it says of itself."""

    path: str
    kind: Literal["missing", "altered", "unexpected", "undeclared", "malformed", "unsafe", "incomplete"]
    means: str
    severity: Literal["warning", "error"]


@stored()
class ReplayedImages(TypedDict):
    """What carrying out the recorded steps once more gave."""

    images: Annotated[int, Field(description="Rebuilt from their readings, and equal")]
    passes: Annotated[int, Field(description="Replayed on their dump files, and equal")]
    away: Annotated[int, Field(description="Passes whose dump file is not in the bag")]


BagOutcome: TypeAlias = Literal["valid", "invalid", "missing", "unreadable", "not due"]


@stored()
class RecheckedBag(TypedDict):
    """One bag that was checked."""

    path: str
    outcome: BagOutcome
    complete: bool
    valid: bool
    problems: list[Difference]
    note: str
    receipt: str
    files: int
    size_bytes: int
    algorithms: Annotated[list[str], Field(description="Digests that vouch for the payload")]
    replayed: NotRequired[Annotated[ReplayedImages, Field(description="Only with --replay")]]


@stored()
class RecheckAnswer(Answer):
    """What `recheck --json` prints."""

    bags: list[RecheckedBag]
    ledger: str | None
    head: str
    cautions: list[str]


@stored()
class LedgerLine(LedgerRow):
    """A row of the ledger with its number and its digest."""

    number: int
    digest: str


@stored()
class LedgerAnswer(Answer):
    """What `ledger --json` prints."""

    ledger: str
    head: str
    whole: bool
    problems: list[str]
    cautions: list[str]
    rows: list[LedgerLine]
    written: list[str]


ReplacedFile = TypedDict("ReplacedFile", {"path": str, "from": str})
"""A file of a bag and the copy that it came from (`from` is a keyword of the language, hence this form)."""


@stored()
class MendAnswer(Answer):
    """What `mend --json` prints."""

    bag: str
    receipt: str
    replaced: list[ReplacedFile]
    set_aside: list[str]
    damaged: str | None
    record: str
    head: str


@stored()
class PartLine(TypedDict):
    """A part in a list of parts."""

    part: str
    aliases: list[str]
    organisation: str | None
    pins: int
    kind: str
    output: str | None
    supplies_v: list[float]
    erased_state: int | None
    fades_to: int | None
    pinout: str
    source: str
    confidence: str
    confidence_by_group: dict[str, str]


@stored()
class GroundSource(TypedDict):
    """A source that bears out a group of facts."""

    source: Annotated[str, Field(description="In plain words")]
    type: str
    hand: Annotated[str, Field(description="Who drew or wrote it: sources of one hand count once")]
    counts: Annotated[bool, Field(description="False: from memory, or its hand contradicts itself")]


@stored()
class GroundContradiction(TypedDict):
    """What a source says against a group of facts."""

    source: str
    pins: list[int]
    says: str
    slip: Annotated[bool, Field(description="Its own hand and others say elsewhere what the entry says")]


@stored()
class PartGround(TypedDict):
    """A group of facts of a part: its confidence and what that follows from."""

    confidence: str
    sources: list[GroundSource]
    independent: Annotated[int, Field(description="Hands that bear it out fully")]
    through_a_number_nobody_says_reads_alike: int
    contradictions: list[GroundContradiction]


@stored()
class PinLine(TypedDict):
    """A package pin."""

    pin: int
    role: str
    name: str
    label: str
    line: int | None


@stored()
class PartSheet(PartRecord):
    """One part with its sources by group of facts, its pins and cautions."""

    organisation: str | None
    markings: Annotated[list[str], Field(description="Further numbers on chips that resolve to it")]
    grounds: Annotated[dict[str, PartGround], Field(description="By pins, supplies, enables, erased")]
    pin_table: list[PinLine]
    cautions: list[ToldCaution]
    deference: str


@stored()
class PartsAnswer(Answer):
    """`parts`: of one part everything, with its sources by group of facts; of several one line each."""

    begins: NotRequired[
        Annotated[str, Field(description="What the numbers listed begin with, where none is it")]
    ]
    parts: list[PartSheet] | list[PartLine]
    further: NotRequired[
        Annotated[
            dict[str, str],
            Field(description="Numbers that begin so and are no entry, with the entry they read as"),
        ]
    ]


@stored()
class WithheldThing(TypedDict):
    """Something that a release leaves behind."""

    what: str
    why: str
    kind: str
    chip: str | None
    sha256: str | None


@stored()
class HeldBack(TypedDict):
    """What of a chip stays behind."""

    what: str
    why: str


@stored()
class ReleasedChip(TypedDict):
    """One chip of a release: what goes out and what stays."""

    chip: str
    grade: Grade
    goes_out: list[str]
    withheld: list[HeldBack]


@stored()
class ReleaseAnswer(Answer):
    """What `release --json` prints."""

    bag: str
    dry_run: bool
    bundle: str | None
    zip: str | None
    zip_sha256: str | None
    content: Annotated[bool, Field(description="False: metadata, report and digests only")]
    rights: str
    grades: dict[str, int]
    files: list[str]
    chips: list[ReleasedChip]
    needs_person: Annotated[list[str], Field(description="Chips that still need a person, worst first")]
    to_do: Annotated[list[ToDoChip], Field(description="What is still to be done, worst first")]
    withheld: list[WithheldThing]
    replaced: Annotated[
        dict[str, int],
        Field(description="Where private values stood in public texts, and how many were replaced"),
    ]
    cautions: list[str]


@stored()
class BurnedFile(TypedDict):
    """One programming file."""

    name: str
    bytes: int
    sum16: Annotated[str, Field(description="Of the whole device, as a programmer shows it")]
    crc32: str
    bits: NotRequired[Annotated[Range | None, Field(description="Of the space's word, high and low")]]
    words: NotRequired[Annotated[Range | None, Field(description="Half-open, of the space")]]


@stored()
class JointLine(TypedDict):
    """One pin of the new part in the old one's socket."""

    pin: int
    name: str
    action: str
    hole: int | None
    level: int | None
    lifted: bool
    why: str


@stored()
class GroundOfPins(TypedDict):
    """Where a part's pins come from."""

    source: str
    confidence: str


@stored()
class BurnPlan(TypedDict):
    """How a replacement is programmed and seated."""

    source: str
    target: str
    organisation: str
    layout: str
    copies: list[int]
    fill: int | None
    image_sum16: str
    device_sum16: str
    device_crc32: str
    seat: int | None
    pins: list[JointLine]
    withheld: Annotated[str | None, Field(description="Why no pins are told")]
    stamp: str | None
    pins_source: dict[str, GroundOfPins]
    dangers: list[str]
    warnings: list[str]
    cautions: list[str]
    deference: str


@stored()
class BurnAnswer(HeedingAnswer):
    """`burn`: of a chip (`plan` says pins and ties) or of a space (several files)."""

    bag: str
    chip: str | None
    space: str | None
    grade: Grade | None
    image_sha256: str
    format: str
    output: str
    files: list[BurnedFile]
    plan: BurnPlan | None
    to_do: Annotated[
        list[ToDoChip], Field(description="What is still to be done about what is burned, worst first")
    ]


ChangeJudged: TypeAlias = Literal[Differing, "older-faded", ""]


@stored()
class ChangedChip(TypedDict):
    """One pair of chips."""

    chip: str
    other: Annotated[str | None, Field(description="Its id in the new one, where it is another")]
    board: str | None
    socket: str | None
    kind: Literal["same", "content", "evidence", "only-old", "only-new", "not-compared"]
    judged: Annotated[
        ChangeJudged,
        Field(description="Of two machines the same words as a twin's; `older-faded` is the first's fading"),
    ]
    differing_words: int
    up: Annotated[int, Field(description="Settled bits that are 1 in the new one only")]
    down: Annotated[int, Field(description="Settled bits that are 1 in the old one only")]
    contested_bits: Annotated[int, Field(description="Differing bits that are contested in either")]
    ranges: list[Range]
    means: str
    facts: list[str]


@stored()
class ChangesAnswer(Answer):
    """What `changes --json` prints."""

    old: str
    new: str
    old_bag: str
    new_bag: str
    same_machine: bool
    counts: dict[str, int]
    chips: list[ChangedChip]
    others: list[str]


@stored()
class ReopenAnswer(Answer):
    """What `reopen --json` prints."""

    bag: str
    folder: str
    files: list[str]
    chips: int


@stored()
class WireRecord(TypedDict):
    """What a pin is joined to."""

    kind: str
    value: float


@stored()
class WiredPin(TypedDict):
    """One pin of the socket at the bench."""

    pin: int
    name: str | None
    label: str | None
    join: WireRecord | None
    text: str | None
    danger: bool
    stamp: str | None


BenchMove = TypedDict(
    "BenchMove",
    {"pin": int | None, "old_pin": int | None, "from": str | None, "to": str | None, "risk": str | None},
)
"""A wire that moves from one part to another (`from` is a keyword of the language, hence this form)."""


@stored()
class ExerciseLine(TypedDict):
    """A chip that is known well enough to try the wires on."""

    chip: str
    part: str
    grade: str | None
    lines: list[str]
    missing: list[str]
    moves: int
    harm: str | None


@stored()
class BenchCaution(TypedDict):
    """A caution beside the wires."""

    text: str
    dangerous: bool
    ground: str


_From = TypedDict("_From", {"from": str | None})


@stored()
class BenchSheet(_From):
    """The wiring sheet of a part."""

    part: str
    organisation: str | None
    pins_printed: bool
    withheld: str | None
    stamp: str | None
    source: dict[str, str]
    confidence: str
    supplies_v: list[float]
    pins: list[WiredPin]
    moves: list[BenchMove]
    renamed: list[int | None]
    pull_ups: bool
    access_ns: float
    access_ground: str
    wait_us: int
    words: int | None
    bytes: int | None
    baud: int
    seconds_a_pass: float
    plan: list[str]
    exercises: list[ExerciseLine]
    together: list[str]
    cautions: list[BenchCaution]
    deference: str


@stored()
class BenchAnswer(Answer, BenchSheet):
    """What `bench --json` prints."""

    page: Annotated[str | None, Field(description="The printable page that was written")]


@stored()
class CaptureAnswer(HeedingAnswer):
    """What `capture --json` prints."""

    port: str
    chip: str
    reader: str
    file: str
    received: Annotated[int, Field(description="Bytes of this run that are in the raw log")]
    worst_stall_ms: Annotated[
        float | None,
        Field(
            description=(
                "Longest time from one look at the line to the next that found bytes; null where it could "
                "not be had"
            )
        ),
    ]
    driver_lost: Annotated[
        int | None,
        Field(description="Bytes that the port's driver lost by its own count; null where it keeps none"),
    ]
    protocol: Annotated[bool, Field(description="Whether the reader spoke the line protocol")]
    damaged_lines: Annotated[int, Field(description="Lines of the protocol that did not prove themselves")]
    passes_asked: int
    passes_whole: Annotated[int, Field(description="Passes of exactly the chip's words")]
    told: Annotated[list[str], Field(description="What the decoder forgave or left out")]
    problems: Annotated[list[str], Field(description="What keeps the reading from being what was asked for")]
    row: dict[str, str]
    row_added: bool
    examined: Examined


@stored()
class WeighedReason(TypedDict):
    """Why a chip should be read, and how much that counts."""

    weight: int
    words: str


@stored()
class HeldChip(TypedDict):
    """One chip of a shelf."""

    path: Annotated[str, Field(description="Of its bag or bundle")]
    bag: str
    machine: str
    custodian: str
    released: Annotated[bool, Field(description="It lies in a public bundle")]
    chip: str
    board: str
    socket: str
    part: str
    label: str
    marking: str
    inventory: str
    organisation: str
    grade: str
    state: str
    held_back: list[str]
    findings: Annotated[list[str], Field(description="Open ones, such as `caution short-read`")]
    read: Annotated[str, Field(description="Date of its last reading, EDTF; empty where not known")]
    sha256: Annotated[str, Field(description="Of its image; empty where there is none")]
    rights: str
    last_check: Annotated[str, Field(description="From the ledger; empty where none was given")]
    last_outcome: str
    like: NotRequired[
        Annotated[
            Literal["same", "near", "lines", "half", "holds"],
            Field(description="How its content is like the file asked for"),
        ]
    ]
    share: NotRequired[Annotated[float, Field(description="Estimated share of words that differ")]]
    rank: NotRequired[Annotated[int, Field(description="Sum of the weights of all reasons")]]
    why: NotRequired[list[WeighedReason]]


@stored()
class TroubledBag(TypedDict):
    """A bag of a shelf that could not be read."""

    path: str
    trouble: str


@stored()
class HoldingsAnswer(Answer):
    """What `holdings --json` prints."""

    index: Annotated[str | None, Field(description="null where it was made in memory and is gone")]
    bags: int
    chips: int
    read: Annotated[int, Field(description="Bags that are new or changed, and were read")]
    gone: Annotated[int, Field(description="Bags that are there no more, and were forgotten")]
    grades: Annotated[dict[str, int], Field(description="Of the newest bag of each machine")]
    troubled: list[TroubledBag]
    asked: Annotated[str, Field(description="The question in words; empty where none was asked")]
    total: Annotated[int, Field(description="Chips that the question finds")]
    found: Annotated[list[HeldChip], Field(description="The first of them, as many as `--most` says")]
    written: list[str]


@stored()
class FoundTwin(TwinDifference):
    """A chip of another bag that may be the same program in another specimen."""

    chip: str
    bag: str
    path: str
    their: str
    how: Annotated[
        list[Literal["same", "near", "lines", "half", "holds", "label", "socket"]],
        Field(description="By what it was found"),
    ]
    one_bit: Annotated[bool, Field(description="The images differ in one bit")]
    other_machine: Annotated[bool, Field(description="Another machine, as far as both records tell")]
    receipt: str
    corroborates: bool
    against: list[str]
    means: str


@stored()
class TwinsAnswer(Answer):
    """What `twins --json` prints."""

    bag: str
    among: Annotated[int, Field(description="Bags that were looked through")]
    troubled: list[TroubledBag]
    found: list[FoundTwin]
    rows: Annotated[list[dict[str, str]], Field(description="As they go under `twins` in the sheet")]
    added: Annotated[int, Field(description="Rows that stand in the sheet, where `--project` was said")]
    without: Annotated[list[str], Field(description="Chips of which no twin was found")]


@stored()
class EndedOne(TypedDict):
    """How one of several bags or projects ended."""

    path: str
    exit_code: int
    said: Annotated[str, Field(description="In one line; the error where there was one")]
    problems: Annotated[list[str], Field(description="All that the error gathers")]
    answer: Annotated[
        dict[str, object] | None, Field(description="What the command prints for one; null on an error")
    ]


@stored()
class SeveralAnswer(Answer):
    """`package` and `release` of several projects or bags; `command` is `several`."""

    of: str
    ended: list[EndedOne]
    exit_code: Annotated[int, Field(description="The worst of all")]


@stored()
class WatchedLine(TypedDict):
    """One line of the chip, as `watch` has it at this moment."""

    line: str
    pin: int | None
    state: Literal["alive", "dead", "stuck", "joined", "floating", "intermittent", "not-shown"]
    words: Annotated[str, Field(description="The state as the screen says it")]
    others: Annotated[list[str], Field(description="Lines that it is joined with")]
    level: Annotated[int | None, Field(description="At which it is stuck")]
    changed: bool


Phase = Literal[
    "waiting",
    "reading",
    "testing",
    "tested",
    "pulsed",
    "off",
    "gone",
    "no-text",
    "unplaced",
    "other-chip",
    "good",
]
"""Where a sitting that is watched stands."""


@stored()
class WatchAnswer(Answer):
    """`watch`: one such document a line of output, one an event."""

    event: Annotated[
        Literal[
            "start", "pass", "line", "off", "on", "gone", "back", "speed", "chip", "test", "next", "good"
        ],
        Field(description="What happened; `start` comes first, and carries the cautions"),
    ]
    text: str
    about: Annotated[list[str], Field(description="The lines that the event is about")]
    port: str
    baud: int
    part: str | None
    organisation: str
    phase: Phase
    stale: Annotated[bool, Field(description="Whether the states are those of before the power went off")]
    passes: Annotated[int, Field(description="Whole passes so far")]
    alike: Annotated[int, Field(description="Whole passes in a row that are alike")]
    words_a_second: float
    marks: Annotated[
        str, Field(description="The last passes: . first, = alike, ~ unlike, x not whole, | rest between")
    ]
    lines: list[WatchedLine]
    next: Annotated[str, Field(description="The one sentence that says what to do")]
    good: bool
    power_off: str
    cautions: list[str]


@stored()
class SchemaAnswer(Answer):
    """`schema` without a name; with one it prints that schema itself."""

    names: list[str]


@stored()
class ExplainedWord(TypedDict):
    """One finding or grade in words."""

    kind: Literal["finding", "grade"]
    name: str
    what: str
    told: str
    also: str
    do: str


@stored()
class ExplainAnswer(HeedingAnswer):
    """What `explain --json` prints."""

    entries: list[ExplainedWord]


ListedKind: TypeAlias = Literal["code", "unreached", "text", "table", "fill", "unknown", "absent"]
ProcessorBy: TypeAlias = Literal["option", "sheet", "content"]


@stored()
class ListedLine(TypedDict):
    """One line of a listing."""

    at: Annotated[int, Field(description="Word address on the chip")]
    address: Annotated[int, Field(description="The processor's; counted from 0 where that is not known")]
    length: Annotated[int, Field(description="Bytes")]
    bytes: Annotated[str, Field(description="Hexadecimal; of an empty stretch the first sixteen")]
    kind: ListedKind
    label: Annotated[str, Field(description="Of a routine or an entry, or empty")]
    text: Annotated[str, Field(description="The instruction or the characters, or empty")]
    note: Annotated[str, Field(description="Who calls it, or where it leads, or empty")]


@stored()
class ListingAnswer(Answer):
    """`listing`: a guess with the odds of `runs-on`, never a proof."""

    bag: str
    chip: str
    organisation: str
    grade: Grade
    settled: bool
    family: Annotated[str, Field(description="Whose instructions it was read as")]
    family_by: Annotated[ProcessorBy, Field(description="What said so")]
    address: Annotated[int | None, Field(description="The processor's, of the first word; null: not known")]
    library: Annotated[str, Field(description="What put instructions into words")]
    more_with: Annotated[str | None, Field(description="What to install for mnemonics; null: nothing")]
    lines: list[ListedLine]


ANSWERS: dict[str, object] = {
    "listing": ListingAnswer,
    "explain": ExplainAnswer,
    "check": CheckAnswer,
    "package": PackageAnswer,
    "examine": ExamineAnswer,
    "compare": CompareAnswer,
    "convert": ConvertAnswer,
    "start": StartAnswer,
    "recheck": RecheckAnswer,
    "ledger": LedgerAnswer,
    "mend": MendAnswer,
    "parts": PartsAnswer,
    "release": ReleaseAnswer,
    "burn": BurnAnswer,
    "changes": ChangesAnswer,
    "reopen": ReopenAnswer,
    "bench": BenchAnswer,
    "capture": CaptureAnswer,
    "twins": TwinsAnswer,
    "holdings": HoldingsAnswer,
    "several": SeveralAnswer,
    "watch": WatchAnswer,
    "schema": SchemaAnswer,
}
"""Command → its answer."""
