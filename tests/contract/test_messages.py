"""Messages: short enough to be read to the end, naming only options that exist, saying what to type."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from pipeline import errors
from pipeline.cli import app
from pipeline.errors import WellreadError
from pipeline.formats import Declared, decode
from pipeline.formats.declaring import as_options, at_reading
from tests.contract.test_format_malformations import FOLDER, ROWS
from tests.contract.test_house import parsed
from tests.unit.test_sheet import BASE, MISTAKES, told

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.xdist_group("house")
LONGEST = 300
"""Characters of a message; common practice for a line that is read to the end, no source."""
A_VALUE = 12
"""What a value put into a message is counted as."""
RAISED = {name for name, kind in vars(errors).items() if isinstance(kind, type) and name.endswith("Error")}
TOLD = RAISED | {"Problem", "tell", "failed", "refused"}


def calls() -> Iterator[tuple[str, str, ast.Call]]:
    """Every call that makes a message: file, name, call."""
    for path in sorted((ROOT / "pipeline").rglob("*.py")):
        for node in parsed(path):
            if isinstance(node, ast.Call):
                name = getattr(node.func, "attr", getattr(node.func, "id", ""))
                if name in TOLD:
                    yield f"{path.relative_to(ROOT)}:{node.lineno}", name, node


def written(node: ast.AST) -> str:
    """The text of an expression as far as it stands in the source, values counted as `A_VALUE` letters."""
    if isinstance(node, ast.Constant):
        return node.value if isinstance(node.value, str) else ""
    if isinstance(node, ast.JoinedStr):
        return "".join(written(one) for one in node.values)
    if isinstance(node, ast.FormattedValue):
        return "x" * A_VALUE
    if isinstance(node, ast.BinOp):
        return written(node.left) + written(node.right)
    if isinstance(node, ast.IfExp):
        return max(written(node.body), written(node.orelse), key=len)
    return "x" * A_VALUE


def parts_of(call: ast.Call) -> list[str]:
    return [written(one) for one in (*call.args, *(keyword.value for keyword in call.keywords))]


def test_there_are_messages_to_look_at() -> None:
    found = [name for _, name, _ in calls()]
    assert len(found) > 250
    assert {"FormatError", "UsageError", "Problem", "tell"} <= set(found)


def test_no_message_is_written_longer_than_a_line_that_is_read_to_the_end() -> None:
    long = {
        place: length for place, _, call in calls() if (length := len(" ".join(parts_of(call)))) > LONGEST
    }
    assert long == {}


def test_every_error_of_ours_has_a_remedy_in_a_sentence() -> None:
    without = []
    for place, name, call in calls():
        remedy = next((one.value for one in call.keywords if one.arg == "remedy"), None)
        if name in RAISED and call.keywords and (remedy is None or len(written(remedy)) < 8):
            without.append(place)
    assert without == []


def test_every_option_that_a_message_names_is_an_option_of_a_command() -> None:
    command: Any = get_command(app)
    known = {name for each in command.commands.values() for one in each.params for name in one.opts}
    named = {
        (place, option)
        for place, _, call in calls()
        for part in parts_of(call)
        for option in re.findall(r"(?<![\w-])--[a-z][a-z-]+", part)
    }
    assert len(named) > 10
    of_others = {"--nthreads"}  # of `dask worker`, which a message tells a person to start
    assert of_others <= {option for _, option in named}
    assert {
        (place, option) for place, option in named if option not in {*known, "--help", *of_others}
    } == set()


@pytest.mark.parametrize("name", MISTAKES)
def test_no_mistake_in_a_sheet_is_told_at_length(name: str) -> None:
    _, problems = told(BASE + MISTAKES[name][0])
    assert problems
    assert [one for one in problems if len(one) > LONGEST] == []


@pytest.mark.parametrize(("name", "declared"), [row[:2] for row in ROWS], ids=[row[0] for row in ROWS])
def test_no_malformed_dump_is_refused_at_length_neither_by_a_command_nor_in_a_sheet(
    name: str, declared: str
) -> None:
    with pytest.raises(WellreadError) as caught:
        decode((FOLDER / name).read_bytes(), Declared(**json.loads(declared or "{}")))
    error = caught.value
    path = "dumps/PAT-U1.bench-reader.1.txt"
    row = at_reading(error.remedy, chip="PAT-U1", reader="bench-reader", path=path)
    assert len(f"problem: {path}, {error.where}: {error.problem}. {row}") <= LONGEST
    assert len(f"{path}, {error.where}: {error.problem}. {as_options(error.remedy)}.") <= LONGEST
