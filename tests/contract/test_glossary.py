"""One source says what every code and grade means; nothing that a record can hold is left unexplained."""

from __future__ import annotations

from schemas.finding import Code
from schemas.glossary import GLOSSARY, Meaning
from schemas.vocabulary import Grade


def _sentences(one: Meaning) -> tuple[str, ...]:
    return one.what, one.told, one.also, one.do


def test_every_code_has_an_entry() -> None:
    assert {code.value for code in Code} <= {name for name, one in GLOSSARY.items() if one.kind == "finding"}


def test_every_grade_has_an_entry_and_no_grade_is_invented() -> None:
    assert {name for name, one in GLOSSARY.items() if one.kind == "grade"} == {grade.value for grade in Grade}


def test_every_entry_says_four_whole_sentences_of_its_own() -> None:
    for one in GLOSSARY.values():
        said = _sentences(one)
        assert all(len(text) > 8 and text[0].isupper() and text.endswith(".") for text in said if text), one
        assert len(set(said)) == len(said), one.name
        assert sum(map(len, said)) < 700, one.name
