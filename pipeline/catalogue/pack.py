"""Packs `parts.yaml` into the `parts.json` that the program loads: `python -m pipeline.catalogue.pack > …`.

The redirection goes to `pipeline/catalogue/parts.json`; a test fails while the two files disagree. In the
YAML a part's evidence names its sources by short names; here each becomes the source in full, and every
confidence is worked out from them by the rule of `schemas.evidence`.
"""

from __future__ import annotations

import pkgutil
import sys
from collections.abc import Mapping, Sequence
from typing import Any, TypeAlias

import yaml

from pipeline.catalogue.document import PackedCatalogue
from pipeline.catalogue.likeness import REMEMBERED, Likeness
from schemas.evidence import WIRED, Evidence, confidence, weakest
from schemas.part import Source

Written: TypeAlias = Mapping[str, Any]
"""A piece of the YAML before `PackedCatalogue` has checked it, which knows its fields."""


def packed() -> str:
    """The catalogue of `parts.yaml` as one JSON document, every part checked by the schema.

    Raises:
        ValueError: An entry contradicts itself (pydantic's error names it).
        KeyError: Evidence names a source that is not listed.
    """
    text = pkgutil.get_data("pipeline.catalogue", "parts.yaml")
    assert text is not None, "parts.yaml lies beside this module"
    return expanded(yaml.safe_load(text)).model_dump_json(exclude_defaults=True) + "\n"


def expanded(written: Written) -> PackedCatalogue:
    """What the YAML says, with every source in full and every confidence by the rule.

    Args:
        written: The YAML's top level: sources, equivalences, markings, unresolved, common, parts.

    Raises:
        As `packed`.
    """
    sources = written["sources"]
    equivalences = [
        {"numbers": one["numbers"], "source": sources[one["from"]]["citation"]}
        for one in written["equivalences"]
    ]
    likeness = Likeness((tuple(one["numbers"]), one["source"]) for one in equivalences)
    return PackedCatalogue.model_validate(
        {
            "parts": [_part(part, sources, likeness) for part in written["parts"]],
            "equivalences": equivalences,
            "markings": written["markings"],
            "unresolved": written["unresolved"],
            "common": written["common"],
        }
    )


def _part(written: Written, sources: Written, likeness: Likeness) -> Written:
    evidence = [_evidence(one, str(written["part"]), sources, likeness) for one in written["evidence"]]
    part = {**written, "evidence": evidence, "source": main_source(evidence)}
    part["confidence"] = weakest(confidence(evidence, group) for group in WIRED)
    if part.get("erased_state") is not None or part.get("erased_by_marking"):
        part["erased_confidence"] = confidence(evidence, "erased")
    return part


def _evidence(written: Written, part: str, sources: Written, likeness: Likeness) -> Evidence:
    source = sources[written["from"]]
    place = written.get("at")
    number = str(written.get("as", ""))
    return Evidence(
        type=source["type"],
        citation=f"{source['citation']}, {place}" if place else source["citation"],
        hand=source.get("hand", source["citation"]) if place or "hand" in source else "",
        bears=written.get("for", WIRED),
        number=number,
        alike=likeness.said(part, number) if number else "",
        against=written.get("against", ()),
    )


def main_source(evidence: Sequence[Evidence]) -> Source:
    """The best ground of the pin numbers in short, for places with room for one line.

    Args:
        evidence: All of an entry's, one at least.
    """
    order = ("datasheet", "reference", "own measurement", "second-hand", "from memory")
    ranked = sorted(
        evidence, key=lambda one: ("pins" not in one.bears, bool(one.number), order.index(one.type))
    )
    best, hands = ranked[0], len({one.by for one in evidence if "pins" in one.bears})
    if "pins" not in best.bears:
        return Source(type=REMEMBERED.type, citation=REMEMBERED.citation)
    more = f"; and {hands - 1} more" if hands > 1 else ""
    return Source(type=best.type, citation=f"{best.words()}{more}")


if __name__ == "__main__":
    sys.stdout.write(packed())
