"""The first page: one list in one order, one trip a block, a bar to scale."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from pipeline.catalogue.advice.verbs import OTHERWISE, VERBS, verb
from pipeline.to_do import GRADES_WORST_FIRST, lines_of, to_do, worst_first
from pipeline.views.report import report_pages, summary_of
from pipeline.views.report.bench_cautions import Heeding
from pipeline.views.report.grade_bar import DIGIT, MARK, grade_bar, grades_in_order, label_places
from pipeline.views.report.trips import begin_with, mark_words, trips, waiting_words
from schemas.finding import Code
from tests.kit.report_samples import PART_2716, Sample, finding, loom, make_chip

PARTS: Any = {"2716": PART_2716}
DANGERS = Heeding("", (), (), {"2716": ("Three supplies differ.",)})


def dead(chip: str, line: str = "A6") -> Any:
    return finding("address-line-dead", "fault", chip, where={"line": line, "readings": [f"{chip}.hb.1"]})


def faulty(name: str, *, date: str = "2024-05-03", **more: Any) -> Any:
    chip = make_chip(name, "faulty", payload={}, findings=[dead(name)], catalogued="2716", **more)
    chip["readings"][0]["how"]["date"] = date
    return chip


def listed(*chips: Any) -> Any:
    return sorted((summary_of(chip) for chip in chips), key=lambda one: one.to_do.rank)


def first(sample: Sample) -> str:
    return dict(report_pages(sample.head, sample.iterate, sample.load))["index.html"].decode()


def test_begin_with_names_part_line_pin_and_one_verb() -> None:
    (chip, asked), *rest = begin_with(listed(faulty("U5")), PARTS)
    assert (chip.socket, chip.part, asked) == ("U5", "2716", "trace A6, pin 2")
    assert rest == []


def test_a_pin_that_the_catalogue_does_not_know_is_not_made_up() -> None:
    assert begin_with(listed(faulty("U5")), {})[0][1] == "trace A6"
    short: Any = {"2716": {**PART_2716, "address_pins": [8, 7]}}
    assert begin_with(listed(faulty("U5")), short)[0][1] == "trace A6"


def test_chips_of_one_board_part_and_sitting_are_one_trip_and_the_caution_stands_once() -> None:
    chips = [
        faulty("U1"),
        faulty("U2"),
        faulty("U3", date="2024-06-01"),
        faulty("U4", board="PATTERN"),
        faulty("U5"),
    ]
    made = trips(listed(*chips), PARTS, DANGERS)
    assert [[stop.chip.chip for stop in trip.stops] for trip in made] == [["U1", "U2", "U5"], ["U3"], ["U4"]]
    assert [[stop.number for stop in trip.stops] for trip in made] == [[1, 2, 5], [3], [4]]
    assert [(len(trip.dangers), trip.dangers_at) for trip in made] == [(1, 0), (0, 1), (0, 1)]


def test_what_is_told_at_one_chip_of_a_trip_is_not_told_again_and_never_lost() -> None:
    trip = trips(listed(faulty("U1"), faulty("U2")), PARTS, DANGERS)[0]
    told, again = (stop.asked[0] for stop in trip.stops)
    assert told.bench
    assert (again.bench, again.as_for) == ("", "U1")
    for other in trips(listed(faulty("U1"), faulty("U2", board="B")), PARTS, DANGERS):
        assert other.stops[0].asked[0].bench, "another trip tells it itself"


def test_numbers_are_those_of_the_one_list_whatever_block_they_stand_in() -> None:
    sample = loom()
    order = [one.chip for one in worst_first(to_do(chip) for chip in sample.chips)]
    page = first(sample)
    part = page[page.index('<h2 id="todo">') : page.index('<h2 id="verify">')]
    told = re.findall(r'<li value="(\d+)">.*?href="#chip-([^"]+)"', part)
    assert sorted((int(number), chip) for number, chip in told) == list(enumerate(order, start=1))
    begun = page[page.index('id="begin"') : page.index("</ol>", page.index('id="begin"'))]
    assert re.findall(r'href="#chip-([^"]+)"', begun) == order[:6]


def test_a_board_shows_the_mark_line_and_pin_of_a_chip_with_a_caution_though_its_grade_is_good() -> None:
    caution = finding("lines-reordered", "caution", "U1", where={"address": [0, 1, 2, 4, 3], "data": [0, 1]})
    chip = make_chip("U1", "self-checked", payload={}, findings=[caution], catalogued="2716")
    assert mark_words(summary_of(chip), PARTS) == "◆ A3, A4 (pins 5, 4)"
    assert mark_words(summary_of(chip | {"findings": []}), PARTS) == ""
    sample = loom()
    sample.chips[0]["findings"] = [caution]
    boards = first(sample)
    boards = boards[boards.index('<h2 id="boards">') :]
    assert "<em>◆ A3, A4 (pins 5, 4)</em>" in boards


def test_lines_of_a_place_are_the_lines_that_a_hand_would_touch() -> None:
    assert lines_of({"lines": ["D0", "D1"]}) == ("D0", "D1")
    assert lines_of({"address": [0, 1], "data": [0, 2, 1], "invert_address": [1], "invert_data": []}) == (
        "A1",
        "D1",
        "D2",
    )
    assert lines_of({"address": "A1", "readings": ["x"]}) == ()


def test_every_code_that_asks_for_something_has_a_verb() -> None:
    notes = {"same-content", "inverse-content", "part-of", "interleaves-with", "fill", "text", "self-check"}
    notes |= {"runs-on", "stands-at", "next-address", "twin-same", "twin-differs"}
    assert {code.value for code in Code} - notes <= VERBS.keys()
    assert verb("from-a-later-version") == OTHERWISE
    assert all(len(word.split()) == 1 for word in VERBS.values())


def test_the_count_of_those_who_wait_is_a_sentence() -> None:
    caution = make_chip("U9", "single", payload={}, findings=[finding("text", "caution", "U9")])
    assert waiting_words(listed(faulty("U1"))) == "1 chip needs a person"
    assert waiting_words(listed(caution)) == "1 chip wants a look"
    assert waiting_words(listed(faulty("U1"), faulty("U2"), caution)) == (
        "2 chips need a person, 1 wants a look"
    )


# -- the bar ----------------------------------------------------------------------------------------------


def widths(counts: dict[str, int]) -> dict[str, float]:
    found = re.findall(r'<g class="g-([\w-]+)">.*?<rect [^>]*width="([\d.e-]+)%"', grade_bar(counts))
    return {grade: float(wide) for grade, wide in found}


COUNTS = st.dictionaries(st.sampled_from(GRADES_WORST_FIRST), st.integers(0, 9999))


@given(COUNTS)
def test_each_stretch_of_the_bar_is_as_wide_as_its_share(counts: dict[str, int]) -> None:
    total = sum(counts.values())
    for grade, wide in widths(counts).items():
        assert abs(wide - 100 * counts[grade] / total) < 0.01


def test_two_of_four_hundred_are_half_a_hundredth() -> None:
    assert widths({"faulty": 2, "corroborated": 398}) == {"faulty": 0.5, "corroborated": 99.5}


@given(COUNTS)
def test_labels_stand_outside_in_order_cover_nothing_and_leave_nothing(counts: dict[str, int]) -> None:
    present = [number for _, number in grades_in_order(counts) if number]
    wide = MARK + DIGIT * max((len(f"{number:,}") for number in present), default=1)
    ends = [100 * sum(present[: place + 1]) / max(1, sum(present)) for place in range(len(present))]
    middles = [(start + end) / 2 for start, end in zip([0.0, *ends], ends, strict=False)]
    places = label_places(middles, wide)
    assert len(places) == len(middles)
    if len(present) * wide <= 100:
        assert all(later - before >= wide - 1e-9 for before, later in pairwise(places))
        assert all(wide / 2 - 1e-9 <= place <= 100 - wide / 2 + 1e-9 for place in places)


def test_bar_legend_and_list_go_worst_first_as_the_terminal_does() -> None:
    page = first(loom())
    order = [*GRADES_WORST_FIRST]
    bar = re.findall(
        r'<g class="g-([\w-]+)">', page[page.index('class="bar"') : page.index('class="legend"')]
    )
    legend = page[page.index('class="legend"') : page.index("</ul>", page.index('class="legend"'))]
    assert bar == [grade for grade in order if grade in bar]
    assert re.findall(r'class="grade g-([\w-]+)"', legend) == order


def test_the_footer_and_the_time_line_say_a_name_once() -> None:
    sample = loom()
    sample.head["events"][0]["detail"] = "3 readings by breadboard"
    page = first(sample)
    assert "by wellread 0.1.0." in page
    assert "3 readings by breadboard</li>" in page
