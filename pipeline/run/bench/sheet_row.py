"""One row added to the sheet's readings by a program.

Text is put in at one place, and nothing else is touched.

A sheet is a person's own text. It is never written anew from what was understood of it: comments, blank
lines, quotes, columns and line ends stay byte for byte.
"""

from __future__ import annotations

import json
import re
import secrets
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.edges.disk_errors import storage_trouble
from pipeline.edges.flush import sync_file, sync_folder
from pipeline.edges.locks import one_at_a_time
from pipeline.edges.names import copy_mode, exchange, remove_own, replace_patiently
from pipeline.errors import StorageError

if TYPE_CHECKING:
    import yaml

_PLAIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.+-]*")
_SPECIAL = re.compile(r"(?i)null|true|false|yes|no|on|off")
_COMMENT = re.compile(r"([ \t]*)#")
_NOTE = re.compile(r"(?m)(?:^|(?<=\s))#.*$")


TRIES = 20
"""How often a sheet is read anew that somebody saves while the row is added."""


def add_row(sheet: Path, row: Mapping[str, str], table: str = "readings") -> bool:
    """Add a row to `readings`, or another table; False where nothing else could stay as it is.

    A row that a person typed beforehand for the same file stands for it: no second one is added.

    The new text is parsed and compared with the old before it takes the old one's place in one step. A sheet
    whose readings are in a table of their own is left alone. Captures take turns; what a person saves
    meanwhile is never
    replaced: the sheet is read anew then. When this returns the row is on the disk.

    Raises:
        StorageError: The disk refuses, or the sheet changes all the time; it is as it was, or as a person
            saved it.
    """
    sheet = sheet.resolve()
    with one_at_a_time(sheet.with_name(f".{sheet.name}.lock")):
        for _ in range(TRIES):
            with storage_trouble(sheet):
                before = sheet.read_bytes()
            after = with_row(before, row, table)
            if after is None:
                return False
            if after == before or _replaced(sheet, before, after):
                with storage_trouble(sheet):
                    sync_folder(sheet.parent)
                return True
    raise StorageError(
        where=str(sheet),
        problem="is being changed all the time by another program",
        remedy="Close the program that saves it, then add the row by hand",
    )


def _replaced(sheet: Path, before: bytes, after: bytes) -> bool:
    """Put the new text in the old one's place.

    False, and nothing changed, where the old one is no longer there.
    """
    beside = sheet.parent / f".{sheet.name}.part-{secrets.token_hex(4)}"
    with storage_trouble(sheet):
        try:
            beside.write_bytes(after)
            copy_mode(sheet, beside)
            sync_file(beside)
            if sheet.read_bytes() != before:
                return False
            if not exchange(beside, sheet):
                # Where the system cannot change two names at once, the look just before is all there is.
                replace_patiently(beside, sheet)
                return True
            return _took_the_place(sheet, beside, before, after)
        finally:
            remove_own(beside)


def _took_the_place(sheet: Path, beside: Path, before: bytes, after: bytes) -> bool:
    """Whether what the new text replaced was the old one; if not, what a person saved gets its name back."""
    if beside.read_bytes() == before:
        return True
    exchange(beside, sheet)
    while beside.read_bytes() != after:
        # Saved once more in the moment of the exchange: the newer text goes where the person put it.
        exchange(beside, sheet)
    return False


def with_row(before: bytes, row: Mapping[str, str], table: str = "readings") -> bytes | None:
    """The sheet's text with one more row in a table; None where no place is proved right."""
    import yaml

    try:
        text = before.decode("utf-8")
        tree = yaml.compose(text, Loader=yaml.SafeLoader)
    except (UnicodeDecodeError, yaml.YAMLError):
        return None
    if not isinstance(tree, yaml.MappingNode):
        return None
    if _has(text, row, table):
        return before
    for after in _candidates(text, tree, _flow(row), table):
        if _only_added(text, after, row, table):
            return after.encode("utf-8")
    return None


def _has(text: str, row: Mapping[str, str], table: str) -> bool:
    """Whether the table has such a row already; a reading is known by its file."""
    import yaml

    try:
        sheet = yaml.load(text, Loader=yaml.BaseLoader)  # noqa: S506 - texts only
    except yaml.YAMLError:
        return False
    rows = sheet.get(table) if isinstance(sheet, dict) else None
    known = {key: value for key, value in row.items() if table != "readings" or key == "file"}
    return isinstance(rows, list) and any(
        isinstance(one, dict) and all(one.get(key) == value for key, value in known.items()) for one in rows
    )


def _candidates(text: str, tree: yaml.MappingNode, row: str, table: str) -> Iterator[str]:
    """Texts that may be the old one and the row; which of them is, only reading them tells."""
    import yaml

    entry = next(((key, value) for key, value in tree.value if key.value == table), None)
    if entry is None:
        if tree.flow_style:
            yield from _into_brackets(text, tree, f"{table}: [{row}]")
        else:
            yield _at_the_end(text, tree.start_mark.column, row, table)
        return
    key, value = entry
    if isinstance(value, yaml.SequenceNode) and value.flow_style:
        yield from _into_brackets(text, value, row)
    elif isinstance(value, yaml.SequenceNode):
        column = value.start_mark.column
        yield _below(text, _last(value.value[-1]), column, f"{' ' * column}- {row}")
    elif isinstance(value, yaml.ScalarNode) and not value.value:
        column = key.start_mark.column + 2
        yield _below(text, key.end_mark.index, column, f"{' ' * column}- {row}")


def _into_brackets(text: str, node: Any, piece: str) -> Iterator[str]:
    """Before a closing bracket: on its own line where the bracket stands so, else behind the last row."""
    closing = node.end_mark.index - 1
    if not node.value:
        yield text[:closing] + piece + text[closing:]
        return
    last = node.value[-1]
    end = _last(last[1] if isinstance(last, tuple) else last)
    line = text.rfind("\n", 0, closing) + 1
    if line > end and not text[line:closing].strip():
        first = (last[0] if isinstance(last, tuple) else last).start_mark.column
        comma = "" if "," in _NOTE.sub("", text[end:closing]) else ","
        trailing = "" if comma else ","
        ending = _line_end(text)
        yield f"{text[:end]}{comma}{text[end:line]}{' ' * first}{piece}{trailing}{ending}{text[line:]}"
    yield f"{text[:end]}, {piece}{text[end:]}"


def _last(node: Any) -> int:
    """Where the last thing written in a node ends; its own end mark is where the next thing begins."""
    while node.value and not isinstance(node.value, str) and not node.flow_style:
        last = node.value[-1]
        node = last[1] if isinstance(last, tuple) else last
    return int(node.end_mark.index)


def _below(text: str, at: int, column: int, piece: str) -> str:
    """After the line of a place, and after comments below it that are set further in and so belong to it."""
    block = text[:at].rstrip(" \t\r\n")
    end = text.find("\n", min(at, len(block)))
    if end < 0:
        return text + _line_end(text) + piece
    end += 1
    while found := _COMMENT.match(text, end):
        if len(found[1]) < max(column, 1):
            break
        after = text.find("\n", end)
        if after < 0:
            return text + _line_end(text) + piece
        end = after + 1
    return text[:end] + piece + _line_end(text) + text[end:]


def _at_the_end(text: str, column: int, row: str, table: str) -> str:
    ending = _line_end(text)
    gap = "" if text.endswith("\n") else ending
    indent = " " * column
    return f"{text}{gap}{ending}{indent}{table}:{ending}{indent}  - {row}{ending}"


def _line_end(text: str) -> str:
    first = text.find("\n")
    return "\r\n" if first > 0 and text[first - 1] == "\r" else "\n"


def _flow(row: Mapping[str, str]) -> str:
    return "{" + ", ".join(f"{key}: {_scalar(value)}" for key, value in row.items()) + "}"


def _scalar(value: str) -> str:
    if _PLAIN.fullmatch(value) and not _SPECIAL.fullmatch(value):
        return value
    return json.dumps(value, ensure_ascii=False)


def _only_added(before: str, after: str, row: Mapping[str, str], table: str) -> bool:
    """Whether the new text says what the old said, in its order, and the row."""
    import yaml

    try:
        old, new = (yaml.load(text, Loader=yaml.BaseLoader) for text in (before, after))  # noqa: S506 - texts only
    except yaml.YAMLError:
        return False
    wanted = dict(old)
    wanted[table] = [*(old.get(table) or []), dict(row)]
    return bool(new == wanted) and list(new) == list(wanted)
