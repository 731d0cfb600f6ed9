"""Address- and data-line mathematics: relate two images, permute and invert lines, follow slipped streams."""

from pipeline.lines.mapping import LineMap
from pipeline.lines.relate import relate
from pipeline.lines.relation import Relation
from pipeline.lines.slips import Aligned, Slip, align
from pipeline.lines.wiring import WiringSuggestion, apply_wiring, suggest_wiring, undo_wiring

__all__ = [
    "Aligned",
    "LineMap",
    "Relation",
    "Slip",
    "WiringSuggestion",
    "align",
    "apply_wiring",
    "relate",
    "suggest_wiring",
    "undo_wiring",
]
