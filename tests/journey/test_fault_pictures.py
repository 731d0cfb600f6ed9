"""Every fault of the accuracy kit is seen: a picture differs from the healthy one where a finding points.

The chips are packaged as a user would; the pictures are taken out of the page and read by Pillow, which knows
nothing of our encoder. The healthy chip is drawn from what the kit says that it holds.
"""

from __future__ import annotations

import base64
import functools
import io
import json
import re
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image as Pillow

from pipeline.views.report import pictures
from pipeline.views.report.image import ChipWords, content_of
from pipeline.words import word_bytes
from schemas.names import Organisation
from tests.accuracy.case import Task, Wanted
from tests.accuracy.fault_cases import case
from tests.journey.cli import wellread
from tests.kit.faults import FAULTS
from tests.kit.images import code
from tests.kit.project import Chip, Reader, plain, project
from tests.kit.wires import UnchangedError

WORDS, BITS = 2048, 8
SHAPE = Organisation(WORDS, BITS)
Dots = NDArray[np.bool_]
LONE_FF = 60
"""Words of FF that stand alone: invented code of this size holds none that a stream could double."""


@dataclass(frozen=True)
class Seen:
    """The pictures of one chip as dots, read back out of its markup.

    Attributes:
        lanes: Shape (words, bits), D0 first: the lane view.
        squares: Shape (lines, pairs): the partner maps, the lowest address first.
        doubt: As the lanes: bits without settlement.
        unread: As the lanes: hatched words.
        apart: As the lanes: the first two readings' difference.
        passes: Shape (passes, blocks): ink where a pass departs.
        text: The markup.
    """

    lanes: Dots
    squares: Dots
    doubt: Dots
    unread: Dots
    apart: Dots
    passes: Dots
    text: str


def _svg(text: str, name: str) -> str:
    found = re.search(rf'<svg class="{name}".*?</svg>', text, re.DOTALL)
    return found[0] if found else ""


def _images(svg: str, name: str) -> list[Dots]:
    found = re.findall(rf'<image class="{name} px"[^>]*href="data:image/png;base64,([^"]+)"', svg)
    opened = (Pillow.open(io.BytesIO(base64.b64decode(one))) for one in found)
    return [np.asarray(one.convert("RGBA"))[:, :, 3] > 0 for one in opened]


def _by_line(svg: str, name: str) -> Dots:
    """Lanes put back into words: shape (words, bits), D0 first; nothing where there is no such picture."""
    images = _images(svg, name)
    if not images:
        return np.zeros((WORDS, BITS), np.bool_)
    rows = images[0].shape[0]
    return images[0].reshape(rows, BITS, WORDS // rows).swapaxes(1, 2).reshape(WORDS, BITS)[:, ::-1]


def _squares(svg: str) -> Dots:
    """The pairs of each square, one row of squares after the other: 1024 pairs are 32 dots by 32."""
    out = []
    for image in _images(svg, "bits"):
        squares = image.shape[1] // 37
        out += [image[:, k * 37 : k * 37 + 32].reshape(-1) for k in range(squares)]
    return np.array(out)


def seen_in(text: str) -> Seen:
    """The pictures of one chip's section."""
    doubt, passes = _svg(text, "lanes doubt"), _images(_svg(text, "passes"), "mask")
    return Seen(
        lanes=_by_line(_svg(text, "lanes"), "bits"),
        squares=_squares(_svg(text, "partners")),
        doubt=_by_line(doubt, "mask"),
        unread=_by_line(_svg(text, "lanes"), "unread-dots"),
        apart=_by_line(_svg(text, "lanes difference"), "mask"),
        passes=np.concatenate(passes) if passes else np.zeros((1, 64), np.bool_),
        text=text,
    )


def healthy_of(wanted: Wanted) -> Seen:
    """The pictures of what the chip truly holds."""
    content = content_of(SHAPE, word_bytes(wanted.chip.truth, BITS))
    assert isinstance(content, ChipWords)
    record: Any = {"chip": "H", "regions": [], "findings": [], "readings": []}
    drawn = pictures.pictures(pictures.Drawing(record, content, None))
    return seen_in("".join(str(part) for part in drawn.values()))


def _doubled(mark: str) -> Wanted:
    """Invented code with words of FF here and there, each of them doubled on its way."""
    random = np.random.default_rng(5)
    truth = code(random, WORDS)[0]
    truth[random.choice(np.arange(0, WORDS, 2), LONE_FF, replace=False)] = 0xFF
    seen = FAULTS["doubled FF"](random, truth, BITS)
    chip = Chip(
        mark, truth, BITS, (plain(seen.streams[0], BITS, Reader(f"{mark}-bench")),), "", {"board": mark}
    )
    return Wanted(chip, "told", seen.codes, seen.lines, seen.values, "invented code with words of FF")


def _wanted(row: str, mark: str) -> Wanted | None:
    """The first case of a fault that shows in its image."""
    if row == "doubled FF":
        return _doubled(mark)
    for number in range(0, 12, 3):
        try:
            return case(Task("faults", row, ("code", str(WORDS)), number, 5), mark).wanted[0]
        except UnchangedError:
            continue
    return None


@functools.cache
def packaged() -> dict[str, tuple[Wanted, Any, Seen]]:
    """Every fault of the kit: what was wanted, the chip's record, and its pictures."""
    made = {row: _wanted(row, f"F{number}") for number, row in enumerate(FAULTS)}
    wanted = {row: one for row, one in made.items() if one is not None}
    with tempfile.TemporaryDirectory() as place:
        folder = project(Path(place) / "p", [one.chip for one in wanted.values()])
        done = wellread("package", folder, "--into", Path(place), "--json")
        bag = Path(done.document["bag"])
        chips = {one["chip"]: one for one in json.loads((bag / "metadata/record.json").read_bytes())["chips"]}
        pages = {path.stem: path.read_text() for path in (bag / "data/report/chips").rglob("*.html")}
        first = (bag / "data/report/index.html").read_text()
    out = {}
    for row, one in wanted.items():
        name = one.chip.chip
        page = first if f'id="chip-{name}"' in first else pages[name]
        section = page[page.index(f'<section class="chip" id="chip-{name}"') :]
        out[row] = (one, chips[name], seen_in(section[: section.index("</section>")]))
    return out


def _found(chip: Any, *codes: str) -> Any:
    """The finding that names the fault."""
    return next(one for one in chip["findings"] if one["code"] in codes)


def _lines(finding: Any, letter: str) -> list[int]:
    where = finding["where"]
    named = [where["line"]] if "line" in where else where.get("lines", [])
    return [int(line[1:]) for line in named if line.startswith(letter)]


Check = Callable[[Any, Seen, Seen], None]


def dead_squares_are_blank(chip: Any, faulty: Seen, healthy: Seen) -> None:
    for finding in (one for one in chip["findings"] if one["code"] == "address-line-dead"):
        for line in _lines(finding, "A"):
            assert not faulty.squares[line].any()
            assert healthy.squares[line].any()


def joined_squares_are_half_blank(chip: Any, faulty: Seen, healthy: Seen) -> None:
    first, second = _lines(_found(chip, "address-lines-joined"), "A")
    addresses = np.arange(WORDS)
    for line, other in ((first, second), (second, first)):
        level = addresses[(addresses >> line & 1) == 0] >> other & 1
        blank = [not faulty.squares[line][level == half].any() for half in (0, 1)]
        assert any(blank)
        assert all(healthy.squares[line][level == half].any() for half in (0, 1))


def stuck_lane_is_of_one_level(chip: Any, faulty: Seen, healthy: Seen) -> None:
    for line in _lines(_found(chip, "data-line-stuck"), "D"):
        assert faulty.lanes[:, line].mean() in (0.0, 1.0)
        assert 0.0 < healthy.lanes[:, line].mean() < 1.0
        assert "always" in faulty.text


def joined_lanes_are_twins(chip: Any, faulty: Seen, healthy: Seen) -> None:
    first, second = _lines(_found(chip, "data-lines-joined"), "D")
    assert np.array_equal(faulty.lanes[:, first], faulty.lanes[:, second])
    assert not np.array_equal(healthy.lanes[:, first], healthy.lanes[:, second])
    assert f">=D{max(first, second)}</text>" in faulty.text
    assert ">=D" not in healthy.text


def every_lane_is_of_one_level(_chip: Any, faulty: Seen, healthy: Seen) -> None:
    assert set(faulty.lanes.mean(axis=0).tolist()) <= {0.0, 1.0}
    assert not set(healthy.lanes.mean(axis=0).tolist()) <= {0.0, 1.0}


def squares_are_full_or_blank(chip: Any, faulty: Seen, healthy: Seen) -> None:
    assert _found(chip, "follows-address")
    assert set(faulty.squares.mean(axis=1).tolist()) <= {0.0, 1.0}
    assert not set(healthy.squares.mean(axis=1).tolist()) <= {0.0, 1.0}


def copies_are_blank_squares_and_a_full_spike(chip: Any, faulty: Seen, healthy: Seen) -> None:
    dead_squares_are_blank(chip, faulty, healthy)
    period = WORDS // int(_found(chip, "over-read")["where"].get("copies", 0) or 8)
    assert f"{period:,} (100%)" in faulty.text
    assert f"{period:,} (100%)" not in healthy.text


def departing_words_stand_on_one_side_of_the_line(chip: Any, faulty: Seen, healthy: Seen) -> None:
    (line,) = _lines(_found(chip, "address-line-dead", "intermittent-line"), "A")
    apart = np.flatnonzero(faulty.apart.any(axis=1))
    assert len(apart)
    assert len(set((apart >> line & 1).tolist())) == 1
    assert faulty.passes.any()
    assert not healthy.passes.any()


def doubt_stands_in_the_lanes_of_the_finding(chip: Any, faulty: Seen, healthy: Seen) -> None:
    finding = _found(chip, "intermittent-line", "data-line-stuck", "unstable-bits", "fading")
    named = set(_lines(finding, "D"))
    assert named == set(np.flatnonzero(faulty.doubt.any(axis=0)).tolist())
    assert int(faulty.doubt.sum()) == chip["contested"]["bits"]
    assert not healthy.doubt.any()


def the_pass_departs_where_the_words_do(chip: Any, faulty: Seen, healthy: Seen) -> None:
    """Of two passes one is as the image; the other's row has ink in each block in which a word differs."""
    blocks = np.add.reduceat(faulty.apart.any(axis=1), np.arange(0, WORDS, WORDS // 64)) > 0
    assert blocks.any()
    assert any(np.array_equal(row, blocks) for row in faulty.passes)
    assert not healthy.passes.any()
    assert chip["findings"]


def the_lane_of_the_parity_bit_is_another(chip: Any, faulty: Seen, healthy: Seen) -> None:
    (line,) = _lines(_found(chip, "seven-bit"), "D")
    rest = [lane for lane in range(BITS) if lane != line]
    assert (faulty.lanes[:, line] != healthy.lanes[:, line]).any()
    assert np.array_equal(faulty.lanes[:, rest], healthy.lanes[:, rest])


def the_image_is_another_from_the_first_damage_on(chip: Any, faulty: Seen, healthy: Seen) -> None:
    assert _found(chip, "newline-damage", "text-damage", "short-read")
    there = ~faulty.unread.any(axis=1)
    differing = np.flatnonzero((faulty.lanes != healthy.lanes).any(axis=1) & there)
    assert len(differing)


def words_that_were_not_read_are_hatched(chip: Any, faulty: Seen, healthy: Seen) -> None:
    absent = np.zeros(WORDS, np.bool_)
    for start, end in chip["absent"]:
        absent[start:end] = True
    assert np.array_equal(faulty.unread.all(axis=1), absent)
    assert not faulty.lanes[absent].any()
    assert not healthy.unread.any()


def every_ff_is_followed_by_another(chip: Any, faulty: Seen, healthy: Seen) -> None:
    """Rows of eight inked dots come two by two; in the chip they stand alone."""
    assert _found(chip, "text-damage")
    full, alone = (np.flatnonzero(one.lanes.all(axis=1)) for one in (faulty, healthy))
    assert (np.diff(full) == 1).sum() >= len(full) // 2
    assert (np.diff(alone) == 1).sum() < len(alone) // 10


CHECKS: dict[str, Check] = {
    "dead address line": dead_squares_are_blank,
    "two dead address lines": dead_squares_are_blank,
    "joined address lines": joined_squares_are_half_blank,
    "stuck data line": stuck_lane_is_of_one_level,
    "joined data lines": joined_lanes_are_twins,
    "constant, programmed level": every_lane_is_of_one_level,
    "constant, level not known": every_lane_is_of_one_level,
    "over-read": copies_are_blank_squares_and_a_full_spike,
    "follows address": squares_are_full_or_blank,
    "address line dead in one reading": departing_words_stand_on_one_side_of_the_line,
    "data line stuck in one reading": doubt_stands_in_the_lanes_of_the_finding,
    "another chip": doubt_stands_in_the_lanes_of_the_finding,
    "loose address line": departing_words_stand_on_one_side_of_the_line,
    "loose data line": doubt_stands_in_the_lanes_of_the_finding,
    "open data line": doubt_stands_in_the_lanes_of_the_finding,
    "unstable bits": doubt_stands_in_the_lanes_of_the_finding,
    "no pull-ups": doubt_stands_in_the_lanes_of_the_finding,
    "reading too fast": doubt_stands_in_the_lanes_of_the_finding,
    "fading": doubt_stands_in_the_lanes_of_the_finding,
    "late by one": the_pass_departs_where_the_words_do,
    "rotated pass": the_pass_departs_where_the_words_do,
    "skipped word": the_pass_departs_where_the_words_do,
    "repeated word": the_pass_departs_where_the_words_do,
    "counts twice": the_pass_departs_where_the_words_do,
    "counts every second": the_pass_departs_where_the_words_do,
    "seven bits": the_lane_of_the_parity_bit_is_another,
    "seven bits and parity": the_lane_of_the_parity_bit_is_another,
    "newline damage": the_image_is_another_from_the_first_damage_on,
    "saved as UTF-8": the_image_is_another_from_the_first_damage_on,
    "bytes replaced as text": the_image_is_another_from_the_first_damage_on,
    "doubled FF": every_ff_is_followed_by_another,
    "eaten characters": words_that_were_not_read_are_hatched,
}


def test_every_fault_of_the_kit_has_its_picture() -> None:
    assert set(CHECKS) == set(FAULTS)
    assert set(packaged()) == set(CHECKS)


@pytest.mark.parametrize("row", CHECKS)
def test_the_fault_is_seen_at_the_place_that_its_finding_names(row: str) -> None:
    wanted, chip, faulty = packaged()[row]
    CHECKS[row](chip, faulty, healthy_of(wanted))
