"""Chip and reading tables kept beside the sheet as CSV or XLSX.

Spreadsheets rewrite what they think they understand: `0117` becomes 117, `1E3` becomes 1E+03, `3-4` becomes a
date. A CSV can only be looked at for the traces; an XLSX says which of its cells are no longer text, and
those are refused with their place.
"""

from __future__ import annotations

import csv
import io
import itertools
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterable, Sequence
from typing import Any

from pipeline.flow import Problem
from pipeline.stages.sheet.lined import CellPlaces, LinedDict, LinedError, LinedList, parse_lined

MOST_ROWS = 200_000
MOST_COLUMNS = 256
MOST_XLSX_BYTES = 32 * 1024 * 1024
"""Unpacked size beyond which a spreadsheet is not read: seven tables of 10,000 chips with eight columns
(measured: 4.4 MB each). Reading so much of the worst that was tried took 1.1 GB and a minute.
"""
MOST_TIMES_LARGER = 50
"""Honest chip tables unpack to 12 to 15 times their size (measured)."""
FREE_XLSX_BYTES = 1024 * 1024
"""So much may come out of any spreadsheet, however small."""
MOST_MERGED = 100
NESTED = frozenset(["answers", "attempts", "board_wiring", "lines", "view", "take", "packed"])
LISTS = frozenset(["unconfirmed", "files"])
_MERGED = re.compile(rb'<(?:\w+:)?mergeCell ref="([A-Z0-9:]{1,30})"')
_MONTH = (
    r"(?:Jan|Feb|Fév|Mar|Mär|Mrz|Apr|Abr|Avr|May|Mai|Mag|Jun|Juin|Giu|Jul|Juil|Lug|Aug|Août|Ago|"
    r"Sep|Set|Oct|Okt|Ott|Nov|"
    r"Dec|Dez|Déc|Dic|Ene|Gen)\.?"
)
_EATEN = re.compile(
    rf"^(?:\d{{1,2}}[-. ]{{1,2}}{_MONTH}(?:[- ]\d{{2,4}})?|{_MONTH}[- ]\d{{2,4}}"
    r"|\d{1,2}\.\d{1,2}\.\d{2,4}|\d{1,2}/\d{1,2}/\d{2,4}"
    r"|\d(?:[.,]\d+)?E[+-]\d{2,}"
    r"|#(?:REF!|N/A|VALUE!|NAME\?|DIV/0!|NUM!|NULL!|BEZUG!|NV|WERT!|ZAHL!|#{2,}))$",
    re.IGNORECASE,
)
"""What spreadsheets of several languages make of text: a date, a power of ten, an error. Common practice, no
source.
"""
_PLAIN_NUMBERS = frozenset(["part", "supply_v", "temperature_c"])
"""Columns in which a spreadsheet's number is what was typed: it loses no zeros at the front and becomes no
date.
"""


def column_letters(index: int) -> str:
    """A column's name as spreadsheets count: 0 is A, 25 is Z, 26 is AA."""
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def decode_text(content: bytes, file: str) -> tuple[str, Problem | None]:
    """UTF-8 (a BOM is accepted), or UTF-16 with a BOM.

    Anything else is told with the offset of its first byte.
    """
    for bom, name in ((b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        if content.startswith(bom):
            try:
                return content[2:].decode(name), None
            except UnicodeDecodeError as error:
                return "", Problem(
                    f"{file}, byte offset {error.start + 2}", "", "broken UTF-16", "UTF-8 text"
                )
    try:
        return content.removeprefix(b"\xef\xbb\xbf").decode("utf-8"), None
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        found = (
            f"the byte 0x{content[error.start]:02X} at offset {error.start}, which is not UTF-8 (Latin-1?)"
        )
        return "", Problem(
            f"{file}:{line}",
            "",
            found,
            "UTF-8: save the table again as CSV UTF-8, or in an editor with encoding UTF-8",
        )


def read_table(content: bytes, file: str) -> tuple[LinedList, list[Problem]]:
    """The rows of a table, each a LinedDict by column name; empty cells are left out.

    Args:
        content: The file's bytes.
        file: Its name; the ending says whether it is .csv or .xlsx.

    Returns:
        Rows, and the problems and cautions met.
    """
    if file.lower().endswith(".xlsx"):
        with warnings.catch_warnings():
            # The reader warns of what it will not write back, in words that quote the file as it is, on the
            # terminal.
            warnings.simplefilter("ignore")
            return _read_xlsx(content, file)
    return _read_csv(content, file)


def _read_csv(content: bytes, file: str) -> tuple[LinedList, list[Problem]]:
    """A table as text: commas, semicolons or tabs, whichever its first line has most of."""
    text, bad = decode_text(content, file)
    if bad:
        return LinedList(1), [bad]
    first_line = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(",;\t", key=first_line.count) if first_line else ","
    skipped = 0
    if re.fullmatch(r"sep=[,;\t]", first_line.strip("\r\n ")) and text.startswith("sep="):
        # Spreadsheets write this line to say what separates the cells.
        delimiter, skipped = first_line[4], 1
        text = text.split("\n", 1)[1] if "\n" in text else ""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[tuple[int, list[str]]] = []
    try:
        begins = 1 + skipped
        for row in reader:
            rows.append((begins, [cell.strip() for cell in row]))
            begins = reader.line_num + 1 + skipped
            if len(rows) > MOST_ROWS:
                return LinedList(1), [Problem(file, "", f"more than {MOST_ROWS} rows", "fewer rows")]
    except csv.Error as error:
        return LinedList(1), [
            Problem(
                f"{file}:{reader.line_num + skipped}", "", f"text that is not CSV ({error})", "a CSV table"
            )
        ]
    return _rows_of(rows, file, lambda line, n: f"{file}:{line}, column {n + 1}", eaten=True)


def _rows_of(
    rows: Sequence[tuple[int, list[str]]], file: str, place: Any, *, eaten: bool
) -> tuple[LinedList, list[Problem]]:
    """Rows by header; traces of a spreadsheet's rewriting become cautions."""
    problems: list[Problem] = []
    out = LinedList(1)
    used = [(line, cells) for line, cells in rows if any(cells)]
    if not used:
        return out, [Problem(file, "", "an empty table", "a header line and one line a chip")]
    header_line, header = used[0]
    names = [_column(name) for name in header]
    for n, name in enumerate(names):
        if name and name in names[:n]:
            problems.append(
                Problem(place(header_line, n), name, "this column a second time", "each column once")
            )
    places = CellPlaces(place, {name: n for n, name in enumerate(names) if name})
    for line, cells in used[1:]:
        row = LinedDict(file, line)
        row.cells = places
        for n, cell in enumerate(cells):
            name = names[n] if n < len(names) else ""
            if not cell:
                continue
            if not name:
                problems.append(
                    Problem(place(line, n), "", _shown(cell), "nothing, or a name at the head of this column")
                )
                continue
            row.lines[name] = line
            if row.cells.columns[name] != n:  # of a column that stands twice, the cell that was taken
                row.cells = CellPlaces(place, {**row.cells.columns, name: n})
            row[name] = _structured(cell, name, row, problems)
            if eaten and name != "date" and _EATEN.match(cell):
                problems.append(
                    Problem(
                        place(line, n),
                        name,
                        _shown(cell),
                        (
                            "the text as it was before a spreadsheet rewrote it (check it; quote or "
                            "retype it as text)"
                        ),
                        caution=True,
                    )
                )
        out.append(row)
        out.lines.append(line)
    if eaten:
        problems += _bare_numbers(out, place, names)
    return out, problems


def _structured(cell: str, name: str, row: LinedDict, problems: list[Problem]) -> Any:
    """A nested field is written in a cell as YAML flow text, a list also with semicolons."""
    if name in LISTS and not cell.startswith("["):
        return [piece.strip() for piece in cell.split(";") if piece.strip()]
    if name in NESTED or name in LISTS:
        try:
            return parse_lined(cell, row.file)
        except LinedError as error:
            problems.append(Problem(row.place(name), name, error.found, error.expected))
    return cell


def _bare_numbers(rows: LinedList, place: Any, names: Sequence[str]) -> Iterable[Problem]:
    """A label or date-code column of nothing but bare numbers may have lost its leading zeros."""
    for name in ("label", "date_code", "revision"):
        values = [row[name] for row in rows if name in row]
        bare = all(
            isinstance(v, str) and v.isascii() and v.isdigit() and not v.startswith("0") for v in values
        )
        if len(values) >= 3 and bare and len({len(v) for v in values}) > 1:
            yield Problem(
                place(rows[0].line, names.index(name)).split(", column")[0],
                name,
                "a column of bare numbers of differing length",
                "leading zeros that a spreadsheet may have dropped (check against the chips)",
                caution=True,
            )


def _shown(value: object) -> str:
    text = ascii(value) if not isinstance(value, str) or not value.isprintable() else repr(value)
    return text if len(text) <= 80 else text[:77] + "...'"


def _read_xlsx(content: bytes, file: str) -> tuple[LinedList, list[Problem]]:
    """Cells as text, row by row, with what a spreadsheet may have done to them told as problems.

    What it unpacks to is bounded before it is unpacked (a zip bomb), and entities are refused (an XML bomb).
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            unpacked = sum(member.file_size for member in archive.infolist())
            if unpacked > min(MOST_XLSX_BYTES, max(FREE_XLSX_BYTES, MOST_TIMES_LARGER * len(content))):
                return LinedList(1), [
                    Problem(
                        file,
                        "",
                        f"a spreadsheet of {len(content)} bytes that unpacks to {unpacked}",
                        "a chip table, saved as .csv where it is so large",
                    )
                ]
            _refuse_doctypes(archive)
        from openpyxl import load_workbook

        book = load_workbook(io.BytesIO(content), read_only=True, data_only=False)
        sheet = book.worksheets[0]
        rows: list[tuple[int, list[str]]] = []
        problems = _merged(content, sheet, file)
        if (sheet.max_row or 0) > MOST_ROWS or (sheet.max_column or 0) > MOST_COLUMNS:
            beyond = (
                f"cells beyond row {MOST_ROWS} or column {column_letters(MOST_COLUMNS - 1)}, which are "
                f"not read"
            )
            problems.append(
                Problem(
                    f"{file}:{sheet.title}", "", beyond, "a chip table, and nothing far from it", caution=True
                )
            )
        for index, cells in enumerate(sheet.iter_rows(max_row=MOST_ROWS, max_col=MOST_COLUMNS), start=1):
            # A stray cell far out makes a grid of mostly nothing, which costs minutes if looked at cell by
            # cell.
            if all(cell.value is None for cell in cells):
                continue
            texts = []
            for n, cell in enumerate(cells):
                named = _column(rows[0][1][n]) if rows and n < len(rows[0][1]) else ""
                number = _plain_number(cell.value) if named in _PLAIN_NUMBERS else ""
                where = f"{file}:{sheet.title}!{column_letters(n)}{index}"
                texts.append(number or _xlsx_text(cell, where, problems))
            rows.append((index, texts))
    except (
        zipfile.BadZipFile,
        zlib.error,
        NotImplementedError,
        RuntimeError,
        EOFError,
        KeyError,
        ValueError,
        IndexError,
        OSError,
        SyntaxError,
        TypeError,
        AttributeError,
    ):
        return LinedList(1), [
            Problem(
                file,
                "",
                "a file that is not an XLSX spreadsheet (cut short, or of another kind)",
                "a table saved as .xlsx",
            )
        ]
    out, more = _rows_of(
        rows, file, lambda line, n: f"{file}:{sheet.title}!{column_letters(n)}{line}", eaten=False
    )
    return out, problems + more


def _refuse_doctypes(archive: zipfile.ZipFile) -> None:
    """No part may declare entities, which make a few bytes of XML into gigabytes, or read other files.

    Whether the XML reader itself bounds them depends on the build of Python. No spreadsheet program writes
    any.

    Raises:
        ValueError: One does.

    Source:
        ECMA-376 (Office Open XML) part 2, section 9.1.3: a part holds no document type declaration; from
        memory.
    """
    from xml.parsers import expat

    class _BegunError(Exception):
        pass

    def doctype(*_told: object) -> None:
        raise ValueError("a document type declaration")

    def begun(*_told: object) -> None:
        raise _BegunError

    for name in archive.namelist():
        parser = expat.ParserCreate()
        parser.StartDoctypeDeclHandler = doctype
        parser.StartElementHandler = begun  # after the first element none may come
        try:
            with archive.open(name) as part:
                parser.ParseFile(part)
        except (NotImplementedError, RuntimeError, zlib.error) as error:
            raise ValueError(f"its part {name} cannot be unpacked") from error
        except (_BegunError, expat.ExpatError):
            # Pictures are parts too; what is no XML to this parser is none to the reader, which uses the
            # same.
            continue


def _merged(content: bytes, sheet: Any, file: str) -> list[Problem]:
    """Merged cells look filled to a person, yet only the first holds anything: each range is told."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        inner = archive.read(str(getattr(sheet, "_worksheet_path", "")).lstrip("/"))
    return [
        Problem(
            f"{file}:{sheet.title}!{found[1].decode()}",
            "",
            "merged cells, of which only the first holds a value",
            "cells of their own, each filled",
        )
        for found in itertools.islice(_MERGED.finditer(inner), MOST_MERGED)
    ]


def _column(head: str) -> str:
    """A column's field, from what stands at its head."""
    return head.strip().lower().replace(" ", "_")


def _plain_number(value: object) -> str:
    """A spreadsheet's number as it was typed, or "" where it is none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return ""
    return str(int(value)) if value == int(value) else repr(value)


_KINDS = {"n": "the number", "d": "the date", "f": "the formula", "b": "the truth value", "e": "the error"}


def _xlsx_text(cell: Any, where: str, problems: list[Problem]) -> str:
    """A cell's text; a cell that is no longer text is a problem of its own."""
    if cell.value is None:
        return ""
    kind = getattr(cell, "data_type", "s")
    if kind in ("s", "str", "inlineStr") and isinstance(cell.value, str):
        return cell.value.strip()
    shown = str(cell.value)
    problems.append(
        Problem(
            where,
            "",
            shown[:60],
            "text",
            words=f"holds {_KINDS.get(kind, 'the value')} {shown[:60]}; format the column as Text and retype",
        )
    )
    return ""
