"""What the bytes are: regions, embedded checks, vectors, kin, and how chips lie in the machine's spaces.

A chip's own content is taken apart by `regions`, `self_checks` and `vectors`, and told by `content_findings`;
each of these looks at one chip, so that worker processes can do it. Of every chip a `signature` is kept;
`kin`, `joins` and `suggest_spaces` hold all of them against each other and read few images again.
"""

from __future__ import annotations

from pipeline.stages.content.contested_flow import contested_flow
from pipeline.stages.content.crossed import crossing_in_words
from pipeline.stages.content.crossed_alike import (
    UNTOLD,
    CrossedReader,
    Leaning,
    ReadAlone,
    alike_findings,
    crossed_reader,
    family_of_board,
    leaning,
)
from pipeline.stages.content.exchanged import exchanged_findings, exchanged_lanes
from pipeline.stages.content.findings import content_findings
from pipeline.stages.content.kin import ChipImage, kin, shared_fills
from pipeline.stages.content.lanes import Join, joins
from pipeline.stages.content.microcode import Microword, microwords, next_address_findings
from pipeline.stages.content.misnamed import ChipNamed, Stray, digest_of, misnamed_findings
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
from pipeline.stages.content.program_map import (
    AddressBy,
    ProgramChip,
    program_maps,
    sheet_bases,
)
from pipeline.stages.content.regions import regions, told_by_sisters, with_sisters
from pipeline.stages.content.selfcheck import schemes_tried, self_checks, set_checks
from pipeline.stages.content.signature import Signature, signature
from pipeline.stages.content.spaces import interleave_findings, sisters_findings, suggest_spaces
from pipeline.stages.content.stands import (
    BoardChip,
    Placing,
    placed_spaces,
    placings,
    standing_findings,
)
from pipeline.stages.content.turned import turned_findings
from pipeline.stages.content.vectors import vectors
from pipeline.stages.content.weigh import recurring

__all__ = [
    "UNTOLD",
    "AddressBy",
    "BoardChip",
    "ChipImage",
    "ChipNamed",
    "CrossedReader",
    "Join",
    "Leaning",
    "Microword",
    "Placing",
    "Program",
    "ProgramChip",
    "ReadAlone",
    "Region",
    "SelfCheck",
    "Signature",
    "Stray",
    "Vector",
    "alike_findings",
    "content_findings",
    "contested_flow",
    "crossed_reader",
    "crossing_findings",
    "crossing_in_words",
    "digest_of",
    "exchanged_findings",
    "exchanged_lanes",
    "family_of_board",
    "interleave_findings",
    "joins",
    "kin",
    "leaning",
    "microwords",
    "misnamed_findings",
    "next_address_findings",
    "order_evidence",
    "order_search",
    "placed_spaces",
    "placings",
    "program_findings",
    "program_maps",
    "program_of",
    "read_for",
    "recurring",
    "regions",
    "schemes_tried",
    "self_checks",
    "set_checks",
    "shared_fills",
    "sheet_bases",
    "signature",
    "sisters_findings",
    "standing_findings",
    "suggest_spaces",
    "told_by_sisters",
    "turned_findings",
    "vectors",
    "with_code",
    "with_sisters",
]
