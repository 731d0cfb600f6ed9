"""Hostile sheets: each is refused in words, at once, and nothing of it acts on anything.

What may lie in a project folder is in `test_hostile_files`, in a bag or an archive in `test_hostile_bags`;
what the terminal may not get in `test_hostile_terminal`.
"""

from __future__ import annotations

import csv
import io
import itertools
import re
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.edges.ledger import Ledger
from pipeline.views.holdings import holdings_csv
from schemas.answers import HeldChip
from tests.journey.cli import wellread
from tests.journey.hostile import Words, in_words, project_at, within


def test_the_project_of_these_drills_is_sound_by_itself(tmp_path: Path) -> None:
    assert wellread("check", project_at(tmp_path / "p")).code == 0


# --- the sheet ----------------------------------------------------------------------------------------------


def _laughs(levels: str) -> str:
    lines = [f"{levels[0]}: &{levels[0]} [x,x,x,x,x,x,x,x,x]\n"]
    for old, new in itertools.pairwise(levels):
        lines.append(f"{new}: &{new} [{','.join([f'*{old}'] * 9)}]\n")
    return "".join(lines)


@pytest.mark.parametrize(
    "sheet",
    [
        _laughs("abcdefghi"),
        "a: &a {x: 1}\n"
        + "".join(
            f"b{n}: &b{n} {{<<: *{'a' if not n else f'b{n - 1}'}, y{n}: [*a, *a]}}\n" for n in range(9000)
        ),
        "a: &a [*a, *a]\n",
        "chips: " + "[" * 50_000,
        "chips: " + "{a: " * 5_000,
        "chips:\n" + "".join(" " * depth + "-\n" for depth in range(2_000)),
        "? " * 20_000,
        "a: " + "&b " * 50_000,
        pytest.param("chips: [" + "x," * 3_100_000 + "]", marks=pytest.mark.slow),
        "!!python/object/apply:os.system ['touch hostile']",
        "%TAG ! tag:yaml.org,2002:python/\n---\n!object/apply:os.system ['touch hostile']",
        "project: {title: '\x1b]0;owned\x07'}\n",
        'chips: [{chip: U1, label: "\\ud800"}]',
    ],
    ids=[
        "billion laughs",
        "merged keys",
        "an alias inside itself",
        "deep lists",
        "deep maps",
        "deep blocks",
        "deep keys",
        "many anchors",
        "millions of values",
        "object tag",
        "object tag by another name",
        "raw escape",
        "half a character",
    ],
)
def test_a_hostile_yaml_sheet_is_refused_in_words_and_at_once(tmp_path: Path, sheet: str) -> None:
    project = project_at(tmp_path / "p", sheet)
    commands: tuple[Words, ...] = (["check", project], ["package", project])
    for command in commands:
        with within(30):
            in_words(wellread(*command))
    assert not Path("hostile").exists()


def test_a_yaml_bomb_in_a_cell_of_a_table_is_refused_in_words_and_at_once(tmp_path: Path) -> None:
    project = project_at(tmp_path / "p", "machine: {id: m, name: M}\nchips: chips.csv\n")
    bomb = (
        "["
        + ", ".join(
            f"&{new} [{','.join([f'*{old}'] * 9)}]" for old, new in zip("abcdefgh", "bcdefghi", strict=True)
        )
        + "]"
    )
    bomb = bomb.replace("[&b", "[&a [x,x,x,x,x,x,x,x,x], &b", 1)
    rows = "".join(
        f'U{number},"{cell}"\n' for number, cell in enumerate([bomb, "[" * 50_000, "{a: " * 5_000])
    )
    (project / "chips.csv").write_text("chip,attempts\n" + rows, encoding="utf-8")
    with within(20):
        ran = wellread("check", project)
    in_words(ran)
    for number in range(3):
        assert f"chips.csv:{number + 2}, column 2: attempts: found" in ran.out + ran.err


def _spreadsheet(tmp_path: Path) -> tuple[Path, Path]:
    """A project whose chips are in a spreadsheet, and a plain spreadsheet to be spoilt."""
    project = project_at(tmp_path / "p", "machine: {id: m, name: M}\nchips: chips.xlsx\n")
    plain = tmp_path / "plain.xlsx"
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    made, rels = (
        "application/vnd.openxmlformats-officedocument.spreadsheetml",
        "http://schemas.openxmlformats.org/officeDocument/2006/relationships",
    )
    packed = "http://schemas.openxmlformats.org/package/2006"
    parts = {
        "[Content_Types].xml": (
            f'<Types xmlns="{packed}/content-types"><Default Extension="rels" '
            f'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        )
        + "".join(
            f'<Override PartName="/xl/{path}.xml" ContentType="{made}.{kind}+xml"/>'
            for path, kind in (
                ("workbook", "sheet.main"),
                ("worksheets/sheet1", "worksheet"),
                ("sharedStrings", "sharedStrings"),
                ("styles", "styles"),
            )
        )
        + "</Types>",
        "_rels/.rels": (
            f'<Relationships xmlns="{packed}/relationships"><Relationship Id="r1" '
            f'Type="{rels}/officeDocument" Target="xl/workbook.xml"/></Relationships>'
        ),
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{packed}/relationships">'
        + "".join(
            f'<Relationship Id="r{number}" Type="{rels}/{kind}" Target="{path}.xml"/>'
            for number, (path, kind) in enumerate(
                (
                    ("worksheets/sheet1", "worksheet"),
                    ("sharedStrings", "sharedStrings"),
                    ("styles", "styles"),
                ),
                start=1,
            )
        )
        + "</Relationships>",
        "xl/workbook.xml": (
            f'<workbook xmlns="{main}" xmlns:r="{rels}"><sheets><sheet name="chips" sheetId="1" '
            f'r:id="r1"/></sheets></workbook>'
        ),
        "xl/styles.xml": f'<styleSheet xmlns="{main}"><cellXfs count="1"><xf/></cellXfs></styleSheet>',
        "xl/sharedStrings.xml": f'<sst xmlns="{main}"><si><t>chip</t></si><si><t>U1</t></si></sst>',
        "xl/worksheets/sheet1.xml": f'<worksheet xmlns="{main}"><sheetData><row r="1"><c r="A1" '
        't="s"><v>0</v></c></row>'
        '<row r="2"><c r="A2" t="inlineStr"><is><t>U1</t></is></c></row></sheetData></worksheet>',
    }
    with zipfile.ZipFile(plain, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    shutil.copyfile(plain, project / "chips.xlsx")
    read = wellread("check", project)
    assert "XLSX spreadsheet (" not in read.out
    assert "1 chip" in read.out
    return project, plain


def _respun(plain: Path, target: Path, **parts: Callable[[str], str]) -> None:
    """The spreadsheet with some of its parts (`sheet1` for `xl/worksheets/sheet1.xml`) made anew."""
    done = set()
    with zipfile.ZipFile(plain) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name).decode("utf-8")
            part = Path(name).stem
            if part in parts:
                content = parts[part](content.split("?>", 1)[1] if content.startswith("<?xml") else content)
                done.add(part)
            new.writestr(name, content)
    assert done == set(parts)


LAUGHS = '<!ENTITY e0 "0123456789">' + "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 10))
XML_BOMBS = {
    "laughs": (LAUGHS, "&e9;"),
    "quadratic": (f'<!ENTITY e "{"x" * 200_000}">', "&e;" * 20_000),
    "small enough for every XML reader": ('<!ENTITY e "U1">', "&e;"),
    "external": ('<!ENTITY e SYSTEM "file:///etc/hostname">', "&e;"),
    "external declaration": ('<!ENTITY % e SYSTEM "file:///etc/hostname"> %e;', "x"),
}
"""Name: what is declared, and what stands in a text."""


@pytest.mark.parametrize("part", ["sheet1", "sharedStrings", "workbook", "styles"])
@pytest.mark.parametrize("bomb", XML_BOMBS.values(), ids=XML_BOMBS)
def test_an_xml_bomb_in_an_xlsx_is_refused_in_words_and_at_once(
    tmp_path: Path, bomb: tuple[str, str], part: str
) -> None:
    project, plain = _spreadsheet(tmp_path)

    holes = {
        "sheet1": "<t>U1</t>",
        "sharedStrings": "<t>chip</t>",
        "workbook": "</workbook>",
        "styles": "</styleSheet>",
    }
    inside = {
        "sheet1": "<t>{}</t>",
        "sharedStrings": "<t>{}</t>",
        "workbook": "<x>{}</x></workbook>",
        "styles": "<x>{}</x></styleSheet>",
    }

    def spoilt(body: str) -> str:
        declaration, text = bomb
        assert holes[part] in body
        return f"<!DOCTYPE b [{declaration}]>" + body.replace(holes[part], inside[part].format(text), 1)

    _respun(plain, project / "chips.xlsx", **{part: spoilt})
    with within(20):
        ran = wellread("check", project)
    in_words(ran)
    assert "chips.xlsx: found a file that is not an XLSX" in ran.out + ran.err


def test_a_spreadsheet_that_unpacks_to_gigabytes_is_refused_unread(tmp_path: Path) -> None:
    project, plain = _spreadsheet(tmp_path)
    _respun(
        plain,
        project / "chips.xlsx",
        sheet1=lambda body: body.replace("</worksheet>", " " * (80 << 20) + "</worksheet>"),
    )
    with within(10):
        ran = wellread("check", project)
    in_words(ran)
    assert "bytes that unpacks to 8" in ran.out


def test_a_spreadsheet_that_understates_what_it_unpacks_to_is_read_no_further(tmp_path: Path) -> None:
    project, plain = _spreadsheet(tmp_path)
    target = project / "chips.xlsx"
    _respun(
        plain, target, sheet1=lambda body: body.replace("</worksheet>", " " * (80 << 20) + "</worksheet>")
    )
    raw = target.read_bytes()
    with zipfile.ZipFile(target) as archive:
        told = next(one.file_size for one in archive.infolist() if one.filename.endswith("sheet1.xml"))
    lying = raw.replace(told.to_bytes(4, "little"), (4096).to_bytes(4, "little"))
    assert lying != raw
    target.write_bytes(lying)
    with within(10):
        ran = wellread("check", project)
    in_words(ran)
    assert "not an XLSX" in ran.out


# --- formulas -----------------------------------------------------------------------------------------------

ROOT = Path(__file__).parents[2]
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20")
BEGINNINGS = [
    *(f"{mark}=" for mark in ("", "\t", "\r", "\n", " ", "x;", '"', "';")),
    *FORMULA,
    "x; +",
    "x,@",
    "x|-",
]


def test_the_program_writes_one_kind_of_csv_and_no_other() -> None:
    writing = re.compile(r"csv\.(writer|DictWriter)|text/csv|text/tab-separated-values")
    writers = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "pipeline").rglob("*.py")
        if writing.search(path.read_text(encoding="utf-8"))
    }
    known = {"pipeline/views/fixity.py", "pipeline/views/holdings.py"}
    assert writers == known, "drill the formulas of the new one too"


@pytest.mark.parametrize("begins", BEGINNINGS)
def test_no_cell_of_a_shelf_s_table_is_a_formula_to_any_spreadsheet(begins: str) -> None:
    evil = f'{begins}HYPERLINK("http://evil.example";A1)'
    text = holdings_csv([{**dict.fromkeys(HeldChip.__annotations__, evil), "findings": [evil, evil]}])  # type: ignore[typeddict-item]
    assert_no_formula(text, at_least=5)


def assert_no_formula(text: str, *, at_least: int) -> None:
    """However a table is cut into cells: as it was meant, or as a spreadsheet of another country does."""
    table = list(csv.reader(io.StringIO(text, newline="")))
    assert sum("HYPERLINK" in cell for cell in table[-1]) >= at_least
    cells = [cell for line in table for cell in line]
    pieces = [cell for mark in ";|\t" for line in text.splitlines() for cell in line.split(mark)]
    cells += [piece.lstrip(" ").removeprefix('"') for piece in pieces]
    assert not [cell for cell in cells if cell.lstrip(" ").startswith(FORMULA)]


@pytest.mark.parametrize("begins", BEGINNINGS)
def test_no_cell_of_an_exported_history_is_a_formula_to_any_spreadsheet(tmp_path: Path, begins: str) -> None:
    evil = f'{begins}HYPERLINK("http://evil.example";A1)'
    row = {
        "kind": evil,
        "when": evil,
        "tool": evil,
        "bag": evil,
        "outcome": evil,
        "note": evil,
        "receipt": evil,
        "files": 1,
        "size_bytes": 2,
        "algorithms": [evil],
        "problem_count": 3,
        "problems": [{"kind": evil, "path": evil}],
    }
    with Ledger(tmp_path / "l", {"kind": "opened", "when": "", "tool": ""}) as book:
        book.add(row)
    ran = wellread("ledger", tmp_path / "l", "--csv", tmp_path / "history.csv")
    assert ran.code == 0, ran.err
    with (tmp_path / "history.csv").open(encoding="utf-8", newline="") as stream:
        text = stream.read()
    assert_no_formula(text, at_least=9)
