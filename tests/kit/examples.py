"""How many examples a property that is dear takes: a share of what the profile asks for."""

from __future__ import annotations

from hypothesis import settings


def examples(share: float, *, least: int = 5, most: int = 1_000_000) -> int:
    """As many; `ci` asks for 40, `long` for 200, `night` for 100,000."""
    return min(most, max(least, int(settings().max_examples * share)))
