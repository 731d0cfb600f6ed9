"""PREMIS 3.0: the published schema, and what the schema does not check.

Sources: premis-v3-0.xsd, Library of Congress, 18 January 2016 (sha256 03b8a77a…); PREMIS Data Dictionary 3.0
for the mandatory elements; Library of Congress preservation vocabularies for terms and URIs.
"""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import pytest
from lxml import etree

from tests.journey.cli import wellread

ROOT = Path(__file__).parents[2]
SCHEMA = ROOT.parent / "shared" / "facts" / "xsd" / "premis-v3-0.xsd"
P = "{http://www.loc.gov/premis/v3}"
XSI = "{http://www.w3.org/2001/XMLSchema-instance}type"
EVENTS = {
    "cap": "capture",
    "ing": "ingestion",
    "mes": "message digest calculation",
    "for": "format identification",
    "nor": "normalization",
    "val": "validation",
    "ipc": "information package creation",
}


@pytest.fixture(scope="module")
def premis(tmp_path_factory: pytest.TempPathFactory) -> etree._ElementTree:
    """The example's document."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", "1767225600")
        done = wellread(
            "package", ROOT / "example_project", "--into", tmp_path_factory.mktemp("bags"), "--json"
        )
    return etree.parse(str(Path(done.document["bag"]) / "metadata/premis.xml"))


def test_the_document_validates_against_the_published_schema(premis: etree._ElementTree) -> None:
    if not SCHEMA.is_file():
        pytest.skip(
            "the PREMIS 3.0 schema is not beside this checkout; the mandatory elements are checked elsewhere"
        )
    assert hashlib.sha256(SCHEMA.read_bytes()).hexdigest().startswith("03b8a77a20b32b88")
    schema = etree.XMLSchema(etree.parse(str(SCHEMA)))
    assert schema.validate(premis), schema.error_log


def test_mandatory_elements_are_there_everywhere(premis: etree._ElementTree) -> None:
    root = premis.getroot()
    assert root.tag == f"{P}premis"
    assert root.get("version") == "3.0"
    order = [child.tag.removeprefix(P) for child in root]
    ranks = {"object": 0, "event": 1, "agent": 2, "rights": 3}
    assert [ranks[name] for name in order] == sorted(ranks[name] for name in order)
    assert {"object", "event", "agent", "rights"} == set(order)
    for item in root.iter(f"{P}object"):
        assert item.get(XSI) in ("file", "representation", "bitstream", "intellectualEntity")
        assert item.find(f"{P}objectIdentifier/{P}objectIdentifierValue") is not None
        if item.get(XSI) == "file":
            traits = item.find(f"{P}objectCharacteristics")
            assert traits is not None
            assert [one.tag.removeprefix(P) for one in traits] == [
                "compositionLevel",
                "fixity",
                "fixity",
                "size",
                "format",
            ]
            assert traits.find(f"{P}format/{P}formatDesignation/{P}formatName") is not None
    for event in root.iter(f"{P}event"):
        names = [one.tag.removeprefix(P) for one in event]
        assert names[:3] == ["eventIdentifier", "eventType", "eventDateTime"]
        assert "eventOutcomeInformation" in names
        assert "linkingAgentIdentifier" in names
        assert "linkingObjectIdentifier" in names


def test_identifiers_are_unique_and_every_link_lands(premis: etree._ElementTree) -> None:
    root = premis.getroot()
    own = {
        kind: [one.text for one in root.iterfind(f"{P}{kind}/{P}{kind}Identifier/{P}{kind}IdentifierValue")]
        for kind in ("object", "event", "agent")
    }
    for kind, values in own.items():
        assert len(values) == len(set(values)), kind
        assert values
    dangling = set()
    for kind in ("object", "agent"):
        linked = {one.text for one in root.iter(f"{P}linking{kind.title()}IdentifierValue")}
        dangling |= linked - set(own[kind])
    related = {one.text for one in root.iter(f"{P}relatedObjectIdentifierValue")}
    dangling |= related - set(own["object"])
    assert dangling == set()


def test_event_types_are_terms_of_the_vocabulary_with_their_uris(premis: etree._ElementTree) -> None:
    seen = set()
    for one in premis.getroot().iter(f"{P}eventType"):
        code = (one.get("valueURI") or "").rsplit("/", 1)[-1]
        assert one.get("valueURI") == f"http://id.loc.gov/vocabulary/preservation/eventType/{code}"
        assert EVENTS[code] == one.text
        seen.add(code)
    assert seen == set(EVENTS)


def test_events_stand_in_time_order_with_dates_as_far_as_they_are_known(premis: etree._ElementTree) -> None:
    edtf = re.compile(r"^(?:\.\./)?\d{4}(?:-\d{2}(?:-\d{2})?)?(?:T\d{2}:\d{2}:\d{2}Z)?[?~%]?$")
    dates = [one.text or "" for one in premis.getroot().iter(f"{P}eventDateTime")]
    assert all(edtf.match(date) for date in dates), dates
    assert dates == sorted(dates, key=lambda date: "0000" if date.startswith("../") else date)


def test_an_image_is_derived_from_its_readings(premis: etree._ElementTree) -> None:
    found = 0
    for item in premis.getroot().iter(f"{P}object"):
        name = item.findtext(f"{P}objectIdentifier/{P}objectIdentifierValue") or ""
        if "/data/images" not in name:
            continue
        sources = [
            one.text or ""
            for relation in item.iter(f"{P}relationship")
            if relation.findtext(f"{P}relationshipSubType") == "has Source"
            for one in relation.iter(f"{P}relatedObjectIdentifierValue")
        ]
        assert sources, name
        assert all("/data/readings/" in one for one in sources)
        found += 1
    assert found >= 18


def test_a_fixed_clock_is_said_in_the_event(premis: etree._ElementTree) -> None:
    details = [one.text or "" for one in premis.getroot().iter(f"{P}eventDetail")]
    assert any("The clock was fixed by SOURCE_DATE_EPOCH" in detail for detail in details)
