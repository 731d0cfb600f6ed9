"""Dates before another's reading of the Extended Date/Time Format: the library `edtf`.

Source: Library of Congress, Extended Date/Time Format Specification (ISO 8601-2), levels 0 and 1.
"""

from __future__ import annotations

import pytest
from edtf import parse_edtf
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from schemas.sheet import _EDTF, as_edtf
from tests.kit.example_bags import example_bag, example_bundle

P = "{http://www.loc.gov/premis/v3}"


@given(st.from_regex(_EDTF, fullmatch=True))
def test_every_date_that_a_sheet_takes_is_a_date_for_the_library(text: str) -> None:
    try:
        taken = as_edtf(text)
    except ValueError:
        return
    assert parse_edtf(taken) is not None


FORMS = """
1978 2024-05 2024-05-03 198X 19XX 2024-XX 2024-05-XX 2024-XX-XX 2024~ 1978? 2024-05-03% 198X~
2021/2023 ../2024-01-01 2024-01/.. /2024 2024~/2025?
2024-05-03T10:30:00 2024-05-03T10:30:00Z 2024-05-03T10:30:00+01:00
"""


@pytest.mark.parametrize("text", FORMS.split())
def test_the_forms_of_both_levels_that_people_need_are_taken_by_both(text: str) -> None:
    assert as_edtf(text) == text
    assert parse_edtf(text) is not None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("2024-05-03T10:30", "a time has seconds"),
        ("2024-05-03T10:30Z", "a time has seconds"),
        ("2024-05-03T25:00:00Z", "a date that exists"),
        ("198X-13", "a date as far as known"),
        ("19XX-05-03", "a date as far as known"),
        ("2024-XX-03", "a date as far as known"),
        ("../", "a date as far as known"),
        ("/..", "a date as far as known"),
        ("2024-02-30", "a date that exists"),
    ],
)
def test_what_the_library_refuses_a_sheet_refuses_in_words(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        as_edtf(text)


def test_every_date_of_an_event_is_a_date_for_the_library() -> None:
    told = 0
    for bag in (example_bag(), example_bundle()):
        for one in etree.parse(str(bag / "metadata" / "premis.xml")).iter(f"{P}eventDateTime"):
            assert parse_edtf(one.text) is not None
            told += 1
    assert told > 60
