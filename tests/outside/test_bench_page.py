"""The printed bench sheet, judged by a browser: one sheet of paper, and nothing that shuts a reader out.

Source of the accessibility rules: axe-core, as the package `axe-playwright-python` carries it (WCAG 2 A and
AA).
"""

from __future__ import annotations

import importlib.resources
import importlib.util
import json
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from pipeline.bench.wiring_sheet import KnownChip, bench
from pipeline.catalogue import load
from pipeline.views.bench import bench_html

CATALOGUE = load()
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FULLEST = [("TMS2716", "27C010"), ("28F512", "82S180"), ("27C160", None), ("76165", None)]
"""The sheets with the most on them, found by printing every part; and one with a blank table."""

pytestmark = [
    pytest.mark.drill,
    pytest.mark.skipif(BROWSER is None, reason="no chromium here to print with"),
]


def page(number: str, wired: str | None) -> str:
    """With known chips too: some that try the wiring, and some that it would harm."""
    part, other = CATALOGUE.find(number), CATALOGUE.find(wired) if wired else None
    words = np.zeros(1 << 12, np.uint8)
    kinds = [part, part, part, *(CATALOGUE.find(one) for one in ("2708", "82S129", "2716", "TMS2716"))]
    known = [KnownChip(f"BOARD-U{number}", kind, words, "corroborated") for number, kind in enumerate(kinds)]
    return bench_html(bench(part, other=other, from_memory=True, known=known))


def browse(folder: Path, html: str, *options: str) -> bytes:
    assert BROWSER is not None
    file = folder / "page.html"
    file.write_text(html, encoding="utf-8")
    command = [
        BROWSER,
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        f"--user-data-dir={folder / 'profile'}",
    ]
    return subprocess.run(
        [*command, *options, file.as_uri()], check=True, capture_output=True, timeout=120
    ).stdout


@pytest.mark.parametrize("paper", ["A4", "letter"])
@pytest.mark.parametrize(("number", "wired"), FULLEST, ids=str)
def test_a_sheet_prints_on_one_page(tmp_path: Path, paper: str, number: str, wired: str | None) -> None:
    html = page(number, wired).replace("@page {", f"@page {{ size: {paper};")
    browse(tmp_path, html, "--no-pdf-header-footer", f"--print-to-pdf={tmp_path / 'page.pdf'}")
    counts = re.findall(rb"/Type\s*/Pages\b[^>]*/Count\s+(\d+)", (tmp_path / "page.pdf").read_bytes())
    assert counts == [b"1"]


@pytest.mark.parametrize(("number", "wired"), FULLEST[:1] + FULLEST[-1:], ids=str)
def test_a_sheet_passes_axe(tmp_path: Path, number: str, wired: str | None) -> None:
    if importlib.util.find_spec("axe_playwright_python") is None:
        pytest.skip("axe-core is not installed (axe-playwright-python carries it)")
    axe = (
        importlib.resources.files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
    )
    run = (
        "<pre id='judged'></pre><script>axe.run(document.querySelector('main').parentElement, "
        "{exclude: ['#judged']})"
        ".then(r => {document.getElementById('judged').textContent = JSON.stringify({violations: "
        "r.violations.map("
        "v => [v.id, v.nodes.map(n => n.html)]), passes: r.passes.length})})</script>"
    )
    html = page(number, wired).replace("</body>", f"<script>{axe}</script>{run}</body>")
    seen = browse(tmp_path, html, "--virtual-time-budget=20000", "--dump-dom").decode()
    judged = re.search(r"<pre id=\"judged\">(\{.*?\})</pre>", seen, re.DOTALL)
    assert judged is not None
    result = json.loads(judged[1].replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&"))
    assert result["violations"] == []
    assert result["passes"] > 10
