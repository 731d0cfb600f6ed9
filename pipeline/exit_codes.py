"""With which exit code a command ends that did what it was asked to: 0, or 1 where a person should look.

Errors have codes of their own (`errors.py`); a wrong command line ends with 2, a bug with 70. Pure, and loads
nothing: the plain recheck ends here too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeAlias

_Answer: TypeAlias = Mapping[str, Any]
"""What a command prints with `--json`; whichever command it is, which is why its fields have no one type."""


def _faulty(examined: _Answer) -> bool:
    return any(one["severity"] == "fault" for one in examined["findings"])


def _only_absent(rechecked: _Answer) -> bool:
    """Whether bags were named that are not there, and every bag that is there is valid.

    Of a recheck damage is the worst: a script that waits for a disk to be mounted must not be deaf to it.
    """
    wrong = [bag for bag in rechecked["bags"] if not bag["valid"]]
    return bool(wrong) and all(
        bag["outcome"] == "unreadable"
        and any(each["kind"] == "missing" and not each["path"] for each in bag["problems"])
        for bag in wrong
    )


_LOOK: Mapping[str, Callable[[_Answer], bool]] = {
    "check": lambda answer: not answer["sound"],
    "examine": _faulty,
    "compare": lambda answer: answer["relation"] != "identical",
    "recheck": lambda answer: not all(bag["valid"] for bag in answer["bags"]),
    "capture": lambda answer: bool(answer["problems"]) or _faulty(answer["examined"]),
}
"""Commands that ask a question, and the answers to which a script must not be deaf."""
NOT_THERE = 16
"""As `StorageError` has it: a path that was named is not there."""
_ASKED_TO_BE_STRICT = ("package", "release")
"""Commands that make something: with `--strict` they say too that a chip needs a person."""


def exit_code(answer: _Answer, *, strict: bool = False) -> int:
    """The exit code that a command's answer means.

    Args:
        answer: What it prints with `--json`, with `command` in it.
        strict: Whether `--strict` was said.

    Example:
        >>> exit_code({"command": "compare", "relation": "identical"})
        0
        >>> exit_code({"command": "package", "needs_person": ["U7"]}, strict=True)
        1
    """
    if answer["command"] == "several":
        return int(answer["exit_code"])
    if answer["command"] in _ASKED_TO_BE_STRICT:
        return int(strict and bool(answer["needs_person"]))
    if answer["command"] == "recheck" and _only_absent(answer):
        return NOT_THERE
    look = _LOOK.get(answer["command"])
    return int(look is not None and look(answer))
