"""Images of the families that a ROM of the period may hold, made from a seed; no program code is imported.

Each maker of a family takes a random generator and the number of words and gives the words and their width.
They are invented: real firmware is in `tests.kit.firmware`.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tests.kit.wires import Image, smallest_dtype

# A few opcodes of an 8-bit processor of the period with their operand lengths and rough weights (from
# memory).
OPCODES: tuple[tuple[int, int, float], ...] = (
    *((op, 2, 6.0) for op in (0xCD, 0x21, 0x3A, 0x32, 0xC3, 0xCA, 0xC2)),
    *((op, 2, 2.0) for op in (0x2A, 0x22, 0x11, 0x01, 0xDA, 0xD2, 0xFA)),
    *((op, 1, 5.0) for op in (0x3E, 0xFE, 0xE6, 0x06)),
    *((op, 1, 2.0) for op in (0x0E, 0x36, 0xD3, 0xDB, 0xC6)),
    *((op, 0, 4.0) for op in (0xC9, 0x23, 0x7E, 0xE5, 0xE1, 0xB7, 0xAF, 0x77, 0xEB, 0x78, 0x7D)),
    *((op, 0, 0.6) for op in range(0x40, 0xC0) if op != 0x76),
)
_VOCABULARY = """
the of and to in is that for it as was with be by on not he his but at are this have from or had
an they which one you were all her she there would their we him been has when who will no more if
out so up said ready error file disk memory line read write address load save start stop tape bank
print input number
"""
WORDS = _VOCABULARY.split()


def code(random: Generator, words: int, messages: float = 0.003) -> tuple[Image, int]:
    """Instructions with operands, some messages, and fill at the end."""
    origin = int(random.integers(0, 64)) << 10
    weights = np.array([weight for _, _, weight in OPCODES])
    picks = random.choice(len(OPCODES), size=words, p=weights / weights.sum())
    out = bytearray()
    target = words - int(random.integers(0, max(1, words // 5)))
    routines = [(origin + int(at)) & 0xFFFF for at in random.integers(0, words, max(4, words // 32))]
    variables = [0x8000 + int(at) for at in random.integers(0, 256, 40)]
    for pick in picks:
        if len(out) >= target:
            break
        opcode, operands, _ = OPCODES[pick]
        out.append(opcode)
        if operands == 1:
            out.append(int(min(255, random.geometric(0.04))))
        elif operands == 2:
            pool = variables if opcode in (0x21, 0x3A, 0x32, 0x2A, 0x22) else routines
            out += int(pool[random.integers(len(pool))]).to_bytes(2, "little")
        if random.random() < messages:
            out += _sentence(random, 12)
    out = out[:target]
    fill = int(random.choice([0xFF, 0xFF, 0x00, 0xE5, 0x76]))
    out += bytes([fill]) * (words - len(out))
    return np.frombuffer(bytes(out[:words]), dtype=np.uint8).copy(), 8


def _sentence(random: Generator, size: int) -> bytes:
    text = ""
    while len(text) < size:
        text += WORDS[random.integers(len(WORDS))] + " "
    return (text.upper() if random.random() < 0.5 else text)[:size].encode()


def text(random: Generator, words: int) -> tuple[Image, int]:
    out = bytearray()
    while len(out) < words:
        sentence = _sentence(random, int(random.integers(20, 70)))
        out += sentence + (b"\r\n" if random.random() < 0.7 else b"\x00")
    return np.frombuffer(bytes(out[:words]), dtype=np.uint8).copy(), 8


def table(random: Generator, words: int) -> tuple[Image, int]:
    """Sine, logarithm, products, ascending pointers, or a key map."""
    a = np.arange(words, dtype=np.int64)
    kind = int(random.integers(5))
    if kind == 0:
        wave = np.sin(2 * np.pi * a * int(random.integers(1, 4)) / words + random.random())
        return (127.5 + 127 * wave).astype(np.uint8), 8
    if kind == 1:
        return (255 * np.log1p(a) / np.log(words + 1)).astype(np.uint8), 8
    if kind == 2:
        half = words.bit_length() // 2
        return ((a >> half) * (a & (1 << half) - 1) & 0xFF).astype(np.uint8), 8
    if kind == 3:
        steps = random.integers(2, 40, words // 2 + 1).cumsum() & 0xFFFF
        pairs = np.stack([steps & 0xFF, steps >> 8], axis=1).reshape(-1)
        return pairs[:words].astype(np.uint8), 8
    return random.permutation(np.resize(np.arange(32, 127), words)).astype(np.uint8), 8


def characters(random: Generator, words: int) -> tuple[Image, int]:
    """A character generator: strokes on a grid, a blank row or two, constant columns, sometimes doubled."""
    rows = int(random.choice([8, 8, 8, 16]))
    width = int(random.choice([5, 6, 7, 8]))
    glyphs = max(1, words // rows)
    cells = np.zeros((glyphs, rows), dtype=np.uint8)
    top = 1 if rows == 8 else 3
    height = rows - top - (0 if rows == 8 else 3)
    for glyph in cells:
        for _ in range(int(random.integers(2, 5))):
            _stroke(random, glyph, top, height, width)
    out = cells.reshape(-1)
    if words >= 512 and random.random() < 0.25:
        out[words // 2 :] = out[: words // 2] if random.random() < 0.5 else ~out[: words // 2]
    return out[:words].copy(), 8


def _stroke(random: Generator, glyph: NDArray[np.uint8], top: int, height: int, width: int) -> None:
    kind = int(random.integers(3))
    if kind == 0:
        glyph[top : top + height] |= np.uint8(1 << int(random.integers(width)))
    elif kind == 1:
        glyph[top + int(random.integers(height))] |= np.uint8((1 << width - 1) - 1 << 1 & 0xFF)
    else:
        for step in range(min(height, width)):
            glyph[top + step] |= np.uint8(1 << (step if random.random() < 0.5 else width - 1 - step))


def decode(random: Generator, words: int) -> tuple[Image, int]:
    """One select low where some inputs have some pattern, don't-care inputs elsewhere."""
    bits = int(random.choice([4, 8]))
    lines = words.bit_length() - 1
    cares = random.choice(lines, size=min(lines, int(random.integers(3, 6))), replace=False)
    rest = (1 << bits) - 1
    key = np.zeros(words, dtype=np.int64)
    for place, line in enumerate(cares):
        key |= (np.arange(words) >> int(line) & 1) << place
    selects = [
        rest & ~(1 << int(random.integers(bits))) if random.random() < 0.6 else rest for _ in range(64)
    ]
    return np.array(selects, dtype=np.uint8)[key], bits


def microcode(random: Generator, words: int) -> tuple[Image, int]:
    """Skewed columns, repeated words, a few counting columns, one or two constant ones."""
    out = np.zeros(words, dtype=np.uint8)
    lines = words.bit_length() - 1
    for column in range(8):
        kind = random.random()
        if kind < 0.2:
            bit = np.full(words, random.integers(2))
        elif kind < 0.4:
            bit = (np.arange(words) + 1) >> int(random.integers(min(4, lines))) & 1
            bit = bit ^ (random.random(words) < 0.1)
        else:
            bit = random.random(words) < random.choice([0.03, 0.1, 0.2, 0.5, 0.9, 0.97])
        out |= (np.asarray(bit).astype(np.uint8) << np.uint8(column)).astype(np.uint8)
    again = random.random(words) < 0.2
    out[1:][again[1:]] = out[:-1][again[1:]]
    return out, 8


@dataclass(frozen=True)
class Family:
    name: str
    make: Callable[[Generator, int], tuple[Image, int]]
    sizes: tuple[int, ...]
    judged: bool
    """True where the bounds of the accuracy table must hold (from 1 K words)."""


FAMILIES: tuple[Family, ...] = (
    Family("8-bit code", code, (256, 1024, 2048, 4096, 8192, 16384, 32768, 65536), judged=True),
    Family("text", text, (256, 1024, 2048, 4096, 8192), judged=False),
    Family("tables", table, (256, 512, 1024, 2048, 4096), judged=False),
    Family("character generator", characters, (512, 1024, 2048, 4096), judged=False),
    Family("decode PROM", decode, (32, 256, 512, 1024), judged=False),
    Family("microcode", microcode, (256, 512, 1024, 2048), judged=False),
)


# -- look-alikes: healthy images that carry the very relation of a fault -------------------------------------


def doubled(random: Generator, words: int) -> tuple[Image, int]:
    """A half- or quarter-size program stored two or four times."""
    copies = int(random.choice([2, 4]))
    return np.tile(code(random, words // copies)[0], copies), 8


def blank(random: Generator, words: int) -> tuple[Image, int]:
    return np.full(words, random.choice([0x00, 0xFF]), dtype=np.uint8), 8


def nearly_blank(random: Generator, words: int) -> tuple[Image, int]:
    out = np.full(words, 0xFF, dtype=np.uint8)
    size = int(random.integers(1, max(2, words // 8)))
    out[:size] = code(random, max(size, 64))[0][:size]
    return out, 8


def constant_column(random: Generator, words: int) -> tuple[Image, int]:
    """Random control words with one to three spare columns that are always the same."""
    out = random.integers(0, 256, words).astype(np.uint8)
    for column in random.choice(8, size=int(random.integers(1, 4)), replace=False):
        bit = np.uint8(1 << int(column))
        out = out | bit if random.random() < 0.5 else out & ~bit
    return out, 8


def skewed_constant(random: Generator, words: int) -> tuple[Image, int]:
    """Microcode that repeats a vocabulary of words, with spare columns."""
    vocabulary = constant_column(random, 60)[0]
    share = random.dirichlet(np.full(60, 0.5))
    return vocabulary[random.choice(60, size=words, p=share)], 8


def ascii_text(random: Generator, words: int) -> tuple[Image, int]:
    return text(random, words)


def ascending(_random: Generator, words: int) -> tuple[Image, int]:
    return (np.arange(words) & 0xFF).astype(np.uint8), 8


def packed_noise(random: Generator, words: int) -> tuple[Image, int]:
    """Encrypted or compressed content."""
    return random.integers(0, 256, words).astype(np.uint8), 8


def twin_columns(random: Generator, words: int) -> tuple[Image, int]:
    """Microcode with two control signals that always go together."""
    out = microcode(random, words)[0]
    first, second = (int(line) for line in random.choice(8, 2, replace=False))
    bit = out >> np.uint8(first) & np.uint8(1)
    return (out & np.uint8(~(1 << second) & 0xFF)) | bit << np.uint8(second), 8


def patterned(random: Generator, words: int) -> tuple[Image, int]:
    """A test pattern: a short period all through."""
    period = random.integers(0, 256, int(random.choice([2, 4, 8, 16, 32]))).astype(np.uint8)
    return np.resize(period, words), 8


SIZES = (256, 512, 1024, 2048, 4096, 8192)
LOOKALIKES: tuple[Family, ...] = tuple(
    Family(name, make, SIZES, judged=True)
    for name, make in (
        ("doubled program", doubled),
        ("blank", blank),
        ("nearly blank", nearly_blank),
        ("decode PROM", decode),
        ("character generator", characters),
        ("constant columns", constant_column),
        ("constant columns, small vocabulary", skewed_constant),
        ("twin columns", twin_columns),
        ("ASCII text", ascii_text),
        ("ascending table", ascending),
        ("packed or encrypted", packed_noise),
        ("test pattern", patterned),
    )
)


# -- content that proves an order, or seems to ---------------------------------------------------------------


def silent_code(random: Generator, words: int) -> tuple[Image, int]:
    """Code without messages, vectors or checks, up to its last word: no order is truer to it than another."""
    out = code(random, words * 2, messages=0.0)[0][:words].copy()
    random.shuffle(out)
    return out, 8


def with_text(random: Generator, words: int) -> tuple[Image, int]:
    """Code of which a quarter is messages."""
    out = code(random, words, messages=0.0)[0].copy()
    message = text(random, max(words // 4, 64))[0]
    at = int(random.integers(0, words - message.size + 1))
    out[at : at + message.size] = message
    return out, 8


def put_crc_32(image: Image) -> Image:
    """The last four words become a CRC-32/ISO-HDLC over all before, high byte first."""
    out = image.copy()
    value = zlib.crc32(out[:-4].astype(np.uint8).tobytes())
    out[-4:] = np.frombuffer(value.to_bytes(4, "big"), dtype=np.uint8)
    return out


def put_crc_16(image: Image) -> Image:
    """The last two words become a CRC-16/IBM-3740 over all before, high byte first."""
    out = image.copy()
    value = crc_ibm_3740(out[:-2].astype(np.uint8).tobytes())
    out[-2:] = np.frombuffer(value.to_bytes(2, "big"), dtype=np.uint8)
    return out


def crc_ibm_3740(content: bytes) -> int:
    """Polynomial 1021, start FFFF.

    Source: catalogue of parametrised CRC algorithms; its check value is 29B1.
    """
    crc = 0xFFFF
    for byte in content:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def put_sum(image: Image) -> Image:
    """The last word makes the sum of all words 0: a check that no order of addresses breaks."""
    out = image.copy()
    out[-1] = 0
    out[-1] = -int(out.sum(dtype=np.uint64)) & 0xFF
    return out


def put_equal_vectors(image: Image, random: Generator) -> Image:
    """A table of equal targets at the start, such as `00 80 00 80`.

    It looks like vectors in more than one order.
    """
    out = image.copy()
    pair = np.array(
        [int(random.choice([0x00, 0x40, 0xFF])), int(random.choice([0x80, 0xC0, 0xFF]))], np.uint8
    )
    size = min(out.size // 4, 256)
    out[:size] = np.resize(pair, size)
    return out


def widened(low: Image, high: Image) -> Image:
    """Two 8-bit images side by side as words of 16 bits."""
    return high.astype(np.uint16) << np.uint16(8) | low


# -- one image of bytes from a number -----------------------------------------------------------------------

Octets = NDArray[np.uint8]
_OPCODES = np.frombuffer(bytes.fromhex("A985AD8D204CD0F060C9A2A0E8CA88C81869294A"), dtype=np.uint8)
_LENGTHS = np.array([2, 2, 3, 3, 3, 3, 2, 2, 1, 2, 2, 2, 1, 1, 1, 1, 1, 2, 2, 1])


def random_image(seed: int, size: int = 2048) -> Octets:
    """Bytes without meaning."""
    return np.random.default_rng(seed).integers(0, 256, size, dtype=np.uint8)


def code_image(seed: int, size: int = 2048) -> Octets:
    """Bytes as an 8-bit processor's program has them: few opcodes, small operands, near addresses."""
    rng = np.random.default_rng(seed)
    share = rng.dirichlet(np.full(len(_OPCODES), 0.7))
    page = int(rng.integers(0xC0, 0xF8))
    which = rng.choice(len(_OPCODES), p=share, size=size)
    operand = np.minimum(255, rng.geometric(0.03, size=size))
    low, high = rng.integers(0, 256, size=size), page + rng.integers(0, 8, size=size)
    rows = np.stack([_OPCODES[which], np.where(_LENGTHS[which] == 2, operand, low), high], axis=1)
    return rows[np.arange(3)[None, :] < _LENGTHS[which][:, None]][:size].astype(np.uint8)


def put(image: Octets, at: int, content: bytes) -> Octets:
    """The image with some bytes in one place; it has to change."""
    out = image.copy()
    out[at : at + len(content)] = np.frombuffer(content, dtype=np.uint8)
    assert (out != image).any()
    return out


def firmware_like(seed: int, words: int, bits: int = 8, *, blank_from: int | None = None) -> Image:
    """Code-like runs of a skewed alphabet, a table, some text, and a blank rest from `blank_from` on."""
    generator = np.random.default_rng(seed)
    alphabet = generator.permutation(256)
    chances = 1.0 / (1 + np.arange(256)) ** 0.7
    image = generator.choice(alphabet, words, p=chances / chances.sum()).astype(np.uint64)
    message = np.frombuffer(b"PRESS ANY KEY * CHECKSUM ERROR * READY. ", np.uint8)
    for start in range(0, words - 64, max(96, words // 8)):
        image[start : start + 32] = message[:32]
    table = words // 3
    image[table : table + words // 16] = np.arange(words // 16) * 3 & 0xFF
    if bits > 8:
        image |= generator.choice(alphabet, words, p=chances / chances.sum()).astype(np.uint64) << np.uint64(
            bits - 8
        )
    if blank_from is not None:
        image[blank_from:] = (1 << bits) - 1
    return (image & np.uint64((1 << bits) - 1)).astype(smallest_dtype(bits))
