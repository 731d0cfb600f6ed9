"""The public view: what is known to be public goes, everything else stays."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from pipeline.errors import BagError, RightsError
from pipeline.publish.private_values import telling
from pipeline.publish.public_view import GONE, Public, refuse_unreleasable, survey

DIGEST = "ab" * 32


def reading(name: str, **more: Any) -> Any:
    path = f"data/readings/b/U1/{name}.bin"
    stored = {
        "path": path,
        "original_name": f"dumps/{name}.bin",
        "size_bytes": 4,
        "sha256": DIGEST,
        "sha512": DIGEST * 2,
        "format": "binary",
        "forgiven": [{"what": "x"}],
        "notes": ["OPERATOR: Tamsin Vrooke"],
    }
    return {
        "reading": name,
        "reader": "prog",
        "files": [stored],
        "passes": [],
        "set_aside": None,
        "how": {"date": "2024"},
        **more,
    }


def chip(name: str, *readings: Any, **more: Any) -> Any:
    """A settled chip as the record has it."""
    image = {
        "path": f"data/images/b/{name}.bin",
        "settled": True,
        "mask_path": None,
        "size_bytes": 4,
        "sha256": DIGEST,
        "sha512": DIGEST * 2,
        "sums": [],
    }
    return {
        "chip": name,
        "board": "b",
        "socket": name,
        "part": "2716",
        "catalogued": "2716",
        "organisation": "2048x8",
        "grade": "single",
        "reasons": ["One pass by prog"],
        "bears": {"passes": 1, "sittings": 1, "readers": 1, "checks": 0},
        "image": image,
        "readings": list(readings),
        "contested": None,
        "findings": [],
        "regions": [],
        **more,
    }


def head(**more: Any) -> Any:
    """A record without its chips, with something private in every place that may hold it."""
    return {
        "schema": "wellread/record/1",
        "software": {"name": "wellread", "version": "0.1.0"},
        "created": "2026-01-01T00:00:00Z",
        "clock_fixed": True,
        "bag": "m-v1",
        "version": 1,
        "external_identifier": "urn:uuid:0",
        "supersedes": None,
        "machine": {"id": "m", "name": "Mill"},
        "custodian": {"name": "Ann Quill"},
        "rights": {"statement": "CC0-1.0"},
        "release": {"allowed_by": "the board", "ground": "2024-01"},
        "readers": {"prog": {"operator": "Tamsin Vrooke"}},
        "boards": {"b": {}},
        "parts": {},
        "sheet": [],
        "attachments": [],
        "cautions": [],
        "spaces": [],
        "suggestions": [],
        "qualification": {},
        "grades": {"single": 1},
        "inputs_sha256": DIGEST,
        **more,
    }


def viewed(record: Any, *chips: Any) -> tuple[Any, list[Any], Public]:
    """Any: the records of these tests hold fields that the types do not know."""
    before = copy.deepcopy((record, chips))
    public = Public(survey(record, chips))
    out = public.head(record), [public.chip(one) for one in chips], public
    assert (record, chips) == before
    return out


def test_a_field_that_this_version_does_not_know_stays_behind_wherever_it_is() -> None:
    strange = {"home_address": "17 Reed Row"}
    record = head(**strange)
    for key in ("machine", "custodian", "rights", "release"):
        record[key] = {**record[key], **strange}
    record["readers"] = {"prog": strange}
    record["boards"] = {"b": strange}
    one = reading("U1.prog.1", public=True, **strange)
    one["files"][0] |= strange
    one["how"] |= strange
    out, (told,), _ = viewed(record, chip("U1", one, **strange))
    assert "Reed Row" not in json.dumps([out, told])
    assert told["readings"][0]["files"][0]["path"]


def with_text(place: str, text: str, value: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """A record whose custodian's place is the value, and a text somewhere public."""
    record = head(custodian={"name": "Ann Quill", "place": value})
    one = chip("U1", reading("U1.prog.1"))
    finding = {
        "code": "fill",
        "severity": "note",
        "chip": "U1",
        "where": {},
        "evidence": {"a": [text]},
        "means": text,
        "also": "",
        "next": "",
    }
    if place == "set_aside":
        one["readings"][0]["set_aside"] = text
    elif place == "rights":
        record["rights"]["note"] = text
    elif place == "description":
        record["machine"]["description"] = text
    elif place == "supersedes":
        record["supersedes"] = {"bag": "m-v0", "receipt": DIGEST, "external_identifier": None, "why": [text]}
    else:
        one["reasons"], one["findings"] = [text], [finding]
    return record, one


@given(
    st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=5, max_size=40),
    st.sampled_from(["set_aside", "rights", "description", "supersedes", "ours"]),
    st.text("Ab \n.", max_size=12),
    st.text("Ab \n.", max_size=12),
)
def test_a_private_value_is_found_in_any_public_text(value: str, place: str, before: str, after: str) -> None:
    value = " ".join(value.split())
    assume(len(value) >= 5)
    assume(place in ("set_aside", "rights", "description") or telling(value))
    assume(value.casefold() != "2048x8" and value.casefold() not in "ann quill")
    record, one = with_text(place, f"{before} {value} {after}", value)
    out, chips, public = viewed(record, one)
    assert public.replaced
    texts = [
        out["rights"].get("note", ""),
        out["machine"].get("description", ""),
        *(out["supersedes"] or {}).get("why", ()),
        chips[0]["readings"][0]["set_aside"] or "",
        *chips[0]["reasons"],
        *(f["means"] for f in chips[0]["findings"]),
    ]
    assert GONE in " ".join(texts)
    assert [text for text in texts if public.secret_in(text)] == []


@given(
    st.sampled_from(
        ["Reading", "single", "binary", "Store", "release", "custodian", "Fills", "12345678", "0.1.0.0"]
    )
)
def test_an_everyday_word_as_a_private_value_breaks_no_record_and_no_sentence_of_ours(value: str) -> None:
    record, one = with_text("ours", "Reading once more: single reader, the fill is binary", value)
    out, (told,), public = viewed(record, one)
    assert (told["grade"], told["readings"][0]["files"][0]["format"]) == ("single", "binary")
    assert told["reasons"] == ["Reading once more: single reader, the fill is binary"]
    assert public.leak_in(json.dumps([out, told]).encode()) == ""


def test_a_private_value_is_found_whatever_its_case_and_its_blanks_and_not_inside_other_words() -> None:
    record = head(
        machine={
            "id": "m",
            "name": "Mill",
            "serial": "A17 Z9",
            "description": "a17\n  z9, BA17 Z9, A17 Z91 and xA17 Z9",
        }
    )
    out, _, public = viewed(record, chip("U1", reading("U1.prog.1")))
    assert out["machine"]["description"] == f"{GONE}, BA17 Z9, A17 Z91 and xA17 Z9"
    assert public.replaced == {"head, machine, description": 1}


@pytest.mark.parametrize("value", ["prog", "U1-chip", "2716", "Mill"])
def test_an_id_or_a_name_that_is_public_anyway_is_not_replaced(value: str) -> None:
    record = head(
        readers={"prog": {"serial": value}},
        machine={"id": "m", "name": "Mill", "description": "2716 in U1-chip, by prog, Mill"},
    )
    out, (told,), _ = viewed(record, chip("U1-chip", reading("U1.prog.1")))
    assert out["machine"]["description"] == "2716 in U1-chip, by prog, Mill"
    assert told["chip"] == "U1-chip"


def test_a_custodian_who_read_the_chips_is_named_as_custodian_only() -> None:
    out, _, _ = viewed(head(readers={"prog": {"operator": "Ann Quill"}}), chip("U1", reading("U1.prog.1")))
    assert out["custodian"] == {"name": "Ann Quill"}
    assert out["readers"] == {"prog": {}}


def test_a_file_that_another_reading_keeps_private_stays_behind() -> None:
    shared = reading("all.prog.1", public=True)
    other = copy.deepcopy(shared)
    other.pop("public")
    _, chips, public = viewed(head(), chip("U1", shared), chip("U2", other))
    assert ["path" in one["readings"][0]["files"][0] for one in chips] == [False, False]
    assert {one.why for one in public.withheld if one.kind == "dump" and one.chip == "U1"} == {
        "another reading of the same file is not marked public"
    }
    _, chips, _ = viewed(head(), chip("U1", shared), chip("U2", copy.deepcopy(shared)))
    assert ["path" in one["readings"][0]["files"][0] for one in chips] == [True, True]
    _, chips, _ = viewed(head(), chip("U1", shared), chip("U2", copy.deepcopy(shared), private=True))
    assert "path" not in chips[0]["readings"][0]["files"][0]


def test_a_file_whose_name_holds_a_private_value_stays_behind() -> None:
    one = reading("U1.prog.1", public=True)
    one["files"][0]["original_name"] = "dumps/disk of Tamsin Vrooke/a.bin"
    _, (told,), public = viewed(head(), chip("U1", one))
    assert "path" not in told["readings"][0]["files"][0]
    assert [one.why for one in public.withheld if one.kind == "dump"] == ["its name holds a private value"]


def test_findings_and_fills_that_tell_of_a_private_chip_stay_behind() -> None:
    found = {
        "code": "same-content",
        "severity": "note",
        "chip": "U1",
        "where": {"with": ["U2"]},
        "evidence": {},
        "means": "",
        "also": "",
        "next": "",
    }
    region = {"kind": "fill", "start": 0, "end": 4, "shared_with": ["U2", "U3"]}
    public_one = chip("U1", findings=[found], regions=[region])
    _, chips, public = viewed(head(), public_one, chip("U2", private=True))
    assert chips[0]["findings"] == []
    assert chips[0]["regions"] == [{"kind": "fill", "start": 0, "end": 4, "shared_with": ["U3"]}]
    assert [one.what for one in public.withheld if one.kind == "finding"] == ["same-content"]


def test_a_space_that_shows_a_private_chip_stays_behind_and_a_likeness_of_names_does_not_count() -> None:
    def space(name: str, lane: str) -> dict[str, Any]:
        return {
            "name": name,
            "width": 8,
            "byte_order": "big",
            "unit": "word",
            "path": f"data/spaces/{name}.bin",
            "sha256": DIGEST,
            "words": 4,
            "incomplete": False,
            "unsettled": False,
            "holes": [],
            "reasons": [],
            "placements": [{"at": 0, "lanes": [lane]}],
            "checks": [{"value": "DA"}],
        }

    record = head(spaces=[space("low", "U2[3:0]"), space("other", "U2-B")])
    out, _, _ = viewed(record, chip("U2", private=True), chip("U2-B"))
    low, other = out["spaces"]
    assert (low["path"], low["checks"], "sha256" in low) == (None, [], False)
    assert other["path"] == "data/spaces/other.bin"


def test_without_a_word_nothing_that_shows_content_is_left() -> None:
    listed = {"address": 1, "line": "D0", "votes": {}, "ones": 1, "zeros": 1, "image": 1, "why": ""}
    note = {
        "code": "text",
        "severity": "note",
        "chip": "U1",
        "where": {},
        "evidence": {"sample": "HELLO"},
        "means": "",
        "also": "",
        "next": "",
    }
    fault = {**note, "code": "data-line-stuck", "severity": "fault", "evidence": {}}
    one = chip(
        "U1",
        reading("U1.prog.1", public=True),
        findings=[note, fault],
        regions=[{"kind": "text", "preview": "HELLO"}],
        contested={
            "bits": 1,
            "words": 1,
            "listed": [listed],
            "listed_words": [{"address": 0, "image": "HELLO"}],
        },
    )
    _, (told,), _ = viewed(head(release=None), one)
    assert "HELLO" not in json.dumps(told)
    assert [found["code"] for found in told["findings"]] == ["data-line-stuck"]
    assert told["contested"] == {"bits": 1, "words": 1, "listed": []}
    assert (told["image"].get("path"), told["image"]["sha256"]) == (None, DIGEST)


@pytest.mark.parametrize(
    "word", [None, {}, {"allowed_by": "the board"}, {"ground": "a letter"}, {"allowed_by": "", "ground": "x"}]
)
def test_half_a_word_is_none(word: dict[str, str] | None) -> None:
    assert not survey(head(release=word), [chip("U1")]).content


def test_what_cannot_be_released_is_refused_by_name() -> None:
    refuse_unreleasable(head())
    with pytest.raises(RightsError, match="no `rights"):
        refuse_unreleasable(head(rights=None))
    with pytest.raises(BagError, match="bundle already"):
        refuse_unreleasable(head(released_from={"bag": "m-v1"}))
    with pytest.raises(BagError, match="which of its fields are private is not known here"):
        refuse_unreleasable(head(schema="wellread/record/2"))
