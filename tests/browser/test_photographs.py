"""The page of photographs in a real browser: they lie beside it in the bag, and are shown."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.browser.conftest import Site
from tests.kit.example_bags import example_bag

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page


def test_every_photograph_of_the_bag_is_shown_and_the_policy_blocks_none(chromium: Browser) -> None:
    page = chromium.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.goto((example_bag() / "data/report/photos.html").as_uri())
    page.evaluate("document.querySelectorAll('img').forEach(one => one.loading = 'eager')")
    page.wait_for_function("[...document.images].every(one => one.complete)")
    widths = page.evaluate("[...document.images].map(one => one.naturalWidth)")
    found = violations(page)
    page.close()
    assert len(widths) == 3
    assert min(widths) > 100
    assert said == []
    assert found == []


def test_axe_finds_no_violation_in_a_page_that_only_leads_on(chromium: Browser, loom_site: Site) -> None:
    """Its refresh is taken out, or it would be gone; WCAG 2.2 (2.2.1) allows one of nought seconds."""
    text = (loom_site.index.parent / "chips" / "CONTROL" / "U4.html").read_text(encoding="utf-8")
    assert 'http-equiv="refresh" content="0; ' in text
    page = chromium.new_page()
    page.set_content(text.replace('http-equiv="refresh"', 'name="leads-on"'))
    found = violations(page)
    page.close()
    assert found == []


def violations(page: Page) -> list[str]:
    """What axe-core finds."""
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="no axe-core: bash .ci/browser.sh"
    )
    return [str(one["id"]) for one in axe.Axe().run(page).response["violations"]]
