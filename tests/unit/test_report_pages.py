"""The report's pages: whole, inert against any label, the same bytes each time, small for large sets."""

from __future__ import annotations

import functools
import pickle
import re
from html.parser import HTMLParser
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.catalogue.cautions import DEFERENCE
from pipeline.views.report import chip_page, chip_page_name, first_page, report_pages, summary_of, wording
from pipeline.views.report.summary import boards_of, state_sentence
from pipeline.views.report.tables import qualification
from schemas.names import by_numbers
from schemas.record import StandingRecord
from tests.kit.report_samples import (
    PART_2716,
    Sample,
    finding,
    hostile,
    loom,
    make_chip,
    make_head,
    many,
    validated,
)

ACTING = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")


class Tags(HTMLParser):
    """Every tag with its attributes, and the text."""

    def __init__(self, page: bytes) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.feed(page.decode("utf-8"))
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text.append(data)

    def count(self, tag: str) -> int:
        return sum(name == tag for name, _ in self.tags)


def single(sample: Sample, **options: Any) -> bytes:
    pages = list(report_pages(sample.head, sample.iterate, sample.load, **options))
    assert pages[0][0] == "index.html"
    assert all(len(page) < 1000 for name, page in pages[1:] if ".listing" not in name), "only ways"
    return pages[0][1]


def test_the_samples_are_records_that_can_exist() -> None:
    assert validated(loom())["grades"]["missing"] == 2
    assert len(validated(hostile(), unknown="allow")["chips"]) == 11


def test_the_first_page_says_the_state_and_what_to_do_worst_first() -> None:
    page = single(loom()).decode()
    assert (
        "Of 11 chips, 3 are confirmed by a second reader or an embedded check, 3 rest on repeated "
        "passes of one reader "
        "and 1 on a single pass; 1 is contested, 1 faulty and 2 missing." in page
    )
    tasks = page[page.index('<h2 id="todo">') : page.index('<h2 id="verify">')]
    tasks = tasks[: tasks.index("Resting on a single pass")]
    assert re.findall(r'href="#chip-(\w+)"', tasks) == ["U4", "U3", "U11", "P7"]
    assert tasks.count("At the bench:") == 4
    assert "all FF" in tasks
    assert "Clean the socket" in tasks


def test_commands_to_verify_and_rebuild_name_this_bag_and_a_sound_chip() -> None:
    page = single(loom()).decode()
    for command in (
        "wellread recheck loom-78-v1",
        "cd loom-78-v1 &amp;&amp; sha256sum -c manifest-sha256.txt",
        "wellread burn loom-78-v1 --chip U1 --into 2716 --format intel-hex",
        "wellread release loom-78-v1",
    ):
        assert f'<code class="all">{command}</code>' in page


def test_a_bundle_names_its_own_checksum_file_and_not_the_bag_s_commands() -> None:
    page = single(loom(), public=True).decode()
    assert "sha256sum -c checksums-sha256.txt" in page
    assert "wellread release" not in page


def test_private_facts_are_left_out_of_a_public_page_even_if_handed_over() -> None:
    sample = loom()
    sample.chips[0]["notes"] = "the note is PRIVATE-NOTE"
    sample.chips[0]["readings"][0] |= {"operator": "PRIVATE-OPERATOR", "notes": "PRIVATE-NOTE"}
    shown = single(sample).decode()
    hidden = single(sample, public=True).decode()
    for secret in ("PRIVATE-NOTE", "PRIVATE-OPERATOR", "SN-PRIVATE-4711"):
        assert secret in shown
        assert secret not in hidden
    assert "keeper@private.example" not in shown + hidden


def test_without_content_nothing_is_loaded_drawn_or_linked() -> None:
    sample = loom()

    def refuse(path: str) -> bytes:
        raise AssertionError(path)

    pages = list(report_pages(sample.head, sample.iterate, refuse, with_content=False))
    page = pages[0][1].decode()
    assert "data:image/png" not in page
    assert "../images" not in page
    assert "../spaces" not in page
    assert 'svg class="bars"' not in page
    assert "self-checked" in page


def test_findings_name_pins_with_their_source_and_tell_evidence() -> None:
    page = single(loom()).decode()
    assert "A5 is pin 3: data sheet and high confidence" in page
    assert "equal pairs 1,023; informative words 700; p less than 1 in a million million." in page
    assert "addresses 0x1A3, 0x1A4" in page


def test_hostile_labels_stay_text() -> None:
    sample = hostile()
    page = single(sample)
    tags = Tags(page)
    assert tags.count("script") == 1
    assert tags.count("img") == 0
    assert ACTING.search(page.decode().replace("\n", "")) is None
    for _, attributes in tags.tags:
        assert not [name for name in attributes if name.startswith("on") or name == "style"]
    text = "".join(tags.text)
    assert "<script>alert(1)</script>" in text
    assert "{{ 7 * 7 }}" in text
    assert "⟨U+202E⟩gnirts⟨U+202C⟩" in text


def test_a_large_set_s_pages_keep_hostile_labels_text_too() -> None:
    sample = hostile()
    page = chip_page(sample.head, sample.chips[2], sample.load)
    assert Tags(page).count("script") == 1
    assert Tags(page).count("img") == 0
    assert ACTING.search(page.decode().replace("\n", "")) is None


def test_every_page_forbids_everything_from_outside() -> None:
    sample = many(41)
    for _, page in report_pages(sample.head, sample.iterate, sample.load):
        tags = Tags(page)
        policy = next(a["content"] for name, a in tags.tags if name == "meta" and "http-equiv" in a)
        assert policy is not None
        assert policy.startswith("default-src 'none'; img-src data:; style-src 'sha256-")
        for _, attributes in tags.tags:
            if attributes.get("rel") == "external noreferrer":
                # The text of an open rights statement: a way for a person, which nothing asks for by itself.
                assert attributes["href"] == "http://rightsstatements.org/vocab/CNE/1.0/"
                continue
            for name in ("src", "href", "action", "srcset", "poster"):
                assert not re.match(r"(?i)(https?:)?//|javascript:|file:", attributes.get(name) or "")


def test_the_same_record_gives_the_same_bytes() -> None:
    assert single(loom()) == single(loom())
    sample = many(45)
    assert dict(report_pages(sample.head, sample.iterate, sample.load)) == dict(
        report_pages(sample.head, sample.iterate, sample.load)
    )


@pytest.mark.parametrize("count", [39, 40])
def test_below_forty_chips_one_page_else_a_page_each(count: int) -> None:
    own = count == 40
    sample = many(count)
    pages = dict(report_pages(sample.head, sample.iterate, sample.load))
    told = {name for name in pages if ".listing" not in name}
    assert told == {"index.html", *(chip_page_name(chip) for chip in sample.chips)}
    for chip in sample.chips:
        assert (b'<section class="chip"' in pages[chip_page_name(chip)]) is own
    assert (b'<section class="chip"' in pages["index.html"]) is not own


def test_the_index_of_two_thousand_chips_stays_under_three_megabytes() -> None:
    sample = many(2000)
    page = first_page(sample.head, [summary_of(chip) for chip in sample.chips])
    # Issue 7: under 3 MB.
    assert len(page) < 3_000_000
    tags = Tags(page)
    sockets = [a for name, a in tags.tags if name == "a" and str(a.get("class", "")).startswith("g-")]
    assert len(sockets) == 2000
    assert sockets[0]["href"] == "chips/B0/U0.html"


def test_two_thousand_chips_that_all_need_a_person_do_not_swell_the_index() -> None:
    payload: dict[str, bytes] = {}
    findings = [finding("blank", "fault", "x", means="m" * 3000, next="n" * 3000)] * 5
    base = make_chip("U0", "faulty", payload=payload, findings=findings)
    chips = [base | {"chip": f"U{n}", "socket": f"S{n}"} for n in range(2000)]
    page = first_page(make_head(chips), [summary_of(chip) for chip in chips])
    assert len(page) < 3_000_000
    assert "And 1,940 more chips" in page.decode()


def test_a_chip_page_can_be_made_in_another_process() -> None:
    sample = many(1)
    sent = pickle.loads(pickle.dumps(functools.partial(chip_page, sample.head, sample.chips[0])))
    assert sent(sample.load) == chip_page(sample.head, sample.chips[0], sample.load)


def test_an_image_of_another_length_is_said_and_not_drawn() -> None:
    sample = loom()
    sample.payload["data/images/CONTROL/U1.bin"] = b"\x00"
    page = single(sample).decode()
    assert "The image file is not as long as 2048x8 needs; it is not drawn." in page


def test_a_record_of_a_later_version_is_still_shown() -> None:
    sample = loom()
    sample.chips[0] |= {"grade": "proven", "novelty": 1}
    sample.head["qualification"] = {"judge": "new", "list": [1, 2], "rows": [{"a": 1}, {"b": None}]}
    sample.head["machine"] = {"id": "loom-78"}
    page = single(sample).decode()
    assert "proven" in page
    assert "<h1><bdi>loom-78</bdi></h1>" in page


def test_sockets_stand_in_the_order_of_the_sheet() -> None:
    sample = loom()
    boards = boards_of(sample.head["boards"], [summary_of(chip) for chip in sample.chips])
    assert [socket for socket, _ in boards[0].sockets] == ["U9", "U10", "U11", "U1", "U2", "U3", "U4", "U30"]
    assert [socket for socket, _ in boards[1].sockets] == ["P1", "P2", "P3", "P7"]
    assert boards[0].sockets[-1][1] is None


def test_chips_without_a_board_are_not_lost() -> None:
    payload: dict[str, bytes] = {}
    chips = [
        make_chip(name, "single", payload=payload) | {"board": None, "socket": None} for name in ("U10", "U2")
    ]
    boards = boards_of({}, [summary_of(chip) for chip in chips])
    assert [summary.chip for _, summary in boards[0].sockets if summary] == ["U2", "U10"]
    assert chip_page_name(chips[0]) == "chips/_/U10.html"


@pytest.mark.parametrize(
    ("counts", "sentence"),
    [
        ({"single": 1}, "Of 1 chip, 1 rests on a single pass."),
        ({"missing": 3}, "Of 3 chips, 3 are missing."),
        (
            {"self-checked": 1, "faulty": 2},
            "Of 3 chips, 1 is confirmed by a second reader or an embedded check; 2 are faulty.",
        ),
        ({}, "0 chips."),
    ],
)
def test_the_state_is_one_sentence(counts: dict[str, int], sentence: str) -> None:
    assert state_sentence(counts) == sentence


def test_a_caution_on_a_sound_chip_is_still_a_task() -> None:
    payload: dict[str, bytes] = {}
    chip = make_chip("U1", "corroborated", payload=payload, findings=[finding("constant", "caution", "U1")])
    assert [one.code for one in summary_of(chip).to_do.tasks] == ["constant"]
    assert not summary_of(chip).to_do.needs_person
    assert summary_of(chip | {"findings": []}).to_do.tasks == ()


def test_numbers_in_names_sort_as_numbers() -> None:
    assert sorted(["U10", "U2", "²", "U1", "A", "U²", ""], key=by_numbers) == [
        "",
        "A",
        "U1",
        "U2",
        "U10",
        "U²",
        "²",
    ]


def test_a_reader_s_standing_is_one_row_that_names_the_lines_shown() -> None:
    standing: StandingRecord = {
        "readers": ["hb"],
        "chips": ["U1", "U2"],
        "agreed_chips": ["U1"],
        "bits_compared": 58624,
        "disagreements": 0,
        "upper_bound": 5.11e-05,
        "confidence": 0.95,
        "coverage": {
            "address": [{"line": f"A{k}", "witnesses": 0 if k == 3 else 9} for k in range(11)],
            "data": [{"line": "D0", "witnesses": 7}],
            "not_told_apart": ["A1 A2"],
        },
    }
    table = qualification({"readers": [standing]})[0]
    assert table["rows"] == [
        [
            "hb",
            "2",
            "1",
            "58,624",
            "0",
            "1 in 19,569 (95% sure)",
            "A0–A2, A4–A10, D0; not A3; not told apart: A1 A2",
        ]
    ]


def test_cautions_stand_beside_the_task_and_by_part() -> None:
    sample = loom()
    several = {**PART_2716, "part": "2708", "pins": 24, "supplies_v": [5.0, 12.0, -5.0], "confidence": "high"}
    sample.head["parts"] = {
        "2708": {**several, "source": {"type": "datasheet", "citation": "x"}},
        "odd": {"new": 1},
    }
    sample.chips[3]["catalogued"] = "2708"
    page = single(sample).decode()
    tasks = page[page.index('id="todo"') : page.index('id="verify"')]
    assert tasks.count("Three supplies") == 1
    assert "<b>Before power:</b>" in tasks
    assert DEFERENCE.split(":")[0] in page[page.index('id="cautions"') :]
    assert '<a href="#cautions">Cautions</a>' in page


def test_a_public_page_leaves_out_what_a_decoder_quotes_of_a_dump() -> None:
    sample = loom()
    sample.chips[0]["readings"][0]["files"][0]["notes"] = ["skipped text, line 3: OPERATOR: PRIVATE-NAME"]
    assert "PRIVATE-NAME" in single(sample).decode()
    assert "PRIVATE-NAME" not in single(sample, public=True).decode()


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=15) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@given(JSON, st.sampled_from(["", "addresses", "ranges", "range", "covers", "count"]))
def test_any_evidence_becomes_one_line_that_acts_on_nothing(value: Any, key: str) -> None:
    line = wording.say(value, key)
    assert ACTING.search(line.replace("\n", "")) is None
    line.encode("utf-8")


@given(JSON, JSON, JSON)
def test_a_finding_of_any_shape_is_shown(where: Any, evidence: Any, region: Any) -> None:
    payload: dict[str, bytes] = {}
    shaped = finding("text", "note", "U1", where={"pins": [], "x": where}, evidence={"addresses": evidence})
    chip = make_chip(
        "U1",
        "single",
        organisation="16x4",
        payload=payload,
        findings=[shaped],
        regions=[{"kind": "x", "start": 0, "end": 16, "preview": region}],
    )
    page = chip_page(make_head([chip]), chip, payload.__getitem__)
    assert Tags(page).count("section") == 1


NOUNS = "word|bit|pass|file|row|event|chip|space|stretch|glyph|reader|sitting|check|remark|octet|piece"
ONE_OF_MANY = re.compile(rf"(?<![\w.,:×x-])1 (?:more )?(?:{NOUNS})(?:es|s)\b")
MANY_OF_ONE = re.compile(rf"(?<![\w.,:×x-])(?:0|2) (?:more )?(?:{NOUNS})\b(?! lines?)")


@pytest.mark.parametrize("count", [0, 1, 2])
def test_counts_and_nouns_agree(count: int) -> None:
    """Nought and two of a thing are many, one is one: in a chip's page and in a first page."""
    payload: dict[str, bytes] = {}
    region = [{"kind": "dense", "start": 0, "end": count}] if count else []
    chips = [
        make_chip(
            "U1", "contested", payload=payload, catalogued="2716", regions=region, organisation="2048x8"
        ),
        *(make_chip(f"U{n + 2}", "faulty", payload=payload, catalogued="2716") for n in range(count)),
    ]
    chips[0]["contested"] |= {"words": 24 + count, "bits": 24 + count}
    chips[0]["absent"] = [[n * 8, n * 8 + 1] for n in range(4 + count)]
    sample = Sample(make_head(chips), chips, payload)
    pages = [*(page for _, page in report_pages(sample.head, sample.iterate, sample.load))]
    pages.append(chip_page(sample.head, chips[0], sample.load))
    for page in pages:
        text = re.sub(r"\s+", " ", re.sub(r"<[^>]*>", "\n", page.decode()))
        assert ONE_OF_MANY.findall(text) == []
        assert MANY_OF_ONE.findall(text) == []
