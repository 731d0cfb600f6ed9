"""A headless chromium and the report's pages on disk; without a browser the checks skip and say so."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from pipeline.views.report import report_pages
from tests.kit.report_samples import Sample, hostile, loom, many

if TYPE_CHECKING:
    from playwright.sync_api import Browser

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")


@dataclass(frozen=True)
class Site:
    """A sample and the folder in which its report lies as in a bag."""

    sample: Sample
    folder: Path

    @property
    def index(self) -> Path:
        return self.folder / "data" / "report" / "index.html"


def _site(sample: Sample, folder: Path) -> Site:
    for name, content in report_pages(sample.head, sample.iterate, sample.load):
        path = folder / "data" / "report" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    for name, content in {"data/spaces/program.bin": b"", **sample.payload}.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    for name in ("record.json", "premis.xml", "provenance.txt"):
        (folder / "metadata").mkdir(exist_ok=True)
        (folder / "metadata" / name).write_bytes(b"")
    for name in ("manifest-sha256.txt", "bag-info.txt"):
        (folder / name).write_bytes(b"")
    return Site(sample, folder)


@pytest.fixture(scope="session")
def loom_site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return _site(loom(), tmp_path_factory.mktemp("loom"))


@pytest.fixture(scope="session")
def hostile_site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return _site(hostile(), tmp_path_factory.mktemp("hostile"))


@pytest.fixture(scope="session")
def large_site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return _site(many(120), tmp_path_factory.mktemp("large"))


@pytest.fixture(scope="session")
def list_site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return _site(many(400), tmp_path_factory.mktemp("list"))


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    sync_api = pytest.importorskip(
        "playwright.sync_api", reason="no browser driver: bash .ci/browser.sh installs playwright"
    )
    found = os.environ.get("WELLREAD_BROWSER") or next(filter(None, map(shutil.which, BROWSERS)), None)
    if found is None:
        pytest.skip("no chromium on this machine: bash .ci/browser.sh installs it")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def screenshots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where pictures of the pages go for a person to look at.

    WELLREAD_SCREENSHOTS, else a temporary folder.
    """
    named = os.environ.get("WELLREAD_SCREENSHOTS")
    folder = Path(named) if named else tmp_path_factory.mktemp("screenshots")
    folder.mkdir(parents=True, exist_ok=True)
    return folder
