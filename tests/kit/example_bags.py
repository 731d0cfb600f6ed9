"""The example's bag and bundle, made once for all tests that only look at them."""

from __future__ import annotations

import atexit
import functools
import json
import shutil
import tempfile
from pathlib import Path
from typing import Any

import pytest

from tests.journey.cli import wellread

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "example_project"
EPOCH = "1767225600"
"""2026-01-01T00:00:00Z"""


@functools.cache
def _folder() -> Path:
    made = Path(tempfile.mkdtemp(prefix="wellread-tests-"))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


@functools.cache
def example_bag() -> Path:
    """The bag of the example project."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", EPOCH)
        done = wellread("package", EXAMPLE, "--into", _folder() / "bags", "--json")
    assert done.code == 0, done.err
    return Path(done.document["bag"])


@functools.cache
def released() -> dict[str, Any]:
    """What `release --json` said of the example's bag."""
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("SOURCE_DATE_EPOCH", raising=False)
        done = wellread("release", example_bag(), "--into", _folder() / "bundles", "--json")
    assert done.code == 0, done.err
    return done.document


def example_bundle() -> Path:
    """The public bundle's folder."""
    return Path(released()["bundle"])


def bag_of(folder: Path, into: Path, **sheet_changes: str) -> Path:
    """The bag of a copy of the example, its sheet changed by replacing one text by another.

    Args:
        folder: Where the copy goes.
        into: Where the bag goes.
        sheet_changes: Any name → `old text␟new text`.
    """
    shutil.copytree(
        EXAMPLE, folder, ignore=shutil.ignore_patterns("making", "__pycache__", "*.py", "truth.json")
    )
    sheet = folder / "sheet.yaml"
    text = sheet.read_text(encoding="utf-8")
    for change in sheet_changes.values():
        old, new = change.split("␟")
        assert old in text, old
        text = text.replace(old, new)
    sheet.write_text(text, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", EPOCH)
        done = wellread("package", folder, "--into", into, "--json")
    assert done.code == 0, done.err
    return Path(done.document["bag"])


def record_of(bag: Path) -> dict[str, Any]:
    """A bag's record."""
    found: dict[str, Any] = json.loads((bag / "metadata/record.json").read_bytes())
    return found
