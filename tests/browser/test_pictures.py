"""The pictures of a chip in a real browser: by finger, by keyboard, without a script, and on paper."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from pipeline.views.report import chip_page, chip_page_name
from pipeline.views.report.image import content_of
from pipeline.views.report.passes import ReadWords
from schemas.names import Organisation
from tests.browser.test_report_page import SCHEMES, WIDTHS, opened
from tests.kit.report_samples import code_like, finding, make_chip, make_head

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

SHAPE = Organisation(2048, 8)
IMAGE = code_like(3, SHAPE)
ABSENT = (0x500, 0x580)


def _words(departing: int) -> Any:
    words = bytearray(IMAGE)
    words[departing] ^= 0x08
    content = content_of(SHAPE, bytes(words))
    assert content is not None
    return content


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A chip's own page: a bit in doubt, words that nobody read, passes that depart, a pin that is named."""
    payload: dict[str, bytes] = {}
    stuck = finding(
        "intermittent-line",
        "caution",
        "U7",
        where={"line": "D3", "addresses": [[0x2C5, 0x2C6]], "pins": [{"line": "D3", "pin": 13}]},
    )
    chip = make_chip(
        "U7", "contested", payload=payload, content=IMAGE, findings=[stuck], absent=[list(ABSENT)]
    )
    mask = bytearray(2048)
    mask[0x2C5] = 0x08
    payload[chip["image"]["mask_path"]] = bytes(mask)
    blocks = [1 if block == 0x2C5 * 64 // 2048 else 0 for block in range(64)]
    chip["contested"] = {
        "bits": 1,
        "words": 1,
        "listed": [],
        "listed_words": [
            {
                "address": 0x2C5,
                "said": [
                    {"value": f"{IMAGE[0x2C5]:02X}", "passes": {"breadboard": 2}},
                    {"value": f"{IMAGE[0x2C5] ^ 8:02X}", "passes": {"breadboard": 1}},
                ],
                "lines": ["D3"],
                "image": f"{IMAGE[0x2C5]:02X}",
            }
        ],
        "between": [0] * 64,
        "within": blocks,
    }
    chip["readings"][1]["passes"][2]["departs"] = blocks
    read = [
        ReadWords(("U7.breadboard.1/1",), _words(0x100)),
        ReadWords(("U7.breadboard.1/3",), _words(0x2C5)),
    ]
    page = chip_page(make_head([chip]), chip, payload.__getitem__, read=lambda _chip: read)
    path = tmp_path_factory.mktemp("own") / "data/report" / chip_page_name(chip)
    path.parent.mkdir(parents=True)
    path.write_bytes(page)
    return path


def _place(page: Page, picture: str, address: int, line: int = 0) -> tuple[float, float]:
    """Where on the screen a word's bit lies in a picture."""
    svg = page.locator(picture).first
    svg.scroll_into_view_if_needed()
    box = svg.bounding_box()
    assert box is not None
    _, bits, per, averaged, left, top, scale = map(float, str(svg.get_attribute("data-w")).split())
    wide = float(str(svg.get_attribute("width")))
    zoom = box["width"] / wide
    place = address % per
    column = (bits - 1 - line) * per + place if "lanes" in picture else place * bits + bits - 1 - line
    row = address // per // averaged
    return box["x"] + (left + (column + 0.5) * scale) * zoom, box["y"] + (top + (row + 0.5) * scale) * zoom


def _told(page: Page, picture: str) -> str:
    return page.locator(f"figure:has({picture}) .probe").first.inner_text()


@pytest.mark.parametrize("picture", ["svg.raster", "svg.lanes"])
def test_a_tap_on_a_phone_tells_the_word_that_was_tapped(chromium: Browser, own: Path, picture: str) -> None:
    with opened(chromium, own, 390, has_touch=True, is_mobile=True) as (page, heard):
        for address in (0, 0x123, 0x7FF):
            page.touchscreen.tap(*_place(page, picture, address))
            value = IMAGE[address]
            assert _told(page, picture) == f"0x{address:03X} holds {value:02X} ({value:08b})"
        page.touchscreen.tap(*_place(page, picture, 0x2C5))
        assert _told(page, picture).endswith("; D3 unresolved")
        page.touchscreen.tap(*_place(page, picture, 0x510))
        assert _told(page, picture) == "0x510 was not read"
        assert heard.said == []


def test_the_keyboard_tells_the_same_as_the_pointer(chromium: Browser, own: Path) -> None:
    with opened(chromium, own) as (page, _):
        page.locator("svg.lanes").first.focus()
        page.keyboard.press("End")
        value = IMAGE[0x7FF]
        assert _told(page, "svg.lanes") == f"0x7FF holds {value:02X} ({value:08b})"
        page.keyboard.press("Home")
        value = IMAGE[0]
        assert _told(page, "svg.lanes") == f"0x000 holds {value:02X} ({value:08b})"


def test_a_difference_tells_the_lines_that_differ(chromium: Browser, own: Path) -> None:
    with opened(chromium, own) as (page, _):
        page.locator("details.differences summary").click()
        page.mouse.move(*_place(page, "svg.lanes.difference", 0x100))
        assert _told(page, "svg.lanes.difference") == "0x100: D3 differ"
        page.mouse.move(*_place(page, "svg.lanes.difference", 0x200))
        assert _told(page, "svg.lanes.difference") == "0x200: no difference"


def test_another_row_width_shows_the_same_bits_in_other_rows(chromium: Browser, own: Path) -> None:
    with opened(chromium, own) as (page, heard):
        assert page.locator(".widths input:checked").count() == 1
        page.locator(".widths label", has_text=re.compile(r"^ ?32$")).click()
        canvas = page.locator("canvas.rewrapped")
        assert canvas.is_visible()
        assert not page.locator("svg.raster").first.is_visible()
        drawn = canvas.evaluate(
            """c => { const s = Math.floor(384 / 256), w = 256 * s, out = [];
                const d = c.getContext('2d').getImageData(46, 20, w, 64 * s).data;
                for (let r = 0; r < 64; r++) for (let i = 0; i < 256; i++)
                    out.push(d[4 * (r * s * w + i * s) + 3] > 0 ? 1 : 0);
                return out; }"""
        )
        bits = np.unpackbits(np.frombuffer(IMAGE, np.uint8)[:, None], axis=1)
        bits[0x2C5, 4] = 1  # in doubt, so marked whatever it is
        seen = np.array(drawn).reshape(2048, 8)
        there = [address for address in range(2048) if not ABSENT[0] <= address < ABSENT[1]]
        assert np.array_equal(seen[there], bits[there])
        page.locator(".widths label", has_text=re.compile(r"^ ?16$")).click()
        assert page.locator("svg.raster").first.is_visible()
        assert not canvas.is_visible()
        assert heard.said == []


@pytest.mark.parametrize("script", [True, False])
def test_pictures_are_made_twice_as_large_without_a_script(
    chromium: Browser, own: Path, *, script: bool
) -> None:
    with opened(chromium, own, java_script_enabled=script) as (page, _):
        before = page.locator("svg.raster").bounding_box()
        page.locator(".zoom input").check()
        after = page.locator("svg.raster").bounding_box()
        assert before is not None
        assert after is not None
        assert after["width"] > 1.8 * before["width"]
        assert page.evaluate("document.documentElement.scrollWidth") <= 1600


@pytest.mark.parametrize("script", [True, False])
def test_a_finding_and_a_table_row_lead_to_their_word_in_the_listing(
    chromium: Browser, own: Path, *, script: bool
) -> None:
    with opened(chromium, own, java_script_enabled=script) as (page, _):
        for link in (".finding a.mono", "tbody th a"):
            page.locator(link).first.click()
            assert page.url.endswith("#U7-0x2C5")
            word = page.locator('mark[id="U7-0x2C5"]')
            assert word.inner_text() == f"{IMAGE[0x2C5]:02X}"
            assert word.is_visible()
            assert word.evaluate("e => getComputedStyle(e).outlineWidth") == "2px"


def test_the_listing_marks_what_is_not_settled_and_what_nobody_read(chromium: Browser, own: Path) -> None:
    with opened(chromium, own, java_script_enabled=False) as (page, _):
        page.locator("details.listing summary").click()
        text = page.locator("details.listing pre").inner_text()
        assert f"{ABSENT[0]:03X}  0x500–0x57F: not read" in text
        assert "0x700–0x7FF: FF" in text
        assert page.locator("details.listing mark").count() == 1


def test_hatching_lies_over_words_that_nobody_read_in_every_picture_of_the_image(
    chromium: Browser, own: Path
) -> None:
    with opened(chromium, own, java_script_enabled=False) as (page, _):
        assert page.locator("svg.raster rect.unread").count() == 1
        assert page.locator("svg.lanes:not(.doubt):not(.difference) rect.unread").count() == 1
        assert page.locator("svg.partners rect.unread").count() == 2
        assert page.locator(".key .unreads").inner_text() == "not read: 0x500–0x57F"


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_axe_finds_nothing_wrong_with_all_folds_open(
    chromium: Browser, own: Path, width: int, scheme: str
) -> None:
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="no axe-core: bash .ci/browser.sh"
    )
    with opened(chromium, own, width, scheme) as (page, heard):
        page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
        found = axe.Axe().run(page).response
        assert [(one["id"], one["nodes"][0]["html"][:200]) for one in found["violations"]] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert heard.said == []


def test_the_pin_is_filled_in_the_socket_beside_its_finding(chromium: Browser, own: Path) -> None:
    with opened(chromium, own, java_script_enabled=False) as (page, _):
        socket = page.locator(".finding svg.socket-view")
        assert "pin 13 (D3) filled; beside pin 14 (D4)" in str(socket.get_attribute("aria-label"))
        fill = page.locator(".finding .pin.filled").evaluate("e => getComputedStyle(e).fill")
        assert fill == page.locator(".finding .sev").evaluate("e => getComputedStyle(e).color")


def test_a_chip_s_page_prints_on_few_sheets(chromium: Browser, own: Path) -> None:
    with opened(chromium, own) as (page, heard):
        printed = page.pdf(format="A4")
        assert len(re.findall(rb"/Type /Page\b", printed)) <= 8
        assert heard.said == []
