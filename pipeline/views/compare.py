"""The verdict of a comparison as plain text, with a small picture of where two readings differ.

One look tells a poor contact (stripes) from a disturbance (a patch) from a wholly different chip (all over).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.one_line import one_line

if TYPE_CHECKING:
    from pipeline.lines.verdict import Compared

COLUMNS = 64
ROWS = 16
SHADES = "·░▒▓█"
ASCII_SHADES = ".:+x#"
BAR = 30
HEADLINES = {
    "identical": "identical",
    "mapped": "the same content, brought into another order",
    "slipped": "the same stream, words lost or doubled",
    "differs": "alike, but not the same",
    "unrelated": "unrelated: no order of lines, start or step brings them together",
}


def verdict(compared: Compared, first: str, second: str, *, plain: bool = False) -> list[str]:
    """The whole verdict, a line each.

    Args:
        compared: What the comparison found.
        first: Name of the first reading.
        second: Name of the second.
        plain: Only ASCII, for terminals without other signs.
    """
    relation = compared.relation
    headline = HEADLINES[relation.relation]
    if relation.undecidable:
        headline += " (undecidable: the images hold too little information)"
    lines = [f"{one_line(first)} against {one_line(second)} ({compared.organisation}): {headline}"]
    if relation.mapping is not None and not relation.mapping.is_identity:
        lines.append(f"  {relation.mapping.in_words()}")
    lines += [f"  {slip.in_words()}" for slip in relation.slips]
    if relation.relation != "identical":
        lines.append("  " + differences_in_words(compared))
    if relation.differing_words and relation.relation != "unrelated":
        lines += ["", *picture(compared, plain=plain), "", *by_line(compared, plain=plain)]
    suggested = [f"  suggests: {sentence}" for sentence in compared.suggests]
    noted = [f"  note: {sentence}" for sentence in relation.notes]
    if suggested or noted:
        lines += ["", *suggested, *noted]
    return [
        line if not plain else line.replace("→", "->").replace("–", "-").replace("×", "x") for line in lines
    ]


def differences_in_words(compared: Compared) -> str:
    """How many bits differ in how many words, as one clause."""
    relation, organisation = compared.relation, compared.organisation
    missing = int(np.count_nonzero(~compared.present))
    if relation.differing_words:
        bits, words = relation.differing_bits, relation.differing_words
        said = (
            f"{bits} bit{'s' * (bits != 1)} differ{'s' * (bits == 1)} in {words} of {organisation.words} "
            f"words"
        )
    else:
        said = "no other word differs" if relation.slips else "every word agrees"
    return said + (f"; {missing} word{'s' * (missing != 1)} missing" if missing else "")


def picture(
    compared: Compared, *, columns: int = COLUMNS, rows: int = ROWS, plain: bool = False
) -> list[str]:
    """Where the words differ: a cell for each stretch of addresses, darker where more of them differ.

    A space stands where the second has no word.
    """
    words = compared.wrong.size
    cell = max(1, -(-words // (columns * rows)))
    shades = ASCII_SHADES if plain else SHADES
    count = -(-words // cell)
    starts = np.arange(count) * cell
    differing = np.add.reduceat((compared.wrong != 0).astype(np.int64), starts)
    present = np.add.reduceat(compared.present.astype(np.int64), starts)
    share = differing / np.maximum(present, 1)
    darkness = np.where(differing > 0, 1 + np.minimum(3, (share * 4).astype(np.int64)), 0)
    signs = ["".join(" " if not p else shades[d] for p, d in zip(present, darkness, strict=True))][0]
    digits = max(4, len(f"{words - 1:X}"))
    lines = [
        f"  0x{row * cell:0{digits}X} {signs[row : row + columns]}" for row in range(0, len(signs), columns)
    ]
    unit = "1 word" if cell == 1 else f"{cell} words"
    return [
        *lines,
        (
            f"  a sign is {unit}: {shades[0]} equal, {shades[1]}{shades[2]}{shades[3]}{shades[4]} more "
            f"and more differ"
        ),
    ]


def by_line(compared: Compared, *, plain: bool = False) -> list[str]:
    """A bar for each data line that differs, and each address line's share of differing words where high."""
    relation = compared.relation
    most = max(relation.by_data_line, default=0) or 1
    block = "#" if plain else "█"
    lines = []
    for line, count in enumerate(relation.by_data_line):
        if not count:
            continue
        bar = block * -(-count * BAR // most)
        lines.append(
            f"  D{line:<3}{count:>8}  {bar:<{BAR}}  0→1 {compared.raised[line]}, 1→0 {compared.lowered[line]}"
        )
    if len(lines) < len(relation.by_data_line):
        lines.append("  no other data line differs")
    total = relation.differing_words
    high = [f"A{line} {count * 100 // total}%" for line, count in enumerate(relation.by_address_line)]
    return [*lines, "  differing words with the line high: " + "  ".join(high)]
