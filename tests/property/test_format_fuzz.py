"""Any bytes give words or a located refusal: never another exception, never a wait, never much memory."""

from __future__ import annotations

import random
import re
import time
import tracemalloc
from itertools import pairwise

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.errors import FormatError
from pipeline.formats import FORMATS, Declared, Decoded, decode, detect
from tests.kit.examples import drilled_but
from tests.kit.format_writers import WRITERS

PLACE = re.compile(r"line \d+, column \d+|offset 0x[0-9A-F]+")

FRAGMENTS = (
    *(
        b":00000001FF",
        b":0200000000FFFF",
        b"S9030000FC",
        b"S1",
        b"S5030001FB",
        b"%0781010",
        b"/00000000",
        b"//",
    ),
    *(
        b";0000000000",
        b"@F000",
        b"q",
        b"\x02",
        b"\x03",
        b"$A0100,",
        b"$S0000,",
        b"BPPNNNNPPF",
        b"QF8*",
        b"L0 1010*",
    ),
    *(
        b"C0000*",
        b"0000:",
        b"0010  ",
        b"*",
        b"00",
        b"FF ",
        b"F",
        b"DEAD BEEF",
        b"pass 2",
        b"done",
        b"face 0ff",
    ),
    *(
        b"\r\n",
        b"\n",
        b"\r",
        b" ",
        b", ",
        b"0x41,",
        b"$41 ",
        b"41h ",
        b"\\x41",
        b"DB ",
        b".byte ",
        b"/*",
        b"*/",
        b"//",
    ),
    *(
        b"|ABC|",
        b">A.C<",
        b"12:30:05 ",
        b"[1.5] ",
        b"\xef\xbb\xbf",
        b"\xff\xfe",
        b"\x00",
        b"\x7f",
        b"\x1a",
        b"\xc3\xa9",
    ),
    *(b"0000000 ", b"040401", b"{", b"};", b'"', b"FFFFFFC3", b"-", b"+1", b"1_2"),
)
MOSAICS = st.lists(st.sampled_from(FRAGMENTS), max_size=40).map(b"".join)
SPOILT = st.builds(
    lambda name, image, cuts: _spoilt(WRITERS[name](image)[0], cuts),
    st.sampled_from(sorted(WRITERS)),
    st.binary(min_size=1, max_size=60),
    st.lists(st.tuples(st.integers(0, 2000), st.integers(0, 3), st.binary(max_size=4)), max_size=4),
)
ANYTHING = st.one_of(
    st.binary(max_size=300), MOSAICS, SPOILT, st.text(max_size=120).map(lambda text: text.encode())
)
DECLARED = st.builds(
    Declared,
    format=st.none() | st.sampled_from(sorted(FORMATS)),
    bits=st.sampled_from([1, 4, 5, 8, 12, 16, 32, 48, 64]),
    words=st.none() | st.integers(1, 64),
    limit=st.none() | st.integers(1, 300),
    word_order=st.sampled_from([None, "big", "little"]),
    token=st.sampled_from([None, "hex", "octal", "decimal", "binary", "nibble"]),
    address=st.sampled_from([None, "hex", "octal", "decimal"]),
    gaps=st.booleans(),
)


def _spoilt(content: bytes, cuts: list[tuple[int, int, bytes]]) -> bytes:
    """A well-formed file with a few places overwritten, shortened or lengthened."""
    for at, size, new in cuts:
        place = at % (len(content) + 1)
        content = content[:place] + new + content[place + size :]
    return content


def answer(content: bytes, declared: Declared) -> Decoded | FormatError:
    """The words, or the refusal."""
    try:
        return decode(content, declared)
    except FormatError as error:
        return error


def hold(content: bytes, declared: Declared) -> bool:
    """Words that keep the promises of a result, or a refusal with its place; True for words."""
    decoded = answer(content, declared)
    if isinstance(decoded, FormatError):
        assert PLACE.fullmatch(decoded.where), decoded.where
        assert decoded.problem
        assert decoded.remedy
        assert not decoded.problem.endswith(".")
        return False
    assert decoded.format in FORMATS
    assert decoded.runs
    for run in decoded.runs:
        assert run
        for block in run:
            assert block.address >= 0
            assert block.words.dtype.kind == "u"
            assert declared.limit is None or block.end <= declared.limit
            bits = decoded.unit_bits
            assert bits >= 64 or int(block.words.max(initial=0)) >> bits == 0
        for before, after in pairwise(run):
            assert before.end <= after.address
    for one in decoded.forgiven:
        assert 0 <= one.place.offset <= len(content)
        assert one.count >= 1
    return True


@given(content=ANYTHING, declared=DECLARED)
def test_any_bytes_give_words_or_a_located_refusal(content: bytes, declared: Declared) -> None:
    hold(content, declared)


def drawn(chance: random.Random, files: list[bytes]) -> bytes:
    """Pieces of every notation in a row, or a well-formed file with a few places overwritten."""
    if chance.random() < 0.4:
        return b"".join(chance.choices(FRAGMENTS, k=chance.randrange(40)))
    cuts = [
        (chance.randrange(2000), chance.randrange(4), chance.randbytes(chance.randrange(5)))
        for _ in range(chance.randrange(4))
    ]
    return _spoilt(chance.choice(files), cuts)


def declaring(chance: random.Random) -> Declared:
    """Nothing declared, or some of what can be."""
    if chance.random() < 0.3:
        return Declared()
    return Declared(
        format=chance.choice([None, None, *FORMATS]),
        bits=chance.choice([1, 4, 8, 8, 8, 12, 16, 32, 64]),
        words=chance.choice([None, chance.randint(1, 64)]),
        limit=chance.choice([None, chance.randint(1, 300)]),
        word_order=chance.choice([None, "big", "little"]),
        token=chance.choice([None, "hex", "octal", "decimal", "binary", "nibble"]),
        address=chance.choice([None, "hex", "octal", "decimal"]),
        gaps=chance.random() < 0.5,
    )


@pytest.mark.sampled
def test_as_many_drawn_files_as_the_profile_asks_for_give_words_or_a_located_refusal() -> None:
    # Drawn without hypothesis, which takes several times as long: the night profile asks for 100,000.
    chance = random.Random(1978)
    count = settings().max_examples
    files = [
        write(chance.randbytes(size))[0] for _, write in sorted(WRITERS.items()) for size in (1, 16, 31, 60)
    ]
    words = sum(hold(drawn(chance, files), declaring(chance)) for _ in range(count))
    assert count // 20 < words < count - count // 20


@given(content=ANYTHING)
@example(content=b"\xfe\xff" + b"\x00\x01" * 20 + b"\x00")
def test_detecting_any_bytes_names_formats(content: bytes) -> None:
    assert set(detect(content)) <= set(FORMATS)


MIB = 1 << 20
HOSTILE = {
    "a listing that claims a gigabyte": b"F000: 00 11\n*\n40000000\n",
    "a listing that claims a gigabyte more than once": b"F000: 00 11\n*\nFF0000: 00 11\n*\nFFFF0000: 00 11\n",
    "an address at 4 GiB": b":02000004FFFFFC\n:01FFFF00AA57\n:00000001FF\n",
    "an extended address of 16 digits": b"%1A6B60FFFFFFFFFFFFFFFFAB\n%0781010\n",
    "3 MiB of digits in a line": b"A" * (3 * MIB),
    "3 MiB of pairs in a line": b"3A " * MIB,
    "3 MiB of single digits in a line": b"7 " * (3 * MIB // 2),
    "3 MiB of marked values in a line": b"0x7F," * (3 * MIB // 5),
    "3 MiB of listing in a line": b"0000: " + b"3A " * MIB,
    "3 MiB of blanks": b" " * (3 * MIB),
    "3 MiB of line ends": b"\n" * (3 * MIB),
    "3 MiB of stars": b"*\n" * (3 * MIB // 2),
    "3 MiB of short lines of letters": b"x\n" * (3 * MIB // 2),
    "a mebibyte of garbage after a colon": b":" + b"\xfe\x01zq" * (MIB // 4),
    "a mebibyte of digits after a colon": b":10000000" + b"0" * MIB,
    "a mebibyte of digits after an S": b"S1" + b"0" * MIB,
    "a mebibyte of digits after a slash": b"/00001001" + b"0" * MIB,
    "a mebibyte of digits after a percent sign": b"%FF600" + b"0" * MIB,
    "a mebibyte of digits after a semicolon": b";1800000000" + b"0" * MIB,
    "a mebibyte of bits after a B": b"BPPPPPPPPF B" + b"P" * MIB,
    "a mebibyte of Bs": b"BPPPPPPPPF " + b"B" * MIB,
    "a mebibyte without an end after STX": b"\x02" + b"41 " * (MIB // 3),
    "four billion fuses": b"\x02x*QF4294967295*F0*C0000*\x030000",
    "a fuse list at four billion": b"\x02x*QF8*F0*L4294967295 1*C0000*\x030000",
    "a million digits for a fuse number": b"\x02x*QF" + b"9" * MIB + b"*F0*\x030000",
    "an open comment": b"0x41, /* " + b"0x42, " * (MIB // 6),
    "many open comments": b"0x41, " + b"/*" * (MIB // 2),
    "UTF-16 of NULs": b"\xff\xfe" + b"\x00" * MIB,
    "time stamps without end": b"12:00:00" * (MIB // 8),
    "colons without end": b":" * MIB,
    "brackets without end": b"{" * MIB,
}
DEAR = {"3 MiB of stars", "3 MiB of short lines of letters", "time stamps without end"}
"""More than a second each."""


@pytest.mark.clock
@pytest.mark.parametrize("name", drilled_but(HOSTILE, *(name for name in HOSTILE if name not in DEAR)))
def test_a_hostile_file_is_answered_in_a_second_and_in_a_hundred_megabytes(name: str) -> None:
    content = HOSTILE[name]
    # The time is measured without the memory tracer, which slows everything several times over.
    started = time.process_time()
    found = answer(content, Declared())
    assert not isinstance(found, FormatError) or PLACE.fullmatch(found.where)
    assert time.process_time() - started < 1.0
    tracemalloc.start()
    try:
        answer(content, Declared())
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 100_000_000
