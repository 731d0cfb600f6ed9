"""A chip's record once all chips together have spoken: findings added, and the grade that is final then."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.stages.content import Region, with_sisters
from pipeline.stages.grade import Graded
from pipeline.street import Heard, conclude
from schemas.record import Grade

_SEVERITY = {"fault": 0, "caution": 1, "note": 2}


def add_heard(record: dict[str, Any], heard: Heard) -> None:
    """What all chips together say, put into a chip's record, and the grade that is final then."""
    if heard.findings:
        added = [finding.model_dump(mode="json") for finding in heard.findings]
        record["findings"] = sorted([*record["findings"], *added], key=_rank)
    if heard.shared_with:
        record["regions"] = _with_sisters(record["regions"], heard.shared_with)
    graded = conclude(Graded(Grade(record["grade"]), tuple(record["reasons"]), record["bears"]), heard)
    record |= {"grade": graded.grade.value, "reasons": list(graded.reasons), "bears": graded.bears}
    if graded.grade is Grade.SELF_CHECKED:
        record.pop("held_back", None)


def _rank(finding: Mapping[str, Any]) -> tuple[int, str, str]:
    return _SEVERITY[finding["severity"]], finding["code"], json.dumps(finding["where"], sort_keys=True)


def is_settled(record: Mapping[str, Any]) -> bool:
    """Whether a chip's image may be burned: settled, no fault in it, and not held back."""
    return record["grade"] not in ("missing", "faulty", "contested") and not record.get("held_back")


def _with_sisters(regions: Sequence[Mapping[str, Any]], sisters: tuple[str, ...]) -> list[dict[str, Any]]:
    """The longest fill told as one that sister chips share; what embedded checks said of it stays."""
    found = tuple(
        Region(
            one["kind"],
            one["start"],
            one["end"],
            {k: v for k, v in one.items() if k not in ("kind", "start", "end")},
        )
        for one in regions
    )
    return [
        {**told.to_json(), **({"checked_by": before["checked_by"]} if before.get("checked_by") else {})}
        for told, before in zip(with_sisters(found, sisters), regions, strict=True)
    ]
