"""Hostile names, links, pipes and devices in a project folder.

Told in words, never followed, waited for or packed.
"""

from __future__ import annotations

import itertools
import os
import re
import shutil
import socket
import stat
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.bags.portable_names import is_portable, unique_names
from pipeline.bags.validate import judge
from pipeline.edges.bags.observe import observe
from pipeline.edges.bags.second_opinion import second_opinion
from tests.journey.cli import wellread
from tests.journey.hostile import (
    IMAGE,
    SECRET,
    SHEET,
    Words,
    deep,
    in_words,
    inert,
    nested,
    project_at,
    within,
)

posix = pytest.mark.skipif(sys.platform == "win32", reason="links, pipes and devices as POSIX has them")


# --- names --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "../../secret",
        "/etc/hostname",
        "C:\\\\x.bin",
        "C:x.bin",
        "\\\\\\\\host\\\\x",
        "\\\\\\\\?\\\\C:\\\\x",
        "a/../../b",
        "dumps/../../secret",
        "dumps\\\\..\\\\..\\\\secret",
        "~/secret",
        "file:///etc/hostname",
        "CON",
        "x" * 256,
        "u1\\0.bin",
        ".",
        "",
        "/",
    ],
)
def test_a_dump_named_outside_the_folder_or_by_no_name_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / "secret").write_bytes(SECRET)
    project = project_at(tmp_path / "p", SHEET.format(file=f'"{name}"'))
    ran = wellread("check", project)
    in_words(ran)
    assert "readings[1]" in ran.out
    packed = wellread("package", project, "--into", tmp_path / "into")
    in_words(packed)
    assert not list((tmp_path / "into").glob("*")) if (tmp_path / "into").exists() else True


ODD_NAMES = [
    "n" * 251 + ".bin",
    "é" * 125 + ".bin",
    "CON",
    "nul.bin",
    "COM1.x.bin",
    "aux",
    "trailing.",
    "trailing ",
    " leading",
    "~home",
    "-rf",
    "a:b",
    "a<b>|c?.bin",
    "back\\slash",
    "100%25.bin",
    "$(x)",
    "`x`",
    "=1+1.bin",
    "e\u0301.bin",
    "\u00e9.bin",
    "c1\x9b2J.bin",
    "turned\u202enib.exe",
]


@posix
def test_names_that_other_systems_refuse_come_into_a_bag_under_names_that_none_does_and_come_back(
    tmp_path: Path,
) -> None:
    project = project_at(tmp_path / "p")
    (project / "docs").mkdir()
    for number, name in enumerate(ODD_NAMES):
        for folder in ("dumps", "docs"):
            (project / folder / name).write_bytes(bytes([number]) * 9)
    checked = wellread("check", project)
    inert(checked)
    packed = wellread("package", project)
    inert(packed)
    assert packed.code == 0, packed.err
    bag = tmp_path / "m-v1"
    for path in bag.rglob("*"):
        assert is_portable(path.name), path.name
        # By hand too, so that a mistake of ours cannot vouch for itself. Source: RFC 8493 section 6.
        assert not re.search(r'[<>:"/\\|?*\x00-\x1f\x7f]|[. ]$', path.name), path.name
        assert not re.fullmatch(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?", path.name), path.name
        assert len(path.name.encode()) <= 255
    assert judge(observe(bag)).problems == ()
    assert second_opinion(bag) == []
    assert wellread("reopen", bag, "--into", tmp_path / "again").code == 0
    for number, name in enumerate(ODD_NAMES):
        for folder in ("dumps", "docs"):
            assert (tmp_path / "again" / folder / name).read_bytes() == bytes([number]) * 9


def test_files_whose_folders_and_names_say_the_same_all_come_into_the_bag(tmp_path: Path) -> None:
    project = project_at(tmp_path / "p")
    names = ["x/u.bin", "y/u.bin", "x_u.bin", "dumps_x_u.bin", "1_dumps_x_u.bin"]
    for number, name in enumerate(names):
        (project / "dumps" / name).parent.mkdir(exist_ok=True)
        (project / "dumps" / name).write_bytes(bytes([number]) * 9)
    packed = wellread("package", project)
    assert packed.code == 0, packed.err
    kept = {path.read_bytes() for path in (tmp_path / "m-v1/data").rglob("*u.bin")}
    assert kept >= {bytes([number]) * 9 for number in range(len(names))}
    assert wellread("reopen", tmp_path / "m-v1", "--into", tmp_path / "again").code == 0
    for number, name in enumerate(names):
        assert (tmp_path / "again/dumps" / name).read_bytes() == bytes([number]) * 9


@posix
def test_many_names_that_become_one_are_told_apart_at_once(tmp_path: Path) -> None:
    project = project_at(tmp_path / "p")
    marks = [chr(code) for code in range(0x80, 0xA0)] + [chr(code) for code in range(0x202A, 0x202F)]
    for name in itertools.product(marks, repeat=2):
        (project / f"dumps/stray{''.join(name)}{marks[0]}.bin").touch()
    with within(30):
        packed = wellread("package", project)
    assert packed.code == 0, packed.err
    assert len(list((tmp_path / "m-v1/data").rglob("stray*"))) == len(marks) ** 2
    with within(20):
        fit = unique_names("".join(name) for name in itertools.product(marks[:28], repeat=3))
    assert len(set(fit.values())) == 28**3


@posix
@pytest.mark.parametrize("name", ["n" * 255, "é" * 127, "\U00020000" * 63])
def test_an_output_may_have_as_long_a_name_as_any_file(tmp_path: Path, name: str) -> None:
    dump = project_at(tmp_path / "p") / "dumps/u1.bin"
    ran = wellread("convert", dump, "--to", "binary", "-o", tmp_path / name)
    assert ran.code == 0, ran.err
    assert (tmp_path / name).read_bytes() == IMAGE


@posix
def test_a_name_with_control_characters_or_that_is_no_text_is_refused_and_never_printed(
    tmp_path: Path,
) -> None:
    for name in (b"esc\x1b[31m.bin", b"bell\x07", b"line\nU1: sound", b"del\x7f", b"latin\xe9.bin"):
        project = project_at(tmp_path / name.hex())
        (project / "dumps" / os.fsdecode(name)).write_bytes(IMAGE)
        ran = wellread("check", project)
        in_words(ran)
        assert "found a name that is not Unicode or has control characters" in ran.out
        assert not [line for line in ran.out.splitlines() if line.startswith("U1: sound")]


@posix
def test_folders_nested_two_hundred_deep_and_names_of_255_bytes_endin_words(tmp_path: Path) -> None:
    project = project_at(tmp_path / "p")
    (project / "dumps" / ("n" * 255)).write_bytes(b"x")
    deep = project / "dumps"
    for _ in range(200):
        deep /= "d"
    deep.mkdir(parents=True)
    (deep / "x.bin").write_bytes(b"x")
    ran = wellread("check", project)
    in_words(ran)
    assert "a folder nested more than 32 deep" in ran.out


@posix
def test_folders_nested_deeper_than_a_path_can_say_end_in_words(tmp_path: Path) -> None:
    with deep(tmp_path / "here") as here:
        project = project_at(here / "p")
        nested(project / "dumps", 2100)
        for command in ("check", "package", "start"):
            in_words(wellread(command, project))


# --- what is no file ----------------------------------------------------------------------------------------


def _to_secret(path: Path, outside: Path) -> None:
    path.symlink_to(outside / "secret")


def _to_folder(path: Path, outside: Path) -> None:
    path.symlink_to(outside, target_is_directory=True)


def _to_itself(path: Path, outside: Path) -> None:
    del outside
    path.symlink_to(path.name)


def _to_nowhere(path: Path, outside: Path) -> None:
    path.symlink_to(outside / "nowhere")


def _to_zeros(path: Path, outside: Path) -> None:
    del outside
    path.symlink_to("/dev/zero")


def _upwards(path: Path, outside: Path) -> None:
    del outside
    path.symlink_to("..", target_is_directory=True)


def _pipe(path: Path, outside: Path) -> None:
    del outside
    os.mkfifo(path)


def _socket(path: Path, outside: Path) -> None:
    del outside
    here = Path.cwd()
    os.chdir(path.parent)  # the address of a socket holds a hundred characters
    try:
        with socket.socket(socket.AF_UNIX) as made:
            made.bind(path.name)
    finally:
        os.chdir(here)


def _device(path: Path, outside: Path) -> None:
    del outside
    try:
        os.mknod(path, stat.S_IFCHR | 0o666, os.makedev(1, 5))  # /dev/zero: it never ends
    except OSError as error:
        pytest.skip(f"this user may make no device: {error}")


NO_FILES = [_to_secret, _to_folder, _to_itself, _to_nowhere, _to_zeros, _upwards, _pipe, _socket, _device]
PLACES = [
    "dumps/u1.bin",
    "dumps/stray.bin",
    "dumps/a/stray.bin",
    "dumps",
    "photos",
    "docs",
    "photos/a.jpg",
    "docs/a.txt",
    "sheet.yaml",
    "chips.csv",
]


@posix
@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("made", NO_FILES, ids=lambda made: made.__name__.strip("_"))
def test_what_is_no_file_is_never_waited_for_never_read_and_never_packed(
    tmp_path: Path, made: Callable[[Path, Path], None], place: str
) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    table = "chips: chips.csv\n" if place == "chips.csv" else ""
    sheet = SHEET.format(file="dumps/u1.bin")
    # Good as a dump, a document, a table and a sheet: only where it lies forbids it.
    secret = {
        "sheet.yaml": SECRET + sheet.encode(),
        "chips.csv": b"chip,part\nU1,2716\n" + SECRET,
        "dumps/u1.bin": IMAGE[: -len(SECRET)] + SECRET,
    }
    for name in ("secret", "sheet.yaml", "u1.bin", "stray.bin"):
        (outside / name).write_bytes(secret.get(place, SECRET))
    if table:
        sheet = sheet.replace("chips:\n  - {chip: U1, part: '2716'}\n", table)
        assert table in sheet
    project = project_at(tmp_path / "p", sheet)
    target = project / place
    if target.is_dir():
        shutil.rmtree(target)
    target.unlink(missing_ok=True)
    target.parent.mkdir(exist_ok=True)
    made(target, outside)
    commands: tuple[Words, ...] = (
        ["check", project],
        ["package", project, "--into", tmp_path / "into"],
        ["start", project],
    )
    for command in commands:
        with within(20):
            ran = wellread(*command)
        inert(ran)
        if command[0] == "check":
            assert ran.code != 0 or "caution" in ran.out, "it was passed over in silence"
    for path in tmp_path.rglob("*"):
        if path.is_relative_to(tmp_path / "into") and path.is_file():
            assert SECRET not in path.read_bytes(), path
            assert not path.is_symlink()


@posix
@pytest.mark.parametrize(
    "made",
    [_to_itself, _to_nowhere, _to_zeros, _pipe, _socket, _device],
    ids=lambda made: made.__name__.strip("_"),
)
def test_what_is_no_file_is_refused_where_it_is_named_on_the_command_line(
    tmp_path: Path, made: Callable[[Path, Path], None]
) -> None:
    made(tmp_path / "odd", tmp_path)
    (tmp_path / "good.bin").write_bytes(IMAGE)
    odd, good = tmp_path / "odd", tmp_path / "good.bin"
    commands: tuple[Words, ...] = (
        ["start", odd],
        ["check", odd],
        ["package", odd],
        ["examine", odd],
        ["examine", good, odd],
        ["compare", good, odd],
        ["convert", odd, "--to", "binary", "-o", tmp_path / "out"],
        ["recheck", odd],
        ["recheck", tmp_path, "--ledger", odd],
        ["ledger", odd],
        ["ledger", odd, "--verify"],
        ["mend", odd, "--from", good],
        ["release", odd],
        ["burn", odd, "--chip", "U1", "--into", "2716"],
        ["reopen", odd, "--into", tmp_path / "again"],
        ["changes", odd, odd],
        ["bench", "2716", "--project", odd],
        ["convert", good, "--to", "binary", "-o", odd],
        ["package", project_at(tmp_path / f"p{time.monotonic_ns()}"), "--into", odd],
    )
    for command in commands:
        if made is _to_nowhere and (command[0] == "ledger" or command[-2] in {"--ledger", "--into"}):
            continue  # what is to be made is made where the link leads, as a person who made the link expects
        with within(20):
            ran = wellread(*command)
        in_words(ran)
        assert not (tmp_path / "out").exists()
        assert odd.is_symlink() or not odd.is_file()


@posix
def test_a_dump_with_a_second_name_outside_is_packed_as_a_file_of_its_own(tmp_path: Path) -> None:
    project = project_at(tmp_path / "p")
    outside = tmp_path / "outside.bin"
    outside.hardlink_to(project / "dumps/u1.bin")
    assert wellread("package", project).code == 0
    bag = tmp_path / "m-v1"
    assert {path.stat().st_nlink for path in bag.rglob("*") if path.is_file()} == {1}
    with outside.open("r+b") as stream:
        stream.write(b"changed through its other name")
    assert judge(observe(bag)).problems == ()


@posix
def test_neither_a_link_nor_a_second_name_leads_an_output_onto_another_file(tmp_path: Path) -> None:
    project = project_at(tmp_path / "p")
    assert wellread("package", project).code == 0
    bag, victim, dump = tmp_path / "m-v1", tmp_path / "victim", project / "dumps/u1.bin"
    victim.write_bytes(SECRET)
    for make in ("symlink", "hardlink"):
        target = tmp_path / make
        if make == "symlink":
            target.symlink_to(victim)
        else:
            target.hardlink_to(victim)
        commands: tuple[Words, ...] = (
            ["convert", dump, "--to", "binary", "-o", target],
            ["compare", dump, dump, "--undo", target],
            ["burn", bag, "--chip", "U1", "--into", "2716", "--even-so", "-o", target],
            ["bench", "2716", "--html", target],
            ["reopen", bag, "--into", target],
        )
        for command in commands:
            # `compare` and `bench` call it a wrong option.
            assert wellread(*command).code in {2, 15}, command
    (tmp_path / "l").write_bytes(b"")
    assert wellread("recheck", bag, "--ledger", tmp_path / "l", "--new-ledger").code == 0
    assert wellread("ledger", tmp_path / "l", "--csv", tmp_path / "symlink").code == 15
    assert wellread("ledger", tmp_path / "l", "--premis", tmp_path / "hardlink").code == 15
    assert victim.read_bytes() == SECRET


@pytest.mark.drill
@pytest.mark.parametrize("command", ["check", "package", "start"])
def test_a_hundred_thousand_files_in_dumps_are_each_told_or_packed(tmp_path: Path, command: str) -> None:
    project = project_at(tmp_path / "p")
    for number in range(100_000):
        (project / f"dumps/stray{number:06d}").touch()
    if command == "start":
        (project / "sheet.yaml").unlink()
    started = time.monotonic()
    with within(120):
        ran = wellread(command, project)
    print(f"{command} of 100,000 files: {time.monotonic() - started:.1f} s")
    inert(ran)
    if command == "package":
        assert ran.code == 0, ran.err
        assert len(list((tmp_path / "m-v1/data").rglob("stray*"))) == 100_000
    elif command == "start":
        assert "100001 readings drafted" in ran.out
    else:
        # In words many of a kind are summed up; the document has each of them.
        assert "100000 cautions" in ran.out
        with within(120):
            told = wellread(command, project, "--json").document["cautions"]
        assert sum("dumps/stray" in one["text"] for one in told) == 100_000


@posix
def test_a_capture_takes_no_sheet_from_outside_either(tmp_path: Path) -> None:
    pytest.importorskip("serial", reason="capture needs the optional package pyserial")
    from tests.kit.reader_simulated import project  # that module is POSIX only

    folder = project(tmp_path / "p")
    (folder / "sheet.yaml").rename(tmp_path / "elsewhere.yaml")
    (folder / "sheet.yaml").symlink_to(tmp_path / "elsewhere.yaml")
    before = (tmp_path / "elsewhere.yaml").read_bytes()
    done = wellread("capture", "/dev/null", "--chip", "U1", "--reader", "hb", "--project", folder)
    assert done.code == wellread("check", folder).code == 27
    assert "sheet.yaml" in done.err
    assert (tmp_path / "elsewhere.yaml").read_bytes() == before
