"""Entries packed in columns say what the library's dicts of texts would say."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.edges.bags.packed_hashes import PackedEntries, SpelledOtherwise

PLAIN = {"md5": "0f" * 16, "sha256": "a1" * 32, "sha512": "9c" * 64}
TEXTS = st.one_of(st.sampled_from([*PLAIN.values()]), st.text("0aF zé", max_size=4))
LINES = st.lists(st.tuples(st.sampled_from([*PLAIN, "other"]), st.sampled_from("abcd"), TEXTS), max_size=20)


def packed(lines: list[tuple[str, str, str]]) -> PackedEntries:
    """As the library adds them: a file's second hash of one algorithm is refused, or passed over if equal."""
    entries = PackedEntries()
    for name, path, text in lines:
        hashes = entries.setdefault(path, {})
        if name not in hashes:
            hashes[name] = text
    return entries


@given(lines=LINES)
def test_whatever_manifests_say_is_said_again_in_their_words(lines: list[tuple[str, str, str]]) -> None:
    wanted: dict[str, dict[str, str]] = {}
    for name, path, text in lines:
        wanted.setdefault(path, {}).setdefault(name, text)
    entries = packed(lines)
    assert list(entries) == list(wanted)
    assert len(entries) == len(wanted)
    assert {path: hashes.texts() for path, hashes in entries.items()} == wanted
    assert {path: {name: hashes[name] for name in hashes} for path, hashes in entries.items()} == wanted
    for path in "abcd":
        assert (path in entries) == (path in wanted)
        for name in wanted.get(path, {}):
            assert name in entries[path]


def test_a_hash_that_nobody_gave_is_not_there() -> None:
    entries = packed(
        [("md5", "a", PLAIN["md5"]), ("md5", "c", PLAIN["md5"]), ("sha256", "c", PLAIN["sha256"])]
    )
    assert "sha256" not in entries["a"]
    assert "sha512" not in entries["c"]
    with pytest.raises(KeyError):
        entries["a"]["sha256"]
    with pytest.raises(KeyError):
        entries["b"]


def test_a_hash_in_capitals_stays_in_capitals_beside_plain_ones() -> None:
    entries = packed([("md5", "a", PLAIN["md5"]), ("md5", "b", "0F" * 16), ("md5", "c", PLAIN["md5"])])
    assert [entries[path]["md5"] for path in "abc"] == [PLAIN["md5"], "0F" * 16, PLAIN["md5"]]


@given(st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from("abcde"))))
def test_names_spelled_otherwise_answer_as_a_dict_of_all_names(names: list[tuple[str, str]]) -> None:
    found, every = SpelledOtherwise(), {name: name for name in "abc"}
    found.update(names[::2])
    every.update(names[::2])
    for normal, spelled in names[1::2]:
        found[normal] = every[normal] = spelled

    assert {name: found[name] for name in "abc"} == every
    assert {name: found.get(name, name) for name in "abc"} == every
    assert all(normal != spelled for normal, spelled in found.items())


def test_a_path_that_the_manifests_have_is_held_once() -> None:
    entries = packed([("sha256", "data/a", "00")])
    (own,) = entries
    again = f"{own[:4]}{own[4:]}"

    assert again is not own
    assert entries.own(again) is own
    assert entries.own("data/b") == "data/b"
