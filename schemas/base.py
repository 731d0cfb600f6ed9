"""The two kinds of document: what a person types, and what stays on disk.

A typing slip in something a person wrote must not pass, so unknown fields are refused there. What stays on
disk, and what `--json` prints, is plain JSON data whose shape a `TypedDict` says: whoever writes it is held
to the fields that the type knows, by mypy where it is made and by `follows(..., unknown="forbid")` where it
is written; whoever reads it keeps what a later version added.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, with_config
from pydantic.fields import FieldInfo
from typing_extensions import get_type_hints

_Class = TypeVar("_Class", bound=type)

Range = Annotated[list[int], Field(min_length=2, max_length=2)]
"""Two numbers, half-open: the second is the first one outside."""


class HumanInput(BaseModel):
    """Something a person writes by hand: frozen, and an unknown field is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True, defer_build=True)


def stored(*, title: str | None = None) -> Callable[[_Class], _Class]:
    """Mark of a `TypedDict` that stays on disk or is printed: its schema allows what later versions add.

    Args:
        title: Name in the JSON Schema where it is not the class's.
    """
    config = ConfigDict(extra="allow", title=title) if title else ConfigDict(extra="allow")
    return with_config(config)


def withheld() -> dict[str, Any]:  # pydantic's own form of `json_schema_extra`
    """Mark of a schema field that never reaches a public bundle: `Field(json_schema_extra=withheld())`."""
    return {"private": True}


@cache
def adapter(kind: Any) -> TypeAdapter[Any]:
    """Pydantic's validator of a stored type; made once a process, since making one takes milliseconds."""
    return TypeAdapter(kind)


def follows(kind: Any, text: str | bytes, *, unknown: Literal["allow", "forbid"]) -> None:
    """Make sure that a JSON text is of a stored type, with nothing to be made into something else first.

    Args:
        kind: The `TypedDict`.
        text: JSON.
        unknown: Whether fields that the type does not know may stand in it: `allow` for readers, since a
            later version may have written them; `forbid` for writers.

    Raises:
        ValueError: It is not (pydantic's, which says where).
    """
    adapter(kind).validate_json(text, strict=True, extra=unknown)


def fields(kind: type) -> frozenset[str]:
    """The fields that a model or a stored type knows."""
    return frozenset(_marks(kind))


def public_fields(kind: type) -> frozenset[str]:
    """Those of them that may reach a public bundle."""
    return frozenset(name for name, private in _marks(kind).items() if not private)


def private_fields(kind: type) -> frozenset[str]:
    """The fields that carry the mark of `withheld`."""
    return fields(kind) - public_fields(kind)


@cache
def _marks(kind: type) -> dict[str, bool]:
    """Field → whether it is private."""
    if issubclass(kind, BaseModel):
        return {name: _private(one) for name, one in kind.model_fields.items()}
    hints = get_type_hints(kind, include_extras=True)
    return {name: any(map(_private, _details(hint))) for name, hint in hints.items()}


def _details(hint: Any) -> list[FieldInfo]:
    """What `Annotated` says of a field, under `NotRequired` or not."""
    inner = getattr(hint, "__args__", ())
    own = [one for one in getattr(hint, "__metadata__", ()) if isinstance(one, FieldInfo)]
    return own + [deeper for one in inner[:1] for deeper in _details(one)]


def _private(one: FieldInfo) -> bool:
    return isinstance(one.json_schema_extra, dict) and bool(one.json_schema_extra.get("private"))
