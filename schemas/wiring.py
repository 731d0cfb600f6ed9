"""Lines and wires: which line of one side carries which line of the other, as a person writes it.

Two places of the sheet speak of lines in the same words. For a chip's `board_wiring` the other side is the
machine; for a reading's `lines`, or those of a named wiring, it is the reading as it came off the reader.
"""

from __future__ import annotations

import re
from typing import Annotated, Self

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from schemas.base import HumanInput, withheld

_LINE = re.compile(r"^([AaDd]?)(\d{1,2})$", re.ASCII)
MOST_LINES = 64


def as_line_number(value: object, letter: str = "") -> int:
    """A line by its number, `3`, or by its name, `A3` or `D3`.

    Args:
        value: What the sheet says.
        letter: The letter that its name has to bear; any where "".

    Raises:
        ValueError: Neither, or a line of the other kind.
    """
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    found = _LINE.fullmatch(value.strip()) if isinstance(value, str) else None
    if found is None or (letter and found[1].upper() not in ("", letter)):
        raise ValueError(
            f"a line, such as 3 or {letter}3" if letter else "a line number, such as 3, A3 or D3"
        )
    return int(found[2])


def as_address_line(value: object) -> int:
    """An address line: `3` or `A3`. Raises ValueError as `as_line_number` does."""
    return as_line_number(value, "A")


def as_data_line(value: object) -> int:
    """A data line: `3` or `D3`. Raises ValueError as `as_line_number` does."""
    return as_line_number(value, "D")


_TYPED = WithJsonSchema({"type": ["string", "integer"]})
AddressLine = Annotated[int, BeforeValidator(as_address_line), Field(ge=0, lt=MOST_LINES), _TYPED]
DataLine = Annotated[int, BeforeValidator(as_data_line), Field(ge=0, lt=MOST_LINES), _TYPED]


class Lines(HumanInput):
    """For each line of the chip, from A0 and D0 up, which line of the other side carries it."""

    address: tuple[AddressLine, ...] = Field(
        default=(), description="For A0, A1 … of the chip: the line of the other side"
    )
    data: tuple[DataLine, ...] = Field(
        default=(), description="For D0, D1 … of the chip: the line of the other side"
    )
    invert_address: tuple[AddressLine, ...] = Field(
        default=(), description="Lines of the other side that are inverted"
    )
    invert_data: tuple[DataLine, ...] = Field(
        default=(), description="Lines of the other side that are inverted"
    )

    @model_validator(mode="after")
    def _each_line_once(self) -> Self:
        for name in ("address", "data"):
            lines = getattr(self, name)
            if sorted(lines) != list(range(len(lines))):
                raise ValueError(f"{name}: each line from 0 to {max(len(lines) - 1, 0)} exactly once")
        return self


class Wiring(HumanInput):
    """A set of wires that several readings were made with, under the name that they say as `wiring`."""

    lines: Lines | None = Field(default=None, description="A known crossing of these wires; it is undone")
    notes: str | None = Field(default=None, json_schema_extra=withheld())
