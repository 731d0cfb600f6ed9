"""The second half of the work on one chip: what all chips together said is added, and its pages are written."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.edges.bagdir import Entry, write_member
from pipeline.run.chipwork import needs_person
from pipeline.stages.content import Region, with_sisters
from pipeline.stages.settling import Voice, settling_odds
from pipeline.views.premis import Premis
from pipeline.views.report import SINGLE_PAGE_BELOW, chip_page, chip_page_name
from schemas.names import Organisation
from schemas.record import Grade

_SEVERITY = {"fault": 0, "caution": 1, "note": 2}
_LIFTED_FROM = frozenset([Grade.CORROBORATED.value, Grade.REPEATABLE.value, Grade.SINGLE.value])


@dataclass(frozen=True, slots=True)
class Finish:
    """What every worker needs for the second half.

    Attributes:
        root: The bag in staging.
        head: The record without chips.
        shared: Bag path of each dump file that several chips use → the chip that describes it.
        chips: How many chips there are: large sets have a page a chip.
        rates: Reader → upper bound of its bit error rate.
    """

    root: Path
    head: Mapping[str, Any]
    shared: Mapping[str, str]
    chips: int = 0
    rates: Mapping[str, float] = field(default_factory=dict)


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
    record["odds"] = settled_odds(record, finish.rates)
    elsewhere = frozenset(path for path, owner in finish.shared.items() if owner != record["chip"])
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


def settled_odds(record: Mapping[str, Any], rates: Mapping[str, float]) -> dict[str, Any] | None:
    """The chance that a settled bit is wrong, where every reader's error rate has a bound; else None.

    The model is the prudent one: a reader's wrong bits last from pass to pass. Readers count as independent.

    Args:
        record: Of the chip.
        rates: Reader → upper bound of its bit error rate, from the qualification.
    """
    passes: dict[str, int] = {}
    for reading in record["readings"]:
        if reading["passes"] and not reading.get("set_aside"):
            passes[reading["reader"]] = passes.get(reading["reader"], 0) + len(reading["passes"])
    if not passes or not passes.keys() <= rates.keys() or not record.get("image"):
        return None
    odds = settling_odds([Voice(rates[reader], count) for reader, count in passes.items()])
    organisation = Organisation.parse(record["organisation"])
    bits = organisation.words * organisation.bits
    return {**odds.to_json(), "bits": bits, "expected_wrong_bits": odds.expected_wrong_bits(bits)}


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
    if extra.get("shared_with"):
        record["regions"] = _with_sisters(record["regions"], tuple(extra["shared_with"]))
    if extra.get("checks"):
        record["bears"]["checks"] = extra["checks"]
    if record["grade"] in _LIFTED_FROM and extra.get("lifting"):
        record["grade"] = Grade.SELF_CHECKED.value
        record["reasons"] = [*dict.fromkeys(extra["lifting"]), *record["reasons"]]
    if extra.get("notes") and record["grade"] not in (Grade.MISSING.value, Grade.FAULTY.value):
        record["reasons"] = [*record["reasons"], *extra["notes"]]
