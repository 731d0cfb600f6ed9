"""What the report is made of beside the chips: the record's head and the time line."""

from __future__ import annotations

from typing import NotRequired, TypeAlias

from typing_extensions import TypedDict

from schemas.record import RecordHead

View: TypeAlias = dict[str, object]
"""What a template prints: it finds the names at run time."""


class TimelineEvent(TypedDict):
    """One line of the time line."""

    when: str
    what: str
    detail: str
    agent: str


class ContentKind(TypedDict):
    """Files of one kind in the package, without the report itself."""

    kind: str
    files: int
    bytes: int
    payload: bool


class ReportHead(RecordHead):
    """The record without its chips, what happened when, and what lies beside the report."""

    events: NotRequired[list[TimelineEvent]]
    contents: NotRequired[list[ContentKind]]
