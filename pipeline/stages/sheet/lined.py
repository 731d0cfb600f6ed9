"""YAML as text scalars that know their line.

Every scalar stays text: YAML's own typing turns label `0117` into 79, revision `1E3` into 1000.0 and socket
`NO` into false. Each mapping remembers the line of each key, so that a problem can be told with its place.
Aliases are counted as what they expand to, so that nine lines cannot ask for a billion values.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple

import yaml

MOST_VALUES = 3_000_000
"""More values than any real sheet has; common practice, no source."""
MOST_ALIASED = 10_000
DEEPEST = 40
_HASH = re.compile(r"[ \t]#[^\s#]")
_HASHED = re.compile(r":?[ \t]+(#[^\s#][^\n]{0,40})")
_NOT_SAID = frozenset(["", "~", "null", "Null", "NULL"])


class CellPlaces(NamedTuple):
    """Where the cells of a table stand, the same for all of its rows.

    Attributes:
        place: Line and column, each counted as the table counts, → a cell's place.
        columns: Field → its column.
    """

    place: Callable[[int, int], str]
    columns: Mapping[str, int]

    def of(self, line: int, field: str) -> str:
        """The place of a row's field."""
        return self.place(line, self.columns[field])


class LinedDict(dict[str, Any]):  # what a person wrote, before a model has typed it
    """A mapping that knows its file, its line and the place of every key.

    `cut` lists words that stand between commas with no colon, which are no fields but the rest of the value
    before
    them: (field before, its line, the pieces). `hashed` are values behind which a `#` with no blank cut
    something off. A row of a table has the places of its `cells`.
    """

    __slots__ = ("cells", "cut", "file", "hashed", "line", "lines")

    def __init__(self, file: str, line: int) -> None:
        super().__init__()
        self.file = file
        self.line = line
        self.lines: dict[str, int] = {}
        self.cells: CellPlaces | None = None
        self.cut: list[tuple[str, int, list[str]]] = []
        self.hashed: dict[str, str] = {}

    def place(self, field: str) -> str:
        """Where one of its fields stands."""
        line = self.lines[field]
        return self.cells.of(line, field) if self.cells else f"{self.file}:{line}"


class LinedList(list[Any]):
    """A sequence that knows its line and the line of every item."""

    __slots__ = ("line", "lines")

    def __init__(self, line: int) -> None:
        super().__init__()
        self.line = line
        self.lines: list[int] = []


class LinedError(Exception):
    """The text is not the plain YAML that a sheet is written in."""

    def __init__(self, line: int, found: str, expected: str) -> None:
        super().__init__(line, found, expected)
        self.line = line
        self.found = found
        self.expected = expected


class _TreeBuilder:
    """Builds the tree from parser events, with budgets."""

    def __init__(self, file: str, events: Iterator[Any], text: str) -> None:
        self.file = file
        self.text = text if _HASH.search(text) else ""
        self.events = events
        self.anchors: dict[str, tuple[Any, int]] = {}
        self.values = 0
        self.aliased = 0

    def spend(self, line: int, count: int = 1) -> None:
        """Count values; refuse more than a sheet can need."""
        self.values += count
        if self.values > MOST_VALUES:
            raise LinedError(
                line, f"more than {MOST_VALUES} values", "a sheet of a size that a person could read"
            )

    def node(self, event: Any, depth: int) -> Any:
        """The value that starts with this event."""
        line = event.start_mark.line + 1
        if depth > DEEPEST:
            raise LinedError(line, f"more than {DEEPEST} levels", "a sheet that is not nested so deeply")
        kind = type(event)
        if kind is yaml.AliasEvent:
            return self.alias(event, line)
        if event.tag is not None and event.tag != "!":
            raise LinedError(line, f"the tag {event.tag!r}", "plain text without a tag")
        self.spend(line)
        before = self.values
        if kind is yaml.ScalarEvent:
            value: Any = event.value
            if not event.style and value in _NOT_SAID:
                value = ""
        elif kind is yaml.MappingStartEvent:
            value = self.mapping(line, depth)
        else:
            value = self.sequence(line, depth)
        if event.anchor:
            self.anchors[event.anchor] = (value, self.values - before + 1)
        return value

    def alias(self, event: Any, line: int) -> Any:
        """What an alias stands for, counted as often as it is used."""
        if event.anchor not in self.anchors:
            raise LinedError(
                line, f"the alias *{event.anchor}", "an anchor that was completed before its alias"
            )
        value, size = self.anchors[event.anchor]
        self.spend(line, size)
        self.aliased += size
        if self.aliased > MOST_ALIASED:
            raise LinedError(
                line, f"aliases that expand to more than {MOST_ALIASED} values", "the values written out"
            )
        return value

    def mapping(self, line: int, depth: int) -> LinedDict:
        """A mapping; a key twice is refused, since YAML would silently keep the last."""
        out = LinedDict(self.file, line)
        for key_event in self.events:
            if type(key_event) is yaml.MappingEndEvent:
                return out
            at = key_event.start_mark.line + 1
            if type(key_event) is not yaml.ScalarEvent:
                raise LinedError(at, "a list or mapping as a key", "a field's name")
            key = key_event.value
            value_event = next(self.events)
            if type(value_event) is yaml.ScalarEvent and self.cut_off(out, key_event, value_event):
                continue
            if key in out.lines:
                raise LinedError(
                    at, f"the field {key!r} a second time (first in line {out.lines[key]})", "it once"
                )
            value = self.node(value_event, depth + 1)
            out.lines[key] = at
            if value != "":
                out[key] = value
        raise LinedError(line, "a mapping without an end", "a complete sheet")

    def cut_off(self, out: LinedDict, key_event: Any, value_event: Any) -> bool:
        """Whether a key is no key but the rest of the value before it; notes what a `#` cut off.

        Between commas YAML takes a word without a colon for a key without a value: its value then begins, and
        ends, where the key ends.
        """
        value = value_event.value
        if self.text and not value_event.style:
            found = _HASHED.match(self.text, (value_event if value else key_event).end_mark.index)
            if found:
                out.hashed[key_event.value] = found[1]
        if value or value_event.style or value_event.start_mark.index != key_event.end_mark.index:
            return False
        before = list(out.lines)[-1:]
        if out.cut and before and out.cut[-1][0] == before[0]:
            out.cut[-1][2].append(key_event.value)
        elif before and isinstance(out.get(before[0]), str):
            out.cut.append((before[0], key_event.start_mark.line + 1, [key_event.value]))
        else:
            return False
        return True

    def sequence(self, line: int, depth: int) -> LinedList:
        """A YAML sequence, the line of each item kept."""
        out = LinedList(line)
        for event in self.events:
            if type(event) is yaml.SequenceEndEvent:
                return out
            out.lines.append(event.start_mark.line + 1)
            out.append(self.node(event, depth + 1))
        raise LinedError(line, "a list without an end", "a complete sheet")


def parse_lined(text: str, file: str) -> Any:
    """The first document of a YAML text, all scalars as text, empty fields left out.

    Args:
        text: The sheet, decoded.
        file: Its name, kept in every mapping.

    Returns:
        LinedDict, LinedList or str; None for an empty text.

    Raises:
        LinedError: No YAML, several documents, tags, a key twice, too deep, or more values than a sheet has.
    """
    loader: Any = getattr(yaml, "CBaseLoader", yaml.BaseLoader)
    try:
        events: Iterator[Any] = iter(yaml.parse(text, Loader=loader))
        root: Any = None
        documents = 0
        builder = _TreeBuilder(file, events, text)
        for event in events:
            kind = type(event)
            if kind is yaml.DocumentStartEvent:
                documents += 1
                if documents > 1:
                    raise LinedError(event.start_mark.line + 1, "a second document", "one document a sheet")
            elif kind in (yaml.ScalarEvent, yaml.MappingStartEvent, yaml.SequenceStartEvent, yaml.AliasEvent):
                root = builder.node(event, 0)
    except yaml.MarkedYAMLError as error:
        marks: list[Any] = [mark for mark in (error.problem_mark, error.context_mark) if mark is not None]
        line = marks[0].line + 1 if marks else 1
        raise LinedError(
            line, f"text that is not YAML ({error.problem or error.context})", "a sheet in YAML"
        ) from None
    except yaml.YAMLError as error:
        reason = str(error).splitlines()[0]
        raise LinedError(1, f"text that is not YAML ({reason})", "a sheet in YAML") from None
    return None if root == "" else root
