"""What the bytes of one chip are: regions, embedded checks, vectors, texts and programs.

A chip's own content is taken apart by `regions`, `self_checks` and `vectors`, and told by `content_findings`;
each of these looks at one chip, so that worker processes can do it. Of every chip a `signature` is kept, by
which `among_chips` holds all of them against each other.
"""

from __future__ import annotations

from pipeline.stages.content.contested_flow import contested_flow
from pipeline.stages.content.crossed_alike import UNTOLD, Leaning, leaning
from pipeline.stages.content.findings import content_findings
from pipeline.stages.content.model import Region, SelfCheck, Vector
from pipeline.stages.content.order_evidence import order_evidence
from pipeline.stages.content.program import (
    Program,
    crossing_findings,
    order_search,
    program_findings,
    program_of,
    read_for,
    with_code,
)
from pipeline.stages.content.regions import find_regions, regions, told_by_sisters, with_sisters
from pipeline.stages.content.selfcheck import schemes_tried, self_checks
from pipeline.stages.content.signature import Signature, Windows, signature
from pipeline.stages.content.turned import turned_findings
from pipeline.stages.content.vectors import vectors

__all__ = [
    "UNTOLD",
    "Leaning",
    "Program",
    "Region",
    "SelfCheck",
    "Signature",
    "Vector",
    "Windows",
    "content_findings",
    "contested_flow",
    "crossing_findings",
    "find_regions",
    "leaning",
    "order_evidence",
    "order_search",
    "program_findings",
    "program_of",
    "read_for",
    "regions",
    "schemes_tried",
    "self_checks",
    "signature",
    "told_by_sisters",
    "turned_findings",
    "vectors",
    "with_code",
    "with_sisters",
]
