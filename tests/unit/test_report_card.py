"""The archive's card: what it holds, rights in words, who may see what, what it replaces, photographs."""

from __future__ import annotations

import re
from typing import Any

import pytest

from pipeline.bags.observed import BagEntry
from pipeline.run.package.texts import contents
from pipeline.views.report import report_pages, summary_of
from pipeline.views.report.card import STATEMENTS, card, photographs
from schemas.sheet import Rights
from tests.kit.report_samples import Sample, loom, many


def made(sample: Sample, **options: Any) -> Any:
    return card(sample.head, [summary_of(chip) for chip in sample.chips], public=options.get("public", False))


def photo(path: str, *shows: Any) -> Any:
    return {
        "path": path,
        "original_name": path.removeprefix("data/"),
        "size_bytes": 1,
        "sha256": "0",
        "shows": list(shows),
    }


def test_kinds_files_and_bytes_add_up_and_the_report_and_tag_files_are_not_among_them() -> None:
    paths = [
        "data/readings/a/U1/x",
        "data/images/a/U1.bin",
        "data/images-unsettled/a/U2.bin",
        "metadata/premis.xml",
    ]
    found = contents(BagEntry(path, 10, "", "") for path in [*paths, "data/report/index.html", "bagit.txt"])
    assert [(one["kind"], one["files"], one["bytes"], one["payload"]) for one in found] == [
        ("readings, byte for byte", 1, 10, True),
        ("images not settled, kept apart", 1, 10, True),
        ("images", 1, 10, True),
        ("records and schemas", 1, 10, False),
    ]
    sample = loom()
    sample.head["contents"] = found
    assert made(sample).payload == "30 octets in 3 files"


def test_rights_stand_in_words_with_the_address_of_the_statement() -> None:
    told = made(loom())
    assert told.rights == "Copyright not evaluated"
    assert told.statement == "http://rightsstatements.org/vocab/CNE/1.0/"
    assert told.note == "Note: The maker is gone"


def test_every_statement_that_a_sheet_may_name_has_its_words() -> None:
    for name in STATEMENTS:
        address = f"http://rightsstatements.org/vocab/{name}/1.0/"
        assert Rights.model_validate({"statement": address}).statement == address


@pytest.mark.parametrize(
    "statement", ["javascript:alert(1)//x/y", "https://elsewhere.example/vocab/CNE/1.0/"]
)
def test_a_page_leads_outside_only_to_open_statements(statement: str) -> None:
    sample = loom()
    sample.head["rights"] = {"statement": statement}
    assert made(sample).statement == ""


def test_what_is_private_is_counted_for_the_keepers_and_never_on_a_public_card() -> None:
    sample = loom()
    sample.chips[0]["private"] = True
    sample.chips[1]["readings"][0]["private"] = True
    assert "1 chip and 1 reading" in " ".join(made(sample).seen)
    assert "private, and" not in " ".join(made(sample, public=True).seen)
    assert "Nobody has allowed" in made(sample).seen[-1]


def test_what_is_replaced_is_named_with_its_receipt_and_why() -> None:
    sample = loom()
    assert made(sample).supersedes == ("Replaces no earlier package.",)
    sample.head["supersedes"] = {"bag": "loom-78-v0", "receipt": "abc", "why": ["U3 was read again"]}
    assert made(sample).supersedes == ("Replaces loom-78-v0 (receipt abc): U3 was read again.",)


@pytest.mark.parametrize("count", [0, 41])
def test_photographs_stand_on_a_page_of_their_own_and_lead_to_what_they_show(count: int) -> None:
    sample = many(count) if count else loom()
    chip = sample.chips[0]
    sample.head["attachments"] = [
        photo("data/photos/a b#1.jpg", {"chip": chip["chip"], "caption": "its <window>"}, {"board": "X"}),
        photo("data/photos/scan.tif"),
        photo("data/docs/notes.txt"),
        {"size_bytes": 3, "sha256": "0", "original_name": None, "withheld": "not released"},
    ]
    pages = {name: page.decode() for name, page in report_pages(sample.head, sample.iterate, sample.load)}
    page = pages["photos.html"]
    assert re.findall(r'<img src="([^"]+)"', page) == ["../photos/a%20b%231.jpg"]
    assert f'href="chips/{chip["board"]}/{chip["chip"]}.html">chip {chip["chip"]}</a>' in page
    assert "its &lt;window&gt;" in page
    assert 'href="../photos/scan.tif"' in page
    assert "notes.txt" not in page
    assert 'href="photos.html">2 photographs' in pages["index.html"]
    assert "<img" not in pages["index.html"]
    assert 'href="../docs/notes.txt"' in pages["index.html"]


def test_without_photographs_there_is_no_page_of_them() -> None:
    sample = loom()
    assert photographs(sample.head, []) == []
    assert "photos.html" not in dict(report_pages(sample.head, sample.iterate, sample.load))
