"""One small file for each thing that can be wrong with a dump, and the very words it is refused with."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.errors import AmbiguousError, FormatError
from pipeline.formats import FORMATS, Declared, decode, detect

FOLDER = Path(__file__).parent.parent / "assets" / "formats"
ROWS = [line.split("\t") for line in (FOLDER / "expected.tsv").read_text("utf-8").splitlines()[1:]]


@pytest.mark.parametrize(("name", "declared", "error", "text"), ROWS, ids=[row[0] for row in ROWS])
def test_a_malformed_file_is_refused_with_its_place_and_reason(
    name: str, declared: str, error: str, text: str
) -> None:
    known = Declared(**json.loads(declared or "{}"))
    with pytest.raises(FormatError) as caught:
        decode((FOLDER / name).read_bytes(), known)
    assert str(caught.value) == text
    assert type(caught.value) is {"FormatError": FormatError, "AmbiguousError": AmbiguousError}[error]


def test_every_malformed_file_has_an_expected_refusal_and_the_other_way_round() -> None:
    files = {path.name for path in FOLDER.iterdir()} - {"expected.tsv"}
    assert files == {row[0] for row in ROWS}
    assert len(files) > 80


def test_every_format_has_malformed_files() -> None:
    for name in FORMATS:
        assert any(row[0].startswith(name) for row in ROWS), name


@pytest.mark.parametrize("name", [row[0] for row in ROWS])
def test_looking_at_a_malformed_file_names_only_formats_that_exist(name: str) -> None:
    assert set(detect((FOLDER / name).read_bytes())) <= set(FORMATS)
