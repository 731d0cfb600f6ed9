"""A chip's record once all chips together have spoken: findings added, and the grade that is final then."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.stages.content import told_by_sisters
from pipeline.stages.grade import Graded
from pipeline.street import Heard, conclude
from pipeline.to_do import UNSETTLED, in_order
from schemas.finding import Code
from schemas.record import ChipRecord, RegionRecord
from schemas.recorded_finding import FindingRecord
from schemas.vocabulary import Grade


def add_heard(record: ChipRecord, heard: Heard) -> None:
    """What all chips together say, put into a chip's record, and the grade that is final then."""
    if heard.shared_with:
        _with_sisters(record["regions"], heard.shared_with)
    graded = conclude(Graded(Grade(record["grade"]), tuple(record["reasons"]), record["bears"]), heard)
    record["grade"], record["reasons"], record["bears"] = graded.grade, list(graded.reasons), graded.bears
    if heard.held_back:
        record["held_back"] = list(dict.fromkeys([*record.get("held_back", ()), *heard.held_back]))
    if graded.grade is Grade.SELF_CHECKED:
        record.pop("held_back", None)
    if heard.twins:
        record["twins"] = list(heard.twins)
    if heard.program is not None:
        record["program"] = heard.program
    added = [finding.to_record() for finding in heard.findings]
    kept = [one for one in record["findings"] if not any(_same_lines(one, other) for other in added)]
    record["findings"] = in_order([*kept, *added], record.get("held_back", ()))


def _same_lines(one: FindingRecord, other: FindingRecord) -> bool:
    """Whether a chip's own word on crossed lines is said again, of all chips of its reader."""
    return (
        one["code"] == other["code"] == Code.LINES_CROSSED
        and "reader" in other["evidence"]
        and one["where"].get("lines") == other["where"].get("lines")
    )


def is_settled(record: ChipRecord) -> bool:
    """Whether a chip's image may be burned: settled, no fault in it, and not held back."""
    return record["grade"] not in UNSETTLED and not record.get("held_back")


def _with_sisters(regions: list[RegionRecord], sisters: Sequence[str]) -> None:
    """The longest fill told as one that sister chips share."""
    fills = [one for one in regions if one["kind"] == "fill" and one.get("period") == 1]
    if fills:
        longest = max(fills, key=lambda one: one["end"] - one["start"])
        longest["shared_with"] = list(sisters)
        longest["why"] += told_by_sisters(sisters)
