"""The text of tag files, against the words of RFC 8493."""

from __future__ import annotations

import pytest

from pipeline.bags.observed import PlainFiles
from pipeline.bags.write_tag_files import encode_path, info_text, manifest_of, size_text


def test_only_line_breaks_and_percent_signs_are_encoded() -> None:
    # RFC 8493 section 2.1.3: "those characters (and only those) MUST be percent-encoded".
    assert encode_path("data/a b\r\n%0A ü\u3000") == "data/a b%0D%0A%250A ü\u3000"


def test_manifest_lines_are_sorted_by_bytes_not_by_language() -> None:
    digests = b"".join(bytes([number]) * 16 for number in (1, 2, 3))
    files = PlainFiles(["data/é", "data/z", "data/Z"], [4, 5, 6], digests, ("md5",)).in_order()
    assert [*files.sizes] == [6, 5, 4]
    lines = ((3, "data/Z"), (2, "data/z"), (1, "data/é"))
    assert b"".join(manifest_of(files, "md5")).decode() == "".join(
        f"{number:02x}" * 16 + f"  {path}\n" for number, path in lines
    )


def test_a_long_manifest_is_the_same_in_pieces_and_tells_each_algorithm_apart() -> None:
    paths = sorted(f"data/{number:05}" + "%" * (number % 700 == 699) for number in range(2100))
    digests = b"".join(number.to_bytes(16) + number.to_bytes(20) for number in range(len(paths)))
    files = PlainFiles(paths, [0] * len(paths), digests, ("md5", "sha1"))
    for algorithm, digits in (("md5", 32), ("sha1", 40)):
        pieces = [*manifest_of(files, algorithm)]
        assert len(pieces) == 3
        lines = b"".join(pieces).decode().splitlines()
        assert lines == [f"{at:0{digits}x}  {path.replace('%', '%25')}" for at, path in enumerate(paths)]


def test_a_long_value_is_folded_between_words_and_keeps_them_all() -> None:
    value = " ".join(["restored"] * 40)
    text = info_text([("External-Description", value)])
    lines = text.splitlines()
    assert all(len(line) <= 79 for line in lines)
    assert all(line.startswith(" ") for line in lines[1:])
    assert " ".join(text.split()) == f"External-Description: {value}"


def test_a_word_longer_than_a_line_is_not_broken() -> None:
    assert info_text([("External-Identifier", "x" * 100)]) == f"External-Identifier: {'x' * 100}\n"


def test_line_breaks_in_a_value_become_blanks_and_glue_no_words() -> None:
    assert info_text([("Contact-Name", "one\r\ntwo\nthree")]) == "Contact-Name: one two three\n"


@pytest.mark.parametrize("label", ["", "a:b", "a\nb", " a", "a "])
def test_a_label_that_the_format_cannot_carry_is_refused(label: str) -> None:
    with pytest.raises(ValueError, match="label"):
        info_text([(label, "x")])


def test_an_empty_value_is_refused() -> None:
    with pytest.raises(ValueError, match="no value"):
        info_text([("Contact-Name", " \n")])


def test_what_must_not_be_repeated_is_not_whatever_its_case() -> None:
    with pytest.raises(ValueError, match="repeated"):
        info_text([("Payload-Oxum", "1.1"), ("payload-oxum", "1.1")])
    assert info_text([("Contact-Name", "a"), ("Contact-Name", "b")]) == "Contact-Name: a\nContact-Name: b\n"


@pytest.mark.parametrize(
    ("size", "text"),
    [(0, "0 B"), (1000, "1 kB"), (999_499, "999 kB"), (999_500, "1 MB"), (123_456_789, "123 MB")],
)
def test_sizes_have_three_digits_and_a_unit(size: int, text: str) -> None:
    assert size_text(size) == text
