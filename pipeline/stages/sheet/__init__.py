"""Stage one: the sheet's text becomes a plan, or all its problems at once.

The procedure:

1. The text becomes mappings that know their lines (`lined`).
2. Tables kept beside it are read (`tables`).
3. Each section is typed by the schema (`typed`); mistakes gather.
4. Chips, readings, files, parts and spaces are joined by name (`link`); contradictions gather.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from pydantic import BaseModel

from pipeline.catalogue import Catalogue
from pipeline.errors import NothingToDoError, SheetError
from pipeline.flow import FoundFile, Plan, Problem
from pipeline.held_once import HeldOnce
from pipeline.stages.sheet.lined import LinedDict, LinedError, LinedList, parse_lined
from pipeline.stages.sheet.link import link, split_name
from pipeline.stages.sheet.linking import Linking
from pipeline.stages.sheet.tables import decode_text, read_table
from pipeline.stages.sheet.typed import one_of, shown, type_one
from pipeline.summed_up import kind_of, summed_up
from schemas.meant import one_meant
from schemas.names import as_id
from schemas.part import Part
from schemas.sheet import (
    Board,
    Chip,
    Custodian,
    Machine,
    Photograph,
    Reader,
    ReadingRow,
    ReleaseWord,
    Rights,
    Sheet,
    Space,
    Twin,
)
from schemas.wiring import Wiring

__all__ = ["Document", "parse_sheet", "read_sheet", "refuse", "split_name"]

_SECTIONS = tuple(Sheet.model_fields)
_TABLES = ("chips", "readings")
NAMELESS = "row-"
"""How a chip is called whose own id cannot be read, with its row's number: nothing of it is packaged."""
_LISTED: tuple[tuple[str, type[BaseModel]], ...] = (
    ("parts", Part),
    ("chips", Chip),
    ("readings", ReadingRow),
    ("spaces", Space),
    ("twins", Twin),
    ("photos", Photograph),
)


class Document(NamedTuple):
    """A sheet's text as mappings, and the tables it wants read."""

    file: str
    tree: LinedDict
    tables: tuple[str, ...]


def refuse(problems: Sequence[Problem], file: str) -> None:
    """Raise one SheetError for all problems that are no cautions.

    Raises:
        SheetError: There is at least one.
    """
    hard = [problem for problem in problems if not problem.caution]
    if hard:
        count = "one problem" if len(hard) == 1 else f"{len(hard):,} problems"
        raise SheetError(
            where=file,
            problem=count,
            remedy="Correct what is listed and run again",
            problems=tuple(
                summed_up((kind_of(one.field, one.found, one.expected), str(one)) for one in hard)
            ),
        )


def parse_sheet(content: bytes, file: str) -> Document:
    """The sheet's text as mappings with lines.

    Args:
        content: The file's bytes.
        file: Its name, for messages.

    Raises:
        SheetError: Not UTF-8, not YAML, or no mapping at the top.
        NothingToDoError: It is empty.
    """
    text, bad = decode_text(content, file)
    if bad:
        refuse([bad], file)
    try:
        tree = parse_lined(text, file)
    except LinedError as error:
        refuse([Problem(f"{file}:{error.line}", "", error.found, error.expected)], file)
        raise
    if tree is None or tree == {}:
        raise NothingToDoError(
            where=file,
            problem="the sheet is empty",
            remedy="Write at least `machine` and `chips`; `wellread start` drafts one",
        )
    if not isinstance(tree, LinedDict):
        refuse([Problem(f"{file}:1", "", shown(tree), "fields such as `machine:` and `chips:`")], file)
    tables = tuple(tree[name] for name in _TABLES if isinstance(tree.get(name), str))
    return Document(file, tree, tables)


def read_sheet(
    document: Document,
    *,
    tables: Mapping[str, bytes],
    files: Mapping[str, FoundFile],
    catalogue: Catalogue,
) -> tuple[Plan | None, tuple[Problem, ...]]:
    """The plan of the project, and every problem and caution of its sheet.

    Args:
        document: From `parse_sheet`.
        tables: The bytes of each table the document names; a missing one is told.
        files: The project folder's files by path.
        catalogue: The parts known without the sheet.

    Returns:
        The plan (None where some section could not be typed) and the problems, cautions among them.

    Raises:
        NothingToDoError: No chips at all.
    """
    problems: list[Problem] = []
    tree, file = document.tree, document.file
    sections: dict[str, Any] = {}  # each section has its own model
    problems += [
        Problem(
            f"{file}:{tree.lines[name]}",
            name,
            "a section that is not known",
            one_of(_SECTIONS, one_meant(name, _SECTIONS)),
            one_meant(name, _SECTIONS),
        )
        for name in tree
        if name not in _SECTIONS
    ]
    known = [path for path in files if path.lower().endswith((".csv", ".xlsx"))]
    for name in _TABLES:
        if isinstance(tree.get(name), str):
            tree[name] = _table(tree, name, tables, file, problems, known)
    version = tree.get("wellread")
    if version not in (None, "1"):
        problems.append(Problem(f"{file}:{tree.lines['wellread']}", "wellread", shown(version), "1"))
    if "machine" not in tree:
        problems.append(Problem(f"{file}:1", "machine", "nothing", "the machine's id and name"))
    else:
        sections["machine"] = type_one(
            Machine, tree["machine"], "machine", file, problems, line=tree.lines["machine"]
        )
    for name, model in (("custodian", Custodian), ("rights", Rights), ("release", ReleaseWord)):
        if name in tree:
            sections[name] = type_one(model, tree[name], name, file, problems, line=tree.lines[name])
    sections["readers"] = _named(tree, "readers", Reader, file, problems)
    sections["wirings"] = _named(tree, "wirings", Wiring, file, problems)
    sections["boards"] = _named(tree, "boards", Board, file, problems)
    rows: dict[str, tuple[int, ...]] = {}
    for name, listed in _LISTED:
        rows[name], sections[name] = _listed(tree, name, listed, file, problems)
    if not tree.get("chips") and not problems:
        raise NothingToDoError(
            where=file, problem="no chips", remedy="List the machine's chips under `chips`, read or not"
        )
    sheet = Sheet.model_construct(**{name: value for name, value in sections.items() if value is not None})
    own = _own_parts(sheet.parts, file, tree, problems)
    typed = {chip.chip for chip in sheet.chips}
    raw = [row.get("chip") for row in tree.get("chips", ()) if isinstance(row, dict)]
    untyped = frozenset(name for name in raw if isinstance(name, str) and name not in typed)
    named = [row.get("part") for row in tree.get("parts", ()) if isinstance(row, dict)]
    unread = {name for name in named if isinstance(name, str)}
    unread -= {part.part for part in sheet.parts}
    linking = Linking(
        sheet, tree, file, files, catalogue.with_parts(own), problems, rows, untyped, frozenset(unread)
    )
    linking.told = {problem.field for problem in problems}
    linking.without_chips = not sheet.chips and bool(document.tables)
    planned = link(linking)
    sheet = sheet.model_copy(update={"spaces": _sound_spaces(sheet, rows["spaces"], problems)})
    if sections.get("machine") is None:
        return None, tuple(problems)
    cautions = tuple(problem for problem in problems if problem.caution)
    return Plan(sheet, planned, cautions, document.tables), tuple(problems)


def _sound_spaces(sheet: Sheet, rows: Sequence[int], problems: Sequence[Problem]) -> tuple[Space, ...]:
    """The spaces about which nothing was told.

    What is wrong in one keeps nobody from looking at the chips.
    """
    told = {
        one.field.split("]")[0] for one in problems if one.field.startswith("spaces[") and not one.caution
    }
    return tuple(
        space for row, space in zip(rows, sheet.spaces, strict=True) if f"spaces[{row + 1}" not in told
    )


def _own_parts(
    parts: Sequence[Part], file: str, tree: LinedDict, problems: list[Problem]
) -> tuple[Part, ...]:
    seen: set[str] = set()
    for index, part in enumerate(parts):
        if part.part.casefold() in seen:
            line = tree["parts"].lines[index]
            problems.append(
                Problem(f"{file}:{line}", f"parts[{index + 1}].part", shown(part.part), "each part once")
            )
        seen.add(part.part.casefold())
    return tuple(parts)


def _table(
    tree: LinedDict,
    name: str,
    tables: Mapping[str, bytes],
    file: str,
    problems: list[Problem],
    known: Sequence[str],
) -> LinedList:
    """Rows of a table beside the sheet; one that is not there is a problem, and has no rows."""
    path = tree[name]
    where = f"{file}:{tree.lines[name]}"
    if not path.lower().endswith((".csv", ".xlsx")):
        problems.append(
            Problem(where, name, shown(path), "a list, or the name of a .csv or .xlsx file beside the sheet")
        )
        return LinedList(1)
    if path not in tables:
        problems.append(
            Problem(
                where,
                name,
                f"{shown(path)}, which is not there",
                "a table inside the project folder",
                one_meant(path, known),
            )
        )
        return LinedList(1)
    rows, more = read_table(tables[path], path)
    problems += more
    return rows


def _named(
    tree: LinedDict, name: str, model: Any, file: str, problems: list[Problem]
) -> dict[str, Any]:  # of `model`
    """A section of named groups: readers, boards; each of `model`."""
    section = tree.get(name)
    if section is None:
        return {}
    if not isinstance(section, LinedDict):
        problems.append(
            Problem(f"{file}:{tree.lines[name]}", name, shown(section), "one group of fields a name")
        )
        return {}
    out = {}
    for key in section.lines:
        value = section.get(key)
        try:
            as_id(key)
        except ValueError as error:
            problems.append(
                Problem(f"{file}:{section.lines[key]}", f"{name}.{shown(key)}", shown(key), str(error))
            )
            continue
        if value is None:
            out[key] = model()
            continue
        typed = type_one(model, value, f"{name}.{key}", file, problems, line=section.lines[key])
        out[key] = typed if typed is not None else model()
    return out


def _listed(
    tree: LinedDict, name: str, model: Any, file: str, problems: list[Problem]
) -> tuple[tuple[int, ...], tuple[Any, ...]]:
    """A section that is a list of groups: parts, chips, readings, spaces.

    With each one's index in the text.
    """
    section = tree.get(name)
    if section is None:
        return (), ()
    if not isinstance(section, LinedList):
        problems.append(
            Problem(
                f"{file}:{tree.lines[name]}", name, shown(section), "a list, each item beginning with a dash"
            )
        )
        return (), ()
    out, indices, one = [], [], HeldOnce()
    for index, value in enumerate(section):
        if not isinstance(value, dict):
            problems.append(
                Problem(
                    f"{file}:{section.lines[index]}",
                    f"{name}[{index + 1}]",
                    shown(value),
                    "a group of fields",
                )
            )
            continue
        row = f"{name}[{index + 1}]"
        stands_in = {"chip": f"{NAMELESS}{index + 1}"} if model is Chip else None
        typed = type_one(model, value, row, file, problems, stands_in=stands_in)
        if typed is not None:
            _share(typed, one)
            out.append(typed)
            indices.append(index)
    return tuple(indices), tuple(out)


def _share(typed: BaseModel, one: HeldOnce) -> None:
    """What a row says as others do is held once: the names of its fields, its part, its board, its socket.

    Of ten thousand chips these are 0.4 of the 0.9 KB that each takes.
    """
    said = typed.model_fields_set
    for name in said:
        value = typed.__dict__[name]
        if isinstance(value, str):
            typed.__dict__[name] = one(value)
    # Nobody adds to it: no field of a frozen model is ever set.
    object.__setattr__(typed, "__pydantic_fields_set__", one.under(frozenset(said), said))
