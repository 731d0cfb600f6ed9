"""A bundle's RO-Crate before the RO-Crate community's own judge, `roc-validator`, by its profile of 1.3.

The context that it reads is the published one, served from `tests/assets/published`.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.journey.cli import wellread
from tests.kit.example_bags import EPOCH, example_bundle
from tests.outside.judges import PUBLISHED, crate_python

SHEET = """
machine: {id: spool-1, name: Spool counter}
custodian:
  name: Ilsabet Quorne
  organisation: Ulmhaven Museum of Woven Things
  orcid: 0000-0002-1825-0097
  ror: 05dxps055
  website: https://woven-things.example/collection
rights: {statement: CC0-1.0}
release: {allowed_by: the museum, ground: the museum wrote it}
readers: {prog: {kind: device-programmer, name: Laboratory programmer}}
boards: {cpu: {}}
chips:
  - {chip: U1, board: cpu, part: 2716}
readings:
  - {chip: U1, reader: prog, file: U1.bin, date: 2024-05-03, public: true}
"""
"""0000-0002-1825-0097 is ORCID's own example, of a person who does not exist; 05dxps055 is ROR's."""
Issues = list[dict[str, str]]
pytestmark = pytest.mark.drill
"""The validator parses its rules anew for every file: about ten seconds a crate."""


def judge(crate: Path, scratch: Path) -> Issues:
    python = crate_python()
    done = subprocess.run(
        [
            str(python),
            str(Path(__file__).with_name("crate_judge.py")),
            str(crate),
            str(PUBLISHED / "ro-crate-1.3-context.jsonld"),
            str(scratch / "cache"),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found: Issues = json.loads(done.stdout)
    return found


@pytest.fixture(scope="module")
def bundle(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small bundle of which the sheet gives every identifier."""
    crate_python()
    project, out = tmp_path_factory.mktemp("spool"), tmp_path_factory.mktemp("out")
    (project / "dumps").mkdir()
    (project / "sheet.yaml").write_text(SHEET, encoding="utf-8")
    (project / "dumps" / "U1.bin").write_bytes(bytes(range(256)) * 8)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", EPOCH)
        packed = wellread("package", project, "--into", out, "--json")
        assert packed.code == 0, packed.err
        done = wellread("release", packed.document["bag"], "--into", out, "--json")
    assert done.code == 0, done.err
    return Path(done.document["bundle"])


def test_a_crate_whose_sheet_gives_every_identifier_has_neither_a_fault_nor_anything_to_recommend(
    bundle: Path, tmp_path: Path
) -> None:
    graph = {one["@id"] for one in json.loads((bundle / "ro-crate-metadata.json").read_bytes())["@graph"]}
    assert {"https://orcid.org/0000-0002-1825-0097", "https://ror.org/05dxps055", "#contact"} <= graph
    assert judge(bundle, tmp_path) == []


def test_the_judge_sees_what_is_taken_from_it(bundle: Path, tmp_path: Path) -> None:
    damaged = tmp_path / "damaged"
    shutil.copytree(bundle, damaged)
    place = damaged / "ro-crate-metadata.json"
    document = json.loads(place.read_bytes())
    graph = {one["@id"]: one for one in document["@graph"]}
    del graph["#wellread-0.1.0"]["url"]
    del graph["./"]["license"]
    place.write_text(json.dumps(document), encoding="utf-8")
    found = {one["entity"] for one in judge(damaged, tmp_path) if one["level"] == "REQUIRED"}
    assert found == {"./#wellread-0.1.0", "./"}


def test_of_the_example_the_judge_recommends_only_the_two_identifiers_that_invented_people_have_not(
    tmp_path: Path,
) -> None:
    found = judge(example_bundle(), tmp_path)
    assert [(one["level"], one["entity"]) for one in found] == [
        ("RECOMMENDED", "./#organisation"),
        ("RECOMMENDED", "./#custodian"),
    ]
    assert all("identifier" in one["check"] for one in found)
