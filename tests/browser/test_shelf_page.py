"""The page of a shelf in a real browser: read at any width, asking for nothing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.browser.test_report_page import opened
from tests.journey.cli import wellread
from tests.kit.example_bags import example_bag

if TYPE_CHECKING:
    from playwright.sync_api import Browser

NARROWEST = """() => Math.min(...[...document.querySelectorAll('.tasks .do')].map(one => one.clientWidth))"""
OVERLAPPING = """() => [...document.querySelectorAll('.legend li')].filter(one =>
    one.querySelector('b').getBoundingClientRect().right
        > one.querySelector('.grade').getBoundingClientRect().left).length"""


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "shelf.html"
    assert wellread("holdings", example_bag(), "--page", path).code == 0
    return path


@pytest.mark.parametrize("width", [390, 1280])
def test_the_page_of_a_shelf_has_its_words_across_it_and_asks_for_nothing(
    chromium: Browser, page_file: Path, width: int
) -> None:
    with opened(chromium, page_file, width) as (page, heard):
        assert heard.said == []
        assert heard.requests == [page_file.as_uri()]
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.evaluate(NARROWEST) > width * 0.7
        page.evaluate("document.querySelectorAll('.legend b').forEach(one => { one.textContent = '10000' })")
        assert page.evaluate(OVERLAPPING) == 0


def test_a_chip_to_be_read_leads_to_its_row_in_the_folded_list(chromium: Browser, page_file: Path) -> None:
    with opened(chromium, page_file, 1280) as (page, _):
        page.click(".tasks a >> nth=2")
        page.wait_for_function("document.querySelector(location.hash).checkVisibility()")


def test_axe_finds_nothing_wrong_with_the_page_of_a_shelf(chromium: Browser, page_file: Path) -> None:
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="no axe-core: bash .ci/browser.sh"
    )
    with opened(chromium, page_file, 1280) as (page, _):
        page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
        found = axe.Axe().run(page).response
        assert [
            (one["id"], [node["html"][:120] for node in one["nodes"][:3]]) for one in found["violations"]
        ] == []
        assert len(found["passes"]) > 10
