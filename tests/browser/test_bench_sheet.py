"""The bench sheet on a phone: one column, every pin in its order, nothing runs into its neighbour."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from pipeline.bench.wiring_sheet import bench
from pipeline.catalogue import load
from pipeline.views.bench import bench_html
from tests.browser.test_report_page import opened

if TYPE_CHECKING:
    from playwright.sync_api import Browser

CELLS = """() => [...document.querySelectorAll('.package tbody .pin')].map(pin => {
    const signal = pin.classList.contains('pin') && (pin.tagName === 'TH' ? pin.previousElementSibling
        : pin.nextElementSibling);
    const a = pin.getBoundingClientRect(), b = signal.getBoundingClientRect();
    return [Number(pin.textContent), a.top, a.right, b.left, b.right, Math.abs(a.top - b.top)];
})"""


@pytest.mark.parametrize("name", ["2716", "2708", "27C1024"])
def test_pins_stand_in_one_column_on_a_phone_each_beside_its_signal(
    chromium: Browser, tmp_path: Path, name: str
) -> None:
    part = next(one for one in load().parts if one.part == name)
    sheet = tmp_path / "bench.html"
    sheet.write_text(bench_html(bench(part)), encoding="utf-8")
    with opened(chromium, sheet, 360) as (page, heard):
        cells: list[Any] = page.evaluate(CELLS)
        assert sorted(cell[0] for cell in cells) == list(range(1, len(cells) + 1))
        downwards = [cell[0] for cell in sorted(cells, key=lambda cell: cell[1])]
        assert downwards == list(range(1, len(cells) + 1)), "pin 1 first, the last pin last"
        assert all(right <= left + 0.5 for _, _, right, left, _, _ in cells), "a number never touches a name"
        assert max(cell[5] for cell in cells) < 2
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        assert heard.said == []
    with opened(chromium, sheet, 1000) as (page, _):
        tops = {cell[0]: cell[1] for cell in page.evaluate(CELLS)}
        assert abs(tops[1] - tops[len(tops)]) < 2, "wide, pin 1 stands beside the last"
