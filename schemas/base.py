"""The two kinds of document: what a person types, and what stays on disk.

A typing slip in something a person wrote must not pass, so unknown fields are refused there. A document that
a later version of the program wrote must stay readable, so unknown fields are kept there.
"""

from __future__ import annotations

from typing import Any, ClassVar

from pydantic import BaseModel, ConfigDict


class HumanInput(BaseModel):
    """Something a person writes by hand: frozen, and an unknown field is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


class StoredDocument(BaseModel):
    """Something that stays on disk for decades: frozen, versioned, unknown fields kept."""

    model_config = ConfigDict(extra="allow", frozen=True)
    schema_name: ClassVar[str] = ""


def withheld() -> dict[str, Any]:
    """Mark of a schema field that never reaches a public bundle: `Field(json_schema_extra=withheld())`."""
    return {"private": True}
