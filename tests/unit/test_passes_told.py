"""How many passes a capture has: a reader that prints on gives more than were asked for."""

from __future__ import annotations

import pytest

from tests.contract.test_advice import capture_text


@pytest.mark.parametrize(
    ("whole", "asked", "said"),
    [
        (2, 3, "2 of 3 passes whole"),
        (3, 3, "3 of 3 passes whole"),
        (1, 1, "1 of 1 pass whole"),
        (4, 3, "4 passes whole where 3 were asked for"),
        (2, 1, "2 passes whole where 1 was asked for"),
    ],
)
def test_passes_are_counted_against_what_was_asked_for(whole: int, asked: int, said: str) -> None:
    assert f"\n{said}, 1 byte received" in capture_text(None, whole=whole, asked=asked)
