"""Licence expressions before another's reading of SPDX: `license-expression`, with the list that it carries.

Source: SPDX specification, annex "SPDX license expressions".
"""

from __future__ import annotations

import re

import pytest
from boolean import ParseError
from hypothesis import given
from hypothesis import strategies as st
from license_expression import ExpressionError, get_spdx_licensing

from schemas.sheet import as_rights

SPDX = get_spdx_licensing()
KNOWN = ["MIT", "Apache-2.0", "CC0-1.0", "CC-BY-4.0", "GPL-2.0-or-later", "BSD-3-Clause", "0BSD", "Zlib"]
simple = st.sampled_from(KNOWN) | st.just("GPL-2.0-only WITH Classpath-exception-2.0")
expressions = st.recursive(
    simple,
    lambda inner: st.builds(
        "{} {} {}".format, inner, st.sampled_from(["AND", "OR"]), inner.map(lambda one: f"({one})")
    ),
    max_leaves=6,
)


def theirs(text: str) -> bool:
    """Whether the library takes an expression; where it stumbles over one, it takes none."""
    try:
        SPDX.parse(text, validate=True, strict=True)
    except (ExpressionError, ParseError, IndexError):
        return False
    return True


@given(expressions)
def test_both_take_every_expression_made_of_known_licences(text: str) -> None:
    taken = as_rights(text)
    assert theirs(taken)
    assert SPDX.is_equivalent(taken, text)


@given(expressions, st.sampled_from(["mit", "apache-2.0", "cc0-1.0"]))
def test_a_licence_in_other_letters_is_spelt_as_the_list_spells_it(text: str, small: str) -> None:
    taken = as_rights(f"{text} AND {small}")
    written = set(re.findall(r"[A-Za-z0-9.+-]+", taken))
    assert set(SPDX.license_keys(taken)) <= written


@pytest.mark.parametrize(
    "text",
    ["No-Such-Licence", "MIT AND", "AND MIT", "(MIT", "MIT OR OR Zlib", "MIT WITH MIT", "MIT Zlib", "()"],
)
def test_what_is_no_expression_is_refused_by_both(text: str) -> None:
    assert not theirs(text)
    with pytest.raises(ValueError, match="an SPDX identifier"):
        as_rights(text)
