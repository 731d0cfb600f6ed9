"""The second half of the work on one chip: what all chips together said is added, and its pages are written."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.edges.bagdir import Entry, write_member
from pipeline.run.chipwork import needs_person
from pipeline.views.premis import Premis
from pipeline.views.report import SINGLE_PAGE_BELOW, chip_page, chip_page_name
from schemas.record import Grade

_SEVERITY = {"fault": 0, "caution": 1, "note": 2}
_LIFTED_FROM = frozenset([Grade.CORROBORATED.value, Grade.REPEATABLE.value, Grade.SINGLE.value])


@dataclass(frozen=True, slots=True)
class Finish:
    """What every worker needs for the second half.

    Attributes:
        root: The bag in staging.
        head: The record without chips.
        shared: Bag paths of dump files that several chips use.
        owners: Project path → the chip that describes it.
        names: Project path → bag path.
        chips: How many chips there are: large sets have a page a chip.
    """

    root: Path
    head: Mapping[str, Any]
    shared: frozenset[str]
    owners: Mapping[str, str]
    names: Mapping[str, str]
    chips: int = 0


_FINISH: list[tuple[Finish, Premis]] = []


def set_finish(finish: Finish) -> None:
    """Called once in each process."""
    _FINISH[:] = [(finish, Premis(finish.head))]


def finish_batch(items: Sequence[tuple[bytes, Mapping[str, Any]]]) -> list[tuple[bytes, list[Entry]]]:
    """Each chip's finished line for the spool, and the files written for it."""
    finish, premis = _FINISH[0]
    return [_finish_one(json.loads(line), extra, finish, premis) for line, extra in items]


def _finish_one(
    record: dict[str, Any], extra: Mapping[str, Any], finish: Finish, premis: Premis
) -> tuple[bytes, list[Entry]]:
    add_together(record, extra)
    elsewhere = frozenset(
        finish.names[path] for path, owner in finish.owners.items()
        if owner != record["chip"] and finish.names[path] in finish.shared
    ) if finish.shared else frozenset()  # fmt: skip
    told = premis.chip(record, shared=elsewhere)
    operators = list(dict.fromkeys(one["operator"] for one in record["readings"] if one.get("operator")))
    value = {
        "chip": record, "objects": told.objects, "captures": list(told.captures), "steps": dict(told.steps),
        "operators": operators, "needs_person": needs_person(record),
    }  # fmt: skip
    entries = []
    if finish.chips >= SINGLE_PAGE_BELOW:
        page = chip_page(finish.head, record, lambda path: (finish.root / path).read_bytes())
        entries.append(write_member(finish.root, f"data/report/{chip_page_name(record)}", page))
    return json.dumps(value, separators=(",", ":")).encode(), entries


def add_together(record: dict[str, Any], extra: Mapping[str, Any]) -> None:
    """Findings, notes and checks that come from all chips together, put into a chip's record."""
    if extra.get("findings"):
        record["findings"] = sorted(
            [*record["findings"], *extra["findings"]],
            key=lambda one: (
                _SEVERITY[one["severity"]],
                one["code"],
                json.dumps(one["where"], sort_keys=True),
            ),
        )
    for region in record.get("regions", ()):
        if region["kind"] == "fill" and extra.get("shared_with"):
            region["shared_with"] = extra["shared_with"]
    if extra.get("checks"):
        record["bears"]["checks"] = extra["checks"]
    if record["grade"] in _LIFTED_FROM and extra.get("lifting"):
        record["grade"] = Grade.SELF_CHECKED.value
        record["reasons"] = [*dict.fromkeys(extra["lifting"]), *record["reasons"]]
    if extra.get("notes") and record["grade"] not in (Grade.MISSING.value, Grade.FAULTY.value):
        record["reasons"] = [*record["reasons"], *extra["notes"]]
