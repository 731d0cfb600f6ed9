"""What is kept on disk while a bag is built comes back as it was, in the order that is wanted."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from pipeline.run.package.spool import Pickles, pickled


@given(st.lists(st.integers() | st.text(max_size=9), max_size=9))
def test_values_come_back_in_order_as_often_as_asked_and_more_can_follow(values: list[int | str]) -> None:
    with tempfile.TemporaryDirectory() as place, Pickles(Path(place)) as kept:
        for value in values:
            kept.add(pickled(value))
        assert list(kept) == values
        kept.add(pickled("last"))
        assert list(kept) == list(kept) == [*values, "last"]
