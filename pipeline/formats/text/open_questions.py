"""What printed values leave open where nobody declared it.

Whether it makes a difference, and what to ask if it does.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NoReturn

import numpy as np

from pipeline.errors import AmbiguousError, FormatError
from pipeline.formats.neutral import Block, Declared, Decoded, ambiguous
from pipeline.formats.text.characters import Characters
from pipeline.formats.text.digit_widths import Widths

FIRST = 16 * 1024
"""Characters of a beginning: some hundred lines."""
FEWEST_VALUES = 32
FEWEST_KINDS = 11
"""A chip of so many values, so many of them different, has a hexadecimal letter or a leading zero in one.

Where each value is any byte, all 32 are without by a chance below 10⁻¹³; tables of decimal digits are asked
about.
"""


def first_lines(body: bytes) -> bytes:
    """The whole lines at the beginning of a text, on which a way of reading is tried before all of it is.

    Args:
        body: A text in ASCII.
    """
    return body if len(body) <= FIRST else body[: body.rfind(b"\n", 0, FIRST) + 1]


def alike_in_both_orders(
    decode: Callable[[bytes, Declared], Decoded], content: bytes, declared: Declared
) -> Decoded | None:
    """What groups of digits stand for, where both orders of bytes give the same; None where they do not.

    A blank chip printed in words is one: nobody needs to know in which order its bytes stand.

    Raises:
        AmbiguousError: Something else is open in either order, which is asked first.
    """
    if declared.word_order is not None or declared.bits > 8:
        return None
    big, little = (_tried(decode, content, replace(declared, word_order=one)) for one in ("big", "little"))
    if isinstance(big, AmbiguousError) and declared.address is None:
        radixes = (replace(declared, address=radix) for radix in ("hex", "decimal", "octal"))
        if any(alike_in_both_orders(decode, content, one) for one in radixes):
            raise big
    if isinstance(big, FormatError) or isinstance(little, FormatError):
        return None
    same = len(big.runs) == len(little.runs) and all(map(_same, big.runs, little.runs))
    return big if same else None


def _tried(
    decode: Callable[[bytes, Declared], Decoded], content: bytes, declared: Declared
) -> Decoded | FormatError:
    try:
        return decode(content, declared)
    except FormatError as error:
        return error


def _same(one: Sequence[Block], other: Sequence[Block]) -> bool:
    return len(one) == len(other) and all(
        a.address == b.address and np.array_equal(a.words, b.words) for a, b in zip(one, other, strict=True)
    )


def may_be_decimal(widths: Widths, runs: Sequence[Sequence[Block]]) -> bool:
    """Whether values of one or two digits may be decimal: no letter, no leading zero in any of very many."""
    if widths.padded or not set(widths.seen) <= {1, 2}:
        return False
    values = np.concatenate([block.words for run in runs for block in run])
    if len(values) < FEWEST_VALUES or ((values & 0xF) > 9).any() or (values > 0x99).any():
        return False
    return len(np.unique(values)) >= FEWEST_KINDS


def refuse_as_decimal(text: Characters, index: int) -> NoReturn:
    """Ask in which base the values are.

    Raises:
        AmbiguousError: Always.
    """
    ambiguous(
        text.place(index),
        "no value has a letter or a leading zero: they can be decimal or hexadecimal",
        "write `token: decimal` or `token: hex`",
    )
