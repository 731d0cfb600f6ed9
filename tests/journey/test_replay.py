"""`recheck --replay`: the record's promise that anybody can redo the steps, kept and checked."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.bags import record_file
from tests.journey.cli import wellread
from tests.kit.example_bags import example_bag, example_bundle, record_of
from tests.kit.examples import drilled_but
from tests.outside.bag_cases import seal

TELLING = {"reorder-lines", "undo-lines", "rotate", "invert", "join-bytes", "take"}
"""Steps without which a pass cannot have the same words."""
Spoil = Callable[[Any, Path], None]


def replayed(bag: Path) -> Any:
    """What the command says of one bag."""
    done = wellread("recheck", "--replay", bag, "--json")
    (told,) = done.document["bags"]
    assert done.code == (0 if told["valid"] else 1)
    return told


def spoilt(tmp_path: Path, spoil: Spoil) -> Path:
    """The example's bag with something else in it, its manifests agreeing."""
    bag = Path(shutil.copytree(example_bag(), tmp_path / "loom-78-v1"))
    record = record_of(bag)
    spoil(record, bag)
    (bag / record_file.PATH).write_text(json.dumps(record), encoding="utf-8")
    seal(bag)
    assert wellread("recheck", bag, "--quiet").code == 0
    return bag


def chip_of(record: Any, name: str) -> Any:
    return next(chip for chip in record["chips"] if chip["chip"] == name)


def test_every_image_of_the_example_is_what_its_readings_give() -> None:
    told = replayed(example_bag())
    chips = record_of(example_bag())["chips"]
    images = sum(1 for chip in chips if chip["image"])
    passes = sum(len(reading["passes"]) for chip in chips for reading in chip["readings"])
    assert told["replayed"] == {"images": images, "passes": passes, "away": 0}
    assert images > 10


def test_without_the_option_nothing_is_replayed() -> None:
    assert "replayed" not in wellread("recheck", example_bag(), "--json").document["bags"][0]


def test_the_words_say_how_much_was_rebuilt() -> None:
    assert "rebuilt from" in wellread("recheck", "--replay", example_bag()).out


def _invert_more(record: Any, bag: Path) -> None:
    del bag
    chip_of(record, "MEM-U1")["readings"][0]["passes"][0]["steps"].append({"action": "invert"})


def _flip_a_bit(record: Any, bag: Path) -> None:
    del record
    image = bag / "data/images/mem/MEM-U1.bin"
    content = bytearray(image.read_bytes())
    content[7] ^= 1
    before = image.read_bytes()
    image.write_bytes(content)
    for name in ("sha256", "sha512"):
        manifest = bag / f"manifest-{name}.txt"
        old, new = (hashlib.new(name, one).hexdigest() for one in (before, bytes(content)))
        line = "  data/images/mem/MEM-U1.bin\n"
        text = manifest.read_text(encoding="utf-8")
        assert old + line in text
        manifest.write_text(text.replace(old + line, new + line), encoding="utf-8")


def _forget_a_step(record: Any, bag: Path) -> None:
    del bag
    steps = next(
        one["steps"]
        for chip in record["chips"]
        for reading in chip["readings"]
        for one in reading["passes"]
        if any(step["action"] in TELLING for step in one["steps"])
    )
    steps[:] = [step for step in steps if step["action"] not in TELLING]


def _unheard_of(record: Any, bag: Path) -> None:
    del bag
    chip_of(record, "MEM-U1")["readings"][0]["passes"][0]["steps"][-1] = {"action": "polish", "settings": {}}


@pytest.mark.parametrize(
    ("spoil", "kind"),
    drilled_but(
        [
            (_invert_more, "altered"),
            (_flip_a_bit, "altered"),
            (_forget_a_step, None),
            (_unheard_of, "malformed"),
        ],
        (_flip_a_bit, "altered"),
        (_forget_a_step, None),
        several=True,
    ),
)
def test_a_valid_bag_whose_record_is_not_true_is_caught(
    spoil: Spoil, kind: str | None, tmp_path: Path
) -> None:
    told = replayed(spoilt(tmp_path, spoil))
    assert (told["valid"], told["outcome"]) == (False, "invalid")
    assert told["problems"]
    assert kind is None or {one["kind"] for one in told["problems"]} == {kind}


def test_a_bundle_whose_readings_stayed_behind_is_no_pass_of_nothing() -> None:
    told = replayed(example_bundle())
    away = told.get("replayed", {}).get("away", 0)
    assert away > 0
    assert told["valid"] == (told["replayed"]["images"] > 0)


def test_a_bag_that_is_not_valid_is_not_replayed(tmp_path: Path) -> None:
    bag = Path(shutil.copytree(example_bag(), tmp_path / "loom-78-v1"))
    (bag / "data/docs/board-notes.txt").write_text("rotten")
    told = replayed(bag)
    assert not told["valid"]
    assert "replayed" not in told


def test_a_bag_in_one_file_says_that_it_has_to_be_unpacked(tmp_path: Path) -> None:
    packed = shutil.make_archive(str(tmp_path / "loom-78-v1"), "zip", example_bag().parent, "loom-78-v1")
    told = replayed(Path(packed))
    assert "packed in one file" in told["problems"][0]["means"]
