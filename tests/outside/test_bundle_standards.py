"""A public bundle before others' tools and published schemas.

RO-Crate, Citation File Format, zip, PREMIS, BagIt.
"""

from __future__ import annotations

import hashlib
import importlib.resources
import json
import re
import shutil
import subprocess
import zipfile
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from lxml import etree

from tests.kit.example_bags import ROOT, example_bundle, record_of, released

PREMIS_SCHEMA = ROOT.parent / "shared" / "facts" / "xsd" / "premis-v3-0.xsd"


def graph() -> dict[str, dict[str, Any]]:
    document = json.loads((example_bundle() / "ro-crate-metadata.json").read_bytes())
    return {one["@id"]: one for one in document["@graph"]}


def test_the_rocrate_library_loads_the_bundle() -> None:
    """Source: the library `rocrate` from PyPI, by the RO-Crate community."""
    rocrate = pytest.importorskip("rocrate.rocrate")
    crate = rocrate.ROCrate(str(example_bundle()))
    assert crate.root_dataset["datePublished"]
    assert crate.name == "ROM contents of CJ-48 pattern controller"
    image = crate.dereference("data/images/mem/MEM-U1.bin")
    assert image["sha256"] == hashlib.sha256((example_bundle() / image.id).read_bytes()).hexdigest()
    assert crate.dereference("#packaging")["instrument"]["name"] == "wellread"
    read = crate.dereference("#read/MEM-U1.prog.1")
    assert read["instrument"]["name"] == "Laboratory device programmer"
    assert read["result"].id == "data/readings/mem/MEM-U1/MEM-U1.prog.1.bin"


def test_descriptor_and_root_have_what_the_specification_demands() -> None:
    """Source: RO-Crate 1.3, root data entity and metadata descriptor: the properties with MUST."""
    document = json.loads((example_bundle() / "ro-crate-metadata.json").read_bytes())
    assert document["@context"] == "https://w3id.org/ro/crate/1.3/context"
    found = graph()
    descriptor = found["ro-crate-metadata.json"]
    assert descriptor["about"] == {"@id": "./"}
    assert descriptor["conformsTo"] == {"@id": "https://w3id.org/ro/crate/1.3"}
    root = found["./"]
    assert root["@type"] == "Dataset"
    assert all(root[key] for key in ("name", "description", "datePublished", "license"))
    assert re.fullmatch(r"\d{4}-\d{2}-\d{2}", root["datePublished"])
    licence = found[root["license"]["@id"]]
    assert licence["name"]
    assert licence["description"]


def test_the_crate_is_flat_and_every_entity_is_reached_from_the_root() -> None:
    found = graph()
    nested = [
        one["@id"]
        for one in found.values()
        for v in one.values()
        if isinstance(v, dict) and set(v) != {"@id"}
    ]
    assert nested == []
    seen, waiting = set(), ["ro-crate-metadata.json"]
    while waiting:
        at = waiting.pop()
        if at in seen or at not in found:
            continue
        seen.add(at)
        for value in found[at].values():
            waiting += [
                one["@id"] for one in (value if isinstance(value, list) else [value]) if isinstance(one, dict)
            ]
    assert found.keys() - seen == set()
    local = {v["@id"] for one in found.values() for v in one.values() if isinstance(v, dict)}
    assert {one for one in local if not one.startswith("http")} <= found.keys()


def test_the_crate_lists_every_file_with_its_size_and_digest() -> None:
    files = {i: one for i, one in graph().items() if one["@type"] == "File"}
    own = {"checksums-sha256.txt", "ro-crate-metadata.json", "bagit.txt", "bag-info.txt"}
    on_disk = {
        path.relative_to(example_bundle()).as_posix(): path.read_bytes()
        for path in example_bundle().rglob("*")
        if path.is_file()
    }
    expected = {path for path in on_disk if path not in own and "manifest-" not in path}
    assert {i.replace("%20", " ") for i in files} == expected
    for i, one in files.items():
        content = on_disk[i.replace("%20", " ")]
        assert one["contentSize"] == str(len(content))
        assert one["sha256"] == hashlib.sha256(content).hexdigest()
        assert one["description"] != "a file of this bundle"


def cff_schema() -> dict[str, Any]:
    """The schema of the Citation File Format 1.2.0, as the package check-jsonschema carries it."""
    pytest.importorskip("check_jsonschema")
    place = (
        importlib.resources.files("check_jsonschema")
        / "builtin_schemas"
        / "vendor"
        / "citation-file-format.json"
    )
    if not place.is_file():
        pytest.skip("this release of check-jsonschema keeps the schema elsewhere")
    found: dict[str, Any] = json.loads(place.read_text(encoding="utf-8"))
    return found


def test_the_citation_follows_its_published_schema() -> None:
    text = (example_bundle() / "CITATION.cff").read_text(encoding="utf-8")
    document = yaml.safe_load(text)
    document["date-released"] = str(document["date-released"])  # YAML reads a date; the schema wants its text
    jsonschema.validate(document, cff_schema(), format_checker=jsonschema.FormatChecker())
    assert document["license-url"] == "http://rightsstatements.org/vocab/InC-RUU/1.0/"


@pytest.mark.parametrize(
    "statement",
    ["CC0-1.0", "MIT OR Apache-2.0", "LicenseRef-own", "https://creativecommons.org/licenses/by/4.0/"],
)
def test_every_kind_of_statement_gives_a_citation_that_follows_the_schema(statement: str) -> None:
    from pipeline.views.bundle import citation

    head: Any = {
        "machine": {"id": "m", "name": 'A "loom": 1\u0007\u2028é'},
        "custodian": None,
        "rights": {"statement": statement},
        "released_from": {"when": "2026-01-01T00:00:00Z"},
        "bag": "m-v1-public",
        "external_identifier": "urn:uuid:0",
        "grades": {"single": 1},
    }
    document = yaml.safe_load(citation(head))
    document["date-released"] = str(document["date-released"])
    jsonschema.validate(document, cff_schema())
    assert ("license" in document, "license-url" in document) == (statement == "CC0-1.0", "://" in statement)


def test_python_opens_the_zip_and_finds_it_stored_sorted_and_bare() -> None:
    with zipfile.ZipFile(released()["zip"]) as packed:
        assert packed.testzip() is None
        members = packed.infolist()
        assert packed.comment == b""
    names = [member.filename for member in members]
    assert names == sorted(names, key=str.encode)
    assert {name.split("/")[0] for name in names} == {"loom-78-v1-public"}
    assert not [name for name in names if name.endswith("/") or "\\" in name]
    assert {(m.compress_type, m.create_system, m.external_attr, m.extra, m.date_time) for m in members} == {
        (zipfile.ZIP_STORED, 3, 0o100644 << 16, b"", (2026, 1, 1, 0, 0, 0))
    }


@pytest.mark.parametrize(
    ("tool", "arguments"),
    [("unzip", ["-q", "{zip}", "-d", "{out}"]), ("bsdtar", ["-xf", "{zip}", "-C", "{out}"])],
)
def test_other_programs_unpack_it_to_the_same_bytes(tool: str, arguments: list[str], tmp_path: Path) -> None:
    program = shutil.which(tool)
    if program is None:
        pytest.skip(f"{tool} is not installed here")
    filled = [one.format(zip=released()["zip"], out=tmp_path) for one in arguments]
    done = subprocess.run([program, *filled], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    out = tmp_path / "loom-78-v1-public"
    found = {path.relative_to(out): path.read_bytes() for path in out.rglob("*") if path.is_file()}
    wanted = {
        p.relative_to(example_bundle()): p.read_bytes() for p in example_bundle().rglob("*") if p.is_file()
    }
    assert len(found) > 60
    assert found == wanted


def test_sha256sum_accepts_the_list_of_checksums() -> None:
    program = shutil.which("sha256sum")
    if program is None:
        pytest.skip("sha256sum is not installed here")
    done = subprocess.run(
        [program, "--strict", "--check", "checksums-sha256.txt"],
        cwd=example_bundle(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    told = {line.split(": ")[0] for line in done.stdout.splitlines()}
    on_disk = {p.relative_to(example_bundle()).as_posix() for p in example_bundle().rglob("*") if p.is_file()}
    assert {path for path in on_disk - told if "manifest-" not in path} == {
        "bagit.txt",
        "bag-info.txt",
        "checksums-sha256.txt",
    }


def test_the_sums_for_matching_are_those_of_the_images() -> None:
    import zlib

    lines = (example_bundle() / "checksums-matching.txt").read_text(encoding="utf-8").splitlines()
    rows = [line.split("\t") for line in lines if not line.startswith("#")][1:]
    images = [chip for chip in record_of(example_bundle())["chips"] if chip.get("image")]
    assert len(rows) == len(images) == 24
    for chip, _, size, crc32, md5, sha1, sha256, sum16, path in rows:
        content = (example_bundle() / path).read_bytes()
        assert (int(size), int(crc32, 16), int(sum16, 16)) == (
            len(content),
            zlib.crc32(content),
            sum(content) & 0xFFFF,
        ), chip
        assert [md5, sha1, sha256] == [
            hashlib.new(name, content).hexdigest() for name in ("md5", "sha1", "sha256")
        ]


def test_hex_and_s_record_files_hold_the_image_for_other_libraries() -> None:
    """Source: the libraries intelhex and bincopy from PyPI."""
    bincopy = pytest.importorskip("bincopy")
    intelhex = pytest.importorskip("intelhex")
    images = sorted((example_bundle() / "data").glob("images*/*/*.bin"))
    held = [path for path in images if not path.name.endswith(".contested.bin")]
    assert len(held) == 24
    for path in held:
        content = path.read_bytes()
        assert intelhex.IntelHex(str(path.with_suffix(".hex"))).tobinstr() == content
        assert bincopy.BinFile(str(path.with_suffix(".s19"))).as_binary() == content


def test_the_bundles_premis_validates_and_tells_of_recheck_and_release() -> None:
    document = etree.parse(str(example_bundle() / "metadata/premis.xml"))
    p = "{http://www.loc.gov/premis/v3}"
    kinds = [one.text for one in document.iter(f"{p}eventType")]
    assert {"fixity check", "dissemination", "capture", "normalization"} <= set(kinds)
    objects = [one.text for one in document.iter(f"{p}objectIdentifierValue")]
    assert len(objects) == len(set(objects))
    files = {text.split("/", 1)[1] for text in objects if text and "-public/data/" in text}
    on_disk = {
        p.relative_to(example_bundle()).as_posix()
        for p in (example_bundle() / "data").rglob("*")
        if p.is_file()
    }
    # The report is made from the record last of all: its pages are in the manifests, and no objects here.
    assert {path for path in on_disk - files if not path.startswith("data/report/")} == set()
    assert "data/report/index.html" in on_disk
    assert files <= on_disk
    linked = {one.text for one in document.iter(f"{p}linkingObjectIdentifierValue")}
    assert linked <= set(objects)
    if not PREMIS_SCHEMA.is_file():
        pytest.skip("the PREMIS 3.0 schema is not beside this checkout; the rest of this test has run")
    schema = etree.XMLSchema(etree.parse(str(PREMIS_SCHEMA)))
    assert schema.validate(document), schema.error_log


def test_the_bundle_follows_its_own_bagit_profile() -> None:
    """Source: the library bagit-profile.

    Payload-Files-* of profile 1.4 is checked here, the library ignores it.
    """
    bagit = pytest.importorskip("bagit")
    bagit_profile = pytest.importorskip("bagit_profile")
    content = json.loads((example_bundle() / "metadata/schemas/bundle-profile.json").read_bytes())
    bag = bagit.Bag(str(example_bundle()))
    assert bag.info["BagIt-Profile-Identifier"] == content["BagIt-Profile-Info"]["BagIt-Profile-Identifier"]
    profile = bagit_profile.Profile(
        content["BagIt-Profile-Info"]["BagIt-Profile-Identifier"], profile=content
    )
    assert profile.validate(bag), profile.report
    allowed = [one.removesuffix("*") for one in content["Payload-Files-Allowed"]]
    assert all(any(path.startswith(one) for one in allowed) for path in bag.payload_entries())
