"""The terminal card: a bought-in card with a processor of the 8080 family, and its program in two banks.

The loom speaks to it over a serial line; it drives the weaver's screen and keys. Either bank calls into the
other, so that their calls say where the banks stand. Opcodes: the 8080's published instruction set, from
memory; `tests/outside/test_instruction_sets.py` holds the tables that read them against references.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from example_project.making.dice import Dice

SIZE = 1024
BASES = (0x0000, 0x1000)
"""Where the card's decoder puts the two banks."""
ROUTINES = 22


def _codes(table: str) -> dict[str, int]:
    """Instruction → its first byte, from `NAME=HEX` one behind the other, `_` for a blank."""
    pairs = (one.split("=") for one in table.split())
    return {name.replace("_", " "): int(code, 16) for name, code in pairs}


PLAIN = _codes(
    "RLC=07 RRC=0F CMA=2F EI=FB DI=F3 RET=C9 RZ=C8 PUSH_B=C5 POP_B=C1 PUSH_H=E5 POP_H=E1 PUSH_PSW=F5 "
    "POP_PSW=F1 MOV_A,M=7E MOV_M,A=77 STAX_D=12 INX_H=23 INX_D=13 DCR_B=05 INR_A=3C DCR_A=3D "
    "ANA_A=A7 ORA_B=B0 XRA_A=AF ADD_B=80 ADD_A=87"
)
BYTE = _codes("MVI_B=06 ANI=E6 CPI=FE IN=DB OUT=D3")
WORD = _codes(
    "LXI_H=21 LXI_D=11 LXI_SP=31 LDA=3A STA=32 LHLD=2A JMP=C3 JZ=CA JNZ=C2 JC=DA JNC=D2 JM=FA CALL=CD"
)
"""Instructions alone, with one byte behind them, and with two."""
TEXTS = (
    ("CORVENDAHL LOOM TERMINAL CT-2", "LINE LOST", "KEY OUT OF ORDER", "WAITING FOR THE LOOM"),
    ("PATTERN ", "PICKS TODAY ", "TYPE THE NUMBER OF THE PATTERN", "NOT SENT - TRY AGAIN"),
)
"""What each bank says."""


@dataclass
class Assembler:
    """Bytes with labels that both banks share.

    Attributes:
        code: What was assembled of each bank.
        labels: Address of each name.
        fixes: Bank and place of each address that waits for its name.
    """

    code: tuple[bytearray, bytearray] = field(default_factory=lambda: (bytearray(), bytearray()))
    labels: dict[str, int] = field(default_factory=dict)
    fixes: list[tuple[int, int, str]] = field(default_factory=list)
    bank: int = 0

    def label(self, name: str) -> None:
        """The next byte of the bank is called so."""
        self.labels[name] = BASES[self.bank] + len(self.code[self.bank])

    def op(self, name: str, operand: int | str = 0) -> None:
        """One instruction; a name as its operand is an address."""
        own = self.code[self.bank]
        if name in PLAIN:
            own.append(PLAIN[name])
        elif name in BYTE:
            own += bytes([BYTE[name], int(operand) & 0xFF])
        else:
            own.append(WORD[name])
            if isinstance(operand, str):
                self.fixes.append((self.bank, len(own), operand))
            own += (0 if isinstance(operand, str) else operand).to_bytes(2, "little")

    def done(self) -> tuple[bytes, bytes]:
        """Both banks, every address filled in and the rest left unprogrammed."""
        for bank, place, name in self.fixes:
            self.code[bank][place : place + 2] = self.labels[name].to_bytes(2, "little")
        assert max(map(len, self.code)) <= SIZE, "the program outgrows its chips"
        first, second = (bytes(own).ljust(SIZE, b"\xff") for own in self.code)
        return first, second


def _ram(dice: Dice) -> int:
    return 0x8000 + dice.below(0x180)


def _wait_port(asm: Assembler, dice: Dice, here: str) -> None:
    asm.label(here)
    asm.op("IN", 0x10 + dice.below(4))
    asm.op("ANI", 1 << dice.below(8))
    asm.op("JZ", here)


def _copy_loop(asm: Assembler, dice: Dice, here: str) -> None:
    asm.op("LXI H", _ram(dice))
    asm.op("LXI D", _ram(dice))
    asm.op("MVI B", 8 + 8 * dice.below(8))
    asm.label(here)
    asm.op("MOV A,M")
    asm.op("STAX D")
    asm.op("INX H")
    asm.op("INX D")
    asm.op("DCR B")
    asm.op("JNZ", here)


def _compare(asm: Assembler, dice: Dice, here: str) -> None:
    asm.op("LDA", _ram(dice))
    asm.op("CPI", dice.pick((0x0D, 0x1B, 0x20, 0x50, 0x7F)))
    asm.op(dice.pick(("JZ", "JNZ", "JC", "JNC")), here)
    asm.op(dice.pick(("INR A", "DCR A", "CMA", "XRA A")))
    asm.op("STA", _ram(dice))
    asm.label(here)


def _bits(asm: Assembler, dice: Dice, here: str) -> None:
    asm.op("LHLD", _ram(dice))
    asm.op("MOV A,M")
    asm.op("ANA A")
    asm.op("JM", here)
    for _ in range(1 + dice.below(3)):
        asm.op(dice.pick(("RLC", "RRC", "ADD A", "ORA B", "ADD B")))
    asm.op("MOV M,A")
    asm.label(here)


def _say(asm: Assembler, dice: Dice, here: str) -> None:
    del here
    bank = dice.below(2)
    asm.op("LXI H", f"text {bank} {dice.below(len(TEXTS[bank]))}")
    asm.op("CALL", "print")


def _start(asm: Assembler) -> None:
    """Where the processor begins, and what prints a text that a zero byte ends."""
    asm.op("DI")
    asm.op("LXI SP", 0x8400)
    asm.op("CALL", "1 0")
    asm.op("EI")
    asm.label("idle")
    asm.op("CALL", "0 1")
    asm.op("CALL", "1 1")
    asm.op("JMP", "idle")
    asm.label("print")
    asm.op("MOV A,M")
    asm.op("ANA A")
    asm.op("RZ")
    asm.op("CALL", "put")
    asm.op("INX H")
    asm.op("JMP", "print")
    asm.label("put")
    asm.op("PUSH PSW")
    _wait_port(asm, Dice(0x507), "put ready")
    asm.op("POP PSW")
    asm.op("OUT", 0x12)
    asm.op("RET")


def _routine(asm: Assembler, dice: Dice, number: int) -> None:
    """A few pieces and a few calls, more often into its own bank than into the other."""
    asm.label(f"{asm.bank} {number}")
    saved = dice.pick(("B", "H", "PSW"))
    asm.op(f"PUSH {saved}")
    for piece in range(2):
        make = dice.pick((_wait_port, _copy_loop, _compare, _bits, _say))
        make(asm, dice, f"{asm.bank} {number} {piece}")
        bank = 1 - asm.bank if dice.chance(3) else asm.bank
        # Only on to later routines, so that no call comes back to where it began.
        later = ROUTINES - number - 1
        asm.op("CALL", f"{bank} {number + 1 + dice.below(min(later, 5))}" if later else "put")
    asm.op(f"POP {saved}")
    asm.op("RET")


def build() -> tuple[bytes, bytes]:
    """What the card's two EPROMs hold."""
    dice, asm = Dice(0xCA4D), Assembler()
    _start(asm)
    for bank, texts in enumerate(TEXTS):
        asm.bank = bank
        for number in range(ROUTINES):
            _routine(asm, dice, number)
        for number, text in enumerate(texts):
            asm.label(f"text {bank} {number}")
            asm.code[bank].extend(text.encode("ascii") + b"\0")
    return asm.done()
