"""Three judges over one set of bags: ours, the common library, and a reader written from the RFC's text.

Source of every rule: RFC 8493 (October 2018), the section in `Case.clause`. Where the library says otherwise, the
case says so, and the clause decides.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.edges.bagdir import observe, second_opinion
from pipeline.stages.recheck import judge
from tests.outside import rfc8493
from tests.outside.bag_cases import Case, possible

EVERY = pytest.mark.parametrize("case", possible(), ids=lambda case: case.name.replace(" ", "-"))


@EVERY
def test_our_judge_says_what_the_clause_says_and_tells_every_kind_of_wound(
    case: Case, tmp_path: Path
) -> None:
    case.make(tmp_path / "bag")
    verdict = judge(observe(tmp_path / "bag"))
    told: set[str] = {each.kind for each in verdict.problems}
    assert (verdict.valid, told) == (case.valid, set(case.kinds)), verdict.problems
    assert verdict.complete == all(
        each.kind == "altered" or each.severity == "warning" for each in verdict.problems
    )


@EVERY
def test_the_reader_written_from_the_text_agrees_with_our_judge(case: Case, tmp_path: Path) -> None:
    case.make(tmp_path / "bag")
    said = rfc8493.problems(tmp_path / "bag")
    assert (not said) == case.valid, said


@EVERY
def test_the_library_agrees_or_is_listed_with_the_clause_that_decides(case: Case, tmp_path: Path) -> None:
    case.make(tmp_path / "bag")
    if (tmp_path / "bag/data/pipe").exists():
        pytest.skip("the library waits for the pipe forever (facts: P6)")
    said = second_opinion(tmp_path / "bag")
    expected = case.valid if case.library is None else case.library
    assert (not said) == expected, said
    assert case.clause


def test_every_known_gap_of_the_library_has_its_case() -> None:
    assert {each.gap for each in possible()} - {""} == {f"V{number}" for number in range(1, 19)}


def test_many_wounds_are_all_named(tmp_path: Path) -> None:
    next(each for each in possible() if each.gap == "V17").make(tmp_path / "bag")
    verdict = judge(observe(tmp_path / "bag"))
    assert [(each.path, each.kind) for each in verdict.problems] == [
        ("bag-info.txt", "incomplete"),
        ("data/a.bin", "altered"),
        ("data/stray", "unexpected"),
        ("data/sub/b.bin", "missing"),
    ]
