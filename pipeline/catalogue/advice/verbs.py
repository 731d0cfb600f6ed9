"""One verb for what a finding asks of a hand: what a list says before anybody reads the whole advice.

A verb repeats what the finding's step begins with and adds nothing to it; the step itself stays the advice.
Ground: follows from the definition (the first act of the step in `findings`).
"""

from __future__ import annotations

from collections.abc import Mapping

OTHERWISE = "look at"
VERBS: Mapping[str, str] = {
    **dict.fromkeys(
        ("blank", "constant", "follows-address", "address-line-dead", "intermittent-line"), "trace"
    ),
    **dict.fromkeys(("lines-reordered", "lines-crossed", "lanes-exchanged"), "trace"),
    **dict.fromkeys(("data-lines-joined", "address-lines-joined"), "measure"),
    "data-line-stuck": "test",
    **dict.fromkeys(("over-read", "short-read", "long-read", "rotated", "late-by-one"), "reread"),
    **dict.fromkeys(("skips-words", "repeats-words", "slipped", "seven-bit"), "reread"),
    **dict.fromkeys(("newline-damage", "text-damage", "unstable-bits", "fading"), "reread"),
    **dict.fromkeys(("frames-differ", "contested", "faulty"), "reread"),
    "wiring-carried": "answer",
    **dict.fromkeys(("missing", "not-read"), "read"),
    "read-failed": "review",
    **dict.fromkeys(("socket-empty", "on-loan"), "find"),
}
"""Code of a finding, a grade or a chip's state → verb."""


def verb(code: str) -> str:
    """The verb of a code.

    Example:
        >>> verb("address-line-dead"), verb("a-later-code")
        ('trace', 'look at')
    """
    return VERBS.get(code, OTHERWISE)
