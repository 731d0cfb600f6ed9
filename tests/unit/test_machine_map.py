"""Spaces on one scale, readers against readers and chips, sittings in time: holes are seen."""

from __future__ import annotations

import re
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from pipeline.views.report import report_pages, summary_of
from pipeline.views.report.machine_map import LEAST, machine_map, mapped, texts_of
from pipeline.views.report.readers_matrix import chips_svg, compared, lines_svg
from pipeline.views.report.sittings import sittings, span_of_date, time_line
from pipeline.views.report.summary import Taking
from tests.kit.report_samples import loom, make_chip, standing


def chips(*names: str, grade: str = "single", **more: Any) -> dict[str, Any]:
    payload: dict[str, bytes] = {}
    made = [make_chip(name, grade, payload=payload, **more) for name in names]
    return {chip["chip"]: summary_of(chip, payload.__getitem__) for chip in made}


def drawn(spaces: list[Any], there: dict[str, Any]) -> str:
    organisations = {name: chip.organisation for name, chip in there.items()}
    return machine_map(mapped(spaces, organisations), there, lambda one: f"#chip-{one.chip}")[0]


def space(name: str, words: int, *placements: Any, **more: Any) -> Any:
    kept = [{"at": at, "lanes": lanes, **extra} for at, lanes, extra in placements]
    return {"name": name, "width": 8, "unit": "word", "words": words, "placements": kept, **more}


def heights(svg: str) -> dict[str, float]:
    found = re.findall(r'<title>[^:]+: ([^,<]+), [^<]*</title><rect [^>]*height="([\d.]+)"', svg)
    return {name: float(tall) for name, tall in found}


def test_words_of_every_space_are_equally_tall() -> None:
    there = chips("U1", "U2") | chips("U3", organisation="512x8")
    svg = drawn(
        [space("a", 4096, (0, ["U1"], {}), (2048, ["U2"], {})), space("b", 512, (0, ["U3"], {}))], there
    )
    tall = heights(svg)
    assert tall["U1"] == tall["U2"]
    assert abs(tall["U1"] / tall["U3"] - 4) < 0.01
    assert "0x0FFF" in svg
    assert "0x01FF" in svg


def test_a_block_too_small_for_its_name_has_a_broken_edge_and_says_so() -> None:
    there = chips("U1") | chips("U3", organisation="32x8")
    spaces = mapped(
        [space("a", 2048, (0, ["U1"], {})), space("b", 32, (0, ["U3"], {}))],
        {name: chip.organisation for name, chip in there.items()},
    )
    svg, words = machine_map(spaces, there, lambda one: one.page)
    assert heights(svg)["U3"] == LEAST
    assert svg.count("broken") == 1
    assert "drawn taller" in words


def test_a_missing_chip_is_hatched_and_a_block_shows_and_leads_to_its_chip() -> None:
    there = chips("U1") | chips("U2", grade="missing")
    svg = drawn([space("a", 2048, (0, ["U1", "U2"], {}))], there)
    assert svg.count('class="hatched"') == 1
    assert svg.count("<image") == 1
    assert re.findall(r'<a href="([^"]+)"', svg) == ["#chip-U1", "#chip-U2"]


def test_a_part_of_a_chip_does_not_show_the_picture_of_the_whole() -> None:
    there = chips("U1")
    for lane, extra in (("U1[3:0]", {}), ("U1", {"chip_range": "0x0-0x400"})):
        assert "<image" not in drawn([space("a", 2048, (0, [lane], extra))], there)


def test_a_chip_that_nobody_lists_is_hatched_and_leads_nowhere() -> None:
    svg = drawn([space("a", 2048, (0, ["<b>&U9"], {}))], {})
    assert "<b>" not in svg
    assert svg.count('class="hatched"') == 1
    assert "<a " not in svg


def test_text_is_read_in_the_space_s_own_order_at_its_word_address() -> None:
    content = b"\x00" * 8 + b"SHUTTLE STOPPED" + b"\xff" + b"\x12\x91" * 40
    rows, more = texts_of(space("a", 64, width=16), content)
    assert (rows, more) == ([("0x0004", "SHUTTLE STOPPED")], 0)
    swapped = bytes(b for pair in zip(content[1::2], content[::2], strict=False) for b in pair)
    assert texts_of(space("a", 64, width=16), swapped)[0] != rows


@given(st.binary(max_size=4000))
def test_any_content_has_its_texts_and_each_stands_where_it_is_said(content: bytes) -> None:
    rows, more = texts_of(space("a", 1), content)
    assert more >= 0
    for at, text in rows:
        assert text.encode() in content[int(at, 16) :]


def test_a_text_of_the_space_s_file_stands_on_the_page_and_not_where_content_is_withheld() -> None:
    sample = loom()
    sample.payload["data/spaces/program.bin"] = b"\x00" * 64 + b"WARP BEAM EMPTY" + b"\x00" * 100
    for content, there in ((True, True), (False, False)):
        pages = dict(report_pages(sample.head, sample.iterate, sample.load, with_content=content))
        assert (b"WARP BEAM EMPTY" in pages["index.html"]) is there


# -- readers ----------------------------------------------------------------------------------------------


def test_readers_never_compared_are_told_so() -> None:
    found: Any = {"pairs": [standing("a", "b", disagreements=3, upper_bound=0.1)]}
    there = list(chips("U1").values())
    table = compared(["a", "b", "c"], there, found)
    assert table.rows[0] == ("a", ["0 chips read", "4 chips, 3 bits differ", "never compared"])
    assert table.rows[2][1][0] == "never compared"


def test_a_line_that_no_compared_chip_exercises_is_a_ring() -> None:
    one = standing("a", disagreements=0, upper_bound=0.1)
    one["coverage"]["address"] = [{"line": f"A{k}", "witnesses": 0 if k == 10 else 5} for k in range(12)]
    svg = lines_svg({"readers": [one]})
    assert svg.count('class="hole"') == 1
    assert "1 line untested" in svg
    assert svg.index(">A2<") < svg.index(">A10<")
    assert lines_svg({}) == ""


def _places(drawn: str) -> list[tuple[int, int]]:
    """Where each square of a path begins: the first by its place, the others from the one before."""
    places = [(0, 0)]
    for kind, right, down in re.findall(r"([Mm])(\d+) (\d+)", drawn):
        x, y = (0, 0) if kind == "M" else places[-1]
        places.append((x + int(right), y + int(down)))
    return places[1:]


def test_every_chip_has_a_square_for_every_reader() -> None:
    there = list(chips("U1", "U2", "U3").values())
    svg = chips_svg(["programmer", "breadboard"], there, lambda one: f"#chip-{one.chip}")
    squares = re.findall(r'class="(?:ink|half|hole)" d="([^"]*)"', svg)
    places = [place for drawn in squares for place in _places(drawn)]
    assert len(set(places)) == 6
    assert len({x for x, _ in places}) == len(there)
    assert len({y for _, y in places}) == 2
    assert re.findall(r'<a href="([^"]*)"', svg) == ["#chip-U1", "#chip-U2", "#chip-U3"]
    assert svg.count('class="half"') == 1  # one pass each by the programmer
    assert svg.count('class="hole"') == 1


# -- sittings ---------------------------------------------------------------------------------------------


def sat(*takings: Taking) -> Any:
    summary = next(iter(chips("U1").values()))
    return sittings([summary._replace(takings=takings)])


def test_sittings_are_counted_by_reader_wiring_and_date_and_undated_ones_stand_apart() -> None:
    found = sat(
        Taking("hb", "2024-05-03", "", 3),
        Taking("hb", "2024-05-03", "", 0),
        Taking("hb", "", "", 1),
        Taking("hb", "2024-05", "blue", 1),
    )
    assert [(one.wiring, one.date, one.readings, one.passes) for one in found] == [
        ("", "", 1, 1),
        ("", "2024-05-03", 2, 3),
        ("blue", "2024-05", 1, 1),
    ]
    svg = time_line(found)
    assert svg.count('class="ink"') == 2
    assert svg.count('class="hole"') == 1
    assert time_line(sat(Taking("hb", "", "", 1))) == ""


def test_a_date_is_as_exact_as_it_is_said() -> None:
    spans = [span_of_date(date) for date in ("1979", "1979-02", "1979-02-28")]
    assert all(spans)
    wide = [span[1] - span[0] for span in spans if span]
    assert wide == sorted(wide, reverse=True)
    assert span_of_date("before the fire") is None
    assert span_of_date("1979-00-99") == (1979.0, 1980.0)


@given(st.lists(st.tuples(st.text(max_size=3), st.text(max_size=12), st.text(max_size=3)), max_size=8))
def test_any_words_as_reader_date_and_wiring_are_drawn_or_left_out_and_never_act(takings: Any) -> None:
    svg = time_line(sat(*(Taking(reader, date, wiring, 1) for reader, date, wiring in takings)))
    assert "<script" not in svg
