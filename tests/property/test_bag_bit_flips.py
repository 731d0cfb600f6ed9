"""One flipped bit anywhere in a bag is caught, or is shown to be harmless by the RFC's words."""

from __future__ import annotations

import os
import random
import re
from collections import Counter
from pathlib import Path

import pytest

from pipeline.edges.bagdir import finish_bag, observe, write_member
from pipeline.stages.recheck import judge

FLIPS = int(os.environ.get("WELLREAD_FLIPS", "10000"))


def small_bag(root: Path) -> None:
    source = random.Random(1978)
    root.mkdir()
    entries = [
        write_member(root, f"data/readings/main/U{number}/U{number}.prog.1.bin", source.randbytes(96))
        for number in range(4)
    ]
    entries.append(write_member(root, "data/images/main/U0.bin", source.randbytes(64)))
    entries.append(write_member(root, "metadata/record.json", b'{"chips": []}\n'))
    finish_bag(root, entries, [("Source-Organization", "Loom Museum"), ("Bagging-Date", "2024-05-01")])


def harmless(name: str, before: bytes, after: bytes) -> str:
    """The clause that says that a flipped tag manifest means the same, or "".

    Only the tag manifests themselves are vouched for by nothing inside the bag.
    """
    if not name.startswith("tagmanifest-"):
        return ""
    pattern = rb"([0-9A-Fa-f]+)([ \t]+)([^ \t\r\n].*?)(\r\n|\r|\n)"
    old, new = re.findall(pattern, before), re.findall(pattern, after)
    if b"".join(b"".join(each) for each in new) != after:
        return ""
    if [each[2] for each in old] != [each[2] for each in new]:
        return ""
    if [each[0].lower() for each in old] != [each[0].lower() for each in new]:
        return ""
    return "2.1.3: the digest may be in upper or lower case, one or more blanks or tabs follow"


def test_every_flipped_bit_is_caught_or_harmless_by_the_rfc_and_the_receipt_catches_those_too(
    tmp_path: Path,
) -> None:
    small_bag(tmp_path / "bag")
    whole = judge(observe(tmp_path / "bag"))
    assert whole.valid
    files = sorted(path for path in (tmp_path / "bag").rglob("*") if path.is_file())
    sizes = [path.stat().st_size for path in files]
    source = random.Random(8493)
    outcome: Counter[str] = Counter()
    for _ in range(FLIPS):
        (path,) = source.choices(files, sizes)
        before = path.read_bytes()
        place, bit = source.randrange(len(before)), source.randrange(8)
        after = bytearray(before)
        after[place] ^= 1 << bit
        assert bytes(after) != before
        put(path, place, after[place])
        verdict = judge(observe(tmp_path / "bag", workers=0))
        put(path, place, before[place])
        if not verdict.valid:
            outcome["caught"] += 1
            continue
        why = harmless(path.name, before, bytes(after))
        assert why, f"byte {place} bit {bit} of {path} slipped through: {before[place - 9 : place + 9]!r}"
        assert verdict.receipt != whole.receipt, "not even the receipt differs"
        outcome["harmless by the RFC, caught by the receipt"] += 1
    assert sum(outcome.values()) == FLIPS
    assert outcome["caught"] > FLIPS * 0.9
    assert judge(observe(tmp_path / "bag")) == whole


def put(path: Path, place: int, value: int) -> None:
    # In place: some file systems go to the disk whenever a file is cut to nothing and written anew.
    with path.open("r+b") as stream:
        stream.seek(place)
        stream.write(bytes([value]))


@pytest.mark.parametrize("flip", [b"A", b"\t"])
def test_the_harmless_flips_are_those_of_letter_case_and_of_blanks(tmp_path: Path, flip: bytes) -> None:
    small_bag(tmp_path / "bag")
    path = tmp_path / "bag/tagmanifest-sha256.txt"
    before = path.read_bytes()
    after = before.replace(b"a", b"A", 1) if flip == b"A" else before.replace(b"  ", b"\t ", 1)
    path.write_bytes(after)
    assert judge(observe(tmp_path / "bag")).valid
    assert harmless(path.name, before, after)
