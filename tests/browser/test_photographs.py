"""The page of photographs in a real browser: they lie beside it in the bag, and are shown."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.kit.example_bags import example_bag

if TYPE_CHECKING:
    from playwright.sync_api import Browser


def test_every_photograph_of_the_bag_is_shown_and_the_policy_blocks_none(chromium: Browser) -> None:
    page = chromium.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.goto((example_bag() / "data/report/photos.html").as_uri())
    page.evaluate("document.querySelectorAll('img').forEach(one => one.loading = 'eager')")
    page.wait_for_function("[...document.images].every(one => one.complete)")
    widths = page.evaluate("[...document.images].map(one => one.naturalWidth)")
    page.close()
    assert len(widths) == 3
    assert min(widths) > 100
    assert said == []
