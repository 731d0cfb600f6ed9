"""The README: its commands are the ones that CI runs, and its sample output is real."""

from __future__ import annotations

import re
from pathlib import Path

from pipeline.formats import FORMATS
from tests.journey.cli import wellread

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
TEST_COMMAND = (
    "python3 -m venv .venv && .venv/bin/pip install --quiet -e '.[test]' && .venv/bin/python -m pytest"
)


def test_ci_runs_the_readmes_test_command_word_for_word() -> None:
    assert f"```sh\n{TEST_COMMAND}\n```" in README
    assert TEST_COMMAND in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_the_job_is_told_before_anything_else() -> None:
    first = README.split("\n\n")[1]
    assert first.startswith("You restore a rare machine")


def test_the_sample_output_is_what_package_prints(tmp_path: Path) -> None:
    found = re.search(r"<!-- sample: package -->\n```text\n(.*?)```", README, re.DOTALL)
    assert found
    done = wellread("package", ROOT / "example_project", "--into", tmp_path)
    assert done.code == 0
    printed = done.out.splitlines()[:-1]
    assert found[1].splitlines()[:-1] == printed


def test_every_command_of_the_help_is_in_the_readme() -> None:
    done = wellread("--help")
    commands = re.findall(r"^  ([a-z]+)  ", done.out.split("Commands:")[1], re.MULTILINE)
    assert len(commands) >= 9
    assert [name for name in commands if f"`wellread {name} " not in README] == []


def test_the_table_of_formats_says_what_the_decoders_check() -> None:
    rows = [f"| `{name}` | {checks} |" for name, checks in FORMATS.items()]
    assert "\n".join(["<!-- formats -->", "| format | what is checked |", "|---|---|", *rows, ""]) in README
