"""Make dumps/, photos/ and truth.json of the invented machine, byte for byte the same every time.

    python example_project/make_dumps.py [FOLDER]

The chips' true words come from `making/`; each reading is then taken at the wires of a reader, with the
faults that its row names, and written in the form that this reader writes. truth.json keeps the true words,
the faults, and which grade and findings an honest examination should reach, and why. Nothing of Wellread is
imported here.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from example_project.making import card, microcode, pictures, program, weaves
from example_project.making.wires import Chip, Wires, intel_hex, listing, lose, s_record, serial_log

OPERATOR = "Tamsin Vrooke"
CONTENT = ("fill", "text", "self-check")
"""Notes about what the bytes are: welcome on any chip, and no sign of a fault."""
Cell = tuple[int, int]
"""Address and data pin."""
Form = Callable[[Sequence[Sequence[int]]], bytes]


@dataclass(frozen=True)
class Reading:
    """One read-out: which reader, through which wires, how many passes, and into which file.

    Attributes:
        file: In dumps/.
        reader: Id in the sheet.
        wires: With their faults.
        passes: Runs over the chip.
        form: How the reader writes what it read.
        lost: Index of a value that the serial line lost, or None.
        fault: What was wrong, in words; empty where nothing was.
    """

    file: str
    reader: str
    wires: Wires = field(default_factory=Wires)
    passes: int = 1
    form: Form = lambda passes: bytes(passes[0])
    lost: int | None = None
    fault: str = ""

    def take(self, chip: Chip) -> list[list[int]]:
        """The words of each pass as the reader passed them on."""
        passes = [self.wires.read(chip, number) for number in range(self.passes)]
        return passes if self.lost is None else [lose(words, self.lost) for words in passes]


@dataclass(frozen=True)
class Case:
    """One chip, its readings, and what an honest examination should say.

    Attributes:
        chip: Id in the sheet.
        words: What the cells hold.
        bits: Data pins.
        grade: As DESIGN section 5 defines it.
        why: One sentence for grade and findings.
        readings: None where the chip could not be read.
        must: Codes that have to be found.
        may: Codes that may be found beside them.
        image_true: False where the image cannot be what the chip holds.
    """

    chip: str
    words: Sequence[int]
    bits: int
    grade: str
    why: str
    readings: tuple[Reading, ...] = ()
    must: tuple[str, ...] = ()
    may: tuple[str, ...] = CONTENT
    image_true: bool = True


def log(passes: Sequence[Sequence[int]]) -> bytes:
    """The home-built reader's log."""
    return serial_log(passes, OPERATOR)


def high_nibbles_set(passes: Sequence[Sequence[int]]) -> bytes:
    """One four-bit word a byte; the programmer's pull-ups show in the upper half."""
    return bytes(0xF0 | word for word in passes[0])


def packed_high_first(passes: Sequence[Sequence[int]]) -> bytes:
    """Two four-bit words a byte, the earlier one in the upper half."""
    words = passes[0]
    return bytes(words[n] << 4 | words[n + 1] for n in range(0, len(words), 2))


def sequencer() -> list[Case]:
    """Board seq: nine bipolar PROMs."""
    words, table = microcode.build()
    lanes = [microcode.lane(words, number) for number in range(6)]
    merged = "microcode_2_and_6.bin"
    over = Wires(counter_bits=10)
    dead = Wires(address_stuck={5: 0})
    return [
        Case(
            "SEQ-U1",
            lanes[0],
            8,
            "corroborated",
            (
                "The programmer and the home-built reader agree on every bit; this chip qualifies the "
                "home-built reader for nine address lines."
            ),
            (Reading("SEQ-U1.prog.1.bin", "prog"), Reading("SEQ-U1.hb.1.log", "hb", passes=3, form=log)),
        ),
        Case(
            "SEQ-U2",
            lanes[1],
            8,
            "single",
            "Read once, by one reader: nothing contradicts it and nothing bears it out.",
            (Reading(merged, "prog"),),
        ),
        Case(
            "SEQ-U3",
            lanes[2],
            8,
            "repeatable",
            (
                "Read as a part twice the size, so the content came twice: two passes of one sitting "
                "that agree, by one reader."
            ),
            (
                Reading(
                    "SEQ-U3.prog.1.bin",
                    "prog",
                    over,
                    fault="read as 1024x8: pin 22 is A9 there and nothing here",
                ),
            ),
            ("over-read",),
        ),
        Case(
            "SEQ-U4",
            lanes[3],
            8,
            "repeatable",
            (
                "The reading with A5 dead is set aside and has no voice; the three passes of the second "
                "reading agree."
            ),
            (
                Reading("SEQ-U4.hb.1.log", "hb", dead, 3, log, fault="jumper of A5 lay on ground"),
                Reading("SEQ-U4.hb.2.log", "hb", passes=3, form=log),
            ),
            (),
            (*CONTENT, "address-line-dead"),
        ),
        Case(
            "SEQ-U5",
            lanes[4],
            8,
            "repeatable",
            (
                "The one-pass log lacks a value in the middle and is brought into line; the three passes "
                "of the other log agree, by the same reader."
            ),
            (
                Reading(
                    "SEQ-U5.hb.1.log",
                    "hb",
                    form=log,
                    lost=0x0D3,
                    fault="the serial line lost the value of address 0x0D3",
                ),
                Reading("SEQ-U5.hb.2.log", "hb", passes=3, form=log),
            ),
            ("slipped",),
            (*CONTENT, "short-read"),
        ),
        Case(
            "SEQ-U6",
            lanes[5],
            8,
            "corroborated",
            "Its half of the merged file and the home-built reader's three passes agree on every bit.",
            (Reading(merged, "prog"), Reading("SEQ-U6.hb.1.log", "hb", passes=3, form=log)),
        ),
        Case(
            "SEQ-U7",
            microcode.decoder(),
            8,
            "corroborated",
            "Two readers agree; few distinct words and one-low codes are what a decoder holds.",
            (Reading("SEQ-U7.prog.1.bin", "prog"), Reading("SEQ-U7.hb.1.log", "hb", passes=3, form=log)),
        ),
        Case(
            "SEQ-U8",
            [byte >> 4 for byte in table],
            4,
            "corroborated",
            (
                "The programmer packed two words a byte, the home-built reader printed one digit a line; "
                "unpacked they agree."
            ),
            (
                Reading("SEQ-U8.prog.1.bin", "prog", form=packed_high_first),
                Reading("SEQ-U8.hb.1.log", "hb", passes=3, form=log),
            ),
        ),
        Case(
            "SEQ-U9",
            [byte & 15 for byte in table],
            4,
            "repeatable",
            (
                "Two passes by one reader, set to an equivalent part, agree; the upper half of each byte "
                "is the programmer's."
            ),
            (
                Reading("SEQ-U9 pass a.bin", "prog", form=high_nibbles_set),
                Reading("SEQ-U9 pass b.bin", "prog", form=high_nibbles_set),
            ),
        ),
    ]


def memory() -> list[Case]:
    """Board mem: the program in four EPROMs, and the loom's settings."""
    a, b = program.pair_a(), program.pair_b()
    crossed = Wires(address_from=(0, 1, 2, 4, 3, 5, 6, 7, 8, 9, 10), data_to=(0, 2, 1, 3, 4, 5, 6, 7))
    sums = (
        "The EPROM's bytes add up to 0 and the pair's last word is its sum, but a sum does not see crossed "
        "lines and no text reaches far enough to fix the order, so it lifts nothing:"
    )
    crcs = (
        "Either EPROM of the pair ends with the CRC-32 of what precedes it, which sees the order too and is "
        "beyond chance however many schemes are tried."
    )

    def bytes_of(passes: Sequence[Sequence[int]]) -> bytes:
        return bytes(passes[0])

    may = (*CONTENT, "interleaves-with")
    return [
        Case(
            "MEM-U1",
            [w >> 8 for w in a],
            8,
            "corroborated",
            f"{sums} two readers agree on every bit.",
            (Reading("MEM-U1.prog.1.bin", "prog"), Reading("MEM-U1.hb.1.log", "hb", passes=3, form=log)),
            (),
            may,
        ),
        Case(
            "MEM-U2",
            [w & 255 for w in a],
            8,
            "corroborated",
            f"{sums} the programmer's Intel HEX and one pass of the home-built reader agree on every bit.",
            (
                Reading("MEM-U2.prog.1.hex", "prog", form=lambda p: intel_hex(bytes_of(p))),
                Reading("MEM-U2.hb.1.log", "hb", form=log),
            ),
            (),
            may,
        ),
        Case(
            "MEM-U3",
            [w >> 8 for w in b],
            8,
            "self-checked",
            (
                f"{crcs} The borrowed adapter had A3 with A4 and D1 with D2 crossed; brought into order "
                f"it agrees with the programmer. The check proves the crossing of its wiring."
            ),
            (
                Reading("MEM-U3.prog.1.s19", "prog", form=lambda p: s_record(bytes_of(p), "MEM-U3")),
                Reading(
                    "MEM-U3.adapter.1.bin", "adapter", crossed, fault="A3 and A4 crossed, D1 and D2 crossed"
                ),
            ),
            ("lines-reordered", "self-check"),
            may,
        ),
        Case(
            "MEM-U4",
            [w & 255 for w in b],
            8,
            "self-checked",
            (
                f"{crcs} Three passes of the home-built reader agree; the adapter, back for a day in "
                f"December, was crossed again, and the check proves it."
            ),
            (
                Reading("MEM-U4.hb.1.log", "hb", passes=3, form=log),
                Reading(
                    "MEM-U4.adapter.1.bin", "adapter", crossed, fault="A3 and A4 crossed, D1 and D2 crossed"
                ),
            ),
            ("lines-reordered", "self-check"),
            may,
        ),
        Case(
            "MEM-U5",
            program.settings(),
            8,
            "repeatable",
            (
                "The programmer cannot read this part; two sittings of the home-built reader agree. From "
                "0x60 on the cells read 0, as unprogrammed cells of this part do."
            ),
            (
                Reading("MEM-U5.hb.1.log", "hb", passes=3, form=log),
                Reading("MEM-U5.hb.2.txt", "hb", form=lambda p: listing(p[0])),
            ),
            ("fill",),
        ),
    ]


def spare() -> list[Case]:
    """The box: EPROMs of the service man's, two of which only the borrowed adapter could read."""
    crossed = Wires(address_from=(0, 1, 2, 4, 3, 5, 6, 7, 8, 9, 10), data_to=(0, 2, 1, 3, 4, 5, 6, 7))
    fault = "A3 and A4 crossed, D1 and D2 crossed"
    return [
        Case(
            "BOX-U1",
            [w >> 8 for w in program.test_program(1, lines=4)],
            8,
            "single",
            (
                "Read once by the adapter, with the wiring that MEM-U3 proves crossed and that the sheet "
                "names: undone."
            ),
            (Reading("BOX-U1.adapter.1.bin", "adapter", crossed, fault=fault),),
            ("wiring-carried",),
            CONTENT,
        ),
        Case(
            "BOX-U2",
            [w >> 8 for w in program.test_program(2, lines=4)],
            8,
            "contested",
            (
                "Read once by the adapter on the day on which MEM-U4 shows it crossed; nobody says that "
                "the wires were the same, so nothing is undone and the order is in doubt."
            ),
            (Reading("BOX-U2.adapter.1.bin", "adapter", crossed, fault=fault),),
            ("frames-differ", "wiring-carried"),
            CONTENT,
            image_true=False,
        ),
        *_demonstration(),
    ]


def _demonstration() -> list[Case]:
    """The pair of which nobody knows where it stood."""
    words = program.test_program(3, lines=len(program.HELP))
    halves = {"BOX-U3": [word >> 8 for word in words], "BOX-U4": [word & 255 for word in words]}
    return [
        Case(
            chip,
            half,
            8,
            "repeatable",
            (
                "Two passes of the programmer agree. No space says where the chip stands; its text reads "
                "only together with that of the one beside it."
            ),
            (Reading(f"{chip}.prog.1.bin", "prog"), Reading(f"{chip}.prog.2.bin", "prog")),
            ("interleaves-with",),
            CONTENT,
        )
        for chip, half in halves.items()
    ]


def terminal() -> list[Case]:
    """Board crt: a card that the maker bought, with a processor of a known family; its two banks."""
    return [
        Case(
            chip,
            list(bank),
            8,
            "repeatable",
            (
                "Two passes of the programmer agree. No space says where the bank stands; its calls, and "
                "those of the other bank, do."
            ),
            (Reading(f"{chip}.prog.1.bin", "prog"), Reading(f"{chip}.prog.2.bin", "prog")),
            ("runs-on", "stands-at"),
            CONTENT,
        )
        for chip, bank in zip(("CRT-U1", "CRT-U2"), card.build(), strict=True)
    ]


def pattern() -> list[Case]:
    """Board pat: letters, weaves, yarn plan, panel texts."""
    yarns = weaves.yarn_plan()
    weak = {
        (0x04A, 0): (0, 1, 0),
        (0x0F7, 3): (1, 1, 0),
        (0x1B0, 6): (0, 0, 1),
        (0x2C5, 1): (1, 0, 1),
        (0x338, 4): (0, 1, 1),
        (0x49D, 7): (1, 0, 0),
    }
    own = weaves.customer_weaves()
    flicker = Wires(weak_cells=_programmed(own, weak))
    dead = Wires(address_stuck={6: 1})
    return [
        Case(
            "PAT-U1",
            weaves.letters(),
            5,
            "repeatable",
            "Three passes by the home-built reader agree; the programmer does not know the part.",
            (Reading("PAT-U1.hb.1.log", "hb", passes=3, form=log),),
        ),
        Case(
            "PAT-U2",
            weaves.standard_weaves(),
            8,
            "corroborated",
            "The programmer, set to a 2716 with the selects wired by hand, and the home-built reader agree.",
            (Reading("PAT-U2.prog.1.bin", "prog"), Reading("PAT-U2.hb.1.log", "hb", passes=3, form=log)),
        ),
        Case(
            "PAT-U3",
            own,
            8,
            "contested",
            (
                "Six programmed cells read 1 in some of three passes: the only reader does not speak for "
                "them. One sitting alone says nothing about fading."
            ),
            (Reading("PAT-U3.hb.1.log", "hb", flicker, 3, log, fault="six weak cells on different lines"),),
            ("unstable-bits",),
        ),
        Case(
            "PAT-U4",
            [byte >> 4 for byte in yarns],
            4,
            "missing",
            "Tried twice and never read: a corroded leg broke off at the package.",
            may=(),
        ),
        Case(
            "PAT-U5",
            program.panel_texts(),
            8,
            "faulty",
            (
                "All three passes show each block of 64 words twice: A6 never moved, and half of the "
                "chip was not read."
            ),
            (Reading("PAT-U5.hb.1.log", "hb", dead, 3, log, fault="jumper of A6 lay on +5 V"),),
            ("address-line-dead",),
            image_true=False,
        ),
        Case(
            "PAT-U6",
            [byte & 15 for byte in yarns],
            4,
            "repeatable",
            "Three passes by the home-built reader agree.",
            (Reading("PAT-U6.hb.1.log", "hb", passes=3, form=log),),
        ),
    ]


def _programmed(words: Sequence[int], weak: Mapping[Cell, Sequence[int]]) -> dict[Cell, Sequence[int]]:
    """The same cells, each moved on to the next address where that data pin holds a programmed 0."""
    moved: dict[Cell, Sequence[int]] = {}
    for (address, bit), levels in weak.items():
        cell = next(n for n in range(address, len(words)) if not words[n] >> bit & 1)
        moved[cell, bit] = levels
    return moved


def _files(cases: Sequence[Case]) -> dict[str, bytes]:
    """dumps/ by name; two chips read into one file follow each other in it."""
    files: dict[str, bytes] = {}
    for case in cases:
        for reading in case.readings:
            content = reading.form(reading.take(Chip(case.words, case.bits)))
            files[reading.file] = files.get(reading.file, b"") + content
    return files


def _differing(words: Sequence[int], true: Sequence[int]) -> int:
    """Words that are not what the same address of the chip holds; too many and too few count as well."""
    return sum(a != b for a, b in zip(words, true, strict=False)) + abs(len(words) - len(true))


def _wires(reading: Reading) -> dict[str, object]:
    """What was done at the wires, for tests that want to know the line."""
    wires = reading.wires
    told: dict[str, object] = {
        "counter_bits": wires.counter_bits,
        "address_stuck": {f"A{pin}": level for pin, level in wires.address_stuck.items()},
        "address_from": list(wires.address_from),
        "data_to": list(wires.data_to),
        "weak_cells": [
            [address, f"D{bit}", list(levels)] for (address, bit), levels in wires.weak_cells.items()
        ],
        "lost_value": reading.lost,
    }
    return {name: value for name, value in told.items() if value not in (None, {}, [])}


def _spaces(cases: Sequence[Case]) -> dict[str, object]:
    """The address spaces as the machine sees them, put together by hand rather than by the sheet."""
    words = {case.chip: case.words for case in cases}
    microcode_lanes = [words[f"SEQ-U{n}"] for n in range(1, 7)]
    made = {
        "microcode": bytes(byte for row in zip(*microcode_lanes, strict=True) for byte in row),
        "opcode-map": bytes(
            high << 4 | low for high, low in zip(words["SEQ-U8"], words["SEQ-U9"], strict=True)
        ),
        "program": bytes(
            byte
            for even, odd in (("MEM-U1", "MEM-U2"), ("MEM-U3", "MEM-U4"))
            for row in zip(words[even], words[odd], strict=True)
            for byte in row
        ),
        "weaves, standard": bytes(words["PAT-U2"]),
        "weaves, mill": bytes(words["PAT-U3"]),
    }
    return {
        name: {"size_bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
        for name, content in made.items()
    }


def _told(case: Case) -> dict[str, object]:
    """One chip as truth.json tells it."""
    chip, digits = Chip(case.words, case.bits), (case.bits + 3) // 4
    readings = []
    for reading in case.readings:
        passes = reading.take(chip)
        wrong = [_differing(words, case.words) for words in passes]
        assert any(wrong) == bool(reading.fault), (case.chip, reading.file, wrong)
        readings.append(
            {
                "file": reading.file,
                "reader": reading.reader,
                "passes": reading.passes,
                "fault": reading.fault,
                "wires": _wires(reading),
                "differing_words": wrong,
            }
        )
    rows = [case.words[n : n + 32] for n in range(0, len(case.words), 32)]
    return {
        "organisation": f"{len(case.words)}x{case.bits}",
        "grade": case.grade,
        "why": case.why,
        "codes": {"must": sorted(case.must), "may": sorted(case.may)},
        "image_is_true": case.image_true,
        "readings": readings,
        "words": ["".join(f"{word:0{digits}X}" for word in row) for row in rows],
    }


def _photos() -> dict[str, bytes]:
    boards = {"seq": 9, "mem": 5, "pat": 6}
    made = {}
    for name, sockets in boards.items():
        grid = pictures.board(60, 24, sockets)
        facts = pictures.exif(OPERATOR, f"board {name}, component side", "2023:09:16 10:12:00")
        if name == "pat":
            made[f"{name} board (front).png"] = pictures.png(grid, facts)
        else:
            made[f"{name}-board.jpg"] = pictures.jpeg(grid, facts)
    return made


def make(folder: Path) -> None:
    """Write everything into the folder; files of an earlier run that are no longer made are removed.

    Args:
        folder: The project folder.
    """
    cases = [*sequencer(), *memory(), *pattern(), *spare(), *terminal()]
    truth = {
        "about": "What the invented machine's chips hold, how each was read, and what should be found. "
        "`words` are hex, most significant digit first, 32 words a row; `spaces` are complete ones, by bank.",
        "chips": {case.chip: _told(case) for case in cases},
        "spaces": _spaces(cases),
    }
    for name, made in (("dumps", _files(cases)), ("photos", _photos())):
        (folder / name).mkdir(parents=True, exist_ok=True)
        for old in (folder / name).iterdir():
            if old.name not in made:
                old.unlink()
        for file, content in made.items():
            (folder / name / file).write_bytes(content)
    text = json.dumps(truth, indent=1, ensure_ascii=False) + "\n"
    (folder / "truth.json").write_bytes(text.encode("utf-8"))


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
