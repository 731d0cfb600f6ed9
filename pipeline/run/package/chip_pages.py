"""The second half of the work on one chip: what all chips together said is added, and its pages are written."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from pipeline.bags.observed import BagEntry
from pipeline.edges.bags.writer import place_member, write_member
from pipeline.one_line import inert_json
from pipeline.run.package.chip_record import add_heard, is_settled
from pipeline.run.package.one_chip import image_file, mask_file, needs_person
from pipeline.stages.error_odds import Voice, settling_odds
from pipeline.street import Heard
from pipeline.views.notes import chip_notes
from pipeline.views.premis import Premis
from pipeline.views.report import SINGLE_PAGE_BELOW, Summary, chip_page, chip_page_name, summary_of
from schemas.names import Organisation


@dataclass(frozen=True, slots=True)
class Finish:
    """What every worker needs for the second half.

    Attributes:
        root: The bag in staging.
        images: The folder in which images lie until they are placed.
        head: The record without chips.
        shared: Bag path of each dump file that several chips use → the chip that describes it.
        chips: How many chips there are: large sets have a page a chip.
        rates: Reader → upper bound of its bit error rate.
    """

    root: Path
    images: Path
    head: Mapping[str, Any]
    shared: Mapping[str, str]
    chips: int = 0
    rates: Mapping[str, float] = field(default_factory=dict)


MOST_STRIPS = 400
"""Beyond so many chips the terminal shows no strips: nobody reads them there, and each has to be kept."""


class Finished(NamedTuple):
    """One chip's parts, ready to be written as they are.

    Attributes:
        facts: The few facts that the parent keeps of every chip.
        record: Its record as JSON.
        objects: Its PREMIS objects.
        captures: (sorting key, PREMIS capture event).
        steps: Code of a step → its PREMIS event.
        notes: Its part of the provenance text.
        summary: What the report's first page says of it.
        entries: Files written for it.
    """

    facts: dict[str, Any]
    record: bytes
    objects: bytes
    captures: tuple[tuple[str, bytes], ...]
    steps: dict[str, bytes]
    notes: bytes
    summary: Summary
    entries: list[BagEntry]


def finish_batch(finish: Finish, items: Sequence[tuple[bytes, Heard]]) -> list[Finished]:
    """Each chip's finished parts, and the files written for it."""
    premis = Premis(finish.head)
    return [_finish_one(json.loads(line), heard, finish, premis) for line, heard in items]


def _finish_one(record: dict[str, Any], heard: Heard, finish: Finish, premis: Premis) -> Finished:
    add_heard(record, heard)
    entries = place_image(record, finish.root, finish.images)
    record["odds"] = settled_odds(record, finish.rates)
    elsewhere = frozenset(path for path, owner in finish.shared.items() if owner != record["chip"])
    told = premis.chip(record, shared=elsewhere)
    if finish.chips >= SINGLE_PAGE_BELOW:
        page = chip_page(finish.head, record, lambda path: (finish.root / path).read_bytes())
        entries.append(write_member(finish.root, f"data/report/{chip_page_name(record)}", page))
    return Finished(
        facts=_index(record, strips=finish.chips <= MOST_STRIPS),
        record=inert_json(json.dumps(record, ensure_ascii=False, separators=(",", ":"))).encode(),
        objects=told.objects.encode(),
        captures=tuple((key, event.encode()) for key, event in told.captures),
        steps={step: event.encode() for step, event in told.steps.items()},
        notes=chip_notes(record).encode("utf-8", "backslashreplace"),
        summary=summary_of(record),
        entries=entries,
    )


def _index(record: Mapping[str, Any], *, strips: bool) -> dict[str, Any]:
    """What the parent keeps: for the terminal, the versions, the time line and the agents.

    Args:
        record: Of the chip.
        strips: Also what a strip on the terminal is drawn from.
    """
    image = record["image"]
    out = {
        "chip": record["chip"],
        "grade": record["grade"],
        "needs_person": needs_person(record),
        "image": {"sha256": image["sha256"]} if image else None,
        "readings": [{"reading": one["reading"]} for one in record["readings"]],
        "captures": [(one["how"].get("date", ""), one["reader"]) for one in record["readings"]],
        "operators": list(
            dict.fromkeys(one["operator"] for one in record["readings"] if one.get("operator"))
        ),
        "findings": [{key: one[key] for key in ("severity", "code")} for one in record["findings"]],
    }
    if strips:
        listed = (record["contested"] or {}).get("listed", ())
        out["regions"] = [{key: one[key] for key in ("kind", "start", "end")} for one in record["regions"]]
        out["contested_ranges"] = [[bit["address"], bit["address"] + 1] for bit in listed[:64]]
    return out


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


def place_image(record: dict[str, Any], root: Path, images: Path) -> list[BagEntry]:
    """The image under the name that its grade gives it, the mask beside it; their entries."""
    image = record["image"]
    if not image:
        return []
    base = image_base(record.get("board"), record["chip"], settled=is_settled(record))
    kept = image_file(images, record["chip"])
    place_member(root, kept, f"{base}.bin")
    entries = [BagEntry(f"{base}.bin", image["size_bytes"], image["sha256"], image["sha512"])]
    mask = mask_file(kept)
    if mask.exists():
        entries.append(write_member(root, f"{base}.contested.bin", mask.read_bytes()))
    record["image"] = {
        "path": f"{base}.bin",
        "settled": is_settled(record),
        "mask_path": entries[1].path if len(entries) > 1 else None,
        **image,
    }
    return entries


def image_base(board: str | None, chip: str, *, settled: bool) -> str:
    """The path of a chip's image in the bag, without its ending."""
    from pipeline.stages.sheet import UNPLACED

    return f"data/{'images' if settled else 'images-unsettled'}/{board or UNPLACED}/{chip}"
