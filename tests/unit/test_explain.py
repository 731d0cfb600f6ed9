"""`wellread explain`: every code and grade in words, from the glossary alone."""

from __future__ import annotations

import pytest

from schemas.finding import Code
from schemas.glossary import GLOSSARY
from schemas.vocabulary import Grade
from tests.journey.cli import wellread


@pytest.mark.parametrize("name", [*Code, *Grade])
def test_every_code_and_grade_is_explained(name: str) -> None:
    done = wellread("explain", name)
    assert done.code == 0, done.err
    flat = " ".join(done.out.split())
    one = GLOSSARY[name]
    assert all(text in flat for text in (one.what, one.told, one.also, one.do))


def test_advice_for_the_bench_comes_with_its_cautions() -> None:
    assert "Before a hand goes near the chip" in wellread("explain", "address-line-dead").out
    assert wellread("explain", "address-line-dead", "--json").document["cautions"]


def test_a_misspelt_code_is_answered_with_what_to_type() -> None:
    done = wellread("explain", "adress-line-dead")
    assert done.code == 2
    assert "Type `wellread explain address-line-dead`." in done.err
    assert "Type `wellread explain`, which lists all." in wellread("explain", "xyzzy").err


def test_without_a_code_all_are_listed_in_one_line_each() -> None:
    done = wellread("explain")
    assert done.code == 0
    assert len(done.out.splitlines()) == len(GLOSSARY)
