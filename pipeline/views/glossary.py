"""The glossary as text for a terminal: one entry whole, or all of them in a line each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.views.terminal import heeding, table

if TYPE_CHECKING:
    from schemas.answers import ExplainAnswer, ExplainedWord

_ROWS = (
    ("what", "what it is"),
    ("told", "how it is recognised"),
    ("also", "what looks the same"),
    ("do", "what to do"),
)


def explained(document: ExplainAnswer, *, whole: bool) -> str:
    """What `explain` says.

    Args:
        document: The entries.
        whole: Every one with all that is known of it; a line each where not.
    """
    entries = document["entries"]
    if not whole:
        return table([[one["name"], one["kind"], one["what"]] for one in entries])
    told = ["\n".join([f"{one['kind']} {one['name']}", *_whole(one)]) for one in entries]
    if any(one["kind"] == "finding" for one in entries):
        told.append("\n".join(heeding(document, "NAME")))
    return "\n\n".join(told)


def _whole(one: ExplainedWord) -> list[str]:
    said = {"what": one["what"], "told": one["told"], "also": one["also"], "do": one["do"]}
    widest = max(len(name) for _, name in _ROWS)
    return [f"  {name.ljust(widest)}  {said[key]}" for key, name in _ROWS]
