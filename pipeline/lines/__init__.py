"""Address- and data-line mathematics: relate two images, permute and invert lines, follow slipped streams."""

from pipeline.lines.mapping import Mapping, apply_wiring, undo_wiring
from pipeline.lines.relate import Relation, relate
from pipeline.lines.slips import Aligned, Slip, align

__all__ = ["Aligned", "Mapping", "Relation", "Slip", "align", "apply_wiring", "relate", "undo_wiring"]
