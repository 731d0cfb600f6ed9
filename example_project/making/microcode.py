"""The sequencer board: 48-bit microcode, the map from opcode to micro-routine, and the select decoder.

A microword, most significant first: next address 9 | condition 3 | ALU function 4 | left register 4 | right
register 4 | destination 4 | control lines 12, few of them set | literal 8. The micro-assembler of the
invented maker put the first word of each routine on an even address (the map holds 8 bits) and the others
wherever there was room, so addresses run on in no particular order.
"""

from __future__ import annotations

from dataclasses import dataclass

from example_project.making.dice import Dice

WORDS = 512
MNEMONICS = (  # noqa: SIM905 - a list of sixty strings is no easier to read
    "NOP HALT RET RTI EI DI PUSH POP LDI LDM STM LDX STX ADD ADDI ADC SUB SUBI SBC CMP CMPI AND ANDI OR ORI "
    "XOR XORI SHL SHR ROL ROR ASR INC DEC NEG NOT SWAP MOV MUL DIV TST BIT SET CLR IN OUT LIFT DROP PICK "
    "WEFT LATCH SYNC WAIT TRAP CALL JMP JMPI LOOP BLKM BLKS FILL SCAN"
).split()
"""Opcode 0 upwards."""
EXTRA_WORD = frozenset("LDI LDM STM ADDI SUBI CMPI ANDI ORI XORI CALL JMP LOOP BLKM BLKS FILL".split())  # noqa: SIM905
"""Instructions that a second word follows."""
QUICK = ("LDQ", "ADQ", "CPQ", "STR", "LDR", "INR", "DJNZ", "IOQ")
"""Groups of eight opcodes from 0x40, the register in the lowest three bits."""
BRANCHES = (
    "BRA",
    "BZ",
    "BNZ",
    "BC",
    "BNC",
    "BN",
    "BP",
    "BV",
    "BNV",
    "BGT",
    "BLE",
    "BLT",
    "BGE",
    "BHI",
    "BLS",
    "BPICK",
)
"""Opcodes from 0x80."""
SYSTEM = {0xC1: "TIMER", 0xC2: "PANEL", 0xC5: "WARP", 0xCA: "BRAKE", 0xD3: "BANK", 0xE0: "TEST", 0xF9: "DUMP"}
MAR, READ, WRITE, IR, PC, LOAD, FLAGS, LIFT, WEFT, IO, PUSH, DISPATCH = (1 << n for n in range(12))
"""The twelve control lines."""
ALU = {
    "ADD": 1,
    "SUB": 2,
    "CMP": 2,
    "AND": 3,
    "OR": 4,
    "XOR": 5,
    "SHL": 6,
    "SHR": 7,
    "ROL": 8,
    "ROR": 9,
    "INC": 10,
    "DEC": 11,
    "NEG": 12,
    "NOT": 13,
    "MUL": 14,
    "DIV": 15,
}
CONDITIONS = {"B": 1, "DJNZ": 2, "LOOP": 2, "WAIT": 3, "SYNC": 4, "PICK": 5, "WEFT": 6, "SCAN": 7}


@dataclass(frozen=True)
class Micro:
    """One microinstruction before it has a place."""

    alu: int = 0
    left: int = 0
    right: int = 0
    to: int = 0
    control: int = 0
    literal: int = 0
    condition: int = 0


def routine(name: str, dice: Dice) -> list[Micro]:
    """What the machine does for one instruction.

    Fetch operands, act, store, and go back to the fetch cycle.
    """
    alu = next((code for start, code in ALU.items() if name.startswith(start)), 0)
    condition = next((code for start, code in CONDITIONS.items() if name.startswith(start)), 0)
    left, right, to = dice.below(12), dice.below(14), dice.below(12)
    steps = []
    if name in EXTRA_WORD:
        steps += [Micro(10, 15, 15, 15, MAR | PC), Micro(0, 15, right, 14, READ | LOAD, 0x02)]
    if name in ("LDM", "LDX", "LDR", "POP", "RET", "RTI", "JMPI", "BLKM"):
        steps += [Micro(1, left, 13, 13, MAR, dice.below(32)), Micro(0, 13, 13, to, READ | LOAD)]
    if name in ("STM", "STX", "STR", "PUSH", "CALL", "BLKS", "FILL", "TRAP"):
        steps += [Micro(2, 13, right, 13, MAR | PUSH, 2), Micro(0, left, 13, to, WRITE, dice.below(16))]
    if name in ("IN", "OUT", "IOQ", "TIMER", "PANEL", "BRAKE", "BANK"):
        steps += [Micro(3, right, left, 12, IO, 0xE0 + dice.below(16)), Micro(0, 12, 12, to, IO | LOAD)]
    if name in ("LIFT", "DROP", "PICK", "WEFT", "LATCH", "WARP", "SCAN", "SYNC", "BPICK"):
        steps += [
            Micro(4, left, right, 11, LIFT | MAR, 0x80 >> dice.below(8)),
            Micro(5, 11, left, 11, LIFT, dice.below(256), condition),
            Micro(0, 11, right, to, WEFT | LOAD, 0x40 + dice.below(64), 5),
        ]
    if name in ("MUL", "DIV", "SHL", "SHR", "ASR", "BLKM", "BLKS", "SCAN", "TEST", "DUMP"):
        steps += [
            Micro(0, right, right, 10, LOAD, 16),
            Micro(alu or 6, left, 10, left, LOAD | FLAGS, 1),
            Micro(11, 10, 10, 10, FLAGS, 0, 2),
        ]
    if alu:
        steps += [Micro(alu, left, right, to, LOAD | FLAGS, dice.below(4))]
    if condition and not name.startswith(("PICK", "WEFT", "SYNC", "SCAN")):
        steps += [Micro(1, 15, 14, 15, PC, dice.below(8), condition)]
    while len(steps) < 3:
        steps.append(Micro(dice.below(3), right, left, to, dice.pick((0, FLAGS, LOAD, PC)), dice.below(64)))
    return [*steps, Micro(0, 15, 0, 0, DISPATCH if dice.chance(3) else MAR | PC, dice.below(2))]


def build() -> tuple[list[int], list[int]]:
    """The microwords (512 of 48 bits) and the map (256 of 8 bits: opcode → entry address / 2)."""
    dice = Dice(0x1978)
    names = [*MNEMONICS, *QUICK, *BRANCHES, *SYSTEM.values()]
    even = [address for address in range(0x10, 0x1B8, 2) if address % 14 != 4]
    entries = {name: even.pop(dice.below(6)) for name in names}
    free = sorted({*range(0x08, 0x1B8)} - set(entries.values()))
    placed: dict[int, int] = {}
    fetch = [Micro(10, 15, 15, 15, MAR | READ | PC), Micro(0, 15, 0, 14, IR), Micro(0, 14, 14, 0, DISPATCH)]
    reset = [Micro(5, 0, 0, n, LOAD | (IO if n > 2 else 0), 0x11 * n) for n in range(5)]
    trap = [
        Micro(4, 0, 1, 12, PUSH | FLAGS, 0x3F),
        Micro(0, 12, 0, 15, MAR | WRITE, 0x0E),
        Micro(0, 15, 15, 15, PC),
    ]
    _place(placed, [*reset, *fetch], list(range(8)), back=5)
    entries["illegal"] = even.pop()
    free.remove(entries["illegal"])
    for name, entry in entries.items():
        steps = trap if name == "illegal" else routine(name, dice)
        places = [entry, *(free.pop(dice.below(min(len(free), 9))) for _ in steps[1:] if free)]
        _place(placed, steps[: len(places) - 1] + steps[-1:], places, back=5)
    words = [placed.get(address, 0xFFFFFFFFFFFF) for address in range(WORDS)]
    return words, _map(entries)


def _place(placed: dict[int, int], steps: list[Micro], places: list[int], back: int) -> None:
    for index, (step, place) in enumerate(zip(steps, places, strict=False)):
        following = places[index + 1] if index + 1 < len(places) else back
        fields = (
            (following, 9),
            (step.condition, 3),
            (step.alu, 4),
            (step.left, 4),
            (step.right, 4),
            (step.to, 4),
            (step.control, 12),
            (step.literal, 8),
        )
        word = 0
        for value, width in fields:
            word = word << width | value & ((1 << width) - 1)
        placed[place] = word


def _map(entries: dict[str, int]) -> list[int]:
    table = [entries["illegal"] >> 1] * 256
    for code, name in enumerate(MNEMONICS):
        table[code] = entries[name] >> 1
    for group, name in enumerate(QUICK):
        table[0x40 + 8 * group : 0x48 + 8 * group] = [entries[name] >> 1] * 8
    for code, name in enumerate(BRANCHES):
        table[0x80 + code] = entries[name] >> 1
    for code, name in SYSTEM.items():
        table[code] = entries[name] >> 1
    return table


def lane(words: list[int], number: int) -> list[int]:
    """Byte `number` of each microword; 0 is the most significant, in socket U1."""
    return [word >> (40 - 8 * number) & 0xFF for word in words]


def decoder() -> list[int]:
    """The select decoder, 32 words: A4-A1 are address bits 15-12, A0 is 1 for a write.

    Each output low selects.
    """
    rom_a, rom_b, parameters, weave, ram, solenoids, panel, error = range(8)
    reads = {0: rom_a, 1: rom_b, 2: parameters, 8: weave, 9: weave, 10: ram, 11: ram, 13: panel, 14: panel}
    writes = {8: weave, 10: ram, 11: ram, 12: solenoids, 13: panel, 14: solenoids}
    table = []
    for page in range(16):
        table += [0xFF ^ 1 << reads.get(page, error), 0xFF ^ 1 << writes.get(page, error)]
    return table
