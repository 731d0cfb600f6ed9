"""The house: imports point the right way, goldens agree, nothing needed lives outside the project."""

from __future__ import annotations

import ast
import functools
import importlib.util
import re
import subprocess
import sys
from collections import Counter
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

from pipeline.run.schemas import schema_files, schema_names
from tests.goldens import FOLDER
from tests.kit.subjects import program

ROOT = Path(__file__).parents[2]
SOURCES = sorted([*(ROOT / "pipeline").rglob("*.py"), *(ROOT / "schemas").rglob("*.py")])

pytestmark = pytest.mark.xdist_group("house")
"""One process parses the house, once."""
CHIP = "schemas errors catalogue flow words formats in_step lines steps stages street"
"""What is needed to send a chip down its street."""
ARROWS = {
    "schemas": "",
    "errors": "",
    "held_once": "",
    "one_line": "",
    "reflow": "",
    "summaries": "",
    "summed_up": "",
    "exit_codes": "",
    "result": "errors",
    "catalogue": "schemas errors",
    "formats": "schemas errors words",
    "bags": "schemas errors one_line",
    "words": "",
    "in_step": "",
    "lines": "schemas words summed_up",
    "to_do": "schemas catalogue",
    "flow": "schemas lines words to_do",
    "voices": "flow words",
    "steps": "schemas errors flow formats lines words",
    "stages": "schemas errors catalogue flow held_once formats in_step lines steps voices words summed_up",
    "street": "schemas errors catalogue flow formats in_step lines steps stages words",
    "machine": "schemas flow held_once stages street words",
    "wirings": "flow lines schemas street words",
    "twins": "schemas catalogue lines words summed_up",
    "holdings": "schemas twins",
    "bench": "schemas errors catalogue flow words formats lines stages",
    "draft": "schemas errors catalogue formats bags",
    "publish": "schemas errors catalogue flow words bench twins",
    "views": "schemas catalogue bags flow words lines bench publish one_line summed_up to_do",
    "edges": "schemas errors flow one_line reflow holdings",
    "edges/bags": "errors bags edges",
    "run": f"result {CHIP} exit_codes bags views edges edges/bags one_line",
    "run/package": f"result {CHIP} machine wirings bags views edges edges/bags one_line run run/keep twins "
    "to_do draft held_once",
    "run/keep": "result schemas errors bags twins views edges edges/bags run flow steps stages summed_up "
    "words",
    "run/holdings": "result schemas errors bags catalogue holdings twins steps words views edges edges/bags "
    "run run/keep run/look run/bench",
    "run/look": f"result {CHIP} views edges run run/package to_do summed_up",
    "run/bench": "result schemas errors catalogue flow words formats stages street bench views edges "
    "run run/package run/look",
    "run/publish": "result schemas errors catalogue flow words formats steps bags publish views edges "
    "edges/bags one_line run run/package run/keep summed_up to_do",
    "short_way": "result edges run/keep run/look run/package exit_codes",
    "cli": "errors exit_codes result summaries edges run run/package run/keep run/look run/bench run/publish "
    "run/holdings",
    "__main__": "schemas errors edges one_line short_way cli",
}
"""Every room, and what it may know. `pipeline/README.md` tells what each room is for."""
OF_RUN = {"package", "keep", "publish", "bench", "look", "holdings"}


def module_name(path: Path) -> str:
    """`pipeline/bags/__init__.py` is the module `pipeline.bags`."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


MODULES = {module_name(path): path for path in SOURCES}


@functools.cache
def parsed(path: Path) -> tuple[ast.AST, ...]:
    """Every node of a file, in the order in which `ast.walk` comes to them."""
    return tuple(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))


@functools.cache
def imported(name: str) -> set[str]:
    """The modules of this project that a module imports, wherever in it.

    At the top, in a function, for types.
    """
    out = set()
    for node in parsed(MODULES[name]):
        if isinstance(node, ast.ImportFrom) and node.module:
            inner = {f"{node.module}.{alias.name}" for alias in node.names}
            out |= {each if each in MODULES else node.module for each in inner}
        elif isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names}
    return {each for each in out if each.split(".")[0] in ("pipeline", "schemas", "tests")}


def room(name: str) -> str:
    """The room of a module: `schemas`, `stages`, `edges/bags`, `run/keep`, … or a lone module's own name."""
    first, *inside = name.split(".")
    if first == "schemas":
        return first
    if inside[:2] == ["edges", "bags"] or (inside[:1] == ["run"] and inside[1:2] and inside[1] in OF_RUN):
        return "/".join(inside[:2])
    return inside[0] if inside else first


def test_there_are_sources_to_look_at() -> None:
    assert len(SOURCES) > 60


def test_every_room_is_named() -> None:
    assert {room(name) for name in MODULES} - {"pipeline"} <= set(ARROWS)


def test_the_arrows_between_rooms_make_no_circle() -> None:
    order = list(TopologicalSorter({name: known.split() for name, known in ARROWS.items()}).static_order())
    assert set(order) == set(ARROWS)


def test_no_module_imports_itself_by_way_of_others() -> None:
    order = TopologicalSorter({name: imported(name) - {name} for name in MODULES}).static_order()
    assert len(list(order)) == len(MODULES)


@pytest.mark.parametrize("name", MODULES)
def test_imports_point_the_right_way(name: str) -> None:
    here = room(name)
    known = {here, "pipeline", *ARROWS.get(here, "").split()}
    assert {each for each in imported(name) if room(each) not in known} == set()


@pytest.mark.parametrize("name", [name for name in MODULES if name.startswith("pipeline.stages.")])
def test_stages_never_import_each_other(name: str) -> None:
    own = name.split(".")[2]
    others = {each for each in imported(name) if room(each) == "stages" and each.split(".")[2] != own}
    assert others == set()


def test_only_run_knows_both_stages_and_edges() -> None:
    both = {
        name
        for name, known in ARROWS.items()
        if {"stages", "street"} & set(known.split()) and {"edges", "edges/bags"} & set(known.split())
    }
    assert both
    assert {name for name in both if not name.startswith("run")} == set()


def classes() -> list[tuple[str, str]]:
    """Every class of the house, with its module."""
    return [
        (node.name, name)
        for name, path in MODULES.items()
        for node in parsed(path)
        if isinstance(node, ast.ClassDef)
    ]


def test_no_class_name_is_given_twice() -> None:
    found = Counter(name for name, _ in classes())
    assert len(found) > 150
    assert {name: [m for n, m in classes() if n == name] for name, count in found.items() if count > 1} == {}


def test_no_class_hides_one_of_the_standard_library() -> None:
    """Of the modules that the house imports: nobody reads `Mapping` and has to ask which."""
    used = {
        alias.name if isinstance(node, ast.Import) else node.module or ""
        for path in SOURCES
        for node in parsed(path)
        if isinstance(node, (ast.Import, ast.ImportFrom))
        for alias in node.names
    }
    used = {name for name in used if name.split(".")[0] in sys.stdlib_module_names} | {"builtins"}
    used = {name for name in used if importlib.util.find_spec(name)}
    assert "typing" in used
    theirs = {
        each
        for name in used
        for each in getattr(importlib.import_module(name), "__all__", None) or vars(sys.modules[name])
    }
    assert [(name, module) for name, module in classes() if name in theirs] == []


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


def test_a_look_at_a_loose_dump_loads_nothing_that_validates_documents(tmp_path: Path) -> None:
    """Stages compute with plain values: pydantic and what is built of it outlast the whole look."""
    dump = tmp_path / "U1.bin"
    dump.write_bytes(program(2048).tobytes())
    code = (
        "import sys\nfrom pipeline.__main__ import run\ncode = run(['examine', sys.argv[1]])\n"
        "heavy = {'pydantic', 'scipy', 'yaml', 'typer', 'pipeline.catalogue.document'} & set(sys.modules)\n"
        "sys.exit(' '.join(heavy) or code)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(dump)], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "grade single" in done.stdout


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


@functools.cache
def functions() -> list[tuple[Path, ast.FunctionDef | ast.AsyncFunctionDef]]:
    """Every function of the product, the tests and the example, with its file."""
    return [
        (path, node)
        for folder in ("pipeline", "schemas", "tests", "example_project")
        for path in sorted((ROOT / folder).rglob("*.py"))
        for node in parsed(path)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    ]


def test_every_function_over_25_lines_has_a_docstring() -> None:
    """But for tests, whose name is the sentence."""
    long = [
        (path, node)
        for path, node in functions()
        if (node.end_lineno or 0) - node.lineno >= 25 and not node.name.startswith("test_")
    ]
    assert len(long) > 100
    bare = [f"{path.relative_to(ROOT)}:{node.lineno} {node.name}" for path, node in long]
    assert [name for name, (_, node) in zip(bare, long, strict=True) if not ast.get_docstring(node)] == []


def test_no_docstring_sends_the_reader_elsewhere_for_its_meaning() -> None:
    """A bare number of a step, or a word that points at the line above, says nothing where it stands."""
    hollow = re.compile(r"^(steps? \d+(, \w+ half)?\.)|\b[Ll]ikewise\.", re.IGNORECASE | re.MULTILINE)
    told = [(path, node, ast.get_docstring(node)) for path, node in functions()]
    assert sum(1 for _, _, text in told if text) > 1000
    found = [(path.name, node.name) for path, node, text in told if text and hollow.search(text)]
    assert found == []


MOST_UNTYPED = 30
"""Lines of the product in which a dict has values of any type; there were 406."""


def test_dicts_of_anything_are_few_and_each_line_says_why() -> None:
    """A comment on the line, or the docstring of the name that it gives such a dict."""
    untyped = re.compile(r"(dict|Mapping)\[str, Any\]")
    found, silent = 0, []
    for path in SOURCES:
        lines = path.read_text(encoding="utf-8").splitlines()
        for at, line in enumerate(lines):
            if untyped.search(line):
                found += 1
                named = "TypeAlias = " in line and lines[at + 1].startswith('"""')
                if not named and "  # " not in line:
                    silent.append(f"{path.relative_to(ROOT)}:{at + 1}")
    assert 0 < found <= MOST_UNTYPED
    assert silent == []


def used_names(path: Path) -> set[str]:
    """Names that a module reads, not those that it makes; of texts, those that are nothing but a name."""
    out: set[str] = set()
    for node in parsed(path):
        if isinstance(node, ast.Name) and not isinstance(node.ctx, ast.Store):
            out.add(node.id)
        elif isinstance(node, ast.Attribute):
            out.add(node.attr)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            out |= set(re.split(r"[.:]", node.value)) if re.fullmatch(r"[\w.:]+", node.value) else set()
    return out


CALLED_FROM_OUTSIDE = {
    *("_main", "show_ledger", "inode", "format_commands"),
    *("code_generator_class", "_output_child_pre", "_output_child_post", "load_bytecode", "dump_bytecode"),
}
"""Typer calls the first two by their decorators and the fourth in its help; `inode` is a field, compared with
all the others; the templates' engine asks for the class, and calls its methods and those of what keeps them
compiled.
"""


def test_no_function_or_constant_is_there_for_nobody_or_for_the_tests_alone() -> None:
    used = set().union(*(used_names(path) for path in SOURCES))
    for path in (ROOT / "pipeline").rglob("*.html"):
        used |= set(re.findall(r"\w+", path.read_text(encoding="utf-8")))
    made = [
        (name, path.name)
        for path in SOURCES
        if path.is_relative_to(ROOT / "pipeline")
        for node in parsed(path)
        for name in (
            [node.name]
            if isinstance(node, ast.FunctionDef | ast.ClassDef)
            else [one.id for one in node.targets if isinstance(one, ast.Name)]
            if isinstance(node, ast.Assign)
            else []
        )
    ]
    assert len(made) > 3000
    unused = {name for name, _ in made if not name.startswith("__")} - used
    assert unused <= CALLED_FROM_OUTSIDE, [one for one in made if one[0] in unused]
