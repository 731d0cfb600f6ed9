"""Every example in a docstring of the program runs and prints what it says."""

from __future__ import annotations

import doctest
import importlib

import pytest

from tests.contract.test_house import MODULES

FINDER = doctest.DocTestFinder(exclude_empty=True)
EXAMPLES = {
    test.name: test
    for name, path in MODULES.items()
    if ">>> " in path.read_text(encoding="utf-8")
    for test in FINDER.find(importlib.import_module(name))
    if test.examples
}


def test_there_are_examples() -> None:
    assert len(EXAMPLES) >= 30


@pytest.mark.parametrize("name", EXAMPLES)
def test_an_example_prints_what_its_docstring_says(name: str) -> None:
    said: list[str] = []
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    result = runner.run(EXAMPLES[name], out=said.append)
    assert result.attempted > 0
    assert result.failed == 0, "".join(said)
