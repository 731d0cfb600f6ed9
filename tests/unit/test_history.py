"""What the ledger remembers of a bag, held against what was found now."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from pipeline.bags.history import became_link, body_of_check, compare, is_due, vanished
from pipeline.bags.observed import Trouble, Verdict

NOW = datetime(2026, 5, 4, 12, tzinfo=UTC)
RECEIPT, OTHER = "ab" * 32, "cd" * 32


def verdict(receipt: str = RECEIPT, *info: tuple[str, str], **more: Any) -> Verdict:
    return Verdict(complete=True, valid=True, problems=(), receipt=receipt, info=info, **more)


def row(receipt: str = RECEIPT, **more: Any) -> dict[str, Any]:
    return {"receipt": receipt, "when": "2026-01-02", **more}


def altered(of: str = "") -> Trouble:
    return Trouble(
        "tagmanifest-*.txt",
        "altered",
        f"the receipt is not the one remembered{of} on 2026-01-02 (abababababababab…): the manifests "
        "themselves were changed or rewritten",
    )


def test_a_bag_that_is_as_it_was_has_the_same_receipt() -> None:
    assert compare("/a", verdict(), {"/a": row()}, ["/a"]) == ((), "same receipt as on 2026-01-02")


def test_a_bag_whose_manifests_were_written_anew_is_altered_though_it_passes_its_own_checks() -> None:
    assert compare("/a", verdict(OTHER), {"/a": row()}, ["/a"]) == ((altered(),), "")


def test_a_bag_that_nobody_remembers_is_first_seen() -> None:
    assert compare("/a", verdict(), {}, []) == ((), "first seen")
    assert compare("/a", verdict(), {"/a": row("")}, ["/a"]) == ((), "first seen")


@pytest.mark.parametrize(
    ("present", "note"), [([], "moved from /b"), (["/b"], "moved from /c"), (["/b", "/c"], "a copy of /b")]
)
def test_the_same_receipt_at_another_place_is_a_move_or_a_copy(present: list[str], note: str) -> None:
    known = {"/c": row(), "/b": row(), "/d": row(OTHER)}
    assert compare("/a", verdict(), known, present) == ((), note)


def test_bags_without_a_receipt_are_not_taken_for_copies_of_each_other() -> None:
    assert compare("/a", verdict(""), {"/b": row("")}, ["/b"]) == ((), "first seen")


@pytest.mark.parametrize(("present", "note"), [([], "moved from /b"), (["/b"], "as /b")])
def test_the_same_identifier_with_another_receipt_is_another_content_wherever_it_lies(
    present: list[str], note: str
) -> None:
    known = {"/b": row(identifier="urn:1"), "/c": row(identifier="urn:2")}
    found = verdict(OTHER, ("EXTERNAL-IDENTIFIER", "urn:1"))
    of = " of the bag with this External-Identifier at /b"
    assert compare("/a", found, known, present) == ((altered(of),), note)


@pytest.mark.parametrize(
    ("mine", "theirs", "receipt"), [("urn:1", "urn:2", RECEIPT), ("", "", RECEIPT), ("urn:1", "urn:1", "")]
)
def test_another_identifier_none_or_a_row_without_a_receipt_says_nothing(
    mine: str, theirs: str, receipt: str
) -> None:
    found = verdict(OTHER, ("External-Identifier", mine)) if mine else verdict(OTHER)
    assert compare("/a", found, {"/b": row(receipt, identifier=theirs)}, []) == ((), "first seen")


def test_another_bag_of_the_same_machine_is_named_with_a_bag_that_is_seen_first() -> None:
    known = {
        "/c": row(group="loom"),
        "/b": row(group="loom"),
        "/0": row(group="mill"),
        "/a": row("", group="loom"),
    }
    found = verdict(OTHER, ("Bag-Group-Identifier", "loom"))
    assert compare("/a", found, known, []) == ((), "first seen; another bag of loom is known at /b")
    assert compare("/a", verdict(OTHER), {"/b": row(group="")}, []) == ((), "first seen")
    assert compare("/a", found, {"/a": row("", group="loom")}, []) == ((), "first seen")


def test_a_known_bag_that_became_a_link_is_unsafe_until_it_is_accepted() -> None:
    assert became_link("/a", "/b", {"/a": row(), "/b": row(OTHER)}) == Trouble(
        "",
        "unsafe",
        "the ledger knows a bag at /a, which is now a link to /b: what lies there counts as another bag "
        "until it is accepted",
    )
    assert became_link("/a", "/b", {"/a": row()}) is not None
    assert became_link("/a", "/b", {"/a": row(""), "/b": row("")}) is not None


def test_a_link_to_the_very_bag_that_is_remembered_there_is_no_trouble() -> None:
    assert became_link("/a", "/a", {"/a": row()}) is None
    assert became_link("/a", "/b", {"/a": row(), "/b": row()}) is None


def test_a_row_of_a_check_keeps_what_was_found_and_at_most_a_hundred_problems() -> None:
    each = Trouble("data/x", "altered", "means", "error")
    beside = Trouble("data/y", "unsafe", "means", "warning")
    found = Verdict(
        complete=False,
        valid=True,
        problems=(beside,) * 100,
        receipt=RECEIPT,
        info=(
            ("External-Identifier", "urn:1"),
            ("Bag-Group-Identifier", "loom"),
            ("external-identifier", "2"),
        ),
        files=3,
        size_bytes=5,
        algorithms=("md5", "sha256"),
    )
    assert body_of_check("/a", found, (each,), "a note") == {
        "kind": "check",
        "bag": "/a",
        "identifier": "urn:1; 2",
        "group": "loom",
        "receipt": RECEIPT,
        "outcome": "invalid",
        "complete": False,
        "files": 3,
        "size_bytes": 5,
        "algorithms": ["md5", "sha256"],
        "problems": [{"path": "data/y", "kind": "unsafe", "severity": "warning"}] * 100,
        "problem_count": 101,
        "note": "a note",
    }
    assert body_of_check("/a", found, (), "")["outcome"] == "valid"
    assert body_of_check("/a", found._replace(valid=False), (), "")["outcome"] == "invalid"


def test_a_bag_has_vanished_where_it_is_not_at_its_place_and_was_met_at_no_other() -> None:
    known = {"/c": row("3"), "/a": row("1"), "/b": row("2"), "/d": row("4")}
    assert vanished(known, ["/b"], ["4"]) == ("/a", "/c")


@pytest.mark.parametrize(
    ("before", "due"),
    [
        (None, True),
        ({"outcome": "invalid", "when": "2026-05-04T11:00:00+00:00"}, True),
        ({"outcome": "valid", "when": "2026-05-04T11:00:00+00:00"}, False),
        ({"outcome": "valid", "when": "2026-05-04T11:00:00"}, False),
        ({"outcome": "valid", "when": "2026-05-03T12:00:00+00:00"}, True),
        ({"outcome": "valid", "when": "2026-05-03T12:00:01+00:00"}, False),
        ({"outcome": "valid", "when": "2026-05-04T12:00:00+00:00"}, False),
        ({"outcome": "valid", "when": "2026-05-04T12:00:01+00:00"}, True),
        ({"outcome": "valid", "when": "yesterday"}, True),
        ({"outcome": "valid"}, True),
    ],
)
def test_a_bag_is_due_after_its_days_and_whenever_its_last_check_cannot_be_relied_on(
    before: dict[str, Any] | None, *, due: bool
) -> None:
    assert is_due(before, NOW, 1) is due
