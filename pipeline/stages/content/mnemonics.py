"""Instructions in words: by a disassembler library where one is installed and has the family, else our own.

The libraries are extras (`wellread[listing]`): capstone, and SLEIGH's tables by pypcode. Where they are not
there, and for families that neither has, our own tables say how long an instruction is and where it leads,
which is all that they know. A library's word is taken only where it finds the instruction as long as our
tables do.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import version
from importlib.util import find_spec
from typing import NamedTuple

from pipeline.stages.content.flow_of_control.model import BRANCH, CALL, END, JUMP, PLAIN

_CAPSTONE = {
    "65c02": ("CS_ARCH_MOS65XX", ("CS_MODE_MOS65XX_65C02",)),
    "6800": ("CS_ARCH_M680X", ("CS_MODE_M680X_6800",)),
    "6809": ("CS_ARCH_M680X", ("CS_MODE_M680X_6809",)),
    "8086": ("CS_ARCH_X86", ("CS_MODE_16",)),
    "68000": ("CS_ARCH_M68K", ("CS_MODE_M68K_000", "CS_MODE_BIG_ENDIAN")),
}
_SLEIGH = {"z80": "z80:LE:16:default", "8051": "8051:BE:16:default", "8048": "8048:LE:16:default"}
OWN = "own tables"
_WORDS = {BRANCH: "branch", JUMP: "jump", CALL: "call", END: "return"}

Speak = Callable[[bytes, int], tuple[int, str]]
"""From the bytes at an instruction and its address: its length, 0 where it is none, and its words."""


class Speaker(NamedTuple):
    """What puts a family's instructions into words.

    Attributes:
        library: Its name, or `own tables`.
        speak: None for our own tables.
    """

    library: str
    speak: Speak | None


def speaker(family: str) -> Speaker:
    """The best that is installed for a family."""
    if family in _CAPSTONE and find_spec("capstone"):
        return _capstone(family)
    if family in _SLEIGH and find_spec("pypcode"):
        return _sleigh(family)
    return Speaker(OWN, None)


def covered(family: str) -> bool:
    """Whether some library has the family, installed or not."""
    return family in _CAPSTONE or family in _SLEIGH


def _capstone(family: str) -> Speaker:
    import capstone

    architecture, modes = _CAPSTONE[family]
    engine = capstone.Cs(getattr(capstone, architecture), sum(getattr(capstone, mode) for mode in modes))

    def speak(data: bytes, address: int) -> tuple[int, str]:
        found = next(engine.disasm_lite(data, address, 1), None)
        return (0, "") if found is None else (found[1], f"{found[2]} {found[3]}".strip())

    return Speaker(f"capstone {version('capstone')}", speak)


def _sleigh(family: str) -> Speaker:
    import pypcode

    context = pypcode.Context(_SLEIGH[family])

    def speak(data: bytes, address: int) -> tuple[int, str]:
        try:
            found = context.disassemble(data, base_address=address, max_instructions=1).instructions
        except (pypcode.BadDataError, pypcode.UnimplError):
            return 0, ""
        return (found[0].length, f"{found[0].mnem} {found[0].body}".strip().lower()) if found else (0, "")

    return Speaker(f"pypcode {version('pypcode')}", speak)


def own_words(flow: int, target: int | None) -> str:
    """What our own tables know of an instruction: nothing of a plain one.

    Example:
        >>> own_words(CALL, 0xE810), own_words(PLAIN, None)
        ('call 0xe810', '')
    """
    if flow == PLAIN:
        return ""
    word = _WORDS.get(flow, "jump, worked out as it runs")
    return word if target is None or flow == END else f"{word} {target:#x}"
