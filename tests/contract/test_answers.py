"""Every command with --json prints one document that follows its published schema."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import jsonschema
import jsonschema_rs
import pytest

from pipeline.run.schemas import schema_document
from schemas.answers import ANSWERS
from tests.journey.cli import wellread

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "example_project"
DUMPS = EXAMPLE / "dumps"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the example's bag, a damaged copy of it and an empty project."""
    root = tmp_path_factory.mktemp("answers")
    assert wellread("package", EXAMPLE, "--into", root, "--quiet").code == 0
    shutil.copytree(root / "loom-78-v1", root / "damaged")
    (root / "damaged" / "data" / "docs" / "board-notes.txt").write_text("rotten")
    (root / "new" / "dumps").mkdir(parents=True)
    shutil.copy(DUMPS / "MEM-U1.prog.1.bin", root / "new" / "dumps")
    wellread("recheck", root / "loom-78-v1", "--ledger", root / "ledger.sqlite", "--new-ledger", "--quiet")
    return root


CALLS: dict[str, tuple[tuple[str, ...], int]] = {
    "check": (("check", str(EXAMPLE)), 0),
    "package": (("package", str(EXAMPLE), "--into", "{root}/again"), 0),
    "examine": (("examine", str(DUMPS / "PAT-U5.hb.1.log"), "--part", "2716"), 1),
    "compare": (("compare", str(DUMPS / "MEM-U3.prog.1.s19"), str(DUMPS / "MEM-U3.adapter.1.bin")), 1),
    "convert": (
        ("convert", str(DUMPS / "MEM-U2.prog.1.hex"), "--to", "binary", "--output", "{root}/out.bin"),
        0,
    ),
    "start": (("start", "{root}/new"), 0),
    "recheck": (("recheck", "{root}/loom-78-v1"), 0),
    "ledger": (("ledger", "{root}/ledger.sqlite", "--verify"), 0),
    "mend": (("mend", "{root}/damaged", "--from", "{root}/loom-78-v1"), 0),
    "parts": (("parts", "2716"), 0),
    "listing": (("listing", "{root}/loom-78-v1", "--chip", "MEM-U1", "--processor", "z80"), 0),
    "explain": (("explain", "fill"), 0),
    "holdings": (("holdings", "{root}/loom-78-v1", "--next"), 0),
    "schema": (("schema",), 0),
}


@pytest.mark.parametrize("command", CALLS)
def test_the_answer_follows_its_schema(command: str, place: Path) -> None:
    arguments, code = CALLS[command]
    done = wellread(*(one.format(root=place) for one in arguments), "--json")
    assert done.code == code, done.err
    document = done.document
    assert document["command"] == command
    jsonschema.validate(document, schema_document(command))
    jsonschema_rs.validate(schema_document(command), document)
    assert json.loads(done.out) == document


def test_every_answer_has_a_call_here_or_a_test_of_its_own() -> None:
    elsewhere = {"release", "burn", "changes", "reopen", "bench", "capture", "twins", "several", "watch"}
    assert set(ANSWERS) - elsewhere == set(CALLS)


def test_compare_recovers_the_crossed_wires_of_the_adapter() -> None:
    done = wellread(
        "compare", DUMPS / "MEM-U3.prog.1.s19", DUMPS / "MEM-U3.adapter.1.bin", "--part", "2716", "--json"
    )
    assert done.code == 1
    assert done.document["relation"] == "mapped"
    assert done.document["differing_bits"] == 0
    assert done.document["mapping"]["address"] != sorted(done.document["mapping"]["address"])


def test_compare_undo_writes_the_second_in_the_firsts_order(tmp_path: Path) -> None:
    out = tmp_path / "undone.bin"
    wellread("compare", DUMPS / "MEM-U3.prog.1.s19", DUMPS / "MEM-U3.adapter.1.bin", "--undo", out, "--quiet")
    assert wellread("compare", DUMPS / "MEM-U3.prog.1.s19", out, "--json").document["relation"] == "identical"
    again = wellread("compare", DUMPS / "MEM-U3.prog.1.s19", DUMPS / "MEM-U3.adapter.1.bin", "--undo", out)
    assert again.code == 15
    assert "is there already" in again.err
