"""One flipped bit anywhere in a bag is caught, or is shown to be harmless by the RFC's words."""

from __future__ import annotations

import os
import random
import re
import shutil
from collections import Counter
from pathlib import Path

import pytest

from pipeline.bags.history import body_of_check, compare
from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import observe
from pipeline.edges.bags.writer import finish_bag, write_member
from tests.journey import drilled
from tests.journey.cli import wellread


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


def harmless(name: str, before: bytes, after: bytes, *, vouched: bool = True) -> str:
    """The clause that says that a flipped manifest means the same, or "".

    Only the tag manifests themselves are vouched for by nothing inside the bag; where there are none
    (`vouched`), the payload manifests and the other tag files are not either.
    """
    if not vouched and name in {"bag-info.txt", "record.json"}:
        return "2.2.1: tag manifests are optional, and where there is none no tag file is checked"
    if not vouched and name == "bagit.txt":
        fixed, _, encoding = before.rpartition(b" ")
        if after.startswith(fixed + b" ") and after.lower() == before.lower():
            return f"2.1.1: {encoding!r} names a character set, in upper or lower case (RFC 2978 section 2.3)"
        return ""
    if not name.startswith("tagmanifest-" if vouched else "manifest-"):
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


def part_of(path: str) -> str:
    """The part of a bag that a file is, as issue and RFC name them."""
    if path.startswith("data/"):
        return "payload"
    if path == "bagit.txt":
        return "declaration"
    if path.startswith(("manifest-", "tagmanifest-")):
        return "payload manifest" if path[0] == "m" else "tag manifest"
    return "tag file"


PARTS = ("payload", "payload manifest", "tag manifest", "tag file", "declaration")


def without_tag_manifests(root: Path) -> None:
    """The RFC lets tag manifests be left out (section 2.2.1).

    Only the ledger can vouch for tag files then.
    """
    small_bag(root)
    for path in root.glob("tagmanifest-*"):
        path.unlink()


def packaged_bag(root: Path) -> None:
    shutil.copytree(drilled.packaged() / "m-v1", root)


BAGS = {
    "small": (small_bag, 10_000),
    "packaged": (packaged_bag, 1_500),
    "without tag manifests": (without_tag_manifests, 1_500),
}
"""How each is made, and how many flips the drill gives it; an ordinary run gives a tenth."""
FLIPS = int(os.environ.get("WELLREAD_FLIPS", "0"))
"""So many for each bag instead."""


@pytest.mark.parametrize("share", [0.1, pytest.param(1, marks=pytest.mark.drill)])
@pytest.mark.parametrize("name", BAGS)
def test_every_flipped_bit_is_caught_by_the_bag_or_by_the_ledger_and_by_the_rfc_it_is_harmless_then(
    name: str, share: float, tmp_path: Path
) -> None:
    make, flips = BAGS[name]
    flips = int((FLIPS or flips) * share)
    bag = tmp_path / "bag"
    make(bag)
    whole = judge(observe(bag))
    assert whole.valid
    known = {str(bag): {**body_of_check(str(bag), whole, (), ""), "when": "2024-06-01"}}
    assert compare(str(bag), whole, known, ()) == ((), "same receipt as on 2024-06-01")
    files: dict[str, list[Path]] = {part: [] for part in PARTS}
    for path in sorted(path for path in bag.rglob("*") if path.is_file()):
        files[part_of(path.relative_to(bag).as_posix())].append(path)
    parts = [part for part in PARTS if files[part]]
    source = random.Random(8493)
    outcome: Counter[tuple[str, str]] = Counter()
    for number in range(flips):
        part = parts[number % len(parts)]  # each part as often: by bytes the declaration would hardly be met
        (path,) = source.choices(files[part], [path.stat().st_size for path in files[part]])
        before = path.read_bytes()
        place, bit = source.randrange(len(before)), source.randrange(8)
        flipped = before[place] ^ 1 << bit
        put(path, place, flipped)
        verdict = judge(observe(bag, workers=0))
        put(path, place, before[place])
        after = before[:place] + bytes([flipped]) + before[place + 1 :]
        if not verdict.valid:
            outcome[part, "caught"] += 1
            continue
        where = f"byte {place} bit {bit} of {path}: {before[max(0, place - 9) : place + 9]!r}"
        assert harmless(path.name, before, after, vouched=name != "without tag manifests"), where
        troubles, _ = compare(str(bag), verdict, known, ())
        if not troubles and name == "without tag manifests" and path.parent != bag:
            # Neither the bag nor the ledger, whose receipt is taken from the base then, vouches for these.
            outcome[part, "vouched for by nothing"] += 1
            continue
        assert troubles, f"the ledger does not catch it either: {where}"
        outcome[part, "harmless by the RFC, caught by the ledger"] += 1
    assert sum(outcome.values()) == flips
    for part in parts:
        if part == "payload" or (part == "declaration" and name != "without tag manifests"):
            assert (part, "harmless by the RFC, caught by the ledger") not in outcome
    assert name == "without tag manifests" or not any(how == "vouched for by nothing" for _, how in outcome)
    assert judge(observe(bag)) == whole
    if table := os.environ.get("WELLREAD_FLIP_TABLE"):
        with Path(table).open("a", encoding="utf-8") as stream:
            for part in parts:
                of_ledger = outcome[part, "harmless by the RFC, caught by the ledger"]
                by_none = outcome[part, "vouched for by nothing"]
                stream.write(f"| {name} | {part} | {outcome[part, 'caught']} | {of_ledger} | {by_none} |\n")


def test_the_command_catches_with_the_ledger_what_the_bag_alone_must_let_pass(tmp_path: Path) -> None:
    small_bag(tmp_path / "bag")
    assert wellread("recheck", tmp_path / "bag", "--ledger", tmp_path / "l", "--new-ledger").code == 0
    path = tmp_path / "bag/tagmanifest-sha256.txt"
    whole = path.read_bytes()
    for place in [each.start() for each in re.finditer(rb"[a-f]", whole)][:10]:
        put(path, place, whole[place] ^ 0x20)
        assert wellread("recheck", tmp_path / "bag").code == 0
        caught = wellread("recheck", tmp_path / "bag", "--ledger", tmp_path / "l", "--new-ledger")
        assert caught.code == 1
        assert "the receipt is not the one remembered" in caught.out
        put(path, place, whole[place])
    assert wellread("recheck", tmp_path / "bag", "--ledger", tmp_path / "l", "--new-ledger").code == 0


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
