"""The house: imports point the right way, goldens agree, nothing needed lives outside the project."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.run.schemas import schema_files, schema_names
from tests.goldens import FOLDER

ROOT = Path(__file__).parents[2]
SOURCES = sorted([*(ROOT / "pipeline").rglob("*.py"), *(ROOT / "schemas").rglob("*.py")])


def imported(path: Path) -> set[str]:
    """The modules of this project that a file imports, wherever in it."""
    out = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            out.add(node.module)
        elif isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names}
    return {name for name in out if name.split(".")[0] in ("pipeline", "schemas", "tests")}


def room(path: Path) -> str:
    """The room of a source file: `schemas`, `stages`, `edges`, … or the module's own name."""
    inside = path.relative_to(ROOT)
    if inside.parts[0] == "schemas":
        return "schemas"
    return inside.parts[1] if len(inside.parts) > 2 else inside.stem


def test_there_are_sources_to_look_at() -> None:
    assert len(SOURCES) > 60


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_imports_point_the_right_way(path: Path) -> None:
    here = room(path)
    names = imported(path)
    assert not {name for name in names if name.startswith("tests")}
    forbidden = {
        "schemas": ("pipeline",),
        "stages": ("pipeline.edges", "pipeline.run", "pipeline.cli", "pipeline.views"),
        "formats": ("pipeline.stages", "pipeline.edges", "pipeline.run", "pipeline.views", "pipeline.cli"),
        "lines": ("pipeline.stages", "pipeline.edges", "pipeline.run", "pipeline.views", "pipeline.cli"),
        "catalogue": ("pipeline.stages", "pipeline.edges", "pipeline.run", "pipeline.views", "pipeline.cli"),
        "edges": ("pipeline.stages", "pipeline.run", "pipeline.cli"),
        "views": ("pipeline.edges", "pipeline.run", "pipeline.cli"),
    }.get(here, ())
    wrong = {name for name in names if name.startswith(forbidden)} if forbidden else set()
    if here == "views":
        wrong = {name for name in wrong if not _only_for_types(path, name)}
    assert wrong == set()


def _only_for_types(path: Path, name: str) -> bool:
    """Whether a module is imported only under `if TYPE_CHECKING:`."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.ImportFrom) and node.module == name:
            return False
    return True


@pytest.mark.parametrize(
    "path", [p for p in SOURCES if room(p) == "stages"], ids=lambda p: p.relative_to(ROOT).as_posix()
)
def test_stages_never_import_each_other(path: Path) -> None:
    inside = path.relative_to(ROOT / "pipeline" / "stages")
    own = inside.parts[0].removesuffix(".py")
    others = {
        name for name in imported(path) if name.startswith("pipeline.stages.") and name.split(".")[2] != own
    }
    assert others == set()


def test_only_run_and_cli_know_both_stages_and_edges() -> None:
    for path in SOURCES:
        names = imported(path)
        both = any(n.startswith("pipeline.stages") for n in names) and any(
            n.startswith("pipeline.edges") for n in names
        )
        assert not both or room(path) == "run", path


def test_the_schema_files_are_what_the_models_say() -> None:
    made = schema_files()
    assert made
    for name, content in made.items():
        assert (FOLDER / name).read_bytes() == content, f"{name}: run python -m tests.goldens"


def test_every_schema_is_a_json_schema() -> None:
    import jsonschema

    from pipeline.run.schemas import schema_document

    for name in schema_names():
        if name != "bagit-profile":
            jsonschema.Draft202012Validator.check_schema(schema_document(name))


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys\nfrom pipeline.__main__ import run\ncode = run(['--help'])\n"
        "heavy = {'numpy', 'pydantic', 'scipy', 'yaml', 'jinja2', 'openpyxl', 'bagit', 'rapidfuzz'} "
        "& set(sys.modules)\n"
        "sys.exit(1 if heavy or code else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False, cwd=ROOT)
    assert done.returncode == 0, done.stderr


def test_only_the_expected_things_lie_at_the_top() -> None:
    done = subprocess.run(["git", "ls-files", "-z"], capture_output=True, text=True, check=False, cwd=ROOT)
    if done.returncode:
        pytest.skip("no git here: the list of files cannot be had")
    tops = {name.split("/")[0] for name in done.stdout.split("\0") if name}
    plain = {name for name in tops if not name.startswith(".")}
    assert plain == {
        "pipeline",
        "schemas",
        "tests",
        "example_project",
        "pyproject.toml",
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "CHANGELOG.md",
    }


def test_no_file_names_a_machine_or_a_registry() -> None:
    pattern = re.compile(r"/work/|/root/|bash_jobs|pypi\.org|registry\.npmjs|deb\.debian")
    wrong = [
        path
        for path in (ROOT / folder for folder in ("pipeline", "schemas", "tests", "example_project", ".ci"))
        for path in path.rglob("*")
        if path.is_file()
        and path.suffix in (".py", ".md", ".yaml", ".toml", ".sh", "")
        and path != Path(__file__)
        and "__pycache__" not in path.parts
        and pattern.search(path.read_text(encoding="utf-8", errors="replace"))
    ]
    assert wrong == []
