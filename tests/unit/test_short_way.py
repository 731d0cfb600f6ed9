"""The short ways of `recheck`, `examine` and `package` say what the full command line says."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.short_way import short_way
from tests.kit.example_bags import example_bag
from tests.kit.images import firmware_like
from tests.kit.project import Chip, Reader, plain, project
from tests.outside import bag_cases

ROOT = Path(__file__).parents[2]


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    for name in ("good", "bad"):
        bag_cases.bag(tmp_path / name)
    (tmp_path / "bad/data/a.bin").write_bytes(b"alphA")
    return tmp_path


FULL = "import sys; from pipeline.cli import app; app(args=sys.argv[1:], prog_name='wellread')"
SHORT = "import sys; from pipeline.short_way import short_way; sys.exit(short_way(sys.argv[1:]))"


def full(*arguments: str, source: str = FULL) -> tuple[int, str]:
    """The typer command itself, whatever the entry point does."""
    done = subprocess.run(
        [sys.executable, "-c", source, *arguments], check=False, capture_output=True, text=True, cwd=ROOT
    )
    return done.returncode, done.stdout


@pytest.mark.parametrize("flags", [(), ("--json",), ("-q",), ("--json", "--quiet")])
@pytest.mark.parametrize("names", [("good",), ("bad",), ("good", "bad")])
def test_both_ways_give_the_same_output_and_exit_code(
    shelf: Path, names: tuple[str, ...], flags: tuple[str, ...]
) -> None:
    arguments = ["recheck", *flags, *(str(shelf / name) for name in names)]
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        code = short_way(arguments)
    assert (code, out.getvalue()) == full(*arguments)


DRILLED = [pytest.param(flags, marks=pytest.mark.drill) for flags in ((), ("--json",), ("--quiet",))]


@pytest.mark.parametrize("flags", [("-q", "--json"), *DRILLED], ids="".join)
def test_a_dump_is_examined_the_same_on_both_ways(tmp_path: Path, flags: tuple[str, ...]) -> None:
    dump = tmp_path / "U1.bin"
    dump.write_bytes(firmware_like(1, 256).tobytes())
    arguments = ["examine", *flags, str(dump)]

    assert full(*arguments, source=SHORT) == full(*arguments)


@pytest.mark.parametrize("flags", [("--strict",), *DRILLED], ids="".join)
def test_a_project_is_packaged_the_same_on_both_ways(
    tmp_path: Path, flags: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "2000000000")
    words = firmware_like(1, 256)
    chip = Chip("U1", words, 8, (plain(words, 8, Reader("hb")),), says={"organisation": "256x8"})
    root, into = project(tmp_path / "project", [chip]), tmp_path / "bags"
    arguments = ["package", *flags, str(root), "--into", str(into)]

    short = full(*arguments, source=SHORT)
    shutil.rmtree(into)

    assert short == full(*arguments)


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["examine"],
        ["examine", "--part", "2716", "U1.bin"],
        ["examine", "--chip", "U1"],
        ["package"],
        ["package", "--into", "bags"],
        ["package", "p", "--into"],
        ["package", "p", "--into", "--quiet"],
        ["package", "p", "--into=bags"],
        ["package", "p", "--scheduler", "s"],
        ["package", "--", "p"],
        ["recheck"],
        ["recheck", "--help"],
        ["recheck", "b", "--ledger", "l"],
        ["recheck", "--jsn", "b"],
        ["check", "b"],
    ],
)
def test_everything_else_is_left_to_the_full_command_line(arguments: list[str]) -> None:
    assert short_way(arguments) is None


def test_the_short_way_loads_nothing_heavy() -> None:
    source = (
        "import sys; from pipeline.short_way import short_way; "
        "import pipeline.run.keep.documents, pipeline.views.checks, pipeline.edges.console; "
        "print(sorted({'numpy', 'pydantic', 'typer', 'yaml', 'bagit', 'scipy', 'jinja2', 'sqlite3'} "
        "& set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", source], check=True, capture_output=True, text=True, cwd=ROOT
    )
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("words", [["recheck"], ["recheck", "--replay"]], ids="-".join)
def test_nothing_of_dask_is_imported_without_the_option(words: list[str]) -> None:
    asked = [*words, str(example_bag())]
    done = subprocess.run(
        [sys.executable, "-c", _NO_DASK, json.dumps(asked)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr


_NO_DASK = """
import json, sys
from pipeline.__main__ import run
code = run(json.loads(sys.argv[1]))
assert not {"dask", "distributed", "tornado"} & set(sys.modules)
sys.exit(code)
"""
