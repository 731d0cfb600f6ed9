"""Every page that the program writes, before the Nu Html Checker (npm `vnu-jar`)."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import Any

import pytest

from tests.journey.cli import wellread
from tests.kit.example_bags import example_bag, example_bundle
from tests.outside.judges import page_checker

pytestmark = pytest.mark.drill


def messages(pages: list[Path]) -> list[dict[str, Any]]:
    done = subprocess.run(
        [*page_checker(), "--format", "json", *(str(one) for one in pages)],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    found: list[dict[str, Any]] = json.loads(done.stderr)["messages"]
    return found


def test_the_checker_has_nothing_to_say_of_any_page(tmp_path: Path) -> None:
    page_checker()
    sheet = tmp_path / "bench.html"
    done = wellread("bench", "2716", "--from", "2708", "--html", sheet)
    assert done.code == 0, done.err
    pages = [sheet, *example_bag().rglob("*.html"), *example_bundle().rglob("*.html")]
    assert len(pages) >= 3
    assert [one for one in messages(pages) if not _photograph_of_the_bag(one)] == []


def _photograph_of_the_bag(message: dict[str, Any]) -> bool:
    """A page of photographs admits files beside it, by a scheme that the checker does not hold against them.

    That a browser shows them is in `tests/browser/test_photographs.py`.
    """
    return message["url"].endswith("/photos.html") and "“../photos/" in message["message"]


def test_the_checker_sees_what_is_taken_from_a_page(tmp_path: Path) -> None:
    page_checker()
    text = (example_bag() / "data" / "report" / "index.html").read_text(encoding="utf-8")
    damaged = tmp_path / "damaged.html"
    damaged.write_text(text.replace("<title>", "<titel>", 1), encoding="utf-8")
    assert "error" in {one["type"] for one in messages([damaged])}
