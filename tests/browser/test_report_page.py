"""The report in a real browser.

Quiet, whole, reachable, and the same story at every width and in both schemes.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, cast
from urllib.parse import unquote, urlsplit

import pytest

from tests.browser.conftest import Site

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Dialog, Page

WIDTHS = (360, 1600)
SCHEMES: tuple[Literal["light", "dark"], ...] = ("light", "dark")
OUTSIDE = """() => [...document.querySelectorAll('body *')].filter(e => {
    const box = e.getBoundingClientRect();
    return box.width > 0 && box.right > innerWidth + 1 && !e.closest('.scroll, .skip');
}).map(e => e.tagName + '.' + e.getAttribute('class')).slice(0, 5)"""

BROKEN = """() => {
    const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), broken = [];
    let looked = 0;
    for (let node; (node = walk.nextNode());) {
        if (node.parentElement.closest('svg, pre, script, style')) continue;
        for (const word of node.data.matchAll(/[^\\s\\u2013-]+/g)) {
            if (word[0].length > 16) continue;
            const range = document.createRange();
            range.setStart(node, word.index);
            range.setEnd(node, word.index + word[0].length);
            const lines = new Set([...range.getClientRects()].map(box => Math.round(box.top)));
            looked += lines.size > 0;
            if (lines.size > 1) broken.push(word[0]);
        }
    }
    return [looked, broken.slice(0, 9)];
}"""
"""How many words of 16 characters at most are seen, and those that stand on two lines.

Such a word is no path and no digest; it has room on a phone, and half a part number is another part."""


class Heard:
    """What a page said and asked for while it was open."""

    def __init__(self, page: Page) -> None:
        self.said: list[str] = []
        self.asked: list[str] = []
        page.on("console", lambda message: self.said.append(message.text))
        page.on("pageerror", lambda error: self.said.append(str(error)))
        page.on("dialog", self._dismiss)
        page.on("request", lambda request: self.asked.append(request.url))

    def _dismiss(self, dialog: Dialog) -> None:
        self.said.append(dialog.message)
        dialog.dismiss()

    @property
    def requests(self) -> list[str]:
        return [url for url in self.asked if not url.startswith("data:")]


@contextmanager
def opened(
    browser: Browser, path: Path, width: int = 1600, scheme: str = "light", **more: Any
) -> Iterator[tuple[Page, Heard]]:
    context = browser.new_context(
        viewport={"width": width, "height": 900}, color_scheme="dark" if scheme == "dark" else "light", **more
    )
    page = context.new_page()
    heard = Heard(page)
    page.goto(path.as_uri())
    yield page, heard
    context.close()


def pages_of(loom_site: Site, hostile_site: Site, large_site: Site) -> list[Path]:
    own = sorted((large_site.folder / "data" / "report" / "chips").rglob("*.html"))
    assert own
    listed = loom_site.folder / "data/report/chips/CONTROL/U3.listing.html"
    return [loom_site.index, hostile_site.index, large_site.index, own[0], listed]


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_a_page_says_nothing_asks_for_nothing_and_overflows_nowhere(
    chromium: Browser, loom_site: Site, hostile_site: Site, large_site: Site, width: int, scheme: str
) -> None:
    for path in pages_of(loom_site, hostile_site, large_site):
        with opened(chromium, path, width, scheme) as (page, heard):
            assert heard.said == []
            assert heard.requests == [path.as_uri()]
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            assert page.evaluate(OUTSIDE) == []


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_axe_finds_no_violation(
    chromium: Browser, loom_site: Site, hostile_site: Site, large_site: Site, width: int, scheme: str
) -> None:
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="no axe-core: bash .ci/browser.sh"
    )
    pages = pages_of(loom_site, hostile_site, large_site)
    if (width, scheme) != (360, "dark"):
        # Ten thousand characters a label keep axe busy: once, where room and contrast are least, is enough.
        pages.remove(hostile_site.index)
    for path in pages:
        with opened(chromium, path, width, scheme) as (page, _):
            found = axe.Axe().run(page).response
            told = [
                (one["id"], [node["html"][:200] for node in one["nodes"][:3]]) for one in found["violations"]
            ]
            assert told == []
            assert len(found["passes"]) > 15, "axe looked at the page"


def test_sockets_pictures_and_links_are_there_in_the_expected_number(
    chromium: Browser, loom_site: Site
) -> None:
    chips = loom_site.sample.chips
    drawn = [chip for chip in chips if chip.get("image")]
    with opened(chromium, loom_site.index) as (page, _):
        count = page.locator(".sockets a").count()
        # Sockets the sheet lists without a chip: U30 alone.
        assert (count, page.locator(".sockets .empty").count()) == (len(chips), 1)
        assert page.locator("section.chip").count() == len(chips)
        assert page.locator("svg.raster:not(.doubt)").count() == len(drawn)
        assert page.locator("svg.doubt").count() == 1
        assert page.locator("svg.glyphs").count() == 2
        assert page.locator("svg.space").count() == 1
        assert page.locator("ol.tasks > li").count() == 4
        assert page.locator("svg.lanes:not(.doubt)").count() == len(drawn)
        assert page.locator("svg.partners").count() == len(drawn)
        assert page.locator("svg.agreement").count() == len(drawn)
        assert page.locator(".finding svg.socket-view").count() == 1
        assert page.locator(".tasks svg.socket-view").count() == 2
        order = page.locator(".board").first.locator(".sockets b").all_inner_texts()
        assert order == ["U9", "U10", "U11", "U1", "U2", "U3", "U4", "U30"]


MARK = """told => { const style = getComputedStyle(told);
    return [style.backgroundImage, parseFloat(style.backgroundSize)]; }"""


def test_each_socket_tells_its_grade_by_a_mark_and_a_word(chromium: Browser, loom_site: Site) -> None:
    grades = {chip["chip"]: chip["grade"] for chip in loom_site.sample.chips}
    with opened(chromium, loom_site.index) as (page, _):
        marks: dict[str, str] = {}
        for socket in page.locator(".sockets a").all():
            grade = grades[socket.locator("b").inner_text()]
            assert socket.locator("span").inner_text() == grade
            picture, size = socket.locator("span").evaluate(MARK)
            assert picture.startswith('url("data:image/svg+xml,')
            assert size > 8
            assert marks.setdefault(grade, picture) == picture
            assert page.locator(f"table.list td.g-{grade}").first.evaluate(MARK)[0] == picture
        assert len(set(marks.values())) == len(set(grades.values())), "no two grades have one mark"


def test_every_link_lands(chromium: Browser, loom_site: Site, large_site: Site) -> None:
    own = sorted((large_site.folder / "data" / "report" / "chips").rglob("*.html"))
    assert len(own) == 120
    for path in (loom_site.index, large_site.index, own[0], own[-1]):
        with opened(chromium, path) as (page, _):
            links = page.eval_on_selector_all("a[href]", "all => all.map(a => a.getAttribute('href'))")
            links = [link for link in links if link != "http://rightsstatements.org/vocab/CNE/1.0/"]
            assert links
            for link in links:
                parts = urlsplit(link)
                assert not parts.scheme
                assert not parts.netloc
                target = (path.parent / unquote(parts.path)).resolve() if parts.path else path
                assert target.is_file(), link
                if parts.fragment and not parts.path:
                    assert page.locator(f'[id="{unquote(parts.fragment)}"]').count() == 1, link


def test_pointing_at_a_raster_tells_address_and_value(chromium: Browser, loom_site: Site) -> None:
    image = loom_site.sample.payload["data/images/CONTROL/U1.bin"]
    with opened(chromium, loom_site.index) as (page, _):
        raster = page.locator("#chip-U1 svg.raster").first
        raster.scroll_into_view_if_needed()
        box = raster.bounding_box()
        assert box is not None
        words, bits, per, averaged, left, top, scale = map(float, str(raster.get_attribute("data-w")).split())
        assert (words, bits, averaged) == (2048, 8, 1)
        for address in (0, 5, 0x123, 0x7FF):
            page.mouse.move(
                box["x"] + left + (address % per * bits + 3.5) * scale,
                box["y"] + top + (address // per + 0.5) * scale,
            )
            value = image[address]
            told = page.locator("#chip-U1 .probe").first.inner_text()
            assert told == f"0x{address:03X} holds {value:02X} ({value:08b})"


def test_a_raster_is_read_with_the_keyboard_too(chromium: Browser, loom_site: Site) -> None:
    image = loom_site.sample.payload["data/images/PATTERN/P1.bin"]
    with opened(chromium, loom_site.index) as (page, _):
        page.locator("#chip-P1 svg.raster").first.focus()
        page.keyboard.press("ArrowRight")
        page.keyboard.press("ArrowRight")
        value = int.from_bytes(image[4:6], "big")
        assert page.locator("#chip-P1 .probe").first.inner_text() == f"0x002 holds {value:04X} ({value:016b})"


def test_without_a_script_the_picture_still_tells_by_titles(chromium: Browser, loom_site: Site) -> None:
    image = loom_site.sample.payload["data/images/CONTROL/U1.bin"]
    with opened(chromium, loom_site.index, java_script_enabled=False) as (page, heard):
        titles = page.locator("#chip-U1 svg.raster .bands title").all_text_contents()
        assert titles[0].startswith("0x000–0x01F: " + image[:16].hex(" ").upper())
        assert len(titles) == 64
        assert page.locator(".probe").count() == 0
        assert page.locator("ol.tasks > li").count() == 4
        assert heard.said == []


def test_pictures_decode_in_the_browser(chromium: Browser, loom_site: Site) -> None:
    with opened(chromium, loom_site.index) as (page, _):
        sizes = page.evaluate(
            """async () => Promise.all([...document.querySelectorAll('image')].map(async e => {
                const picture = new Image(); picture.src = e.getAttribute('href'); await picture.decode();
                return [picture.naturalWidth, picture.naturalHeight]; }))"""
        )
        # Nine chips: image, lanes and two rows of squares each; a mask, glyphs, and three chips on the map.
        assert len(sizes) == 9 * 4 + 1 + 2 + 3
        assert all(width > 0 and height > 0 for width, height in sizes)


def test_the_keyboard_reaches_the_tasks_first_and_sees_where_it_is(
    chromium: Browser, loom_site: Site
) -> None:
    with opened(chromium, loom_site.index) as (page, _):
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
        page.keyboard.press("Enter")
        assert page.url.endswith("#todo")
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "U4"  # faulty, so the first


def test_print_leaves_navigation_out_and_keeps_every_chip(chromium: Browser, loom_site: Site) -> None:
    with opened(chromium, loom_site.index) as (page, heard):
        page.emulate_media(media="print")
        assert not page.locator("nav").is_visible()
        assert page.locator("section.chip").count() == len(loom_site.sample.chips)
        assert page.locator("#chip-U4").is_visible()
        assert heard.said == []


def sheets(printed: bytes) -> int:
    """How many sheets a PDF has. Source: ISO 32000-1, 7.7.3.3 (a page object has /Type /Page)."""
    return len(re.findall(rb"/Type\s*/Page[^s]", printed))


def test_a_set_on_one_page_prints_as_a_summary_of_two_sheets_and_one_sheet_a_chip(
    chromium: Browser, loom_site: Site
) -> None:
    with opened(chromium, loom_site.index) as (page, _):
        printed = page.pdf(format="A4")
        assert printed.startswith(b"%PDF-")
        assert sheets(printed) == 2 + len(loom_site.sample.chips)


def test_a_large_set_prints_as_a_summary_of_two_sheets_and_each_chip_page_as_one(
    chromium: Browser, large_site: Site
) -> None:
    own = min((large_site.folder / "data" / "report" / "chips").rglob("*.html"))
    for path, count in ((large_site.index, 2), (own, 1)):
        with opened(chromium, path) as (page, _):
            assert sheets(page.pdf(format="A4")) == count


def test_paper_leaves_folds_as_they_stand_and_screens_widgets_out(chromium: Browser, loom_site: Site) -> None:
    with opened(chromium, loom_site.index) as (page, _):
        folds = page.locator("details")
        open_before = page.locator("details[open]").count()
        assert folds.count() > open_before
        page.emulate_media(media="print")
        page.evaluate("dispatchEvent(new Event('beforeprint'))")
        assert page.locator("details[open]").count() == open_before
        assert not page.locator(".filter").is_visible()
        assert page.locator(".paper").first.is_visible()


def test_on_paper_nothing_of_a_chip_but_its_name_is_larger_than_its_headings(
    chromium: Browser, loom_site: Site
) -> None:
    sizes = """[...document.querySelectorAll('#chip-U1 .cols *')].filter(e => e.innerText?.trim()
        && e.checkVisibility()).map(e => parseFloat(getComputedStyle(e).fontSize))"""
    with opened(chromium, loom_site.index) as (page, _):
        page.emulate_media(media="print")
        seen = cast("list[float]", page.evaluate(sizes))
        assert len(seen) > 20
        assert max(seen) <= 8 * 96 / 72 + 0.1, "headings have 8 points"


def test_a_phone_shows_a_chip_s_pictures_before_its_text(chromium: Browser, loom_site: Site) -> None:
    tops = """name => [...document.querySelectorAll(`#chip-${name} .cols > div`)]
        .map(each => each.getBoundingClientRect().top)"""
    with opened(chromium, loom_site.index, 360) as (page, _):
        text, pictures = page.evaluate(tops, "U1")
        assert pictures < text
    with opened(chromium, loom_site.index, 1600) as (page, _):
        text, pictures = page.evaluate(tops, "U1")
        assert pictures == text


def test_no_word_is_broken_on_a_phone(chromium: Browser, loom_site: Site, large_site: Site) -> None:
    own = next((large_site.folder / "data" / "report" / "chips").rglob("*.html"))
    for path in (loom_site.index, large_site.index, own):
        with opened(chromium, path, 360) as (page, _):
            looked, broken = page.evaluate(BROKEN)
            assert looked > 100
            assert broken == []


def test_no_mark_or_word_is_red_or_green_alone_and_no_pin_is(chromium: Browser, loom_site: Site) -> None:
    """Red and green are not told apart by one man in twelve; grades differ in shape, word and lightness."""
    with opened(chromium, loom_site.index) as (page, _):
        colours = page.evaluate(
            "[...document.querySelectorAll('[class*=\"g-\"]')].map(e => getComputedStyle(e).color)"
        )
        assert colours
        for colour in colours:
            red, green, blue = map(int, re.findall(r"\d+", colour)[:3])
            assert not (green > red + 30 and green > blue + 30), colour
        words = page.locator("body").inner_text().lower()
        assert not re.search(r"\b(have/miss|have list|miss list|haves|misses)\b", words)


def test_hostile_labels_do_nothing_and_are_seen(chromium: Browser, hostile_site: Site) -> None:
    with opened(chromium, hostile_site.index) as (page, heard):
        assert heard.said == []
        assert page.locator("script").count() == 1
        assert page.locator("img").count() == 0
        assert page.locator("[onerror], [onload], [onclick]").count() == 0
        text = page.locator("body").inner_text()
        assert "<script>alert(1)</script>" in text
        assert "⟨U+202E⟩" in text
        assert "{{ 7 * 7 }}" in text
        assert re.search(r"[\x00-\x08\x1b\u202a-\u202e\u2066-\u2069]", text) is None


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("scheme", SCHEMES)
def test_screenshots_are_written_for_a_person_to_look_at(
    chromium: Browser, loom_site: Site, large_site: Site, screenshots: Path, width: int, scheme: str
) -> None:
    own = min((large_site.folder / "data" / "report" / "chips").rglob("*.html"))
    for name, path in (("loom", loom_site.index), ("large", large_site.index), ("chip", own)):
        target = screenshots / f"{name}-{width}-{scheme}.png"
        with opened(chromium, path, width, scheme) as (page, _):
            page.screenshot(path=target, full_page=True)
        assert target.stat().st_size > 10_000
