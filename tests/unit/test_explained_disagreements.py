"""A located fault explains why two readers differ: it stands beside a reader's rate of errors, not in it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.lines import relate
from tests.journey.cli import wellread
from tests.kit.examples import drilled_but
from tests.kit.images import code, silent_code
from tests.kit.project import Chip, Reader, plain, project
from tests.kit.wires import Bench, Image

WORDS, BITS = 2048, 8
FAULTS: dict[str, tuple[Callable[[Image], Image], str]] = {
    "dead": (lambda image: Bench(image, BITS).kill_address_line(3, 0).read(), "address-line-dead A3"),
    "joined": (
        lambda image: Bench(image, BITS).join_address_lines(2, 5, "low").read(),
        "address-lines-joined A2 A5",
    ),
    "stuck": (lambda image: Bench(image, BITS).stick_data_line(4, 1).read(), "data-line-stuck D4"),
    "loose": (
        lambda image: Bench(image, BITS, seed=5).loosen_data_line(2, 1, 0.1).read(),
        "intermittent-line D2",
    ),
    "blank": (lambda image: np.full_like(image, 0xFF), "blank"),
    "other": (
        lambda image: silent_code(np.random.default_rng(9), image.size)[0],
        "another chip or another file",
    ),
}


def _chips(name: str, number: int) -> list[Chip]:
    """On one two readers agree, on one the home-built one has the fault, and one it alone has read."""
    random = np.random.default_rng(number)
    home, other = Reader(f"home-{name}", "home-built"), Reader(f"other-{name}", "home-built")
    agreed, spoiled, alone = (code(random, WORDS)[0] for _ in range(3))
    says = {"board": name}
    return [
        Chip(
            f"{name}-1", agreed, BITS, (plain(agreed, BITS, home), plain(agreed, BITS, other)), "2716", says
        ),
        Chip(
            f"{name}-2",
            spoiled,
            BITS,
            (plain(spoiled, BITS, other), plain(FAULTS[name][0](spoiled), BITS, home)),
            "2716",
            says,
        ),
        Chip(f"{name}-3", alone, BITS, (plain(alone, BITS, home),), "2716", says),
    ]


@pytest.fixture(scope="module")
def chips(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    place = tmp_path_factory.mktemp("explained")
    made = [chip for number, name in enumerate(FAULTS) for chip in _chips(name, number)]
    ran = wellread("package", project(place / "project", made), "--into", place / "bags", "--json", "--quiet")
    assert ran.code == 0, ran.err
    record = json.loads((Path(ran.document["bag"]) / "metadata/record.json").read_bytes())
    return {chip["chip"]: chip for chip in record["chips"]}


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_a_named_fault_counts_into_no_rate_of_errors_and_stands_beside_it(
    chips: dict[str, Any], name: str
) -> None:
    reasons = " · ".join(chips[f"{name}-3"]["reasons"])
    assert "0 differ: bit error rate at most 0.00018" in reasons
    assert f"{name}-2 ({FAULTS[name][1]})" in reasons
    lines = FAULTS[name][1].split()[1:] if name not in ("blank", "other") else []
    assert (f" but for {', '.join(lines)} by {name}-1 " in reasons) is bool(lines)
    assert chips[f"{name}-2"]["grade"] in ("faulty", "contested")


def _inverted(first: Image, second: Image) -> tuple[int, ...]:
    mapping = relate(first, second, BITS).mapping
    return mapping.invert_data if mapping is not None else ()


@pytest.mark.parametrize("level", [0, 1])
@pytest.mark.parametrize("line", drilled_but(range(8), 0, 5))
def test_a_line_that_is_stuck_in_one_image_is_not_called_inverted(line: int, level: int) -> None:
    image = code(np.random.default_rng(4), WORDS)[0]
    stuck = Bench(image, BITS).stick_data_line(line, level).read()
    assert line not in _inverted(image, stuck)
    assert line not in _inverted(stuck, image)


def test_a_line_that_is_constant_at_two_levels_may_be_inverted() -> None:
    image = code(np.random.default_rng(4), WORDS)[0] & np.uint8(0x7F)
    assert _inverted(image, ~image) == tuple(range(8))
