"""The memory board: a 16-bit program with its messages, checks and tables, and the loom's own settings.

The invented processor takes its first stack pointer and program counter from words 0 and 1, high byte at the
even address. The power-on test verifies what is stored in the chips. Monitor, of 1978: the bytes of either
EPROM add up to 0 (modulo 256), and the last word of the pair is the sum (modulo 65536) of all words before
it. Weaving program, the maker's last revision of 1984: the last four bytes of either EPROM are the CRC-32 of
those before them.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field

from example_project.making.dice import Dice
from example_project.making.microcode import BRANCHES, MNEMONICS, QUICK

WORDS = 2048
ENTRIES = ("trap", "pick_interrupt", "panel_interrupt", "clock_interrupt", "power_fail")
"""What the processor jumps to by itself, in the order of the vectors."""
MESSAGES = (
    "WARP BREAK - BEAM 1",
    "WARP BREAK - BEAM 2",
    "WEFT BREAK",
    "WEFT MISSED PICK",
    "SHUTTLE NOT BOXED",
    "PATTERN END",
    "LOAD NEXT PATTERN CHAIN",
    "SOLENOID BANK A OPEN",
    "SOLENOID BANK B OPEN",
    "KNIFE NOT HOME",
    "GRIFFE POSITION LOST",
    "OIL PRESSURE LOW",
    "STOP - COVER OPEN",
    "RAM TEST BAD AT ",
    "ROM TEST BAD PAIR ",
    "CLOCK LOST",
    "PATTERN CHECK BAD - RELOAD",
    "HOOKS LIFTED: ",
    "PICKS WOVEN: ",
    "READY",
    "SLOW SPEED",
    "REPAIR PICK",
    "CALL MASTER WEAVER",
    "BRAKE WORN - ADJUST BEFORE NEXT SHIFT",
    "TENSION HIGH",
    "TENSION LOW",
    "MAINS DIP SEEN",
)
HELP = (
    "KEY 1 START",
    "KEY 2 STOP AT LEVEL SHED",
    "KEY 3 ONE PICK",
    "KEY 4 ONE PICK BACK",
    "KEY 5 PATTERN SELECT",
    "KEY 6 REPEAT COUNT",
    "KEY 7 WEFT COLOUR PLAN",
    "KEY 8 TEST HOOKS",
    "KEY 9 SHOW COUNTERS",
    "KEY 0 CLEAR",
    "TURN KEY SWITCH TO SET BEFORE CHANGING PATTERN",
    "HOLD KEY 2 FOR FIVE SECONDS TO RELEASE BRAKE",
)


@dataclass
class Assembler:
    """Words with labels: enough of an assembler for a loom.

    Attributes:
        base: Byte address of the first word.
        words: What was assembled.
        labels: Byte address of each name.
        fixes: Words that wait for a name's address.
    """

    base: int
    words: list[int] = field(default_factory=list)
    labels: dict[str, int] = field(default_factory=dict)
    fixes: dict[int, str] = field(default_factory=dict)

    def label(self, name: str) -> None:
        """The next word is called so."""
        self.labels[name] = self.base + 2 * len(self.words)

    def op(self, name: str, low: int = 0, extra: int | str | None = None) -> None:
        """One instruction, and its second word."""
        self.words.append(opcode(name) << 8 | low & 0xFF)
        if extra is not None:
            self.address(extra)

    def address(self, to: int | str) -> None:
        """A word that holds a number or the address of a label."""
        if isinstance(to, str):
            self.fixes[len(self.words)] = to
        self.words.append(to if isinstance(to, int) else 0)

    def text(self, name: str, text: str) -> None:
        """Text with its length before it, filled up to a whole word with a blank."""
        self.label(name)
        body = bytes([len(text)]) + text.encode("ascii")
        body += b" " * (len(body) % 2)
        self.words += [body[n] << 8 | body[n + 1] for n in range(0, len(body), 2)]

    def done(self) -> list[int]:
        """The words with every address filled in."""
        for place, name in self.fixes.items():
            self.words[place] = self.labels[name]
        return self.words


def opcode(name: str) -> int:
    """The first byte of an instruction; `LDQ3` is register 3 of a quick group."""
    if name in MNEMONICS:
        return MNEMONICS.index(name)
    if name in BRANCHES:
        return 0x80 + BRANCHES.index(name)
    return 0x40 + 8 * QUICK.index(name[:-1]) + int(name[-1])


def _wait_port(asm: Assembler, dice: Dice) -> None:
    asm.op(f"IOQ{dice.below(4)}", 0xE0 + dice.below(16))
    asm.op("BIT", 1 << dice.below(8))
    asm.op("BZ", -3)


def _copy_loop(asm: Assembler, dice: Dice) -> None:
    source, target, count = dice.below(3), 3 + dice.below(2), 5 + dice.below(3)
    asm.op(f"LDQ{count}", 8 + 8 * dice.below(8))
    asm.op("LDI", source, 0xA000 + 2 * dice.below(0x300))
    asm.op(f"LDR{source}", dice.below(16))
    asm.op("XOR" if dice.chance(4) else "MOV", target << 4 | source)
    asm.op(f"STR{target}", dice.below(16))
    asm.op(f"INR{source}", 2)
    asm.op(f"DJNZ{count}", -5)


def _compare(asm: Assembler, dice: Dice) -> None:
    asm.op("LDM", dice.below(8), 0xA400 + 2 * dice.below(96))
    asm.op("CMPI", dice.below(8), dice.pick((0x0010, 0x0064, 0x00C8, 0x0578, 0x1000, 0x7FFF)))
    asm.op(dice.pick(BRANCHES[1:14]), 2 + dice.below(12))
    asm.op(f"ADQ{dice.below(8)}", 1 + dice.below(6))
    asm.op("STM", dice.below(8), 0xA400 + 2 * dice.below(96))


def _say(asm: Assembler, dice: Dice, messages: list[str]) -> None:
    asm.op("LDI", 1, dice.pick(messages))
    asm.op("CALL", 0, "print")
    if dice.chance(3):
        asm.op("TRAP", dice.below(16))


def _weave(asm: Assembler, dice: Dice) -> None:
    asm.op("SYNC", dice.below(4))
    asm.op(f"LDR{dice.below(4)}", dice.below(32))
    asm.op("LIFT", dice.below(256))
    asm.op("LATCH", dice.below(16))
    asm.op("PICK", 1 + dice.below(3))
    asm.op("BPICK", -4 - dice.below(4))


def _bits(asm: Assembler, dice: Dice) -> None:
    for _ in range(2 + dice.below(4)):
        name = dice.pick(("AND", "OR", "SHL", "SHR", "ROL", "SWAP", "ADD", "SUB", "MOV", "TST"))
        asm.op(name, dice.below(8) << 4 | dice.below(8))


def _routines(asm: Assembler, dice: Dice, names: list[str], messages: list[str]) -> None:
    for name in names:
        asm.label(name)
        asm.op("PUSH", dice.below(8))
        for _ in range(3 + dice.below(5)):
            kind = dice.below(7)
            if kind == 5:
                _say(asm, dice, messages)
            elif kind == 6:
                asm.op("CALL", 0, dice.pick(names))
            else:
                (_wait_port, _copy_loop, _compare, _weave, _bits)[kind](asm, dice)
        asm.op("POP", dice.below(8))
        asm.op("RET", 0)


def _with_crc(words: list[int]) -> list[int]:
    """Fill with FF, then set each EPROM's four last bytes to its CRC-32, most significant byte first."""
    body = words + [0xFFFF] * (WORDS - 4 - len(words))
    even = zlib.crc32(bytes(word >> 8 for word in body)).to_bytes(4, "big")
    odd = zlib.crc32(bytes(word & 0xFF for word in body)).to_bytes(4, "big")
    return [*body, *(high << 8 | low for high, low in zip(even, odd, strict=True))]


def _summed(words: list[int]) -> list[int]:
    """Fill with FF, then set the three last words so that both checks hold.

    The build number (third last) is raised until a compensating word can be found.
    """
    body = words + [0xFFFF] * (WORDS - 3 - len(words))
    even, odd, total = sum(w >> 8 for w in body), sum(w & 0xFF for w in body), sum(body)
    for build in range(301, 60000):
        for high in range(256):
            for low in range(256):
                balance = high << 8 | low
                check = total + build + balance & 0xFFFF
                if (even + (build >> 8) + high + (check >> 8)) % 256 == 0 and (
                    odd + build + low + check
                ) % 256 == 0:
                    return [*body, build, balance, check]
    raise AssertionError("no compensating word")


def pair_a() -> list[int]:
    """0000-0FFF: vectors, the maker's line, the monitor, and its messages."""
    dice, asm = Dice(0xC0FFEE), Assembler(0)
    names = [f"a{n}" for n in range(44)]
    asm.address(0xA7FE)
    for vector in ("start", *ENTRIES, "start"):
        asm.address(vector)
    asm.text("maker", "CORVENDAHL LOOM WORKS  CJ-48 PATTERN CONTROL  MONITOR 3.1  COPYRIGHT 1978")
    messages = [f"m{n}" for n in range(len(MESSAGES))]
    _entries(asm, names)
    _routines(asm, dice, names, messages)
    asm.label("message_table")
    for name in messages:
        asm.address(name)
    for name, text in zip(messages, MESSAGES, strict=True):
        asm.text(name, text)
    return _summed(asm.done())


def _entries(asm: Assembler, names: list[str]) -> None:
    """Interrupt entries and the routines that every program of the machine calls, at their fixed labels."""
    asm.label("start")
    asm.op("DI")
    for register in range(6):
        asm.op(f"LDQ{register}", 0x10 * register)
    asm.op("CALL", 0, "rom_test")
    asm.op("CALL", 0, names[3])
    asm.op("EI")
    asm.op("JMP", 0, 0x1000)
    for entry in ENTRIES:
        asm.label(entry)
        asm.op("PUSH", 7)
        asm.op("CALL", 0, names[len(entry) % len(names)])
        asm.op("POP", 7)
        asm.op("RTI")
    asm.label("rom_test")
    asm.op("LDI", 2, 0x07FF)
    asm.op("LDQ0", 0)
    asm.op("LDR2", 0)
    asm.op("ADD", 0x02)
    asm.op("LOOP", 2, 0xFFFA)
    asm.op("RET")
    asm.label("print")
    asm.op("LDR1", 0)
    asm.op("IOQ1", 0xE8)
    asm.op("INR1", 1)
    asm.op("DJNZ1", -4)
    asm.op("RET")


def pair_b() -> list[int]:
    """1000-1FFF: the jump table, the weaving routines, the tension curve, and the help texts."""
    dice, asm = Dice(0xBEEF78), Assembler(0x1000)
    names = [f"b{n}" for n in range(40)]
    asm.label("print")
    asm.op("JMP", 0, names[0])
    for name in names[1:20]:
        asm.op("JMP", 0, name)
    _routines(asm, dice, names, messages=[f"h{n}" for n in range(len(HELP))])
    asm.label("tension_curve")
    for n in range(128):
        asm.address(0x0200 + 25 * n - n * n // 6 + (0x4000 if n % 16 == 15 else 0))
    for n, text in enumerate(HELP):
        asm.text(f"h{n}", text)
    return _with_crc(asm.done())


def test_program(number: int, lines: int) -> list[int]:
    """The service man's programs: no checks in them, and FF behind the last of so many texts; 2048 words."""
    dice, asm = Dice(0x7E57 + number), Assembler(0x2000 * number)
    names = [f"t{n}" for n in range(24)]
    asm.label("print")
    asm.op("JMP", 0, names[0])
    messages = [f"k{n}" for n in range(lines)]
    _routines(asm, dice, names, messages)
    first = number * 2 if number * 2 + lines <= len(HELP) else 0
    for name, text in zip(messages, HELP[first:], strict=False):
        asm.text(name, text)
    words = asm.done()
    return [*words, *[0xFFFF] * (WORDS - len(words))]


def settings() -> list[int]:
    """This one loom's settings, 256 bytes, of which the maker's service man programmed the first 96."""
    head = [0x31, 0x78, 0x05, 0x40, 0x13, 0x88, 0x02, 0x9A]
    curve = [0x1C + 5 * n - n * n // 7 for n in range(40)]
    text = b"ULMHAVEN MILL 2 LOOM 14  SET 1979-03-12 BY H.O. "
    return [*head, *curve, *text, *[0] * (256 - 48 - len(text))]


def panel_texts() -> list[int]:
    """The panel's texts in four languages, each ended by a zero byte, then unused EPROM."""
    words = {
        "START": ("START", "DEMARRER", "STARTEN", "INICIO"),
        "STOP": ("STOP", "ARRET", "ANHALTEN", "PARADA"),
        "WEFT BROKEN": ("WEFT BROKEN", "TRAME CASSEE", "SCHUSSBRUCH", "TRAMA ROTA"),
        "WARP BROKEN": ("WARP BROKEN", "CHAINE CASSEE", "KETTBRUCH", "URDIMBRE ROTA"),
        "PATTERN": ("PATTERN NUMBER", "NUMERO DU DESSIN", "MUSTERNUMMER", "NUMERO DE DIBUJO"),
        "REPEAT": ("REPEATS LEFT", "REPETITIONS", "WIEDERHOLUNGEN", "REPETICIONES"),
        "COLOUR": ("COLOUR PLAN", "PLAN DES COULEURS", "FARBPLAN", "PLAN DE COLORES"),
        "SPEED": ("SPEED IN PICKS A MINUTE", "COUPS PAR MINUTE", "SCHUSS JE MINUTE", "PASADAS POR MINUTO"),
        "OIL": ("OIL THE HOOKS", "HUILER LES CROCHETS", "PLATINEN OELEN", "ACEITAR LOS GANCHOS"),
        "DOOR": ("CLOSE THE COVER", "FERMER LE CAPOT", "HAUBE SCHLIESSEN", "CERRAR LA TAPA"),
        "KEY": ("TURN THE KEY", "TOURNER LA CLE", "SCHLUESSEL DREHEN", "GIRAR LA LLAVE"),
        "WAIT": ("WAIT FOR LEVEL SHED", "ATTENDRE LA FOULE FERMEE", "FACHSCHLUSS ABWARTEN", "ESPERAR CALADA"),
    }
    body = b""
    for number, language in enumerate(("ENGLISH", "FRANCAIS", "DEUTSCH", "ESPANOL")):
        lines = (language, *(texts[number] for texts in words.values()))
        body += b"".join(line.encode("ascii") + b"\0" for line in lines)
    return [*body, *[0xFF] * (WORDS - len(body))]
