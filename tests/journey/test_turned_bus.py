"""A reader that gives the two hexadecimal digits of each byte in the wrong order, through `package`."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from tests.journey.cli import wellread
from tests.kit.images import silent_code
from tests.kit.project import Chip, Reader, plain, project
from tests.kit.wires import Image

HOME, PROGRAMMER = Reader("home"), Reader("prog", "device-programmer")


def digits_exchanged(image: Image) -> Image:
    return ((image << 4) | (image >> 4)).astype(np.uint8)


def program(seed: int, words: int) -> Image:
    return silent_code(np.random.default_rng(seed), words)[0].astype(np.uint8)


def test_no_image_of_a_reader_that_turns_the_bus_on_one_chip_is_settled_on_a_chip_of_another_size(
    tmp_path: Path,
) -> None:
    proving, alone, beside = program(1, 2048), program(2, 4096), program(3, 4096)
    chips = [
        Chip(
            "U1",
            proving,
            8,
            (plain(digits_exchanged(proving), 8, HOME, 2), plain(proving, 8, PROGRAMMER)),
            "2716",
        ),
        Chip("U2", alone, 8, (plain(digits_exchanged(alone), 8, HOME, 2),), "2732"),
        Chip("U3", beside, 8, (plain(beside, 8, PROGRAMMER, 2),), "2732"),
    ]
    ran = wellread(
        "package", project(tmp_path / "p", chips), "--into", tmp_path / "bags", "--json", "--quiet"
    )
    assert ran.code == 0, ran.err
    bag = Path(ran.document["bag"])
    record = {
        one["chip"]: one for one in json.loads((bag / "metadata" / "record.json").read_bytes())["chips"]
    }
    assert {chip: one["image"]["settled"] for chip, one in record.items()} == {
        "U1": True,
        "U2": False,
        "U3": True,
    }
    assert (bag / record["U1"]["image"]["path"]).read_bytes() == proving.tobytes()
    (told,) = [one for one in record["U2"]["findings"] if one["code"] == "wiring-carried"]
    assert "as a whole" in told["means"]
    assert told["evidence"]["sheet"] == "lines: {data: [D4, D5, D6, D7, D0, D1, D2, D3]}"
