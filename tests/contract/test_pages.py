"""The READMEs: tables are what the program says, links lead somewhere, none tells of its own making."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipeline.formats import FORMATS
from schemas.glossary import GLOSSARY
from schemas.sheet import Sheet
from tests.pages import PAGES, ROOT, TABLES, made

EVERY = sorted(
    path.relative_to(ROOT).as_posix()
    for folder in (ROOT, *(ROOT / name for name in ("schemas", "pipeline", "tests", "example_project")))
    for path in (folder.glob("*.md") if folder == ROOT else folder.rglob("*.md"))
)


def test_every_room_that_people_enter_has_a_page() -> None:
    assert {
        "README.md",
        "DEVELOPERS.md",
        "CHANGELOG.md",
        "schemas/README.md",
        "pipeline/README.md",
        "pipeline/formats/README.md",
        "tests/README.md",
        "tests/MEASUREMENTS.md",
        "example_project/README.md",
    } <= set(EVERY)


@pytest.mark.parametrize("page", PAGES)
def test_a_made_table_is_what_the_program_says(page: str) -> None:
    assert (ROOT / page).read_text("utf-8") == made(page), "run python -m tests.goldens"


def test_every_made_table_is_on_some_page_and_holds_everything() -> None:
    pages = {page: (ROOT / page).read_text("utf-8") for page in PAGES}
    for name in TABLES:
        assert any(f"<!-- made: {name} -->" in text for text in pages.values()), name
    meanings = pages["schemas/README.md"]
    assert [name for name in GLOSSARY if f"| `{name}` |" not in meanings] == []
    assert [name for name in Sheet.model_fields if f"`{name}`" not in meanings] == []
    assert [name for name in FORMATS if f"| `{name}` |" not in pages["pipeline/formats/README.md"]] == []


@pytest.mark.parametrize("page", EVERY)
def test_every_link_of_a_page_leads_somewhere(page: str) -> None:
    path = ROOT / page
    for target, _, anchor in re.findall(r"\]\(([^)#\s]*)(#([^)\s]*))?\)", path.read_text("utf-8")):
        if target.startswith("http"):
            continue
        there = (path.parent / target).resolve() if target else path
        assert there.exists(), target
        if anchor:
            assert anchor in _anchors(there), f"{target}#{anchor}"


def _anchors(page: Path) -> set[str]:
    """The names under which a page's headings can be reached, as the usual viewers of Markdown make them."""
    headings = re.findall(r"(?m)^#+ (.+)$", page.read_text("utf-8"))
    return {re.sub(r"[^\w\- ]", "", text.lower()).replace(" ", "-") for text in headings}


@pytest.mark.parametrize("page", EVERY)
def test_every_file_that_a_page_names_is_there(page: str) -> None:
    named = re.findall(
        r"`((?:pipeline|schemas|tests|example_project|\.ci)/[\w./-]+\w)`", (ROOT / page).read_text("utf-8")
    )
    assert [name for name in named if not (ROOT / name).exists()] == []


@pytest.mark.parametrize("page", EVERY)
def test_a_page_says_how_things_are_and_not_how_it_came_to_be(page: str) -> None:
    told = re.compile(r"FACTS|[Ii]ssue \d|this session|not seen in this|the design did not say|\b[Tt]alk\b")
    assert told.findall((ROOT / page).read_text("utf-8")) == []
