"""Every value in flight between the stages: frozen, and made of plain data and numpy arrays.

The stages meet here and nowhere else. Arrays of words have the smallest unsigned type that holds the chip's
bits (`words_dtype`), one element a word, address 0 first, and are never written to once they are in flight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.to_do import ToDo, worst_first
from pipeline.words import Words
from schemas.names import Organisation

if TYPE_CHECKING:
    from pipeline.lines.mapping import LineMap
    from schemas.finding import Finding
    from schemas.part import Part
    from schemas.record import Settings, SpaceRecord, SuggestedSpace
    from schemas.sheet import Chip, ReadingRow, Sheet


@dataclass(frozen=True, slots=True)
class Problem:
    """Something wrong, or odd, in what a person wrote; gathered over the whole project and told together.

    Attributes:
        where: `sheet.yaml:12`, `chips.csv:7, column 3` or `chips.xlsx:Sheet1!B7`.
        field: The field, such as `chips[3].part`.
        found: What stands there, already made printable.
        expected: What should.
        nearest: The nearest valid value, or "".
        caution: True where the run goes on all the same.
        words: The whole sentence, where found and expected do not make one.
    """

    where: str
    field: str
    found: str
    expected: str
    nearest: str = ""
    caution: bool = False
    words: str = ""

    def __str__(self) -> str:
        if self.words:
            return f"{self.where}: {self.words}"
        nearest = f", nearest valid value {self.nearest}" if self.nearest else ""
        field_name = f" {self.field}:" if self.field else ""
        return f"{self.where}:{field_name} found {self.found}, expected {self.expected}{nearest}"


class FoundFile(NamedTuple):
    """A file of the project folder as a survey saw it: nothing of its content.

    Attributes:
        size_bytes: Its length.
        refused: Why it cannot be used (leads out of the folder, is not a regular file), or "".
    """

    size_bytes: int
    refused: str = ""


class PlannedReading(NamedTuple):
    """One reading of one chip as the sheet, or the name of its file, says.

    Attributes:
        reading: Its id, unique in the project: CHIP.READER.N.
        chip: The chip's id.
        reader: The reader's id.
        files: Paths inside the project folder, one pass or more each.
        row: What the sheet says of it.
        where: Where it says so, for messages.
    """

    reading: str
    chip: str
    reader: str
    files: tuple[str, ...]
    row: ReadingRow
    where: str


class PlannedChip(NamedTuple):
    """One chip with its readings, its organisation and its catalogue entry resolved."""

    chip: Chip
    organisation: Organisation | None
    part: Part | None
    erased_state: int | None
    readings: tuple[PlannedReading, ...]
    where: str
    processor: str | None = None

    @property
    def files(self) -> list[str]:
        """Paths of its readings' files inside the project folder, in their order."""
        return [path for reading in self.readings for path in reading.files]


class Plan(NamedTuple):
    """What the sheet stage gives: the sheet, its chips in order, and what is odd about them."""

    sheet: Sheet
    chips: tuple[PlannedChip, ...]
    cautions: tuple[Problem, ...]
    tables: tuple[str, ...]


class ReadsFor(NamedTuple):
    """What a chip's content is a program for.

    Attributes:
        chip: Its id.
        families: Processors, where it is told.
        no_known: It has a long stretch of no known kind, and reads as a program for no known processor.
        odds: That it is a program for one of the families, where told.
        beside_sheet: `another` or `not known` where the sheet's processor does not bear that out.
        kept: Which reading keeps the program's flow, in words, where bits are contested and one does.
    """

    chip: str
    families: tuple[str, ...] = ()
    no_known: bool = False
    odds: float | None = None
    beside_sheet: str = ""
    kept: str = ""


class ChipSummary(NamedTuple):
    """What is kept of every chip of a bag: for the terminal, the versions, the time line and the agents.

    Attributes:
        chip: Its id.
        grade: Of its evidence.
        to_do: What is still to be done about it, without sentences.
        image_sha256: Of its image, or None; only where there is a version before.
        readings: Their ids; likewise.
        captures: (date or "", reader) of each reading.
        operators: Who read it, where said.
        regions: (kind, start, end) of each, where a strip is drawn.
        contested: Half-open word ranges without settlement, where a strip is drawn.
        reads: What its content is a program for.
        kin: Code, chip, and the chips of like content.
        inventory, accession: The custodian's own numbers for it, or "".
    """

    chip: str
    grade: str
    to_do: ToDo
    image_sha256: str | None = None
    readings: frozenset[str] = frozenset()
    captures: tuple[tuple[str, str], ...] = ()
    operators: tuple[str, ...] = ()
    regions: tuple[tuple[str, int, int], ...] = ()
    contested: tuple[tuple[int, int], ...] = ()
    reads: ReadsFor | None = None
    kin: tuple[tuple[str, str, tuple[str, ...]], ...] = ()
    inventory: str = ""
    accession: str = ""


class Packaged(NamedTuple):
    """What `package` gives back.

    Attributes:
        bag: The bag's folder.
        same_as: Name of the version that this project already is, or "".
        chips: For each chip in the sheet's order what the terminal shows: chip, grade, codes of its findings.
        cautions: About the sheet.
        spaces: Their records.
        supersedes: Name of the version replaced, or "".
        suggestions: Spaces that the content suggests.
    """

    bag: Path
    same_as: str
    chips: list[ChipSummary]
    cautions: tuple[str, ...]
    spaces: tuple[SpaceRecord, ...] = ()
    supersedes: str = ""
    suggestions: tuple[SuggestedSpace, ...] = ()

    @property
    def to_do(self) -> list[ToDo]:
        """What is still to be done, worst first."""
        return worst_first(chip.to_do for chip in self.chips)

    @property
    def needing(self) -> tuple[str, ...]:
        """Chips that still need a person, worst first."""
        return tuple(one.chip for one in self.to_do if one.needs_person)


@dataclass(frozen=True, slots=True)
class Step:
    """One thing done to the bytes of a reading, written down so that it can be replayed.

    Attributes:
        action: Its name, such as `decode`, `take`, `split-copies`, `invert`.
        settings: Its parameters, plain JSON values.
        why: One sentence for a person.
    """

    action: str
    settings: Settings = field(default_factory=dict)
    why: str = ""


class Pass(NamedTuple):
    """One complete run over the chip's addresses: exactly as many words as the chip has.

    Attributes:
        reading: Id of the reading it came from.
        reader: Who or what read it.
        sitting: Passes of one sitting were taken without re-seating the chip; unique over the chip's readers.
        number: 1, 2, 3 … within the reading.
        words: Shape (organisation.words,), dtype `words_dtype(bits)`.
        present: None where every word was read; else a bool array, False where the dump had none (the word is
            then 0 and means nothing).
        steps: How these words came out of the file.
        when: When it was read as far as known, as EDTF text, or "".
        supply_v: Supply at which it was read where the sheet says so.
        length_off: Words that the file had more (+) or fewer (-) than the chip, before it was cut or padded.
        addressed: The file itself prints an address beside its words.
    """

    reading: str
    reader: str
    sitting: str
    number: int
    words: Words
    present: NDArray[np.bool_] | None = None
    steps: tuple[Step, ...] = ()
    when: str = ""
    supply_v: float | None = None
    length_off: int = 0
    addressed: bool = False

    @property
    def complete(self) -> bool:
        """Whether the pass has every word of the chip."""
        return self.present is None or bool(self.present.all())

    @property
    def moved(self) -> bool:
        """Whether reconciling brought it into the order of another pass: then it bears bits, not order."""
        return any(step.action in MOVES for step in self.steps)

    def beside(self, other: Pass) -> str:
        """Its reading, with the number of the pass where the other is of the same reading: `U3.prog.1/2`."""
        return f"{self.reading}/{self.number}" if other.reading == self.reading else self.reading


MOVES = frozenset(["reorder-lines", "rotate", "realign", "repace"])
"""Steps by which reconciling brings a pass into the order of another."""


class Carried(NamedTuple):
    """A crossing of a wiring, proved on other chips, as it reaches a reading of this one.

    Attributes:
        wiring: Its name, or `READER on DATE` where nobody named it.
        lines: The mapping, the chip's own lines first, the reading's second.
        proved_by: Chips, or `the sheet`.
        undo: It is undone here: a named wiring, the same pins, and no chip against it.
        same_pins: The chip has the pins and the organisation of those that proved it.
        proved: False where one chip alone shows it, or leaves open which of two readers is crossed.
        denied: It is reckoned from the order that the sheet's own lines lead to: they are what is in doubt.
        whole_bus: The pins are others, or not known, but it moves most data lines at the reader's end.
    """

    wiring: str
    lines: LineMap
    proved_by: tuple[str, ...]
    undo: bool
    same_pins: bool
    proved: bool = True
    denied: bool = False
    whole_bus: bool = False

    @property
    def reaches(self) -> bool:
        """Whether this chip's words would stand so too, if the wires were the same."""
        return self.same_pins or self.whole_bus


class Said(NamedTuple):
    """What is known of one reading beside its words, as far as it can speak for a frame.

    Attributes:
        kind: Of its reader, as the sheet says it, or "".
        own_part: It was read under the chip's own part, or one of the same pinout.
        lines_said: The sheet says how its lines lie.
        taken: The sheet says which part of its file is the chip's, so where it begins is a person's word.
        wiring: The wiring it was made with.
        named: Whether a person named that wiring.
        carried: What other chips prove of that wiring.
    """

    kind: str = ""
    own_part: bool = False
    lines_said: bool = False
    taken: bool = False
    wiring: str = ""
    named: bool = False
    carried: Carried | None = None


BEYOND_CHANCE = math.log(1e6)
"""So much more an order has to be borne out by the content than another: a million to one."""


class Witness(NamedTuple):
    """What in an image depends on the order of its words and lines.

    Two measures, since the same words in another order often fall just short of a limit: by a strict one
    evidence speaks, by a lenient one it is held against others. With one limit for both, 39 would count as
    nothing against 41.

    Attributes:
        nats: What it is worth where it speaks for this order; 0 where it is too little to speak.
        left: What there is of it by the most lenient measure, never less than `nats`.
        words: The same for a person.
        fails: It fails in another order where no more than this share of `nats` is left there.
    """

    nats: float
    left: float
    words: str
    fails: float = 0.05

    def outweighs(self, other: Witness | None) -> bool:
        """Whether it holds in this order and fails in the other, of which `other` is the same evidence."""
        left = other.left if other is not None else 0.0
        return self.nats - left >= BEYOND_CHANCE and left <= self.fails * self.nats


class Ground(NamedTuple):
    """Why one frame is believed rather than others.

    Attributes:
        ground: `sheet`, `content`, `readers`, `programmer`, `complete`, `addresses` or `wiring`.
        frame: Index of the frame it speaks for.
        over: Indices of the frames it speaks against.
        words: The same for a person.
    """

    ground: str
    frame: int
    over: tuple[int, ...]
    words: str


class Frame(NamedTuple):
    """Order and polarity of lines, start and step in which some passes of a chip stand.

    Attributes:
        readings: Ids, in the sheet's order.
        mapping: From the first listed frame to this one, as the public form has it; None for the first, and
            where words were lost or doubled instead.
        words: How it differs from the first, for a person; "" for the first.
    """

    readings: tuple[str, ...]
    mapping: LineMap | None
    words: str


class Framing(NamedTuple):
    """The frames of one chip's readings, and which one is the image's.

    Attributes:
        frames: In the sheet's order; two or more.
        chosen: Index of the image's frame; None where nothing decides.
        grounds: All that spoke.
    """

    frames: tuple[Frame, ...]
    chosen: int | None
    grounds: tuple[Ground, ...]

    def reasons(self) -> tuple[str, ...]:
        """What spoke, a sentence each."""
        return tuple(dict.fromkeys(ground.words for ground in self.grounds))

    def against(self) -> tuple[str, ...]:
        """What spoke against the frame that the sheet's word chose, a sentence each."""
        return tuple(dict.fromkeys(ground.words for ground in self.grounds if self.chosen in ground.over))


class Settled(NamedTuple):
    """What all passes of one chip agree on, and what they do not.

    Attributes:
        organisation: Words and bits.
        words: The image, shape (words,).
        contested: Mask of the same shape and dtype: a 1 bit has no settlement.
        passes: The passes that had a voice, in the sheet's order.
        framing: The frames they came in; None where all came in one.
    """

    organisation: Organisation
    words: Words
    contested: Words
    passes: tuple[Pass, ...]
    framing: Framing | None = None

    @property
    def known(self) -> NDArray[np.bool_] | None:
        """Where some pass has the word, shape (words,); None where every word was read.

        What the image carries elsewhere stands for nothing: no stage may take it for content.
        """
        seen = np.zeros(self.words.shape, np.bool_)
        for one in self.passes:
            if one.present is None:
                return None
            seen |= one.present
        return None if seen.all() else seen

    @property
    def frame_contested(self) -> bool:
        """Whether nothing decides in which order, from which start the words lie on the chip."""
        return self.framing is not None and self.framing.chosen is None

    @property
    def order_checked(self) -> bool:
        """Whether a check in the content itself decided the frame."""
        return self.framing is not None and any(
            ground.ground == "content" and ground.frame == self.framing.chosen
            for ground in self.framing.grounds
        )


class Subject(NamedTuple):
    """Everything that examining one chip may know.

    Attributes:
        chip: Its id, or the file's name where there is no sheet.
        organisation: Words and bits.
        part: Its catalogue entry, where known.
        settled: The agreed image with its passes.
        length_findings: What normalising found about each reading's length (over, short, long).
        erased_state: 0 or 1 where an unprogrammed cell's level is known for this very marking, else None.
        as_read: The passes before they were brought into one frame, where that changed any.
    """

    chip: str
    organisation: Organisation
    settled: Settled
    part: Part | None = None
    length_findings: tuple[Finding, ...] = ()
    erased_state: int | None = None
    as_read: tuple[Pass, ...] = ()
