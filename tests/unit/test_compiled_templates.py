"""Compiled templates are kept beside the modules, and taken only for the template that they were made of."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from jinja2 import DictLoader, Environment

from pipeline.views.report.compiled import Compiled
from pipeline.views.report.templating import template


def _printed(folder: Path, text: str, *, compiler: bytes = b"one") -> str:
    """What a template prints where another process may have compiled it before."""
    store = Compiled(folder, compiler)
    return (
        Environment(loader=DictLoader({"page": text}), bytecode_cache=store, autoescape=True)
        .get_template("page")
        .render(name="<a>")
    )


def _counted(folder: Path, monkeypatch: pytest.MonkeyPatch, text: str, *, compiler: bytes = b"one") -> int:
    """How often the engine compiles for one template more."""
    compiled = []
    whole = Environment._compile

    def counted(engine: Environment, source: str, filename: str) -> object:
        compiled.append(filename)
        return whole(engine, source, filename)

    with monkeypatch.context() as patched:
        patched.setattr(Environment, "_compile", counted)
        assert _printed(folder, text, compiler=compiler) == text.replace("{{ name }}", "&lt;a&gt;")
    return len(compiled)


def test_a_template_is_compiled_once_for_all_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert _counted(tmp_path, monkeypatch, "of {{ name }}") == 1
    assert _counted(tmp_path, monkeypatch, "of {{ name }}") == 0


def test_a_template_of_other_words_or_another_compiler_is_compiled_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _printed(tmp_path, "of {{ name }}")
    assert _counted(tmp_path, monkeypatch, "by {{ name }}") == 1
    assert _counted(tmp_path, monkeypatch, "by {{ name }}", compiler=b"another") == 1


@pytest.mark.parametrize("kept", [0, 1, 31, 32, 33, 60, -1])
def test_a_file_that_is_cut_off_counts_as_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kept: int
) -> None:
    _printed(tmp_path, "of {{ name }}")
    (path,) = tmp_path.iterdir()
    path.write_bytes(path.read_bytes()[:kept])
    assert _counted(tmp_path, monkeypatch, "of {{ name }}") == 1
    assert _counted(tmp_path, monkeypatch, "of {{ name }}") == 0
    assert list(tmp_path.iterdir()) == [path]


def test_a_changed_bit_anywhere_is_never_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _printed(tmp_path, "of {{ name }}")
    (path,) = tmp_path.iterdir()
    sound = path.read_bytes()
    for place in range(0, len(sound), 29):
        path.write_bytes(sound[:place] + bytes([sound[place] ^ 1]) + sound[place + 1 :])
        assert _counted(tmp_path, monkeypatch, "of {{ name }}") == 1


def test_nothing_is_written_where_python_writes_no_byte_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert _printed(tmp_path, "of {{ name }}") == "of &lt;a&gt;"
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_or_takes_nothing_costs_no_more_than_compiling(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert _counted(tmp_path / "none", monkeypatch, "of {{ name }}") == 1
    (tmp_path / "file").write_text("")
    assert _counted(tmp_path / "file", monkeypatch, "of {{ name }}") == 1


def test_a_name_that_is_taken_by_a_folder_leaves_nothing_half_written(tmp_path: Path) -> None:
    _printed(tmp_path, "of {{ name }}")
    (path,) = tmp_path.iterdir()
    path.unlink()
    path.mkdir()
    assert _printed(tmp_path, "of {{ name }}") == "of &lt;a&gt;"
    assert list(tmp_path.iterdir()) == [path]


def test_the_reports_templates_print_a_value_in_one_call_however_they_were_kept() -> None:
    engine = template("first_page.html").environment
    code = engine.compile("{{ one.name }}{{ one }}", raw=True)
    assert "escape(" not in code.replace("import escape", "")
    assert code.count("environment.printed(") == 2
