"""Equal values held once: each of ten thousand that came from another process is one of its own."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any, TypeVar, cast

_Any = TypeVar("_Any")
_Value = TypeVar("_Value", bound=Hashable)


class HeldOnce:
    """Gives the first of equal values for each of them; for what most chips share."""

    def __init__(self) -> None:
        self._held: dict[Hashable, Any] = {}

    def __call__(self, value: _Value) -> _Value:
        """The same value."""
        return self.under(value, value)

    def under(self, key: Hashable, value: _Any) -> _Any:
        """The same value, of one that has no hash.

        Args:
            key: Equal for equal values.
            value: Never altered.
        """
        return cast("_Any", self._held.setdefault(key, value))
