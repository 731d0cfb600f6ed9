"""The sheet: typed with places, every problem at once, nothing filled in that nobody said."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.catalogue import load
from pipeline.errors import NothingToDoError, SheetError, WellreadError
from pipeline.flow import FoundFile, Plan
from pipeline.stages.sheet import parse_sheet, read_sheet, split_name
from pipeline.stages.sheet.lined import LinedError, parse_lined

BASE = """\
machine: {id: m, name: M}
readers:
  prog: {kind: device-programmer}
boards:
  cpu: {}
"""
CHIP = "chips:\n  - {chip: U1, board: cpu, socket: A1, part: '2716'}\n"


def told(
    text: str,
    *,
    files: tuple[str, ...] = ("dumps/U1.prog.1.bin",),
    tables: Mapping[str, bytes] | None = None,
    refused: Mapping[str, str] | None = None,
) -> tuple[Plan | None, list[str]]:
    """The plan, and every problem as a person reads it; cautions begin with `~`."""
    found = {path: FoundFile(1, (refused or {}).get(path, "")) for path in (*files, *(refused or {}))}
    document = parse_sheet(text.encode(), "sheet.yaml")
    plan, problems = read_sheet(document, tables=tables or {}, files=found, catalogue=load())
    return plan, [("~" if one.caution else "") + str(one) for one in problems]


def test_a_sound_sheet_has_no_problem_and_resolves_its_part() -> None:
    plan, problems = told(BASE + CHIP)
    assert problems == []
    assert plan is not None
    assert str(plan.chips[0].organisation) == "2048x8"
    assert [one.reading for one in plan.chips[0].readings] == ["U1.prog.1"]


def test_scalars_survive_as_written() -> None:
    text = BASE + (
        "chips:\n  - {chip: U1, part: '2716', label: 0117, date_code: 7912, revision: 1E3, socket: "
        "NO, board: cpu}\n"
    )
    plan, _ = told(text)
    assert plan is not None
    chip = plan.sheet.chips[0]
    assert (chip.label, chip.date_code, chip.revision, chip.socket) == ("0117", "7912", "1E3", "NO")


def test_what_the_sheet_does_not_say_stays_not_said() -> None:
    plan, _ = told(BASE + "chips:\n  - {chip: U1, organisation: 2048x8}\n")
    assert plan is not None
    chip = plan.sheet.chips[0]
    assert [chip.part, chip.board, chip.socket, chip.label, chip.state] == [None] * 5
    assert plan.chips[0].erased_state is None


MISTAKES = {
    "duplicate chip": (
        CHIP + "  - {chip: u1, board: cpu, socket: A2, part: '2716'}\n",
        "sheet.yaml:8: chips[2].chip: found 'u1' again (first at sheet.yaml:7)",
    ),
    "socket twice": (
        CHIP + "  - {chip: U2, board: cpu, socket: A1, part: '2716'}\n",
        "found 'A1' a second time on board cpu (chip U1 sits there)",
    ),
    "unknown board": (
        "chips:\n  - {chip: U1, board: cpo, part: '2716'}\n",
        "chips[1].board: found 'cpo', expected a board that `boards` names, nearest valid value cpu",
    ),
    "unknown part": ("chips:\n  - {chip: U1, board: cpu, part: '27160'}\n", "nearest valid value 2716"),
    "contradiction": (
        "chips:\n  - {chip: U1, part: '2716', organisation: 4096x8}\n",
        "found 4096x8, but a 2716 is 2048x8",
    ),
    "unknown field": (
        "chips:\n  - {chip: U1, part: '2716', lable: X}\n",
        "chips[1].lable: found a field that is not known",
    ),
    "unknown reader": (
        CHIP + "readings:\n  - {chip: U1, reader: prag, file: U1.prog.1.bin}\n",
        "readings[1].reader: found 'prag', expected a reader that `readers` names, nearest valid value prog",
    ),
    "no file named": (
        CHIP + "readings:\n  - {chip: U1, reader: prog}\n",
        "found a reading that names no file",
    ),
    "file not there": (
        CHIP + "readings:\n  - {chip: U1, reader: prog, file: U1.prag.1.bin}\n",
        "which is not there, expected a file in dumps/, nearest valid value U1.prog.1.bin",
    ),
    "path outside": (
        CHIP + "readings:\n  - {chip: U1, reader: prog, file: ../secret}\n",
        "found '../secret', expected a path inside the project folder",
    ),
    "absolute path": (
        CHIP + "readings:\n  - {chip: U1, reader: prog, file: /etc/passwd}\n",
        "expected a path inside the project folder",
    ),
    "drive path": (
        CHIP + "readings:\n  - {chip: U1, reader: prog, file: 'C:\\x.bin'}\n",
        "expected a path inside the project folder",
    ),
    "unconfirmed": (
        "chips:\n  - {chip: U1, part: '2716', unconfirmed: [the part]}\n",
        "expected each guess confirmed on the chip, and the list emptied",
    ),
    "state and reading": (
        "chips:\n  - {chip: U1, part: '2716', state: on-loan}\n",
        "found 'on-loan' though U1.prog.1 reads it",
    ),
    "bad state": (
        "chips:\n  - {chip: U9, part: '2716', state: on loan}\n",
        "one of not-read, read-failed, socket-empty, on-loan, nearest valid value on-loan",
    ),
    "bad organisation": (
        "chips:\n  - {chip: U1, organisation: 2048}\n",
        "chips[1].organisation: found '2048', expected words x bits, such as 2048x8",
    ),
    "no organisation": (
        "chips:\n  - {chip: U1}\n",
        "chips[1].organisation: found nothing, expected words x bits",
    ),
    "bad date": (
        CHIP + "readings:\n  - {chip: U1, reader: prog, file: U1.prog.1.bin, date: 03.05.2024}\n",
        "expected a date as far as known",
    ),
    "bad rights": ("rights: {statement: public domain}\n" + CHIP, "expected a RightsStatements.org URI"),
    "unknown section": ("chip: []\n" + CHIP, "found a section that is not known"),
    "lane width": (
        CHIP + "spaces:\n  - {name: s, width: 16, placements: [{at: 0, lanes: [U1]}]}\n",
        "found lanes of 8 bits together, expected the space's width of 16",
    ),
    "lane unknown": (
        CHIP + "spaces:\n  - {name: s, width: 8, placements: [{at: 0, lanes: [U2]}]}\n",
        "found 'U2', expected a chip that `chips` names (U1)",
    ),
    "overlap": (
        CHIP
        + "spaces:\n  - {name: s, width: 8, placements: [{at: 0, lanes: [U1]}, {at: 0x400, lanes: [U1]}]}\n",
        "inside placement 1, expected placements that do not overlap",
    ),
    "board wiring": (
        "chips:\n  - {chip: U1, part: '2716', board_wiring: {address: [1, 0]}}\n",
        "found 2 lines, expected 11 lines",
    ),
    "take backwards": (
        CHIP + "readings:\n  - {chip: U1, reader: prog, file: U1.prog.1.bin, take: {range: 0x10-0x08}}\n",
        "range: the first offset before the end offset",
    ),
    "reserved id": ("chips:\n  - {chip: CON, part: '2716'}\n", "an id that Windows does not reserve"),
    "id with slash": ("chips:\n  - {chip: a/b, part: '2716'}\n", "expected an id (letters, digits"),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_each_mistake_is_told_with_place_and_expectation(name: str) -> None:
    text, expected = MISTAKES[name]
    _, problems = told(BASE + text)
    hard = [problem for problem in problems if not problem.startswith("~")]
    assert any(expected in problem for problem in hard), hard
    assert all(problem.startswith(("sheet.yaml:", "dumps/")) for problem in hard)


def test_all_problems_of_a_sheet_come_in_one_go() -> None:
    text = BASE + (
        "chips:\n"
        "  - {chip: U1, board: cpo, part: '2716'}\n"
        "  - {chip: U2, board: cpu, part: '9999'}\n"
        "  - {chip: U3, board: cpu, lable: x}\n"
        "  - {chip: U4, board: cpu, part: '2732', organisation: 1x1}\n"
    )
    _, problems = told(text)
    lines = {problem.split(":")[1] for problem in problems if problem.startswith("sheet.yaml")}
    assert {"7", "8", "9", "10"} <= lines


def test_sockets_repeat_from_board_to_board() -> None:
    text = (
        BASE.replace("  cpu: {}\n", "  cpu: {}\n  mem: {}\n")
        + CHIP
        + "  - {chip: U2, board: mem, socket: A1, part: '2716', state: not-read}\n"
    )
    _, problems = told(text)
    assert problems == []


def test_a_file_that_no_reading_names_is_a_caution() -> None:
    _, problems = told(BASE + CHIP, files=("dumps/U1.prog.1.bin", "dumps/odd.bin"))
    assert problems == [
        (
            "~dumps/odd.bin: found a file that no reading names, expected a name like CHIP.READER.N.ext, "
            "or a row in `readings`"
        )
    ]


def test_a_link_out_of_the_folder_is_refused() -> None:
    _, problems = told(
        BASE + CHIP, refused={"dumps/U1.prog.2.bin": "a link that leads out of the project folder"}
    )
    assert problems == [
        (
            "dumps/U1.prog.2.bin: found a link that leads out of the project folder, expected a plain "
            "file inside the project folder"
        )
    ]


TWO_READERS = BASE.replace("boards:", "  hb: {kind: home-built}\n  hb2: {kind: home-built}\nboards:") + CHIP


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        ("", ["U1.prog.1", "U1.hb.1", "U1.hb.2", "U1.hb.10", "U1.hb2.1"]),
        (
            "readings:\n  - {chip: U1, reader: hb2, file: U1.hb2.1.bin}\n",
            ["U1.hb2.1", "U1.prog.1", "U1.hb.1", "U1.hb.2", "U1.hb.10"],
        ),
        (
            """\
readings:
  - {chip: U1, reader: hb, file: U1.hb.2.bin}
  - {chip: U1, reader: hb2, file: U1.hb2.1.bin}
  - {chip: U1, reader: hb, file: U1.hb.1.bin}
""",
            ["U1.hb.1", "U1.hb.2", "U1.hb.10", "U1.hb2.1", "U1.prog.1"],
        ),
    ],
)
def test_readings_come_in_the_order_of_the_sheet_and_each_reader_s_by_number(
    rows: str, expected: list[str]
) -> None:
    names = ("U1.hb2.1", "U1.hb.10", "U1.hb.2", "U1.hb.1", "U1.prog.1")
    plan, _ = told(TWO_READERS + rows, files=tuple(sorted(f"dumps/{name}.bin" for name in names)))
    assert plan is not None
    assert [one.reading for one in plan.chips[0].readings] == expected


def test_two_readings_may_share_a_file_only_in_different_parts() -> None:
    rows = (
        "  - {{chip: U1, reader: prog, file: both.bin{0}}}\n  - {{chip: U2, reader: prog, file: "
        "both.bin{1}}}\n"
    )
    chips = CHIP + "  - {chip: U2, board: cpu, socket: A2, part: '2716'}\nreadings:\n"
    clash = ("", ", take: {every: 2, first: 1}")
    apart = (", take: {every: 2, first: 0}", ", take: {every: 2, first: 1}")
    _, problems = told(BASE + chips + rows.format(*clash), files=("dumps/both.bin",))
    assert any("the same part of dumps/both.bin" in problem for problem in problems)
    _, problems = told(BASE + chips + rows.format(*apart), files=("dumps/both.bin",))
    assert problems == []


@pytest.mark.parametrize(
    "table",
    [
        "chip,board,socket,part\nU1,cpu,A1,2716\n",
        "\ufeffchip;board;socket;part\r\nU1;cpu;A1;2716\r\n",
        'chip\tboard\tsocket\tpart\nU1\tcpu\tA1\t"2716"\n',
    ],
)
def test_a_csv_may_have_a_bom_semicolons_tabs_and_crlf(table: str) -> None:
    plan, problems = told(BASE + "chips: chips.csv\n", tables={"chips.csv": table.encode()})
    assert problems == []
    assert plan is not None
    assert plan.sheet.chips[0].part == "2716"


def test_a_csv_problem_names_row_and_column() -> None:
    table = "chip,board,part\nU1,cpu,2716\nU2,cpo,2716\n"
    _, problems = told(BASE + "chips: chips.csv\n", tables={"chips.csv": table.encode()})
    assert any(
        problem.startswith("chips.csv:3, column 2: chips[2].board: found 'cpo'") for problem in problems
    )


def test_a_problem_in_a_column_that_stands_twice_names_the_cell_that_was_taken() -> None:
    table = "chip,board,organisation,board\nU1,cpo,16x4,\nU2,,16x4,cpa\nU3,cpu,16x4,cpe\n"
    _, problems = told(BASE + "chips: chips.csv\n", tables={"chips.csv": table.encode()})
    expected = [("2, column 2", "1", "cpo"), ("3, column 4", "2", "cpa"), ("4, column 4", "3", "cpe")]
    for place, row, found in expected:
        told_there = f"chips.csv:{place}: chips[{row}].board: found '{found}'"
        assert any(problem.startswith(told_there) for problem in problems), problems


def test_values_that_a_spreadsheet_has_eaten_are_cautions() -> None:
    table = "chip,board,part,label,revision\nU1,cpu,2716,117,1E+03\nU2,cpu,2716,12,3-Apr\nU3,cpu,2716,9,\n"
    _, problems = told(BASE + "chips: chips.csv\n", tables={"chips.csv": table.encode()})
    cautions = [problem for problem in problems if problem.startswith("~chips.csv")]
    assert any("'1E+03'" in problem for problem in cautions)
    assert any("'3-Apr'" in problem for problem in cautions)
    assert any("leading zeros" in problem for problem in cautions)


def _xlsx(rows: list[list[object]]) -> bytes:
    from openpyxl import Workbook

    book = Workbook()
    page = book.active
    assert page is not None
    page.title = "chips"
    for row in rows:
        page.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_an_xlsx_cell_that_is_no_longer_text_is_refused_with_its_place() -> None:
    content = _xlsx([["chip", "label", "part"], ["U1", 117, "2716"], ["U2", "0118", "=A1"]])
    _, problems = told(BASE + "chips: chips.xlsx\n", tables={"chips.xlsx": content})
    assert any(
        "chips.xlsx:chips!B2: holds the number 117; format the column as Text and retype" in one
        for one in problems
    )
    assert any("chips!C3: holds the formula =A1" in one for one in problems)


def test_an_xlsx_of_text_is_read() -> None:
    content = _xlsx([["chip", "label", "part", "board"], ["U1", "0117", "2716", "cpu"]])
    plan, problems = told(BASE + "chips: chips.xlsx\n", tables={"chips.xlsx": content})
    assert problems == []
    assert plan is not None
    assert plan.sheet.chips[0].label == "0117"


def test_cells_far_out_that_are_not_read_are_told() -> None:
    row: list[object] = ["chip", *([None] * 300), "far"]
    content = _xlsx([row, ["U1"]])
    _, problems = told(BASE + "chips: chips.xlsx\n", tables={"chips.xlsx": content})
    assert any(
        one.startswith("~chips.xlsx:chips: found cells beyond row 200000 or column IV") for one in problems
    )


def test_an_xlsx_bomb_is_refused_without_unpacking() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * (300 * 1024 * 1024))
    _, problems = told(BASE + "chips: chips.xlsx\n", tables={"chips.xlsx": out.getvalue()})
    assert any("that unpacks to 314572800" in problem for problem in problems)


def test_an_alias_bomb_is_refused() -> None:
    bomb = "a: &a [x,x,x,x,x,x,x,x,x,x]\n" + "".join(
        f"{chr(98 + n)}: &{chr(98 + n)} [{','.join(['*' + chr(97 + n)] * 10)}]\n" for n in range(9)
    )
    with pytest.raises(SheetError) as caught:
        told(bomb)
    assert "aliases that expand to more than" in caught.value.problems[0]


def test_latin_1_is_told_with_the_offset_of_its_first_byte() -> None:
    with pytest.raises(SheetError) as caught:
        parse_sheet("machine: {id: m, name: Müller}\n".encode("latin-1"), "sheet.yaml")
    assert caught.value.problems[0].startswith("sheet.yaml:1: found the byte 0xFC at offset 24")


@pytest.mark.parametrize("text", ["", "\n# nothing\n", "{}\n"])
def test_an_empty_sheet_says_what_to_write(text: str) -> None:
    with pytest.raises(NothingToDoError, match="the sheet is empty"):
        told(text)


def test_a_sheet_without_chips_says_so() -> None:
    with pytest.raises(NothingToDoError, match="no chips"):
        told(BASE)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("machine: {id: m", "text that is not YAML"),
        ("- a\n- b\n", "expected fields such as"),
        ("a: 1\na: 2\n", "the field 'a' a second time (first in line 1)"),
        ("a: !!python/object:os.system x\n", "the tag"),
        ("a: 1\n---\nb: 2\n", "a second document"),
        ("a: " + "[" * 60 + "]" * 60 + "\n", "more than 40 levels"),
        ("a: &x [*x]\n", "the alias *x"),
    ],
)
def test_what_is_no_plain_yaml_is_refused_with_its_line(text: str, expected: str) -> None:
    with pytest.raises(SheetError) as caught:
        told(text)
    assert expected in caught.value.problems[0]


@given(st.binary(max_size=400))
def test_any_bytes_give_a_sheet_or_a_located_refusal(content: bytes) -> None:
    refused = ""
    try:
        document = parse_sheet(content, "sheet.yaml")
    except WellreadError as error:
        refused = str(error)
    assert refused.startswith("sheet.yaml: ") or document.file == "sheet.yaml"


@given(st.text(alphabet="abc:-[]{}&*!'\"#\n ,|>%@`?", max_size=120))
def test_yaml_like_text_never_raises_anything_else(text: str) -> None:
    line = 1
    try:
        parse_lined(text, "sheet.yaml")
    except LinedError as error:
        line = error.line
    assert line >= 1


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("U1.prog.1.bin", ("U1", "prog", 1)),
        ("U1.prog.12", ("U1", "prog", 12)),
        ("U1.2.prog.3.hex", ("U1.2", "prog", 3)),
        ("U1.prog.bin", None),
        ("U1 (2).bin", None),
        ("U9.prog.1.bin", None),
        ("U1.prog.\u0661.bin", None),
    ],
)
def test_a_file_name_is_split_only_where_chip_and_reader_exist(
    name: str, expected: tuple[str, str, int] | None
) -> None:
    assert split_name(name, {"U1": 0, "U1.2": 0}, {"prog": 0}) == expected
