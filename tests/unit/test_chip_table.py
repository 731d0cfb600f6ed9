"""The list of chips: one order, every chip once, pictures of what is in the image, one address a chip."""

from __future__ import annotations

import base64
import io
import re
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from pipeline.to_do import to_do, worst_first
from pipeline.views import report
from pipeline.views.report import chip_page_name, neighbours, report_pages, summary_of
from pipeline.views.report.chip_table import chip_table
from pipeline.views.report.image import ChipWords, content_of
from pipeline.views.report.marks import pictured
from pipeline.views.report.thumbnails import ACROSS, SIDE, sprite, thumbnail
from schemas.names import Organisation
from tests.kit.report_samples import hostile, loom, make_chip, many


def dots(words: list[int], bits: int = 8, absent: Any = ()) -> Any:
    organisation = Organisation(len(words), bits)
    stored = b"".join(word.to_bytes(organisation.bytes_a_word, "big") for word in words)
    content = content_of(organisation, stored, absent)
    assert content is not None
    return np.frombuffer(thumbnail(content), np.uint8).reshape(SIDE, SIDE)


def test_a_stuck_line_is_an_empty_lane_and_its_neighbours_are_not() -> None:
    words = np.random.default_rng(1).integers(0, 256, 2048)
    low, high = dots([int(w) & ~0x08 for w in words]), dots([int(w) | 0x08 for w in words])
    lane = slice(8, 10)  # D3 of eight lanes of two dots, D7 left
    assert (low[:, lane] == 0).all()
    assert (high[:, lane] == 3).all()
    assert set(np.delete(low, range(8, 10), axis=1).flat) <= {1, 2}


def test_a_blank_half_is_a_blank_half_and_a_half_never_read_is_a_chequer() -> None:
    words = [0x5A ^ (k * 37 & 0xFF) for k in range(1024)] + [0xFF] * 1024
    assert (dots(words)[8:] == 3).all()
    unread = dots(words, absent=[[1024, 2048]])
    assert set(unread[8:].flat) == {0, 3}
    assert (unread[8:, ::2] != unread[8:, 1::2]).all()
    assert (unread[:8] == dots(words)[:8]).all()


@given(st.integers(1, 5), st.integers(1, 64), st.data())
def test_any_chip_has_its_dots(log: int, bits: int, data: st.DataObject) -> None:
    words = data.draw(st.lists(st.integers(0, (1 << bits) - 1), min_size=1 << log, max_size=1 << log))
    found = dots(words, bits)
    assert found.shape == (SIDE, SIDE)
    ones = np.array([[word >> bits - 1 - x * bits // SIDE & 1 for x in range(SIDE)] for word in words])
    for x in range(SIDE):
        if not ones[:, x].any():
            assert (found[:, x] == 0).all()
        if ones[:, x].all():
            assert (found[:, x] == 3).all()


@given(st.lists(st.booleans(), max_size=47))
def test_the_sprite_holds_each_thumbnail_at_its_place_and_nothing_elsewhere(there: list[bool]) -> None:
    pictures = [bytes([(n + k) % 4 for k in range(SIDE * SIDE)]) if on else b"" for n, on in enumerate(there)]
    picture = sprite(pictures)
    if not any(there):
        assert picture == ""
        return
    with Image.open(io.BytesIO(base64.b64decode(picture.split(",")[1]))) as opened:
        shown = np.asarray(opened.convert("RGBA"))[:, :, 3] // 85
    for place in range(-(-len(there) // ACROSS) * ACROSS):
        y, x = divmod(place, ACROSS)
        cell = shown[y * SIDE : y * SIDE + SIDE, x * SIDE : x * SIDE + SIDE]
        wanted = pictures[place] if place < len(there) and there[place] else bytes(SIDE * SIDE)
        assert cell.astype(np.uint8).tobytes() == wanted


def test_rows_go_worst_first_and_none_is_lost() -> None:
    sample = loom()
    table = chip_table([summary_of(chip, sample.load) for chip in sample.chips], sample.head["parts"])
    order = [row.chip.chip for row in table.rows]
    waiting = [one.chip for one in worst_first(to_do(chip) for chip in sample.chips)]
    assert [chip for chip in order if chip in waiting] == waiting
    assert sorted(order) == sorted(chip["chip"] for chip in sample.chips)


def test_a_row_tells_readers_that_count_their_passes_and_the_sum_of_the_file() -> None:
    payload: dict[str, bytes] = {}
    chip = make_chip("U1", "corroborated", payload=payload, content=bytes(range(256)) * 8)
    chip["readings"].append({**chip["readings"][0], "reader": "bad", "set_aside": "wire off"})
    value = f"{zlib.crc32(payload[chip['image']['path']]):08X}"
    chip["image"]["sums"][0] = {"method": "crc32", "form": "as-stored", "value": value}
    row = chip_table([summary_of(chip)], {}).rows[0]
    assert (row.readers, row.passes, row.chip.crc32) == ("programmer, breadboard", 4, value)


def test_one_form_of_address_leads_to_a_chip_at_any_size() -> None:
    for sample in (loom(), many(41)):
        pages = {name: page.decode() for name, page in report_pages(sample.head, sample.iterate, sample.load)}
        for chip in sample.chips:
            name = chip["chip"]
            assert f'id="chip-{name}"' in pages["index.html"]
            page = pages[chip_page_name(chip)]
            own = f'id="chip-{name}"' in page
            assert own or f'content="0; url=../../index.html#chip-{name}"' in page


def test_a_chip_page_leads_to_the_one_before_and_the_one_after() -> None:
    sample = many(41)
    pages = dict(report_pages(sample.head, sample.iterate, sample.load))
    names = [chip_page_name(chip) for chip in sample.chips]
    for place, name in enumerate(names):
        steps = re.findall(r'rel="(prev|next)" href="\.\./\.\./([^"]+)"', pages[name].decode())
        wanted = [("prev", before) for before in names[max(0, place - 1) : place]]
        wanted += [("next", after) for after in names[place + 1 : place + 2]]
        assert steps == wanted


@given(st.lists(st.tuples(st.sampled_from(["", "a"]), st.text(min_size=1)), unique=True))
def test_neighbours_are_neighbours(chips: list[tuple[str, str]]) -> None:
    near = list(neighbours(chips))
    assert [one.before for one in near] == ([None, *chips[:-1]] if chips else [])
    assert [one.after for one in near] == [*chips[1:], None][: len(chips)]


def test_without_content_there_is_no_picture_in_the_list() -> None:
    sample = loom()
    pages = dict(report_pages(sample.head, sample.iterate, sample.load, with_content=False))
    assert b'class="th' not in pages["index.html"]
    assert b"data:image/png" not in pages["index.html"]


def test_the_marks_of_the_list_have_the_colours_of_the_page() -> None:
    style = Path(report.__file__).with_name("templates").joinpath("chip.css").read_text(encoding="utf-8")
    found = re.findall(r"--(\w+):#(\w{6})", style[: style.index("@media print")])
    half = next(place for place in range(1, len(found)) if found[place][0] == found[0][0])
    schemes = [dict(found[:half]), dict(found[half:])]
    called = dict(re.findall(r"\.g-([\w-]+)\{color:var\(--(\w+)\)", style))
    light, dark = pictured("td%").split("@media")
    for grade, name in called.items():
        for rules, colours in ((light, schemes[0]), (dark, schemes[1])):
            rule = next(rule for rule in rules.split("td.g-") if rule.startswith(f"{grade}{{"))
            assert set(re.findall(r"%23(\w{6})", rule)) <= {colours[name], colours["paper"]}
            assert colours[name] in rule


def test_hostile_labels_stay_text_in_the_list() -> None:
    sample = hostile()
    page = dict(report_pages(sample.head, sample.iterate, sample.load))["index.html"].decode()
    rows = page[page.index('<table class="list"') :]
    assert "<script>" not in rows[: rows.index("</table>")]


@pytest.mark.parametrize("words", [1, 2, 15, 17, 100])
def test_chips_of_odd_sizes_have_their_dots(words: int) -> None:
    organisation = Organisation(words, 8)
    octets = np.zeros((words, 1), np.uint8)
    full = ChipWords(organisation, octets, np.ones((words, 8), np.uint8))
    assert set(thumbnail(full)) == {3}
