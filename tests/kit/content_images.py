"""Small images of every kind that content is told for: programs, texts, fills, tables, checks, vectors.

`CHIPS` has them by name, each made anew from a seed; invented, but for what a standard fixes.
`tests.kit.images` has the families by which finding and missing are counted; here each kind stands once, so
that all that is said of it can be kept.
"""

from __future__ import annotations

import textwrap
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import anycrc
import numpy as np

from pipeline.stages.content.flow_of_control import LineChange
from pipeline.words import Words, words_dtype
from tests.kit.images import Octets, code_image, packed_noise, put, random_image
from tests.kit.invented_programs import program, wide_program

PROSE = (
    b"THE LOOM STOPS WHEN A THREAD BREAKS. MEND THE THREAD, TURN THE WHEEL BACK BY ONE PICK AND PRESS START. "
    b"WHEN THE PATTERN ENDS THE LAMP IS LIT AND THE COUNTER SHOWS HOW MANY PICKS WERE WOVEN. "
)
KEYWORDS = (b"GOTO", b"RETURN", b"PRINT", b"INPUT", b"LOAD", b"SAVE", b"NEXT", b"STEP", b"THEN", b"REMARK")
MNEMONICS = tuple(textwrap.wrap("LDASTAADDSUBANDORAXORCMPINCDECJMPJSRRTSBEQBNEBCC", 3))
BYTES = ("8080", "z80", "6502", "65c02", "6800", "6809", "8051", "8048", "1802", "8086")
WORDS = ("68000", "pdp11", "9900")
SIZE = 1024


@dataclass(frozen=True)
class Content:
    """One chip: its words, their width, and what is known beside them."""

    words: Words
    bits: int = 8
    part: str = ""
    erased: int | None = None
    processor: str | None = None


def run_of(family: str, size: int, *, seed: int = 1, base: int = 0) -> Octets:
    """A program of any family, as its bytes are stored."""
    one_byte = family in BYTES and family not in ("6809", "8086")
    return program(family, size, seed=seed, base=base) if one_byte else wide_program(family, size, seed=seed)


def in_words(data: Octets, family: str) -> Words:
    """Bytes as a word machine's chip of 16 bits has them."""
    return data.view("<u2" if family == "pdp11" else ">u2").astype(np.uint16)


def _programs() -> Iterator[tuple[str, Content]]:
    for family in BYTES:
        yield f"program, {family}", Content(run_of(family, SIZE), processor=family)
    for family in WORDS:
        yield (
            f"program, {family}",
            Content(in_words(run_of(family, 2 * SIZE), family), 16),
        )
    z80 = run_of("z80", 2 * SIZE, seed=4)
    yield "program for another processor", Content(z80, processor="6502")
    yield "program for a processor nobody knows", Content(z80, processor="a computer of the mill")
    wide = in_words(run_of("68000", 4 * SIZE, seed=3), "68000")
    for bus, lines in (("data", (2, 3)), ("data", (2,)), ("address", (2, 6)), ("address", (9,))):
        change = LineChange(bus, lines)
        yield (
            f"program, {bus} {lines} crossed",
            Content(change.undo(z80), part="2716", processor="Z80A"),
        )
        yield (
            f"wide program, {bus} {lines} crossed",
            Content(change.undo(wide), 16, processor="68000"),
        )
    half = np.concatenate([z80[:SIZE], random_image(9, SIZE // 2), np.full(SIZE // 2, 0xFF, np.uint8)])
    yield "program, noise and nothing", Content(half, erased=1)


def _ebcdic(content: bytes) -> bytes:
    return content.decode("ascii").encode("cp037")


def _texts() -> Iterator[tuple[str, Content]]:
    """Text in every code and packing that is looked for."""
    marked = b"".join(word[:-1] + bytes([word[-1] | 0x80]) for word in KEYWORDS)
    counted = b"".join(bytes([len(word)]) + word for word in KEYWORDS)
    records = b"".join(
        name.encode() + bytes([0x80 | 17 * n & 0xFF, 0x80 | 29 * n & 0xFF])
        for n, name in enumerate(MNEMONICS)
    )
    written = {
        "text": PROSE,
        "text in small letters": PROSE.lower(),
        "text, bit 7 set": bytes(byte | 0x80 for byte in PROSE),
        "text, last letter marked": marked,
        "text behind its length": counted,
        "text in words of one width": records,
        "text in EBCDIC": _ebcdic(PROSE),
        "text in six bits, blank 00": bytes((byte - 0x20) & 0x3F for byte in PROSE),
        "text in six bits, blank 20": bytes(byte & 0x3F for byte in PROSE),
        "every second letter of a text": (PROSE + PROSE[::-1])[::2] * 2,
    }
    for number, (name, content) in enumerate(written.items()):
        yield (
            name,
            Content(put(random_image(number, SIZE), 301, content)),
        )
    whole = np.resize(np.frombuffer(PROSE, np.uint8), SIZE)
    yield "nothing but text", Content(whole)
    yield "text, every line inverted", Content(~put(code_image(3, SIZE), 200, PROSE), part="2716")
    bits = np.unpackbits(put(code_image(3, SIZE), 200, PROSE)[:, None], axis=1)
    yield "text, lines in the other order", Content(np.packbits(bits[:, ::-1], axis=1).reshape(-1))
    noise = put(random_image(12, 2 * SIZE), 600, PROSE)
    yield "text in wide words", Content(noise.view(">u2").astype(np.uint16), 16)
    yield "text in wide words, low byte first", Content(noise.view("<u2").astype(np.uint16), 16)
    yield "text in words of 32 bits", Content(noise.view(">u4").astype(np.uint32), 32)
    nibbles = np.stack([noise[: SIZE // 2] >> 4, noise[: SIZE // 2] & 15], axis=1).reshape(-1)
    text = put(random_image(13, SIZE // 2), 100, PROSE)
    yield "nibbles without text", Content(nibbles, 4)
    pairs = np.stack([text >> 4, text & 15], axis=1)
    yield "text in nibbles", Content(pairs.reshape(-1), 4)
    yield "text in nibbles, low one first", Content(pairs[:, ::-1].reshape(-1), 4)
    yield "text in words of seven bits", Content(put(random_image(14, SIZE) & np.uint8(0x7F), 77, PROSE), 7)


def _filled(bits: int, *cut: tuple[int, int, tuple[int, ...]], size: int = SIZE) -> Words:
    words = np.random.default_rng(bits).integers(0, 1 << bits, size).astype(words_dtype(bits))
    for start, end, pattern in cut:
        words[start:end] = np.resize(np.array(pattern, words.dtype), end - start)
    return words


def _fills() -> Iterator[tuple[str, Content]]:
    """Fills of every length and level, in parts that fade so, otherwise, or not at all."""
    block, loose = (512, 1024, (0xFF,)), (300, 700, (0xFF,))
    for name, part, erased in (
        ("of a part nobody knows", "", None),
        ("of an EPROM", "2716", 1),
        ("of a chip whose cells are 0", "", 0),
    ):
        yield (
            f"upper half FF, {name}",
            Content(_filled(8, block), part=part, erased=erased),
        )
        yield (
            f"some FF, {name}",
            Content(_filled(8, loose), part=part, erased=erased),
        )
        yield (
            f"some 00, {name}",
            Content(_filled(8, (300, 700, (0,))), part=part, erased=erased),
        )
    for part in ("7488A", "82S126", "82S129"):
        yield f"a block of ones, {part}", Content(_filled(8, block), part=part)
        yield f"some zeros, {part}", Content(_filled(8, (100, 203, (0,))), part=part)
    yield "all FF", Content(np.full(SIZE, 0xFF, np.uint8), part="2716", erased=1)
    yield "all 00", Content(np.zeros(SIZE, np.uint8), erased=1)
    yield "all of one pattern", Content(np.resize(np.array([0x55, 0xAA], np.uint8), SIZE))
    yield (
        "patterns",
        Content(
            _filled(
                8,
                (64, 128, (1, 2)),
                (200, 264, (7, 8, 9)),
                (400, 520, tuple(range(3, 19))),
                (600, 700, (0x76,)),
                (700, 703, (0,)),
                (900, 1024, (0xE5,)),
            ),
            erased=1,
        ),
    )
    yield "one word that breaks a fill", Content(_filled(8, (256, 600, (0xFF,)), (400, 401, (0xFE,))))
    yield "small and half empty", Content(_filled(4, (16, 32, (15,)), size=32), 4, erased=0)
    yield "fills of wide words", Content(_filled(16, (100, 300, (0xFFFF,))), 16, erased=1)
    yield "fuses", Content(_filled(1, (100, 300, (1,))), 1)
    yield "one word", Content(np.array([0x5A], np.uint8))


def _tables() -> Iterator[tuple[str, Content]]:
    at = np.arange(256)
    wave = (127.5 + 127 * np.sin(2 * np.pi * at / 256)).astype(np.uint8)
    steps = np.random.default_rng(5).integers(2, 40, 64).cumsum() + 0x1200
    one_low = np.array([0xFF ^ 1 << n for n in (0, 1, 2, 5)] + [0xFF], np.uint8)
    shapes: dict[str, Octets] = {
        "a sine": wave,
        "a quarter wave and back": np.concatenate([wave[64:128], wave[64:128][::-1]]),
        "an ascending table": (at[:80] * 3 & 0xFF).astype(np.uint8),
        "a descending curve": (255 - np.sqrt(at * 250)).clip(0, 255).astype(np.uint8),
        "addresses, low byte first": steps.astype("<u2").view(np.uint8),
        "addresses, high byte first": steps.astype(">u2").view(np.uint8),
        "selects, one low": one_low[np.random.default_rng(6).integers(0, 5, 96)],
        "selects, one high": ~one_low[np.random.default_rng(7).integers(0, 5, 96)],
    }
    for name, shape in shapes.items():
        yield name, Content(put(random_image(31, SIZE), 333, shape.tobytes()))
    block = random_image(32, 512)
    yield "a block four times", Content(np.tile(block[:256], 4))
    yield (
        "blocks that come again",
        Content(np.concatenate([block, random_image(33, 128), block[64:448]])),
    )
    yield "selects of four lines", Content(one_low[np.arange(32) * 7 % 4] & np.uint8(15), 4)
    yield "bytes without meaning", Content(packed_noise(np.random.default_rng(8), SIZE)[0])


def _stored(at: int, value: int, width: int, order: str = "big") -> Octets:
    return put(random_image(41, SIZE), at, value.to_bytes(width, "big" if order == "big" else "little"))


def _zeroed(at: int, width: int) -> Octets:
    """The image whose checks are made, its field left out."""
    out = random_image(41, SIZE)
    out[at : at + width] = 0
    return out


def _last_for(rule: Callable[[Octets], int], modulus: int, want: int) -> Octets:
    """The image with the last byte that makes a rule come out."""
    for byte in range(256):
        image = random_image(41, SIZE)
        image[-1] = byte
        if rule(image) % modulus == want:
            return image
    raise AssertionError("no last byte makes it come out")


def _module(seed: int, length: int) -> Octets:
    """A module of OS-9: layout in `stages/content/headers.py`, the CRC by another implementation."""
    body = random_image(seed, length)
    body[:9] = [0x87, 0xCD, length >> 8, length & 255, 0, 13, 0x11, 0x81, 0]
    body[8] = 0xFF ^ int(np.bitwise_xor.reduce(body[:8]))
    crc = anycrc.Model("CRC24-OS-9").calc(body[:-3].tobytes())
    return put(body, length - 3, int(crc).to_bytes(3, "big"))


def _expansion(stated: int, *, whole: bool = True) -> Octets:
    image = random_image(42, SIZE)
    image[:3] = [0x55, 0xAA, stated]
    image[0x18:0x1A] = 0xFF
    image[-1] = (int(image[-1]) - int(image.sum(dtype=np.uint64)) + (not whole)) & 0xFF
    return image


def _chained() -> Octets:
    """Two images of an expansion ROM, told by their PCI data; the second is for another machine."""
    image = random_image(45, SIZE)
    for start, code, last in ((0, 0, 0), (512, 3, 0x80)):
        image[start : start + 3] = [0x55, 0xAA, 1]
        image[start + 0x18 : start + 0x1A] = [0x1C, 0]
        image[start + 0x1C : start + 0x20] = np.frombuffer(b"PCIR", np.uint8)
        image[start + 0x2C : start + 0x2E] = [1, 0]
        image[start + 0x30 : start + 0x32] = [code, last]
    image[511] = (int(image[511]) - int(image[:512].sum(dtype=np.uint64))) & 0xFF
    return image


def _fcode(*, length: int = SIZE, good: bool = True) -> Octets:
    image = random_image(43, SIZE)
    image[:2] = [0xF1, 8]
    total = int(image[8:].sum(dtype=np.uint64)) + (not good) & 0xFFFF
    image[2:8] = [total >> 8, total & 255, *length.to_bytes(4, "big")]
    return image


def _checks() -> Iterator[tuple[str, Content]]:
    """A stored value of each kind of check, kept and not kept."""
    end = SIZE - 2
    yield "sum8 of 00", Content(_last_for(lambda one: int(one.sum()), 256, 0))
    yield "sum8 of FF", Content(_last_for(lambda one: int(one.sum()), 256, 255))
    yield "sum8 around the end", Content(_last_for(lambda one: int(one.sum()), 255, 0))
    yield "xor8", Content(_last_for(lambda one: int(np.bitwise_xor.reduce(one)), 256, 0))
    for order in ("big", "little"):
        for at in (end, 0, SIZE - 8):
            yield (
                f"sum16 of bytes at 0x{at:X}, {order}",
                Content(_stored(at, int(_zeroed(at, 2).sum(dtype=np.uint64)) & 0xFFFF, 2, order)),
            )
        code = ">" if order == "big" else "<"
        yield (
            f"sum16 of words, {order}",
            Content(
                _stored(end, int(_zeroed(end, 2).view(f"{code}u2").sum(dtype=np.uint64)) & 0xFFFF, 2, order)
            ),
        )
        yield (
            f"sum32 of words, {order}",
            Content(
                _stored(0, int(_zeroed(0, 4).view(f"{code}u4").sum(dtype=np.uint64)) & 0xFFFFFFFF, 4, order)
            ),
        )
    for name, width in (("CRC16-IBM-3740", 2), ("CRC16-ARC", 2), ("CRC32-ISO-HDLC", 4), ("CRC24-OS-9", 3)):
        for at in (SIZE - width, 0):
            yield (
                f"{name} at 0x{at:X}",
                Content(_stored(at, _crc(name, random_image(41, SIZE), at, width), width)),
            )
    yield (
        "Adler-32, low byte first",
        Content(_stored(SIZE - 4, zlib.adler32(random_image(41, SIZE)[:-4].tobytes()), 4, "little")),
    )
    full = put(np.full(SIZE, 0xFF, np.uint8), 0, code_image(3, 600).tobytes())
    yield "sum16 of a program and a fill", Content(put(full, 600, _sum_of(full, 600)), erased=1)
    yield "expansion ROM", Content(_expansion(SIZE // 512))
    yield "expansion ROM, sum not kept", Content(_expansion(SIZE // 512, whole=False))
    yield "expansion ROM, longer than the chip", Content(_expansion(9))
    yield "expansion ROM of two images", Content(_chained())
    yield "FCode", Content(_fcode())
    yield "FCode, sum not kept", Content(_fcode(good=False))
    yield "FCode, longer than the chip", Content(_fcode(length=5000))
    both = np.concatenate([_module(21, 500), _module(22, 400), np.full(124, 0xFF, np.uint8)])
    yield "two modules", Content(both)
    yield "a module with a wrong bit", Content((both ^ (np.arange(SIZE) == 300)).astype(np.uint8))
    yield "a module cut short", Content(_module(23, 1500)[:SIZE].copy())


def _sum_of(image: Octets, size: int) -> bytes:
    return (int(image[:size].sum(dtype=np.uint64)) & 0xFFFF).to_bytes(2, "big")


def _crc(name: str, image: Octets, at: int, width: int) -> int:
    covered = image[:at] if at else image[width:]
    return int(anycrc.Model(name).calc(covered.tobytes()))


def _starts() -> Iterator[tuple[str, Content]]:
    """What each processor starts with, and what only looks so."""
    top = 0x10000 - SIZE
    ends: dict[str, tuple[int, bytes]] = {
        "vectors of a 6502": (0x78, _shorts("<u2", top + 0x80, top + 0x10, top + 0x90)),
        "vectors of a 6800": (0x8E, _shorts(">u2", top + 0x80, top + 0x90, top + 0xA0, top + 0x10)),
        "vectors of a 6809": (
            0x1A,
            _shorts(">u2", 0, *(top + 16 * n for n in range(2, 7)), top + 0x10, top + 0x10),
        ),
        "far jump of an 8086": (0xFA, b"\xea\x10\xfc\x00\xf0" + bytes(range(11))),
    }
    for name, (first, content) in ends.items():
        image = put(random_image(51, SIZE), 0x10, bytes([first]))
        image = put(image, SIZE - len(content), content)
        yield name, Content(image)
    longs = np.array([0x8000, 0x200, *range(0x210, 0x2F0, 16)], ">u4").tobytes()
    pairs = _shorts(">u2", 0x8300, 0x40, 0x8320, 0x80, 0x8340, 0xC0, 0x8360, 0x100)
    begins: dict[str, bytes] = {
        "a jump at 0": b"\xc3\x40\x01" + bytes(range(1, 6)) + b"\xc3\x50\x01\x07\x06\x05\x04\x03\xc3\x60\x01",
        "interrupts off, stack": b"\xf3\x31\x00\x90\xc3\x40\x01",
        "vectors of a 68000": longs,
        "workspaces of a 9900": pairs,
        "branches that look like workspaces": _shorts(">u2", *(0x6000, 0x40) * 4),
        "jumps of an 8048": b"\x04\x40\x00\x24\x10\x01\x02\x44\x20",
        "jumps of an 8051": b"\x02\x00\x40\x02\x00\x50" + bytes(5) + b"\x32" + bytes(7) + b"\x02\x01\x00",
    }
    for name, content in begins.items():
        image = put(random_image(52, SIZE), 0, content)
        yield name, Content(image)


def _shorts(order: str, *values: int) -> bytes:
    return np.array(values, order).tobytes()


CHIPS: dict[str, Content] = dict([*_programs(), *_texts(), *_fills(), *_tables(), *_checks(), *_starts()])
"""Name → what it is."""
