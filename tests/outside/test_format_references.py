"""Other programs' readers and writers, held against ours on the same bytes."""

from __future__ import annotations

import array
import dataclasses
import importlib
import importlib.metadata
import io
import shutil
import subprocess
from pathlib import Path
from typing import Any

import bincopy
import intelhex
import numpy as np
import pytest
from hexrec.formats.srec import SrecFile
from hexrec.formats.titxt import TiTxtFile
from hexrec.formats.xtek import XtekFile
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import AmbiguousError
from pipeline.formats import Block, Declared, Decoded, decode, encode

intelhex_tests: Any = importlib.import_module("intelhex.test")
ISLANDS = st.lists(
    st.tuples(st.integers(0, 0x3FFFF), st.binary(min_size=1, max_size=80)), min_size=1, max_size=6
)


def blocks_of(islands: list[tuple[int, bytes]]) -> list[Block]:
    """Islands as blocks that do not touch or overlap."""
    blocks: list[Block] = []
    for address, payload in sorted(islands):
        if not blocks or address > blocks[-1].end:
            blocks.append(Block(address, np.frombuffer(payload, dtype=np.uint8)))
    return blocks


def as_dict(decoded: Decoded) -> dict[int, int]:
    (run,) = decoded.runs
    return {block.address + k: int(word) for block in run for k, word in enumerate(block.words)}


@given(ISLANDS, st.sampled_from(["intel-hex", "s-record"]), st.integers(1, 250))
def test_what_is_written_reads_back_equal_in_two_other_libraries(
    islands: list[tuple[int, bytes]], fmt: str, record: int
) -> None:
    blocks = blocks_of(islands)
    text = encode(fmt, blocks, record=record).decode("ascii")
    expected = {block.address + k: int(word) for block in blocks for k, word in enumerate(block.words)}
    other = bincopy.BinFile()
    if fmt == "intel-hex":
        other.add_ihex(text)
        second = intelhex.IntelHex(io.StringIO(text))
        assert {address: second[address] for address in second.addresses()} == expected
    else:
        other.add_srec(text)
    seen = {
        segment.address + k: byte for segment in other.segments for k, byte in enumerate(bytes(segment.data))
    }
    assert seen == expected


# What one library writes as a record over 64 K without a base record has a test of its own.
@given(ISLANDS.filter(lambda islands: not any(at < 0x10000 < at + len(payload) for at, payload in islands)))
def test_what_two_other_libraries_write_reads_equal_here(islands: list[tuple[int, bytes]]) -> None:
    blocks = blocks_of(islands)
    expected = {block.address + k: int(word) for block in blocks for k, word in enumerate(block.words)}
    other, second = bincopy.BinFile(), intelhex.IntelHex()
    for block in blocks:
        other.add_binary(block.words.tobytes(), block.address)
        second.frombytes(block.words.tobytes(), offset=block.address)
    written = io.StringIO()
    second.write_hex_file(written)
    assert as_dict(decode(other.as_ihex().encode())) == expected
    assert as_dict(decode(other.as_srec(address_length_bits=24).encode())) == expected
    assert as_dict(decode(other.as_ti_txt().encode())) == expected
    assert as_dict(decode(written.getvalue().encode())) == expected


def test_a_record_over_64k_without_a_base_record_is_read_only_where_the_file_shows_that_it_is_linear() -> (
    None
):
    other = bincopy.BinFile()
    other.add_binary(b"\x01\x02", 0xFFFF)
    with pytest.raises(AmbiguousError, match="runs over 64 K"):
        decode(other.as_ihex().encode())
    other.add_binary(b"\x03", 0x20000)
    decoded = decode(other.as_ihex().encode())
    assert as_dict(decoded) == {0xFFFF: 1, 0x10000: 2, 0x20000: 3}
    assert [one.what for one in decoded.forgiven] == ["a record runs over 64 K before the first base record"]


def test_intelhex_s_own_eight_bit_image_decodes_to_its_own_binary() -> None:
    # Source: the intelhex package, intelhex/test.py, `hex8` and `bin8`.
    decoded = decode(intelhex_tests.hex8.encode())
    (run,) = decoded.runs
    assert len(run) == 1
    assert run[0].words.tobytes() == array.array("B", intelhex_tests.bin8).tobytes()


def test_intelhex_s_own_sixteen_bit_and_far_images_decode_to_their_own_data() -> None:
    # Source: the intelhex package, intelhex/test.py, `hex16`/`bin16`, `hex64k`/`data64k`, `hex_rectype3`,
    # `hex_rectype5`.
    (run,) = decode(intelhex_tests.hex16.encode()).runs
    seen = {
        block.address // 2 + k: int(word) for block in run for k, word in enumerate(block.words.view("<u2"))
    }
    assert len(seen) >= 30
    erased = 0x3FFF  # what that test file expects where the image says nothing
    assert [seen.get(at, erased) for at in range(len(intelhex_tests.bin16))] == list(intelhex_tests.bin16)
    assert as_dict(decode(intelhex_tests.hex64k.encode())) == intelhex_tests.data64k
    for text, expected, note in (
        (intelhex_tests.hex_rectype3, intelhex_tests.data_rectype3, "start address 1234:5678"),
        (intelhex_tests.hex_rectype5, intelhex_tests.data_rectype5, "start address 0x12345678"),
    ):
        decoded = decode(text.encode())
        assert as_dict(decoded) == expected
        assert decoded.notes == (note,)


@pytest.mark.parametrize("kind", ["tektronix-extended", "ti-txt", "s-record"])
@pytest.mark.parametrize("address", [0, 0x1000, 0xFFE0])
def test_what_a_third_library_writes_decodes_to_what_it_was_given(kind: str, address: int) -> None:
    # Source: hexrec, which writes these notations by itself; it shares no code with the decoders.
    if kind == "ti-txt" and address == 0:
        # It leaves out `@0000`, without which a TI-TXT file is hex text with an odd end; we refuse that.
        address = 0x20
    classes = {"tektronix-extended": XtekFile, "ti-txt": TiTxtFile, "s-record": SrecFile}
    image = CONTENTS["noise"]
    stream = io.BytesIO()
    classes[kind].from_bytes(image, offset=address).serialize(stream)
    decoded = decode(stream.getvalue())
    assert decoded.format == kind
    assert [(one.address, one.words.tobytes()) for one in decoded.runs[0]] == [(address, image)]
    assert decoded.forgiven == ()


def package_file(package: str, ending: str) -> bytes:
    try:
        listed = importlib.metadata.files(package) or []
    except importlib.metadata.PackageNotFoundError:
        pytest.skip(f"the package {package} is not installed")
    found = [one for one in listed if str(one).endswith(ending)]
    if not found:
        pytest.skip(f"{package} has no {ending}")
    return Path(str(found[0].locate())).read_bytes()


def test_real_firmware_of_two_islands_far_apart_decodes_as_two_other_libraries_read_it() -> None:
    # Source: the MIT-licensed package micropython-microbit-fs, MicroPython 1.1.1 for a board whose
    # configuration registers lie 256 MiB above its program.
    content = package_file("micropython-microbit-fs", "micropython-microbit-v1.1.1.hex")
    decoded = decode(content)
    (run,) = decoded.runs
    other = bincopy.BinFile()
    other.add_ihex(content.decode("ascii"))
    assert [(block.address, block.words.tobytes()) for block in run] == [
        (segment.address, bytes(segment.data)) for segment in other.segments
    ]
    assert run[-1].address >= 0x10000000
    assert run[0].end < 0x100000
    again = encode("intel-hex", run)
    assert [(one.address, one.words.tobytes()) for one in decode(again).runs[0]] == [
        (one.address, one.words.tobytes()) for one in run
    ]


DUMPS = [
    ("xxd", ["xxd"], Declared(word_order="big")),
    ("xxd -g1", ["xxd", "-g1"], Declared()),
    ("xxd -g1 -u -c8", ["xxd", "-g1", "-u", "-c8"], Declared()),
    ("xxd -a -g1", ["xxd", "-a", "-g1"], Declared()),
    ("xxd -e", ["xxd", "-e"], Declared(word_order="little")),
    ("xxd -p", ["xxd", "-p"], Declared()),
    ("xxd -i", ["xxd", "-i"], Declared()),
    ("hexdump", ["hexdump"], Declared(word_order="little")),
    ("hexdump -C", ["hexdump", "-C"], Declared()),
    ("hexdump -v -C", ["hexdump", "-v", "-C"], Declared()),
    ("hexdump -b", ["hexdump", "-b"], Declared(token="octal")),
    ("hexdump -d", ["hexdump", "-d"], Declared(token="decimal", word_order="little")),
    ("hexdump -o", ["hexdump", "-o"], Declared(token="octal", word_order="little")),
    ("od", ["od"], Declared(token="octal", word_order="little")),
    ("od -b", ["od", "-b"], Declared(token="octal")),
    ("od -x", ["od", "-x"], Declared(word_order="little")),
    ("od -t x1", ["od", "-t", "x1"], Declared()),
    ("od -t x4", ["od", "-t", "x4"], Declared(word_order="little")),
    ("od -t u1", ["od", "-t", "u1"], Declared(token="decimal")),
    ("od -A x -t x1z", ["od", "-A", "x", "-t", "x1z"], Declared()),
    ("od -A d -t x1z", ["od", "-A", "d", "-t", "x1z"], Declared()),
]
CONTENTS = {
    "noise": np.random.default_rng(7).integers(0, 256, 300, dtype=np.uint8).tobytes(),
    "text that spells hexadecimal": b"DEAD BEEF done ADDED 00 11 22 FACE " * 9 + b"CAFE",
    "repeats": bytes(200) + b"A" * 123,
    "three bytes": b"\x01\x02\x03",
    "bars": b"||>>**''" * 5 + b">|",
}


@pytest.mark.parametrize("content", CONTENTS.values(), ids=CONTENTS.keys())
@pytest.mark.parametrize(("name", "command", "declared"), DUMPS, ids=[one[0] for one in DUMPS])
def test_real_output_of_a_dump_program_gives_the_dumped_bytes_back(
    tmp_path: Path, name: str, command: list[str], declared: Declared, content: bytes
) -> None:
    if shutil.which(command[0]) is None:
        pytest.skip(f"{command[0]} is not on this machine")
    source = tmp_path / "dumped.bin"
    source.write_bytes(content)
    printed = subprocess.run([*command, source.name], check=True, capture_output=True, cwd=tmp_path).stdout
    if command == ["xxd", "-e"] and content == CONTENTS["three bytes"]:
        with pytest.raises(AmbiguousError, match="not whole words"):
            decode(printed, declared)
        return
    if command[0] == "od" and "-A" not in command and content == CONTENTS["repeats"]:
        with pytest.raises(AmbiguousError, match="base 8 with every line there, or base 16 with lines lost"):
            decode(printed, declared)
        declared = dataclasses.replace(declared, address="octal")
    decoded = decode(printed, declared)
    ((block,),) = decoded.runs
    assert block.address == 0
    assert block.words.astype(np.uint8).tobytes() == content
    assert decoded.forgiven == ()


@pytest.mark.parametrize("command", [["hexdump"], ["od", "-x"], ["od", "-t", "x4"]])
def test_grouped_words_of_a_dump_program_are_refused_without_a_declared_order(
    tmp_path: Path, command: list[str]
) -> None:
    if shutil.which(command[0]) is None:
        pytest.skip(f"{command[0]} is not on this machine")
    (tmp_path / "dumped.bin").write_bytes(CONTENTS["noise"])
    printed = subprocess.run([*command, "dumped.bin"], check=True, capture_output=True, cwd=tmp_path).stdout
    with pytest.raises(AmbiguousError, match="Write `word_order: big`"):
        decode(printed)
