"""Odds as a person says them."""

from __future__ import annotations


def in_hundred(odds: float) -> str:
    """Odds as a person says them; never more than measured.

    Example:
        >>> in_hundred(0.993), in_hundred(0.99999)
        ('99 in 100', 'more than 99 in 100')
    """
    # 0.99 itself is a little less than that in binary.
    return f"{int(odds * 100 + 1e-9)} in 100" if odds < 0.995 else "more than 99 in 100"
