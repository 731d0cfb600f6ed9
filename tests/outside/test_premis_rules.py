"""PREMIS beyond its schema: rules of the data dictionary as ISO Schematron, run by lxml's engine.

No published Schematron for PREMIS 3.0 was looked for; the rules in `tests/assets/premis-dictionary.sch` are
our own words for the dictionary's, and every one of them is shown to see a document that breaks it.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from pathlib import Path

import pytest
from lxml import etree, isoschematron

from tests.kit.example_bags import example_bag, example_bundle

RULES = Path(__file__).parents[1] / "assets" / "premis-dictionary.sch"
P = "{http://www.loc.gov/premis/v3}"
XSI = "{http://www.w3.org/2001/XMLSchema-instance}type"
FAILED = "{http://purl.oclc.org/dsdl/svrl}failed-assert"


def broken(document: etree._ElementTree) -> set[str]:
    """The ids of the rules that a document breaks."""
    judge = isoschematron.Schematron(etree.parse(str(RULES)), store_report=True)
    judge.validate(document)
    return {str(one.get("id")) for one in judge.validation_report.iter(FAILED)}


def premis(bag: Path) -> etree._ElementTree:
    return etree.parse(str(bag / "metadata" / "premis.xml"))


@pytest.mark.parametrize("made", [example_bag, example_bundle])
def test_the_example_keeps_every_rule_of_the_dictionary(made: Callable[[], Path]) -> None:
    assert broken(premis(made())) == set()


def first(root: etree._Element, *names: str) -> etree._Element:
    """The first element under such a path of names, of a file where objects are meant."""
    for start in root.iter(P + names[0]):
        at: etree._Element | None = start
        for name in names[1:]:
            at = None if at is None else at.find(P + name)
        if at is not None:
            return at
    raise AssertionError(names)


def without(*names: str) -> Callable[[etree._Element], None]:
    """Every element under such a path is taken out of the first that has one."""

    def change(root: etree._Element) -> None:
        found = first(root, *names)
        above = found.getparent()
        for one in above.findall(P + names[-1]):
            above.remove(one)

    return change


def saying(text: str, *names: str) -> Callable[[etree._Element], None]:
    """The first such element has another text."""

    def change(root: etree._Element) -> None:
        first(root, *names).text = text

    return change


def as_entity(root: etree._Element) -> None:
    first(root, "object", "objectCharacteristics").getparent().set(XSI, "intellectualEntity")


def with_itself(root: etree._Element) -> None:
    found = first(root, "object", "relationship", "relatedObjectIdentifier", "relatedObjectIdentifierValue")
    above = next(found.iterancestors(f"{P}object"))
    found.text = above.findtext(f"{P}objectIdentifier/{P}objectIdentifierValue")


def with_an_idle_agent(root: etree._Element) -> None:
    agent = copy.deepcopy(first(root, "agent"))
    first(agent, "agentIdentifierValue").text = "nobody"
    for note in agent.findall(f"{P}agentNote"):
        agent.remove(note)
    root.append(agent)


BREAKS: dict[str, Callable[[etree._Element], None]] = {
    "file-characteristics": without("object", "objectCharacteristics"),
    "file-fixity": without("object", "objectCharacteristics", "fixity"),
    "file-size": saying("many", "object", "objectCharacteristics", "size"),
    "no-characteristics": as_entity,
    "digest-is-hex": saying("Z" * 64, "fixity", "messageDigest"),
    "digest-length": saying("ab", "fixity", "messageDigest"),
    "format-named": without("format", "formatDesignation"),
    "related-exists": saying("lost", "relatedObjectIdentifier", "relatedObjectIdentifierValue"),
    "related-is-another": with_itself,
    "kind-known": saying("friendship", "relationship", "relationshipType"),
    "event-has-an-agent": without("event", "linkingAgentIdentifier"),
    "event-has-an-object": without("event", "linkingObjectIdentifier"),
    "event-has-an-outcome": without("event", "eventOutcomeInformation"),
    "agent-exists": saying("nobody", "event", "linkingAgentIdentifier", "linkingAgentIdentifierValue"),
    "object-exists": saying("lost", "event", "linkingObjectIdentifier", "linkingObjectIdentifierValue"),
    "agent-named": without("agent", "agentName"),
    "agent-acts": with_an_idle_agent,
    "copyright-told": without("rightsStatement", "copyrightInformation"),
    "licence-told": saying("license", "rightsStatement", "rightsBasis"),
    "rights-of-something": without("rightsStatement", "linkingObjectIdentifier"),
}


@pytest.mark.parametrize("rule", BREAKS)
def test_a_document_that_breaks_a_rule_is_seen_by_it(rule: str) -> None:
    document = premis(example_bundle())
    BREAKS[rule](document.getroot())
    assert rule in broken(document)


def test_every_rule_is_broken_once() -> None:
    rules = etree.parse(str(RULES)).iter("{http://purl.oclc.org/dsdl/schematron}assert")
    assert {str(one.get("id")) for one in rules} == set(BREAKS)
