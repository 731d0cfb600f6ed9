"""Control flow as evidence: what branches and calls say of the processor, the order of lines, and code.

Read in this order: `model` (what an instruction does to the flow), the tables, `decode` (every place at
once), `begins` (where instructions begin), `votes` (what each branch says), `stretches` (the best set of
stretches), then the
questions: `families` (which processor), `code` (which bytes are instructions), `orders` (which order of
lines; `likely_orders` says which are worth the trouble).

Does not work: single bits of a single reading (sound code has oddities too), the order of lanes within
microcode, and instruction sets of 32 bits, which are told as unknown.
"""

from pipeline.stages.content.flow_of_control.code import code_stretches
from pipeline.stages.content.flow_of_control.families import (
    READ_AS,
    Family,
    Named,
    choose,
    family_readings,
    named,
)
from pipeline.stages.content.flow_of_control.line_changes import LineChange
from pipeline.stages.content.flow_of_control.orders import Crossed, Kept, keeps_flow

__all__ = [
    "READ_AS",
    "Crossed",
    "Family",
    "Kept",
    "LineChange",
    "Named",
    "choose",
    "code_stretches",
    "family_readings",
    "keeps_flow",
    "named",
]
