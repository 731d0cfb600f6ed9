"""What several chips' contents say of each other: kin, checks over a set, lanes, the machine's spaces.

`kin`, `joins` and `suggest_spaces` work on the signatures of all chips and read few images again. They lie
apart from what one chip says by itself: a look at a dump needs none of it.
"""

from __future__ import annotations

from pipeline.stages.content.crossed import crossing_in_words
from pipeline.stages.content.crossed_alike import (
    CrossedReader,
    ReadAlone,
    alike_findings,
    crossed_reader,
    family_of_board,
)
from pipeline.stages.content.exchanged import exchanged_findings, exchanged_lanes
from pipeline.stages.content.kin import ChipImage, kin, shared_fills
from pipeline.stages.content.lanes import Join, joins
from pipeline.stages.content.microcode import Microword, microwords, next_address_findings
from pipeline.stages.content.misnamed import ChipNamed, Stray, digest_of, misnamed_findings
from pipeline.stages.content.program_map import AddressBy, ProgramChip, program_maps, sheet_bases
from pipeline.stages.content.selfcheck import set_checks
from pipeline.stages.content.spaces import interleave_findings, sisters_findings, suggest_spaces
from pipeline.stages.content.stands import BoardChip, Placing, placed_spaces, placings, standing_findings
from pipeline.stages.content.weigh import recurring

__all__ = [
    "AddressBy",
    "BoardChip",
    "ChipImage",
    "ChipNamed",
    "CrossedReader",
    "Join",
    "Microword",
    "Placing",
    "ProgramChip",
    "ReadAlone",
    "Stray",
    "alike_findings",
    "crossed_reader",
    "crossing_in_words",
    "digest_of",
    "exchanged_findings",
    "exchanged_lanes",
    "family_of_board",
    "interleave_findings",
    "joins",
    "kin",
    "microwords",
    "misnamed_findings",
    "next_address_findings",
    "placed_spaces",
    "placings",
    "program_maps",
    "recurring",
    "set_checks",
    "shared_fills",
    "sheet_bases",
    "sisters_findings",
    "standing_findings",
    "suggest_spaces",
]
