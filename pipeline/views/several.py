"""What a command says of several bags or projects: a line each, the failed last, and how many."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.one_line import one_lined

if TYPE_CHECKING:
    from schemas.answers import EndedOne, SeveralAnswer

_FEWEST_ERRORS = 10
"""Exit codes from here on are errors; below, a person should look."""


def several_ended(document: SeveralAnswer) -> str:
    """The summary in words."""
    document = one_lined(document)
    done = [one for one in document["ended"] if one["exit_code"] < _FEWEST_ERRORS]
    failed = [one for one in document["ended"] if one["exit_code"] >= _FEWEST_ERRORS]
    lines = [f"{one['path']}: {one['said']}" for one in done]
    for one in failed:
        lines += _failed(one)
    lines.append(f"{document['of']}: {len(done)} done, {len(failed)} failed")
    return "\n".join(lines)


def _failed(one: EndedOne) -> list[str]:
    return [
        f"{one['path']}: failed ({one['exit_code']}): {one['said']}",
        *(f"  {each}" for each in one["problems"]),
    ]
