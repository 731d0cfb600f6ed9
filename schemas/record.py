"""The record: everything that packaging found out, kept in the bag as `metadata/record.json`.

What is stored is typed before it is a dict: each section is a `TypedDict`, a plain dict while the program
runs. It is written chip by chip, so that ten thousand chips need no more memory than one; `chips` therefore
comes last. A record of a later version of the program stays readable: unknown fields are kept, and every
field that a first version did not have is `NotRequired`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal, NotRequired, TypeAlias

from pydantic import Field
from typing_extensions import TypedDict

from schemas.base import Range, stored, withheld
from schemas.recorded_finding import FindingRecord
from schemas.recorded_sheet import (
    AttemptRecord,
    BoardRecord,
    CustodianRecord,
    HowRecord,
    MachineRecord,
    PartRecord,
    PlacementRecord,
    ReaderRecord,
    ReleaseWordRecord,
    RightsRecord,
    ViewRecord,
    WiringRecord,
)
from schemas.vocabulary import Grade

RECORD_SCHEMA: Literal["wellread/record/1"] = "wellread/record/1"

Blocks: TypeAlias = Annotated[
    list[int],
    Field(
        description="Words in each block: the chip's addresses cut into 64 equal stretches, or a word "
        "each where it has fewer"
    ),
]

Settings: TypeAlias = Mapping[str, Any]
"""Parameters of a step, by its action; `pipeline.steps` says which."""


@stored()
class Bears(TypedDict):
    """How many passes, sittings, readers and embedded checks bear the image."""

    passes: int
    sittings: int
    readers: int
    checks: int


@stored()
class StoredFile(TypedDict):
    """A file in the bag and what it was called where it came from."""

    path: NotRequired[
        Annotated[
            str,
            Field(
                description="Inside the bag, separated by /; in a public bundle absent where the file stays "
                "behind"
            ),
        ]
    ]
    original_name: NotRequired[
        Annotated[
            str | None,
            Field(description="Inside the project folder, separated by /; absent where it stays behind"),
        ]
    ]
    size_bytes: int
    sha256: str
    sha512: str
    withheld: NotRequired[
        Annotated[str | None, Field(description="In a public bundle: why the file stays behind")]
    ]


@stored()
class ShownRecord(TypedDict):
    """What a photograph shows, as the sheet says."""

    board: NotRequired[str]
    chip: NotRequired[str]
    caption: NotRequired[str]


@stored()
class AttachmentRecord(StoredFile):
    """A photograph, a document or a loose dump, and what it shows where the sheet says so."""

    shows: NotRequired[list[ShownRecord]]


SumMethod: TypeAlias = Literal["crc32", "sum16"]
SumForm: TypeAlias = Literal["as-stored", "big-endian", "little-endian", "upper-bits-0", "upper-bits-1"]


@stored()
class SumRecord(TypedDict):
    """A short sum of an image in one form: beside a digest, never instead of it."""

    method: SumMethod
    form: SumForm
    value: Annotated[str, Field(description="Upper-case hexadecimal: 8 digits for crc32, 4 for sum16")]


@stored()
class MatchingRecord(TypedDict):
    """Sums by which others' lists can be searched; none of them is a digest to trust."""

    crc32: int
    md5: str
    sha1: str
    sum16: int


@stored()
class ImageDigests(TypedDict):
    """An image by its digests and sums, wherever it lies."""

    size_bytes: int
    sha256: str
    sha512: str
    sums: list[SumRecord]


@stored()
class ImageRecord(ImageDigests):
    """The image of one chip: one word after the other, words wider than 8 bits big-endian."""

    path: NotRequired[
        Annotated[str, Field(description="In a public bundle absent where the image stays behind")]
    ]
    settled: Annotated[
        bool, Field(description="False: the file lies under images-unsettled, apart from the sound ones")
    ]
    mask_path: NotRequired[Annotated[str | None, Field(description="Same shape; a 1 bit is unresolved")]]
    matching: NotRequired[Annotated[MatchingRecord, Field(description="In a public bundle")]]
    withheld: NotRequired[
        Annotated[str | None, Field(description="In a public bundle: why the image stays behind")]
    ]


@stored()
class StepRecord(TypedDict):
    """One thing done to the bytes; replaying all of them on the file gives the pass's words."""

    action: str
    settings: NotRequired[Settings]
    why: NotRequired[str]


@stored()
class PassRecord(TypedDict):
    """One complete run over the chip's addresses."""

    number: int
    sitting: str
    file: Annotated[int, Field(description="Index into the reading's files")]
    words_sha256: Annotated[str, Field(description="Of the pass's words as an image file would hold them")]
    absent_words: NotRequired[
        Annotated[int, Field(description="Words the dump did not have; 0 stands in their place")]
    ]
    steps: list[StepRecord]
    departs: NotRequired[
        Annotated[
            Blocks, Field(description="Words that it read unlike the image, before it was brought into order")
        ]
    ]


@stored()
class ForgivenRecord(TypedDict):
    """Something about a dump's form that its decoder let pass."""

    what: str
    place: Annotated[str, Field(description="Of the first one")]
    count: int


@stored()
class DumpRecord(StoredFile):
    """A dump file as it was found, with what its decoder made of it."""

    format: NotRequired[str | None]
    forgiven: NotRequired[list[ForgivenRecord]]
    notes: NotRequired[list[str]]


@stored()
class ReadingRecord(TypedDict):
    """One read-out of the chip: how it was read, from which files, which passes it gave."""

    reading: str
    reader: str
    files: list[DumpRecord]
    passes: NotRequired[list[PassRecord]]
    set_aside: NotRequired[str | None]
    how: NotRequired[Annotated[HowRecord, Field(description="What the sheet says: setting, supply, date …")]]
    public: NotRequired[bool]
    private: NotRequired[bool]
    operator: NotRequired[Annotated[str | None, Field(json_schema_extra=withheld())]]
    notes: NotRequired[Annotated[str | None, Field(json_schema_extra=withheld())]]


Bit: TypeAlias = Literal[0, 1]


@stored()
class ContestedBit(TypedDict):
    """One unresolved bit: who says what."""

    address: int
    line: str
    votes: Annotated[
        dict[str, Bit | None],
        Field(description="Reader → its value; null where its passes disagree"),
    ]
    ones: Annotated[int, Field(description="Passes that read 1")]
    zeros: int
    image: Annotated[Bit, Field(description="The value the image carries; it settles nothing")]
    why: str


@stored()
class ContestedFlow(TypedDict):
    """Which reading keeps the program's flow: evidence beside the voices, never a vote."""

    family: Annotated[str, Field(description="Whose program it was read as")]
    keeps: Annotated[list[str], Field(description="Passes that keep it, as READING/NUMBER")]
    breaks: Annotated[dict[str, int], Field(description="Pass → in how many places more it breaks it")]
    says: Annotated[str, Field(description="The same for a person")]


@stored()
class SaidWord(TypedDict):
    """One value that was read at an address, and in which passes."""

    value: Annotated[str, Field(description="Upper-case hexadecimal")]
    passes: Annotated[dict[str, int], Field(description="Reader → how many of its passes read this value")]


@stored()
class ContestedWord(TypedDict):
    """One word with unresolved bits: everything that was read there."""

    address: int
    said: list[SaidWord]
    lines: Annotated[list[str], Field(description="The contested ones")]
    image: Annotated[str, Field(description="The value the image carries; it settles nothing")]


@stored()
class Contested(TypedDict):
    """All unresolved bits; the mask file has every one, this list at most the first thousand."""

    bits: int
    words: int
    listed: NotRequired[list[ContestedBit]]
    flow: NotRequired[ContestedFlow]
    listed_words: NotRequired[Annotated[list[ContestedWord], Field(description="The first 250")]]
    between: NotRequired[Annotated[Blocks, Field(description="Words in which readers differ")]]
    within: NotRequired[
        Annotated[Blocks, Field(description="Words in which passes of one reader differ and none settles it")]
    ]


@stored()
class BitOdds(TypedDict):
    """Chances of one bit."""

    model: str
    wrong: float
    right: float
    contested: float
    wrong_where_settled: float


@stored()
class OddsRecord(BitOdds):
    """Chances of one bit, and what they come to for all bits of the image."""

    bits: int
    expected_wrong_bits: float


@stored()
class RegionDetail(TypedDict):
    """The numbers of a region, by its kind."""

    shared_with: NotRequired[Annotated[list[str], Field(description="Chips that hold the same there")]]
    checked_by: NotRequired[Annotated[list[str], Field(description="Embedded checks that cover it")]]
    preview: NotRequired[Annotated[str, Field(description="Its first words as a person reads them")]]
    means: NotRequired[Annotated[str, Field(description="Fill: what it speaks for")]]
    why: NotRequired[Annotated[str, Field(description="Fill: the ground")]]
    decides: NotRequired[Annotated[str, Field(description="Fill: the reading that would decide")]]
    period: NotRequired[Annotated[int, Field(description="Fill: words that repeat")]]
    word: NotRequired[Annotated[str, Field(description="Fill of one word: hexadecimal")]]
    pattern: NotRequired[
        Annotated[str | list[str], Field(description="Fill: its words; decode: `one low` or `one high`")]
    ]
    equals_unprogrammed: NotRequired[bool | None]
    differs_in: NotRequired[
        Annotated[list[str], Field(description="Fill: lines unlike the unprogrammed word")]
    ]
    start_alignment: NotRequired[int]
    end_alignment: NotRequired[int]
    edges_aligned: NotRequired[bool]
    entropy_bits: NotRequired[Annotated[float, Field(description="Dense: bits of information a word")]]
    families: NotRequired[Annotated[list[str], Field(description="Code: processors that it is for")]]
    lines: NotRequired[Annotated[list[str], Field(description="Decode: lines that select")]]
    active_words: NotRequired[Annotated[int, Field(description="Decode: words that select")]]
    text: NotRequired[Annotated[str, Field(description="Text: its code")]]
    letters: NotRequired[int]
    chance: NotRequired[float]
    pair_fit: NotRequired[Annotated[float, Field(description="Text: how well its letters follow each other")]]
    packing: NotRequired[str]
    split: NotRequired[str]
    shape: NotRequired[Annotated[str, Field(description="Table: how it runs")]]
    byte_order: NotRequired[str]
    of: NotRequired[Annotated[int, Field(description="Repeat: where the same words stood before")]]


@stored()
class RegionRecord(RegionDetail):
    """A range of words of one kind, with the numbers of its kind."""

    kind: str
    start: int
    end: Annotated[int, Field(description="The first word after it")]


@stored()
class VectorRecord(TypedDict):
    """Reset or interrupt vectors of one processor family that fit an image."""

    family: str
    at: int
    end: int
    targets: Annotated[list[str], Field(description="Addresses as the processor sees them, hexadecimal")]
    chance: float
    says: str


@stored()
class StoredAt(TypedDict):
    """Where the value of an embedded check stands."""

    image: str
    start: int
    end: int


@stored()
class CheckRecord(TypedDict):
    """An embedded check that holds, or one that the content promises and that does not hold."""

    method: str
    images: list[str]
    covers: Annotated[list[Range], Field(description="Word addresses in each image")]
    stored_at: StoredAt | None
    value: Annotated[str, Field(description="Hexadecimal")]
    holds: bool
    chance: float
    tried: int
    tried_as_strong: int
    blind_to: list[str]
    lifts: bool
    why: str


@stored()
class CallerRecord(TypedDict):
    """From where a routine is called."""

    chip: str
    at: Annotated[int, Field(description="Word address of the call on that chip")]


@stored()
class RoutineRecord(TypedDict):
    """A place that is called."""

    at: Annotated[int, Field(description="Word address on the chip")]
    callers: Annotated[list[CallerRecord], Field(description="The first fifty")]
    called: Annotated[int, Field(description="How many calls lead here")]


@stored()
class CallRecord(TypedDict):
    """A call or jump that leads out of its chip."""

    at: Annotated[int, Field(description="Word address on the chip")]
    kind: Literal["call", "jump"]
    chip: NotRequired[Annotated[str, Field(description="The chip it leads to, where that is known")]]
    to: NotRequired[Annotated[int, Field(description="Word address on that chip")]]
    address: NotRequired[
        Annotated[int, Field(description="The processor's address, where no chip is known to stand there")]
    ]


@stored()
class ProgramRecord(TypedDict):
    """The map of one chip's program: a guess with the odds of `runs-on`, never a proof."""

    family: Annotated[str, Field(description="Whose instructions it was read as")]
    address: Annotated[
        int | None, Field(description="The processor's address of the first word; null: not known")
    ]
    address_by: Annotated[
        Literal["sheet", "calls", "own calls"] | None,
        Field(description="The sheet's space, the calls of other chips, or this chip's own calls"),
    ]
    entries: Annotated[list[int], Field(description="Where the processor begins or is interrupted")]
    routines: Annotated[list[RoutineRecord], Field(description="The first thousand")]
    routines_found: int
    calls_out: Annotated[list[CallRecord], Field(description="The first thousand")]
    calls_out_found: int
    reached: Annotated[int, Field(description="Words that entries, and calls in any code, lead to")]
    unreached: Annotated[list[Range], Field(description="Code that nothing leads to, the first thousand")]


@stored()
class ReadFor(TypedDict):
    """Which processors a content is a program for, or `unknown`: a guess with its odds, never a proof."""

    families: Annotated[list[str], Field(description="As `runs-on` has them; `unknown` where none convinces")]
    odds: Annotated[float, Field(ge=0, lt=1, description="That this is right")]


@stored()
class LinesRecord(TypedDict):
    """B[((P(a) xor ia) + rotate) mod N] = Q(A[a]) xor id.

    Which line of the second carries each of the first.
    """

    address: list[int]
    data: list[int]
    invert_address: list[int]
    invert_data: list[int]
    rotate: int


@stored()
class GroundRecord(TypedDict):
    """Why a frame is believed."""

    ground: str
    frame: Annotated[int, Field(description="Index of the frame that it speaks for")]
    over: Annotated[list[int], Field(description="Indices of those that it speaks against")]
    words: Annotated[str, Field(description="The same for a person")]


@stored()
class ReadingsFrame(TypedDict):
    """A frame in which some readings of a chip stand."""

    readings: list[str]
    mapping: Annotated[LinesRecord | None, Field(description="From the first frame; null for itself")]
    words: str
    image: Annotated[bool, Field(description="Whether the image stands in it")]


@stored()
class FrameRecord(TypedDict):
    """In which order and polarity of lines, start and step the image stands, and why."""

    settled: bool
    frames: list[ReadingsFrame]
    grounds: list[GroundRecord]


@stored()
class CarriedWiring(TypedDict):
    """Readings made by one reader with the same wires, and a fault of those wires that chips proved."""

    wiring: str
    reader: NotRequired[str]
    date: NotRequired[str | None]
    readings: list[str]
    state: str
    lines: NotRequired[LinesRecord | None]
    proved_by: NotRequired[Annotated[list[str], Field(description="Chips")]]
    applied_to: NotRequired[Annotated[list[str], Field(description="Chips")]]
    doubted: NotRequired[Annotated[list[str], Field(description="Chips")]]


@stored()
class ChipFacts(TypedDict):
    """What the sheet and the catalogue say of one chip."""

    chip: str
    board: NotRequired[str | None]
    socket: NotRequired[str | None]
    part: NotRequired[Annotated[str | None, Field(description="As the sheet names it")]]
    catalogued: NotRequired[Annotated[str | None, Field(description="The catalogue entry that was used")]]
    organisation: NotRequired[str | None]
    marking: NotRequired[str | None]
    label: NotRequired[str | None]
    date_code: NotRequired[str | None]
    revision: NotRequired[str | None]
    role: NotRequired[str | None]
    original: NotRequired[
        Annotated[bool, Field(description="Whether the sheet states this very chip to be no copy")]
    ]
    state: NotRequired[str | None]
    attempts: NotRequired[list[AttemptRecord]]
    board_wiring: NotRequired[WiringRecord | None]
    view: NotRequired[ViewRecord | None]
    private: NotRequired[bool]
    notes: NotRequired[Annotated[str | None, Field(json_schema_extra=withheld())]]
    answers: NotRequired[
        Annotated[dict[str, str], Field(description="Code of a finding → why this is so, on a person's word")]
    ]
    inventory: NotRequired[Annotated[str, Field(description="The holder's own inventory number")]]
    accession: NotRequired[Annotated[str, Field(json_schema_extra=withheld())]]


Differing: TypeAlias = Literal[
    "unsettled",
    "line",
    "crossed",
    "slipped",
    "fading",
    "perhaps-fading",
    "strewn",
    "emptied",
    "one-way",
    "revision",
    "unrelated",
]
"""How the images of two specimens differ."""
Compared: TypeAlias = Literal["same", Differing]
TwinVerdict: TypeAlias = Literal[Compared, "part-of", "only-there", "only-here", "not-compared"]
"""The same, and what is said where there are no two images of one size."""
TwinSide: TypeAlias = Literal["", "this", "other", "both"]


@stored()
class TwinText(TypedDict):
    """Text where two specimens differ."""

    address: int
    this: str
    other: str
    version: Annotated[bool, Field(description="It reads like a version, a revision or a date")]


@stored()
class TwinWord(TypedDict):
    """What the other specimen has where this one is unresolved; it settles nothing."""

    address: int
    mask: Annotated[int, Field(description="Bits that are unresolved here and settled there")]
    other: Annotated[int, Field(description="Those bits as the other specimen has them")]


@stored()
class TwinDifference(TypedDict):
    """How another specimen's content differs from this one's."""

    verdict: TwinVerdict
    side: Annotated[TwinSide, Field(description="The specimen that the verdict speaks of")]
    differing_words: Annotated[int, Field(description="Where both are settled")]
    up: Annotated[int, Field(description="Bits that are 1 in the other alone")]
    down: Annotated[int, Field(description="Bits that are 1 in this one alone")]
    regions: list[Range]
    lines: NotRequired[Annotated[list[str], Field(description="At fault")]]
    what: NotRequired[str]
    odds: NotRequired[Annotated[float, Field(description="Of fading against a change, by two stated models")]]
    chance: NotRequired[
        Annotated[float, Field(description="That places so close together come by chance, if strewn")]
    ]
    beside: NotRequired[Annotated[str, Field(description="Verdict on what a line leaves over")]]
    texts: NotRequired[list[TwinText]]
    told: NotRequired[list[TwinWord]]
    told_bits: NotRequired[Annotated[int, Field(description="Bits of all of those, not only those listed")]]


@stored()
class TwinRecord(TwinDifference):
    """The same program in another specimen: evidence beside this one's, settling none of its bits."""

    chip: Annotated[str, Field(description="Its id there")]
    bag: str
    external_identifier: str
    receipt: Annotated[str, Field(description="Digest over that bag's tag manifests, when it was verified")]
    released: Annotated[bool, Field(description="That bag is a public bundle")]
    organisation: str | None
    grade: Annotated[str, Field(description="Of the evidence for it there")]
    image_sha256: str | None
    corroborates: bool
    against: Annotated[list[str], Field(description="Why it does not, a clause each")]


@stored()
class JudgedChip(TypedDict):
    """What the readings of one chip come to."""

    grade: Grade
    reasons: list[str]
    bears: Bears
    image: NotRequired[ImageRecord | None]
    contested: NotRequired[Contested | None]
    absent: NotRequired[
        Annotated[
            list[Range],
            Field(description="Words that no reading has; what the image carries there stands for nothing"),
        ]
    ]
    findings: NotRequired[list[FindingRecord]]
    regions: NotRequired[list[RegionRecord]]
    vectors: NotRequired[Annotated[list[VectorRecord], Field(description="Evidence for order, never proof")]]
    read_for: NotRequired[ReadFor]
    program: NotRequired[ProgramRecord]
    held_back: NotRequired[
        Annotated[
            list[str],
            Field(description="Codes that make half or false content possible; the image lies apart"),
        ]
    ]
    frame: NotRequired[FrameRecord]
    twins: NotRequired[
        Annotated[
            list[TwinRecord], Field(description="Other specimens; they stay out of a public bundle's record")
        ]
    ]


@stored()
class ChipRecord(ChipFacts, JudgedChip):
    """Everything known about one chip."""

    readings: NotRequired[list[ReadingRecord]]
    odds: NotRequired[
        Annotated[
            OddsRecord | None,
            Field(
                description=(
                    "Chance that a settled bit is wrong, under a stated model and the readers' error bounds"
                )
            ),
        ]
    ]
    withheld: NotRequired[
        Annotated[str | None, Field(description="In a public bundle: why its content stays behind")]
    ]
    withheld_readings: NotRequired[
        Annotated[int, Field(description="In a public bundle: readings marked private")]
    ]


@stored()
class LineRecord(TypedDict):
    """A line, and how many words of the compared chips a fault of it would have changed."""

    line: str
    witnesses: int


@stored()
class CoverageRecord(TypedDict):
    """Which lines the compared chips exercise."""

    address: list[LineRecord]
    data: list[LineRecord]
    not_told_apart: list[str]


@stored()
class StandingRecord(TypedDict):
    """What comparing has shown of one reader, or of two together."""

    readers: list[str]
    chips: list[str]
    agreed_chips: list[str]
    bits_compared: int
    disagreements: int
    upper_bound: Annotated[float, Field(description="Of the bit error rate; exact and one-sided")]
    confidence: float
    coverage: CoverageRecord


@stored()
class CrossedReaderRecord(TypedDict):
    """Lines that are crossed on every chip of one reader that can show it; never undone by itself."""

    reader: str
    crossed: Annotated[str, Field(description="What is, such as `A9 and A10 exchanged`")]
    chips: Annotated[list[str], Field(description="That read as programs only with it undone")]
    silent: Annotated[list[str], Field(description="Of the same wires, that cannot show it")]
    odds: float
    says: Annotated[str, Field(description="One sentence for a person")]


@stored()
class QualificationRecord(TypedDict):
    """The readers, each alone and each two together, by the chips that they share with others."""

    readers: NotRequired[list[StandingRecord]]
    pairs: NotRequired[list[StandingRecord]]
    crossed: NotRequired[list[CrossedReaderRecord]]


@stored()
class TaskRecord(TypedDict):
    """One thing still to be done about a chip; its finding says what it means and what to do."""

    severity: Literal["fault", "caution"]
    code: Annotated[str, Field(description="Of the finding, or `missing`, `contested`, `faulty`")]


@stored()
class ToDoChip(TypedDict):
    """What is still to be done about one chip, in the order in which every document tells it."""

    chip: str
    grade: Grade
    held_back: list[str]
    tasks: list[TaskRecord]


@stored()
class SpaceRecord(TypedDict):
    """An address space as the machine sees it."""

    name: str
    width: int
    byte_order: str
    unit: str
    path: NotRequired[
        Annotated[str | None, Field(description="None where it could not be written; `reasons` says why")]
    ]
    original_name: NotRequired[None]
    size_bytes: NotRequired[int | None]
    sha256: NotRequired[str | None]
    sha512: NotRequired[str | None]
    words: NotRequired[int]
    fill: NotRequired[Annotated[int, Field(description="The word that stands in gaps")]]
    description: NotRequired[str]
    incomplete: NotRequired[bool]
    unsettled: NotRequired[Annotated[bool, Field(description="A chip in it is faulty or contested")]]
    holes: NotRequired[Annotated[list[Range], Field(description="Half-open word ranges that no chip fills")]]
    placements: NotRequired[list[PlacementRecord]]
    checks: NotRequired[list[CheckRecord]]
    image_paths: NotRequired[
        Annotated[list[str], Field(description="Images of the bag that it was made from")]
    ]
    reasons: NotRequired[list[str]]
    cautions: NotRequired[
        Annotated[list[str], Field(description="What in its content speaks against how chips are placed")]
    ]
    to_do: NotRequired[
        Annotated[list[ToDoChip], Field(description="Its chips that are held back or cautioned, worst first")]
    ]
    withheld: NotRequired[Annotated[str | None, Field(description="In a public bundle: why it stays behind")]]


@stored()
class SuggestedSpace(TypedDict):
    """A space that could be added to the sheet, in the sheet's form."""

    name: str
    width: int
    byte_order: str | None
    unit: str
    placements: list[PlacementRecord]
    description: str


@stored()
class Superseded(TypedDict):
    """The version that this bag replaces, and why."""

    bag: str
    receipt: str
    external_identifier: NotRequired[str | None]
    why: list[str]


@stored()
class SoftwareRecord(TypedDict):
    """The program that wrote it."""

    name: NotRequired[str]
    version: str


@stored()
class Released(TypedDict):
    """In the record of a public bundle: the bag that it was made from."""

    bag: str
    external_identifier: str
    receipt: Annotated[
        str, Field(description="Digest over the bag's tag manifests: stands for every byte of it")
    ]
    when: Annotated[
        str, Field(description="SOURCE_DATE_EPOCH, else the bag's own date: a bundle has no clock")
    ]
    clock_fixed: bool
    software: SoftwareRecord
    content: Annotated[bool, Field(description="False: metadata and digests only")]


@stored()
class RecordHead(TypedDict):
    """The record of a bag without its chips."""

    schema: NotRequired[Literal["wellread/record/1"]]
    software: SoftwareRecord
    created: Annotated[str, Field(description="ISO 8601, UTC")]
    clock_fixed: Annotated[bool, Field(description="True: the time is SOURCE_DATE_EPOCH's, not the clock's")]
    bag: str
    version: int
    external_identifier: str
    supersedes: NotRequired[Superseded | None]
    machine: MachineRecord
    custodian: NotRequired[CustodianRecord | None]
    rights: NotRequired[RightsRecord | None]
    release: NotRequired[ReleaseWordRecord | None]
    readers: dict[str, ReaderRecord]
    boards: dict[str, BoardRecord]
    parts: NotRequired[
        Annotated[dict[str, PartRecord], Field(description="Catalogue entries that were used")]
    ]
    sheet: list[StoredFile]
    attachments: NotRequired[list[AttachmentRecord]]
    cautions: NotRequired[list[str]]
    wirings: NotRequired[
        Annotated[list[CarriedWiring], Field(description="Wires whose fault was proved on some chips")]
    ]
    spaces: NotRequired[list[SpaceRecord]]
    suggestions: NotRequired[
        Annotated[list[SuggestedSpace], Field(description="Spaces that could be added to the sheet")]
    ]
    qualification: NotRequired[QualificationRecord]
    grades: dict[str, int]
    released_from: NotRequired[Annotated[Released | None, Field(description="Only in a public bundle")]]
    inputs_sha256: Annotated[
        str, Field(description="Over everything that went in: equal inputs make no new version")
    ]


@stored()
class Record(RecordHead):
    """The whole record of a bag."""

    chips: list[ChipRecord]
