"""No fact of a sheet or table is cut in silence.

What YAML or a spreadsheet takes off is told, with the words to type.
"""

from __future__ import annotations

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import Workbook

from pipeline.stages.sheet.suggest import iso_dates
from tests.unit.test_sheet import BASE, CHIP, told

ROW = "readings:\n  - {chip: U1, reader: prog, file: U1.prog.1.bin, "


def chip(said: str) -> list[str]:
    return told(BASE + CHIP.replace("part:", f"{said}, part:"))[1]


@pytest.mark.parametrize(
    ("said", "found", "words"),
    [
        (
            "marking: INTEL D2716, 1979",
            "'INTEL D2716', cut off at the comma before '1979'",
            'marking: "INTEL D2716, 1979"',
        ),
        ("notes: a, b, b", "'a', cut off at the comma before 'b, b'", 'notes: "a, b, b"'),
        ("notes: read twice, date, label", "'read twice', cut off", 'notes: "read twice, date, label"'),
        ('label: say "x", y', "cut off", "in quotes"),
        ("view: {rows: 8, columns: 8, left: high, low}", "chips[1].view.left", 'left: "high, low"'),
    ],
)
def test_a_value_cut_at_its_comma_is_a_problem_with_the_words_to_type(
    said: str, found: str, words: str
) -> None:
    problems = [one for one in chip(said) if "left: " in one or "cut off" in one]
    assert len(problems) == 1, problems
    assert problems[0].startswith("sheet.yaml:7: chips[1].")
    assert found in problems[0]
    assert words in problems[0]


def test_a_decimal_comma_is_caught_inside_braces_and_inside_quotes() -> None:
    for said in ("supply_v: 4,5", 'supply_v: "4,5"'):
        problems = told(BASE + CHIP + ROW + said + "}\n")[1]
        assert len(problems) == 1, problems
        assert "readings[1].supply_v" in problems[0]
        assert "4.5" in problems[0]


def test_an_unknown_field_is_a_problem_with_or_without_a_value() -> None:
    for said in ("revison: ", "revison: B"):
        (one,) = chip(said)
        assert one.startswith("sheet.yaml:7: chips[1].revison: found a field that is not known")
        assert one.endswith("nearest valid value revision")


def test_a_known_field_without_a_value_is_merely_not_said() -> None:
    assert chip("label: , revision: ~") == []


@pytest.mark.parametrize("said", ["label: ROM #3", "label: #4711", "marking: 'D2716' #3"])
def test_what_a_hash_sign_cuts_off_is_a_caution(said: str) -> None:
    text = BASE + "chips:\n  - chip: U1\n    part: '2716'\n    board: cpu\n    " + said + "\n"
    problems = told(text)[1]
    if "'" in said:
        assert problems == []  # behind quotes everybody sees where the value ends
        return
    (one,) = problems
    assert one.startswith("~sheet.yaml:10: chips[1].label: found ")
    assert "begins a comment" in one


def test_a_comment_in_plain_form_is_no_caution() -> None:
    text = BASE + "chips:   # all of them\n  - chip: U1 # first\n    part: '2716' ## x\n    board: cpu\n"
    assert told(text)[1] == []


@given(st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), min_size=1, max_size=30))
def test_a_marking_is_kept_whole_or_told(marking: str) -> None:
    """Whatever is typed between braces, without quotes: kept as typed, told, or refused as no YAML."""
    from pipeline.errors import SheetError

    text = BASE + f"chips:\n  - {{chip: U1, board: cpu, socket: A1, part: '2716', marking: {marking}}}\n"
    try:
        plan, problems = told(text)
    except SheetError:
        return
    kept = plan is not None and any((one.marking or "") == marking.strip(" ,") for one in plan.sheet.chips)
    unsaid = marking.strip(", ") in ("", "~", "null", "Null", "NULL", "''", '""')
    quoted = marking.strip()[:1] in "'\"" or "&" in marking or "!" in marking or "# " in f"{marking} "
    assert kept or problems or unsaid or quoted, marking


def test_look_alikes_of_other_languages_in_a_csv_are_cautions() -> None:
    cells = ("1,00E+03", "01.03.1984", "#REF!", "######", "3. Okt", "Mrz 84", "#BEZUG!")
    for cell in cells:
        table = f'chip,part,board,socket,label\nU1,2716,cpu,A1,"{cell}"\n'.encode()
        problems = told(BASE + "chips: chips.csv\n", tables={"chips.csv": table})[1]
        assert [one for one in problems if one.startswith("~chips.csv:2, column 5: label:")], cell
    table = b"chip,part,board,socket,label\nU1,2716,cpu,A1,84-C\n"
    assert told(BASE + "chips: chips.csv\n", tables={"chips.csv": table})[1] == []


def xlsx(*rows: tuple[str | int, ...]) -> bytes:
    book = Workbook()
    sheet = book.worksheets[0]
    for row in rows:
        sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_a_number_in_the_part_column_of_a_spreadsheet_is_taken() -> None:
    table = xlsx(("chip", "Part", "board", "socket"), ("U1", 2716, "cpu", "A1"))
    plan, problems = told(BASE + "chips: chips.xlsx\n", tables={"chips.xlsx": table})
    assert problems == []
    assert plan is not None
    assert plan.chips[0].part is not None
    assert plan.chips[0].chip.part == "2716"


def test_a_number_in_a_column_that_may_have_lost_zeros_is_still_refused() -> None:
    table = xlsx(("chip", "part", "board", "label"), ("U1", "2716", "cpu", 117))
    problems = told(BASE + "chips: chips.xlsx\n", tables={"chips.xlsx": table})[1]
    assert any("holds the number 117; format the column as Text and retype" in one for one in problems)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("12.3.2024", "2024-03-12 or 2024-12-03"),
        ("12.3.24", "2024-03-12 or 2024-12-03"),
        ("25/12/99", "1999-12-25"),
        ("March 2024", "2024-03"),
        ("12 March 2024", "2024-03-12"),
        ("Mar 12, 2024", "2024-03-12"),
        ("3/12/2024", "2024-12-03 or 2024-03-12"),
        ("13/12/2024", "2024-12-13"),
        ("2024/3/5", "2024-03-05"),
        ("20240305", "2024-03-05"),
        ("03.2024", "2024-03"),
        ("12. März 2024", "2024-03-12"),
    ],
)
def test_a_date_of_local_form_offers_the_iso_form(typed: str, meant: str) -> None:
    problems = told(BASE + CHIP + ROW + f'date: "{typed}"}}\n')[1]
    assert len(problems) == 1, problems
    assert problems[0].endswith(f"nearest valid value {meant}")


@pytest.mark.parametrize("typed", ["31.2.2024", "May or June 2024", "sometime", "1.2.3", "99/99/2024"])
def test_what_is_no_date_offers_none(typed: str) -> None:
    assert iso_dates(typed) == ()
