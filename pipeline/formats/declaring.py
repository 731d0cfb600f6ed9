"""What a person types to settle what a dump leaves open.

A line of the sheet, or an option of the command at hand.

Decoders speak in the sheet's words, as in `` `word_order: big` ``; here those become words for where the
person is.
"""

from __future__ import annotations

import re

_WORDS = re.compile(r"`([a-z_]+): ([a-z0-9-]+)`")


def as_options(remedy: str) -> str:
    """A decoder's remedy for somebody at a command line.

    Example:
        >>> as_options("write `word_order: big` if the digits stand so, `gaps: true` if gaps are meant")
        'say --word-order big if the digits stand so, --gaps if gaps are meant'
    """
    said = _WORDS.sub(_option, remedy).replace("with `take`", "with `take`, in a project's sheet,")
    return said if said == remedy else re.sub(r"\bwrite (?=--)", "say ", said)


def _option(found: re.Match[str]) -> str:
    name = "--" + found[1].replace("_", "-")
    return name if found[2] == "true" else f"{name} {found[2]}"


def at_reading(remedy: str, *, chip: str, reader: str, path: str) -> str:
    """A decoder's remedy for somebody with a sheet.

    The row to write, where the remedy is something to declare.

    Example:
        >>> at_reading("write `word_order: big`", chip="U1", reader="hb", path="dumps/U1.hb.1.txt")
        'write `word_order: big`; under `readings`: `- {file: U1.hb.1.txt, word_order: big}`'
    """
    found = _WORDS.search(remedy)
    if found is None or not remedy.startswith("write"):
        return f"{remedy}; or set the reading aside with its reason (`set_aside: …`)"
    name = path.removeprefix("dumps/")
    name = name if re.fullmatch(r"[A-Za-z0-9][\w./+-]*", name) else "…"
    # A file's name that says whose it is need not be told so a second time.
    whose = "" if name.startswith(f"{chip}.{reader}.") else f"chip: {chip}, reader: {reader}, "
    row = f"- {{{whose}file: {name}, {found[1]}: {found[2]}}}"
    return f"{remedy}; under `readings`: `{row}`"
