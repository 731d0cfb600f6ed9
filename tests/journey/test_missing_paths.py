"""A path that is not there ends every command with 16; a file or folder to be made in no folder, with 15."""

from __future__ import annotations

import inspect
import shutil
from pathlib import Path
from typing import get_type_hints

import pytest

from pipeline.cli import app
from tests.journey.cli import wellread

EXAMPLE = Path(__file__).parents[2] / "example_project"
NOT_THERE, TAKEN = 16, 15
COMMANDS = {
    command.name or (command.callback.__name__ if command.callback else ""): command.callback
    for command in app.registered_commands
}
LINES: dict[tuple[str, str], tuple[str, int, str]] = {
    ("start", "folder"): ("start {x}", NOT_THERE, "folder"),
    ("check", "folder"): ("check {x}", NOT_THERE, "folder"),
    ("package", "folders"): ("package {x}", NOT_THERE, "folder"),
    ("package", "into"): ("package {project} --into {x}/y", TAKEN, "folder"),
    ("examine", "files"): ("examine {dump} {x}", NOT_THERE, "file"),
    ("examine", "project"): ("examine --project {x} --chip U1", NOT_THERE, "folder"),
    ("compare", "project"): ("compare U1.p.1 U1.p.1 --project {x}", NOT_THERE, "folder"),
    ("compare", "first"): ("compare {x} {dump}", NOT_THERE, "file"),
    ("compare", "second"): ("compare {dump} {x}", NOT_THERE, "file"),
    ("compare", "undo"): ("compare {dump} {dump} --undo {x}/y", TAKEN, "folder"),
    ("convert", "file"): ("convert {x} --to binary -o {new}", NOT_THERE, "file"),
    ("convert", "output"): ("convert {dump} --to s-record -o {x}/y", TAKEN, "folder"),
    ("recheck", "bags"): ("recheck {bag} {x}", NOT_THERE, "bag"),
    ("recheck", "ledger"): ("recheck {bag} --ledger {x}", NOT_THERE, "ledger"),
    ("ledger", "file"): ("ledger {x}", NOT_THERE, "ledger"),
    ("ledger", "csv"): ("ledger {book} --csv {x}/y", TAKEN, "folder"),
    ("ledger", "premis"): ("ledger {book} --premis {x}/y", TAKEN, "folder"),
    ("ledger", "accept"): ("ledger {book} --accept {x} --because so", NOT_THERE, "bag"),
    ("mend", "bag"): ("mend {x} --from {bag}", NOT_THERE, "bag"),
    ("mend", "copies"): ("mend {bag} --from {x}", NOT_THERE, "bag"),
    ("mend", "ledger"): ("mend {bag} --from {bag} --ledger {x}", NOT_THERE, "ledger"),
    ("release", "bags"): ("release {x}", NOT_THERE, "bag"),
    ("release", "into"): ("release {bag} --into {x}/y", TAKEN, "folder"),
    ("burn", "bag"): ("burn {x} --chip U1 --into 2716", NOT_THERE, "bag"),
    ("burn", "output"): ("burn {bag} --chip U1 --into 2716 -o {x}/y", TAKEN, "folder"),
    ("listing", "bag"): ("listing {x} --chip U1", NOT_THERE, "bag"),
    ("changes", "old"): ("changes {x} {bag}", NOT_THERE, "bag"),
    ("changes", "new"): ("changes {bag} {x}", NOT_THERE, "bag"),
    ("reopen", "bag"): ("reopen {x} --into {new}", NOT_THERE, "bag"),
    ("reopen", "into"): ("reopen {bag} --into {x}/y", TAKEN, "folder"),
    ("bench", "project"): ("bench 2716 --project {x}", NOT_THERE, "folder"),
    ("bench", "html"): ("bench 2716 --html {x}/y", TAKEN, "folder"),
    ("twins", "bag"): ("twins {x} --among {bag}", NOT_THERE, "bag"),
    ("twins", "among"): ("twins {bag} --among {x}", NOT_THERE, "bag"),
    ("twins", "project"): ("twins {bag} --among {bag} --project {x}", NOT_THERE, "folder"),
    ("holdings", "shelves"): ("holdings {x}", NOT_THERE, "bag"),
    ("holdings", "index"): ("holdings --index {x}", NOT_THERE, "index"),
    ("holdings", "ledger"): ("holdings {bag} --ledger {x}", NOT_THERE, "ledger"),
    ("holdings", "file"): ("holdings {bag} --file {x}", NOT_THERE, "file"),
    ("holdings", "csv"): ("holdings {bag} --csv {x}/y", TAKEN, "folder"),
    ("holdings", "page"): ("holdings {bag} --page {x}/y", TAKEN, "folder"),
    ("watch", "like"): ("watch {new} --part 2716 --like {x}", NOT_THERE, "file"),
    ("watch", "project"): (
        "watch {new} --then-capture --chip U1 --reader p --project {x}",
        NOT_THERE,
        "folder",
    ),
    ("capture", "project"): (
        "capture {new} --chip U1 --reader p --organisation 16x8 --project {x}",
        NOT_THERE,
        "folder",
    ),
}
"""(command, its parameter) → a line that is right but for it, the exit code, what is looked for."""
SHEET = """\
machine: {id: m, name: M}
rights: {statement: 'http://rightsstatements.org/vocab/UND/1.0/'}
readers: {p: {kind: device-programmer}}
chips: [{chip: U1, part: '2716'}]
"""


def paths_of(command: str) -> set[str]:
    """The parameters of a command that are paths."""
    callback = COMMANDS[command]
    assert callback is not None
    hints = get_type_hints(callback)
    return {name for name in inspect.signature(callback).parameters if "Path" in str(hints[name])}


@pytest.fixture(scope="module")
def there(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A project, a bag of it, a ledger that knows the bag, a dump."""
    place = tmp_path_factory.mktemp("there")
    project = place / "m"
    (project / "dumps").mkdir(parents=True)
    dump = project / "dumps" / "U1.p.1.bin"
    shutil.copy(EXAMPLE / "dumps" / "MEM-U1.prog.1.bin", dump)
    (project / "sheet.yaml").write_text(SHEET, "utf-8")
    assert wellread("package", project).code == 0
    book = place / "checks.ledger"
    assert wellread("recheck", place / "m-v1", "--ledger", book, "--new-ledger").code == 0
    return {
        "project": project,
        "bag": place / "m-v1",
        "book": book,
        "dump": dump,
        "new": place / "new",
        "x": place / "nowhere",
    }


def test_every_path_of_every_command_is_tried() -> None:
    known = {(command, name) for command in COMMANDS for name in paths_of(command)}
    assert len(known) >= 30
    assert known == set(LINES)


@pytest.mark.parametrize(("command", "parameter"), LINES)
def test_a_path_that_is_not_there_is_told_with_what_was_looked_for(
    command: str, parameter: str, there: dict[str, Path]
) -> None:
    line, code, what = LINES[command, parameter]
    done = wellread(*(piece.format_map(there) for piece in line.split()))
    assert done.code == code, done.out + done.err
    said = done.out + done.err
    assert f"there is no such {what}" in said or f"the folder {there['x']} is not there" in said
    assert str(there["x"]) in said
    assert not there["x"].exists()
    assert not there["new"].exists()
    assert max(map(len, said.splitlines())) <= 300


def test_a_ledger_is_begun_only_in_a_folder_that_is_there(there: dict[str, Path]) -> None:
    done = wellread("recheck", there["bag"], "--ledger", there["x"] / "y", "--new-ledger")
    assert (done.code, done.err) == (
        TAKEN,
        f"{there['x']}: there is no such folder. Make it, or choose another.\n",
    )


@pytest.mark.parametrize("flags", [(), ("--json",), ("--quiet",), ("--replay",)])
def test_a_recheck_goes_on_where_one_bag_is_not_there(there: dict[str, Path], flags: tuple[str, ...]) -> None:
    done = wellread("recheck", there["x"], there["bag"], *flags)
    assert done.code == NOT_THERE
    if "--json" in flags:
        assert [one["valid"] for one in done.document["bags"]] == [False, True]


def test_a_bag_that_is_not_valid_weighs_more_than_one_that_is_not_there(
    there: dict[str, Path], tmp_path: Path
) -> None:
    damaged = tmp_path / "damaged"
    shutil.copytree(there["bag"], damaged)
    (damaged / "data" / "images" / "unplaced" / "U1.bin").unlink()
    assert wellread("recheck", damaged, there["x"]).code == 1
    assert wellread("recheck", damaged).code == 1


def test_the_code_of_a_missing_bag_is_that_of_every_missing_path() -> None:
    from pipeline.errors import StorageError
    from pipeline.exit_codes import NOT_THERE as CODE

    assert StorageError.exit_code == CODE == NOT_THERE


def test_a_file_that_is_no_bag_is_not_told_as_one_that_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "bag.zip").write_bytes(b"PK no more than this")
    done = wellread("recheck", tmp_path / "bag.zip")
    assert done.code == 1
    assert "malformed: " in done.out
    assert wellread("recheck", tmp_path / "bag.zip", tmp_path / "gone").code == 1
    assert wellread("recheck", tmp_path / "gone").code == 16
