"""What is kept on disk while a bag is built comes back as it was, in the order that is wanted."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from pipeline.run.package.spool import Keyed, Pickles, pickled


@given(
    st.lists(st.tuples(st.sampled_from(["", "1999", "2001", "2001-02"]), st.binary(max_size=9)), max_size=9)
)
def test_pieces_come_back_by_key_and_those_of_one_key_as_they_came(pieces: list[tuple[str, bytes]]) -> None:
    with tempfile.TemporaryDirectory() as place, Keyed(Path(place)) as kept:
        for key, piece in pieces:
            kept.add_under(key, piece)
        wanted = b"".join(piece for _, piece in sorted(pieces, key=lambda one: one[0]))
        assert b"".join(kept.in_order().chunks()) == wanted
        assert b"".join(kept.whole().chunks()) == b"".join(one for _, one in pieces)
        assert kept.whole().size_bytes == len(wanted)


@given(st.lists(st.integers() | st.text(max_size=9), max_size=9))
def test_values_come_back_in_order_as_often_as_asked_and_more_can_follow(values: list[int | str]) -> None:
    with tempfile.TemporaryDirectory() as place, Pickles(Path(place)) as kept:
        for value in values:
            kept.add(pickled(value))
        assert list(kept) == values
        kept.add(pickled("last"))
        assert list(kept) == list(kept) == [*values, "last"]
