"""What leaves a bag is what was judged."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from pipeline.edges.bags.writer import finish_bag, write_member
from pipeline.edges.progress import Progress
from pipeline.errors import BagError, UnsafeError
from pipeline.run.keep.valid_bag import Judged
from tests.kit.example_bags import example_bag, record_of

QUIET = Progress(quiet=True)


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return Path(shutil.copytree(example_bag(), tmp_path / "loom-78-v1"))


def with_record(place: Path, content: bytes) -> Path:
    """A valid bag whose record is something else."""
    place.mkdir()
    entries = [write_member(place, "data/x", b"x"), write_member(place, "metadata/record.json", content)]
    finish_bag(place, entries, [("Source-Organization", "A Museum")])
    return place


def test_a_file_that_changes_after_the_verdict_is_not_used(bag: Path) -> None:
    judged = Judged(bag, QUIET)
    image = bag / "data/images/mem/MEM-U1.bin"
    content = judged.read("data/images/mem/MEM-U1.bin")
    image.write_bytes(content[::-1])
    with pytest.raises(BagError, match="changed while it was being used"):
        judged.read("data/images/mem/MEM-U1.bin")
    image.write_bytes(content)
    assert judged.read("data/images/mem/MEM-U1.bin") == content


def test_a_record_that_changes_after_the_verdict_is_not_used(bag: Path) -> None:
    judged = Judged(bag, QUIET)
    record = bag / "metadata/record.json"
    record.write_bytes(record.read_bytes().replace(b"Ilsabet Quorne", b"Ilsabet Quorme"))
    with pytest.raises(BagError, match="changed while it was being used"):
        judged.head()


def test_a_file_that_was_not_judged_is_not_read(bag: Path) -> None:
    judged = Judged(bag, QUIET)
    for path in ("data/nothing.bin", "../loom-78-v1/bagit.txt", "/etc/passwd"):
        with pytest.raises(BagError, match="has no such file"):
            judged.read(path)


def test_chips_come_one_by_one_and_are_those_of_the_whole_record(bag: Path) -> None:
    judged = Judged(bag, QUIET)
    whole = record_of(bag)
    assert list(judged.chips()) == whole["chips"]
    assert judged.head() == {key: value for key, value in whole.items() if key != "chips"}


@pytest.mark.parametrize("indent", [None, 4])
def test_a_record_laid_out_in_another_way_is_read_all_the_same(indent: int | None, tmp_path: Path) -> None:
    whole = record_of(example_bag())
    judged = Judged(with_record(tmp_path / "bag", json.dumps(whole, indent=indent).encode()), QUIET)
    assert list(judged.chips()) == whole["chips"]
    assert judged.head()["bag"] == "loom-78-v1"


def broken(**changes: Any) -> bytes:
    return json.dumps({**record_of(example_bag()), **changes}).encode()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is not a record"),
        (b"[]", "is not a record"),
        (b"{}", "is not a record"),
        (b'{"chips": 3}', "is not a record"),
        (b'{"chips": []}', "it is a None"),
        ({"schema": "wellread/record/9"}, "wellread/record/9"),
        ({"machine": {"name": "x"}}, "machine.id: Field required"),
        ({"created": "2026-01-01"}, "is not a time in UTC"),
        ({"created": "yesterdayZ"}, "does not follow its schema"),
        ({"version": "many"}, "does not follow its schema"),
        ({"bag": 7}, "does not follow its schema"),
    ],
    ids=range(11),
)
def test_a_valid_bag_with_a_strange_record_is_refused_with_its_place(
    content: bytes | dict[str, Any], said: str, tmp_path: Path
) -> None:
    record = content if isinstance(content, bytes) else broken(**content)
    judged = Judged(with_record(tmp_path / "bag", record), QUIET)
    with pytest.raises(BagError, match=said):
        judged.head()


@pytest.mark.parametrize("chip", [{"chip": "U1"}, 3, None, [], "U1"], ids=str)
def test_a_chip_of_another_shape_is_refused(chip: Any, tmp_path: Path) -> None:
    judged = Judged(with_record(tmp_path / "bag", broken(chips=[chip])), QUIET)
    with pytest.raises(BagError, match="does not follow its schema"):
        list(judged.chips())


def test_a_chip_that_is_no_json_is_refused(tmp_path: Path) -> None:
    content = (
        (example_bag() / "metadata/record.json").read_bytes().replace(b'{"chip":"SEQ-U2"', b'{chip:"SEQ-U2"')
    )
    judged = Judged(with_record(tmp_path / "bag", content), QUIET)
    with pytest.raises(BagError, match="it is not a record"):
        list(judged.chips())


@pytest.mark.parametrize("digest", ["sha256", "sha512"])
@pytest.mark.parametrize("of", ["sheet", "image", "reading"])
def test_a_record_that_gives_a_file_another_digest_than_the_manifests_is_not_believed(
    of: str, digest: str, tmp_path: Path
) -> None:
    record = record_of(example_bag())
    chip = next(one for one in record["chips"] if one.get("image") and one.get("readings"))
    told = {"sheet": record["sheet"][0], "image": chip["image"], "reading": chip["readings"][0]["files"][0]}
    told[of]["path"] = "data/x"
    for name in ("sha256", "sha512"):
        told[of][name] = hashlib.new(name, b"x").hexdigest()
    everything(Judged(with_record(tmp_path / "true", json.dumps(record).encode()), QUIET))
    told[of][digest] = hashlib.new(digest, b"y").hexdigest()
    judged = Judged(with_record(tmp_path / "false", json.dumps(record).encode()), QUIET)
    with pytest.raises(BagError, match=f"the record gives it another {digest} than the manifests"):
        everything(judged)


def everything(judged: Judged) -> None:
    judged.head()
    list(judged.chips())


@pytest.mark.parametrize("name", ["../../evil", "/evil", "a/b", "CON", "x\u001b[31m"])
def test_a_record_that_names_a_folder_elsewhere_is_refused(name: str, tmp_path: Path) -> None:
    judged = Judged(with_record(tmp_path / "bag", broken(bag=name)), QUIET)
    with pytest.raises(UnsafeError):
        judged.head()


def test_a_bag_of_other_makers_is_told_from_ours(tmp_path: Path) -> None:
    place = tmp_path / "bag"
    place.mkdir()
    finish_bag(place, [write_member(place, "data/x", b"x")], [("Source-Organization", "A Museum")])
    with pytest.raises(BagError, match="not made by this program"):
        Judged(place, QUIET)


def test_a_packed_bag_has_to_be_unpacked_first(tmp_path: Path) -> None:
    (tmp_path / "bag.zip").write_bytes(b"PK")
    with pytest.raises(BagError, match="packed in one file"):
        Judged(tmp_path / "bag.zip", QUIET)
