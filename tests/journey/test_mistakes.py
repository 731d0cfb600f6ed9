"""The mistakes of the first hour: each is met with its own message, an exit code, and no traceback."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest

from tests.journey.cli import wellread

EXAMPLE = Path(__file__).parents[2] / "example_project"
DUMP = EXAMPLE / "dumps" / "MEM-U1.prog.1.bin"
SHEET = """\
machine: {id: m, name: M}
readers: {prog: {kind: device-programmer}}
chips:
  - {chip: U1, part: '2716'}
"""


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """A project of one chip and one dump."""
    root = tmp_path / "m"
    (root / "dumps").mkdir(parents=True)
    shutil.copy(DUMP, root / "dumps" / "U1.prog.1.bin")
    (root / "sheet.yaml").write_text(SHEET, encoding="utf-8")
    return root


def test_the_smallest_project_is_packaged(project: Path) -> None:
    done = wellread("package", project, "--json")
    assert done.code == 0, done.err
    assert [one["grade"] for one in done.document["chips"]] == ["single"]
    assert Path(done.document["bag"]).parent == project.parent


@pytest.mark.parametrize("command", ["check", "package", "start"])
def test_a_folder_that_is_not_there(command: str, tmp_path: Path) -> None:
    done = wellread(command, tmp_path / "nowhere")
    assert done.code == 16
    assert "there is no such folder. Give the folder that holds sheet.yaml and dumps/." in done.err


def test_a_sheets_path_instead_of_its_folder(project: Path) -> None:
    done = wellread("package", project / "sheet.yaml")
    assert done.code == 24
    assert f"this is a sheet or table, not its folder. Give the folder: {project}." in done.err


def test_a_zip_instead_of_a_folder(tmp_path: Path) -> None:
    packed = tmp_path / "dumps.zip"
    packed.write_bytes(b"PK\x03\x04")
    done = wellread("package", packed)
    assert done.code == 24
    assert "this is a packed archive, not a folder. Unpack it" in done.err


def test_a_bag_instead_of_a_project(project: Path) -> None:
    bag = Path(wellread("package", project, "--json").document["bag"])
    done = wellread("package", bag)
    assert done.code == 24
    assert "this is a finished bag, not a project folder" in done.err


def test_a_folder_without_a_sheet_is_told_how_to_get_one(project: Path) -> None:
    (project / "sheet.yaml").unlink()
    done = wellread("package", project)
    assert done.code == 24
    assert f"Draft one with `wellread start {project}`." in done.err


def test_empty_dumps(project: Path) -> None:
    (project / "dumps" / "U1.prog.1.bin").unlink()
    done = wellread("package", project)
    assert done.code == 24
    assert "there are no dump files" in done.err


def test_problems_are_listed_one_a_line_and_nothing_is_written(project: Path) -> None:
    (project / "sheet.yaml").write_text(SHEET.replace("'2716'", "'27160'"), encoding="utf-8")
    done = wellread("package", project)
    assert done.code == 10
    assert "sheet.yaml:4: chips[1].part: found '27160'" in done.err
    assert [path.name for path in project.parent.iterdir()] == ["m"]
    checked = wellread("check", project, "--json")
    assert checked.code == 1
    assert len(checked.document["problems"]) == 1


def test_a_dump_that_cannot_be_decoded_is_a_problem_with_its_place(project: Path) -> None:
    (project / "dumps" / "U1.prog.1.hex").write_bytes(
        b":10010000C300E0310010AFD32076FFFF48490D0A4E\n:00000001FF\n"
    )
    (project / "dumps" / "U1.prog.1.bin").unlink()
    done = wellread("package", project)
    assert done.code == 10
    assert "dumps/U1.prog.1.hex, line 1" in done.err
    assert "or set the reading aside with its reason" in done.err


def test_start_then_check_fails_until_the_guesses_are_confirmed(project: Path) -> None:
    (project / "sheet.yaml").unlink()
    shutil.copy(DUMP, project / "dumps" / "U12 (2).bin")
    shutil.copy(DUMP, project / "dumps" / "U.1.3.prog.2.bin")
    before = {path.name: path.read_bytes() for path in (project / "dumps").iterdir()}
    done = wellread("start", project, "--json")
    assert done.code == 0, done.err
    assert done.document["chips"] == 3
    assert {path.name: path.read_bytes() for path in (project / "dumps").iterdir()} == before
    assert wellread("check", project).code == 1
    sheet = project / "sheet.yaml"
    lines = sheet.read_text(encoding="utf-8").splitlines(keepends=True)
    sheet.write_text(
        "".join(x for x in lines if "unconfirmed" not in x and not x.lstrip().startswith('- "')),
        encoding="utf-8",
    )
    confirmed = wellread("check", project)
    assert confirmed.code == 0, confirmed.out + confirmed.err
    assert wellread("start", project).code == 15


def test_start_finds_dumps_that_lie_loose_in_the_folder(tmp_path: Path) -> None:
    shutil.copy(DUMP, tmp_path / "U7.bin")
    (tmp_path / "notes.md").write_text("not a dump")
    done = wellread("start", tmp_path, "--json")
    assert done.code == 0, done.err
    assert done.document["readings"] == 1
    sheet = tmp_path / "sheet.yaml"
    text = sheet.read_text(encoding="utf-8")
    assert "what lies beside dumps/ is taken for a dump" in text
    assert done.document["moves"] == [["U7.bin", "dumps/"]]
    lines = text.splitlines(keepends=True)
    sheet.write_text(
        "".join(x for x in lines if "unconfirmed" not in x and not x.lstrip().startswith('- "')),
        encoding="utf-8",
    )
    packed = wellread("package", tmp_path, "--into", tmp_path.parent / "out", "--json")
    assert packed.code == 0, packed.err
    assert (
        Path(packed.document["bag"]) / "data/readings/unplaced/U7/U7.bin"
    ).read_bytes() == DUMP.read_bytes()


def test_start_drafts_for_any_file_name(tmp_path: Path) -> None:
    root = tmp_path / "odd"
    (root / "dumps").mkdir(parents=True)
    for name in (
        "-rf",
        "CON.bin",
        "ü n ö.bin",
        "a" * 200 + ".bin",
        ".hidden",
        "x..y.bin",
        "A.bin",
        "a.bin",
        '"quoted": {}.bin',
    ):
        (root / "dumps" / name).write_bytes(bytes(range(256)) * 4)
    done = wellread("start", root, "--json")
    assert done.code == 0, done.err
    checked = wellread("check", root, "--json")
    assert {problem["field"].split(".")[-1] for problem in checked.document["problems"]} == {"unconfirmed"}, (
        checked.out
    )


@pytest.mark.skipif(sys.platform == "win32", reason="links and pipes as POSIX has them")
def test_links_pipes_and_devices_in_dumps_are_refused_in_words(project: Path) -> None:
    secret = project.parent / "secret"
    secret.write_bytes(b"private")
    (project / "dumps" / "U1.prog.2.bin").symlink_to(secret)
    os.mkfifo(project / "dumps" / "U1.prog.3.bin")
    (project / "dumps" / "U1.prog.4.bin").symlink_to("/nonexistent")
    done = wellread("check", project)
    assert done.code == 1
    assert "dumps/U1.prog.2.bin: found a link that leads out of the project folder" in done.out
    assert "dumps/U1.prog.3.bin: found a pipe, socket or device, not a regular file" in done.out
    assert "U1.prog.4.bin" in done.out


@pytest.mark.skipif(sys.platform == "win32", reason="names that Windows cannot make")
def test_file_names_that_act_on_a_terminal_are_shown_inert(project: Path) -> None:
    (project / "dumps" / "evil\x1b[31m.bin").write_bytes(b"x" * 64)
    done = wellread("check", project)
    assert "\x1b" not in done.out + done.err
    assert done.code == 1 or "evil" in done.out


def test_hostile_labels_are_inert_everywhere(project: Path) -> None:
    label = "<script>alert(1)</script>\\u202e\\e[31m" + "x" * 10_000
    (project / "sheet.yaml").write_text(
        SHEET.replace("part: '2716'", f'part: "2716", label: "{label}"'), encoding="utf-8"
    )
    done = wellread("package", project)
    assert done.code == 0, done.err
    assert "\x1b" not in done.out
    bag = project.parent / "m-v1"
    assert b"<script>alert" not in (bag / "data/report/index.html").read_bytes()
    assert b"<script>alert" not in (bag / "metadata/premis.xml").read_bytes()
    assert "\x1b" not in (bag / "metadata/provenance.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("packige", "x"), "No such command"),
        (("package",), "Missing argument"),
        (("package", "x", "--nto", "y"), "No such option"),
        (("recheck",), "Missing argument"),
    ],
)
def test_a_wrong_command_line_ends_with_2(arguments: tuple[str, ...], expected: str) -> None:
    done = wellread(*arguments)
    assert done.code == 2
    assert expected in done.err


def test_a_bug_ends_with_70_and_its_traceback(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import builtins

    real = builtins.__import__

    def broken(name: str, *rest: object) -> object:
        if name == "pipeline.run.package.check":
            raise ZeroDivisionError("a bug")
        return real(name, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(builtins, "__import__", broken)
    done = wellread("check", project)
    assert done.code == 70
    assert "ZeroDivisionError: a bug" in done.err
    assert "This is a bug in wellread" in done.err


def test_every_error_class_has_an_exit_code_of_its_own_in_range() -> None:
    from pipeline import errors

    kinds = [
        kind
        for kind in vars(errors).values()
        if isinstance(kind, type) and issubclass(kind, errors.WellreadError)
    ]
    codes = {kind.__name__: kind.exit_code for kind in kinds if kind is not errors.WellreadError}
    assert codes.pop("UsageError") == 2
    assert all(10 <= code <= 49 for code in codes.values())
    assert len(set(codes.values())) == len(codes)


def test_a_file_far_too_long_for_its_chip_is_refused_at_once(project: Path) -> None:
    with (project / "dumps" / "U1.prog.1.bin").open("r+b") as stream:
        stream.truncate(200 * 1024 * 1024)
    done = wellread("check", project)
    assert done.code == 1
    assert "the file goes on for 209715200 bytes, for a chip of 2048x8" in done.out


@pytest.mark.parametrize("date", ["2023-02-31", "2023-13", "2023-00-01", "0000-01-01"])
def test_a_date_that_does_not_exist_is_refused(project: Path, date: str) -> None:
    row = f"readings:\n  - {{chip: U1, reader: prog, file: U1.prog.1.bin, date: {date}}}\n"
    (project / "sheet.yaml").write_text(SHEET + row, encoding="utf-8")
    done = wellread("check", project)
    assert done.code == 1
    assert "a date" in done.out
