"""Small sheets with one thing to say each: the very words of every problem, and what is read all the same.

`tests/assets/sheet_cases.jsonl` has one a line; the words were read one by one. Cautions begin with `~`.
`python -m tests.unit.test_sheet_cases` writes the file anew: read its difference.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import NothingToDoError, SheetError
from tests.unit.test_sheet import told

KEPT = Path(__file__).parents[1] / "assets" / "sheet_cases.jsonl"
CASES = [json.loads(line) for line in KEPT.read_text("utf-8").splitlines()]
GIVEN = ("sheet", "files", "tables", "unusable")


def found(case: dict[str, Any]) -> dict[str, Any]:
    """What a sheet is told, as the cases are written."""
    tables = {name: text.encode("latin-1") for name, text in case["tables"].items()}
    try:
        plan, problems = told(
            case["sheet"], files=tuple(case["files"]), tables=tables, refused=case["unusable"]
        )
    except SheetError as error:
        return {"ends": [str(error), *error.problems]}
    except NothingToDoError as error:
        return {"ends": [str(error)]}
    if plan is None:
        return {"told": problems, "read": None, "spaces": None}
    return {
        "told": problems,
        "read": [[one.reading, *one.files] for chip in plan.chips for one in chip.readings],
        "spaces": [space.name for space in plan.sheet.spaces],
    }


@pytest.mark.parametrize("case", CASES, ids=range(len(CASES)))
def test_a_sheet_is_told_its_problems_in_these_words(case: dict[str, Any]) -> None:
    said = found(case)
    assert said == {key: case[key] for key in said}


def test_the_cases_tell_problems_of_many_kinds() -> None:
    kinds = {problem.split(": found ")[-1][:30] for case in CASES for problem in case.get("told", ())}
    assert len(kinds) > 70


def main() -> None:
    """Write the file anew."""
    lines = [
        json.dumps({**{key: case[key] for key in GIVEN}, **found(case)}, ensure_ascii=False) for case in CASES
    ]
    KEPT.write_text("\n".join(lines) + "\n", "utf-8")


if __name__ == "__main__":
    main()
