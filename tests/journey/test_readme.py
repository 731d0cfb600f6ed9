"""The READMEs' commands are the ones that CI runs and that the program has, and their samples are real."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest

from tests.journey.cli import wellread

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
TOUR = (ROOT / "example_project" / "README.md").read_text(encoding="utf-8")
TEST_COMMAND = (
    "python3 -m venv .venv && .venv/bin/pip install --quiet -e '.[test]' && .venv/bin/python -m pytest"
)


def section(page: str, title: str) -> str:
    """What stands under a heading, up to the next of its rank."""
    found = re.search(rf"(?ms)^## {re.escape(title)}$(.*?)(?=^## |\Z)", page)
    assert found, title
    return found[1]


def commands_of(text: str) -> list[list[str]]:
    """The lines of a page that call the program, as words; a remark behind `#` is none of them."""
    lines = re.findall(r"(?m)^\s*(?:\$ )?(wellread .+)$", text)
    return [shlex.split(line, comments=True)[1:] for line in lines]


def test_ci_runs_the_readmes_test_command_word_for_word() -> None:
    assert f"```sh\n{TEST_COMMAND}\n```" in README
    assert TEST_COMMAND in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_the_job_is_told_before_anything_else() -> None:
    first = README.split("\n\n")[1]
    assert first.startswith("You restore a rare machine")


def test_the_sample_output_is_what_package_prints(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    found = re.search(r"<!-- sample: package -->\n```text\n(.*?)```", README, re.DOTALL)
    assert found
    done = wellread("package", ROOT / "example_project", "--into", tmp_path)
    assert done.code == 0
    told, bag, place = done.out.partition("Bag, checked by two judges:")
    assert found[1] == f"{told}{bag} loom-78-v1\n"
    assert place.split() == [str(tmp_path / "loom-78-v1")]


def test_every_command_of_the_help_is_in_the_readme() -> None:
    done = wellread("--help")
    commands = re.findall(r"^  ([a-z]+)  ", done.out.split("Commands:")[1], re.MULTILINE)
    assert len(commands) >= 9
    assert [name for name in commands if f"`wellread {name} " not in README] == []


def test_every_exit_code_of_an_error_is_in_the_readme() -> None:
    from pipeline.errors import WellreadError

    kinds = [WellreadError]
    for kind in kinds:
        kinds += kind.__subclasses__()
    codes = {kind.exit_code for kind in kinds} | {70, 130}
    rows = re.findall(r"(?m)^\| ([\d, ]+) \|", section(README, "Commands"))
    told = {int(code) for row in rows for code in row.split(",")}
    assert codes <= told
    assert len(codes) > 15


def test_the_five_steps_lead_from_a_folder_of_dumps_to_a_checked_bag(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a newcomer types them; between the second step and the third the sheet is filled in."""
    steps = commands_of(section(README, "Your first machine in five steps"))
    assert [step[0] for step in steps] == ["start", "check", "package", "recheck"]
    dumps = tmp_path / "my_machine" / "dumps"
    dumps.mkdir(parents=True)
    for name in ("MEM-U1.prog.1.bin", "MEM-U1.hb.1.log", "MEM-U2.hb.1.log"):
        shutil.copy(ROOT / "example_project" / "dumps" / name, dumps)
    monkeypatch.chdir(tmp_path)
    assert wellread(*steps[0]).code == 0
    unconfirmed = wellread(*steps[1])
    assert unconfirmed.code == 1
    assert "unconfirmed" in unconfirmed.out
    sheet = tmp_path / "my_machine" / "sheet.yaml"
    filled = re.sub(r"    unconfirmed: .*\n", "    part: '2716'\n", sheet.read_text())
    filled = filled.replace("hb: {}", "hb: {kind: home-built}").replace(
        "prog: {}", "prog: {kind: device-programmer}"
    )
    sheet.write_text(filled)
    for step in steps[1:]:
        done = wellread(*step)
        assert done.code == 0, (step, done.out, done.err)
    assert (tmp_path / "my_machine-v1" / "data" / "report" / "index.html").exists()
    assert (tmp_path / "checks.ledger").exists()


@pytest.mark.drill
def test_the_tour_corrects_and_releases_the_example_as_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert wellread("package", ROOT / "example_project", "--into", tmp_path).code == 0
    reopen, package, changes = commands_of(section(TOUR, "Corrected, and packed again"))
    assert wellread(*reopen).code == 0
    sheet = tmp_path / reopen[-1] / "sheet.yaml"
    sheet.write_text(sheet.read_text("utf-8").replace("revision: C", "revision: D", 1), "utf-8")
    assert wellread(*package).code == 0
    assert wellread(*changes).code == 0
    dry, release = commands_of(section(TOUR, "Released"))
    assert wellread(*dry).code == 0
    assert not (tmp_path / "loom-78-v1-public").exists()
    assert wellread(*release).code == 0
    check, burn = commands_of(section(TOUR, "Get it, check it, burn it"))
    assert wellread(*check).code == 0
    burned = wellread(*burn)
    assert burned.code == 0
    sample = section(TOUR, "Get it, check it, burn it").partition(f"$ wellread {' '.join(burn)}\n")[2]
    lines = [line for line in sample.partition("```")[0].splitlines() if line != "…"]
    assert len(lines) >= 5
    assert [line for line in burned.out.splitlines() if line in lines] == lines
