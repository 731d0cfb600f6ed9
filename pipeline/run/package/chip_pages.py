"""The second half of the work on one chip.

What all chips together said is added, and its pages are written.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, lru_cache, partial
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from pipeline.bags import record_file
from pipeline.bags.observed import BagEntry
from pipeline.edges.bags.pieced import Stretches, set_aside
from pipeline.edges.bags.writer import member_content, place_member, write_member
from pipeline.flow import ChipSummary
from pipeline.run.package.chip_record import add_heard, is_settled
from pipeline.run.package.drawn_before import Bodies, Body, Drawn, page_path
from pipeline.run.package.one_chip import image_file, mask_file
from pipeline.run.package.spool import pickled
from pipeline.stages.error_odds import Voice, settling_odds
from pipeline.street import Heard
from pipeline.to_do import to_do
from pipeline.views.notes import chip_notes
from pipeline.views.premis import STEPS, Premis
from pipeline.views.report import (
    SINGLE_PAGE_BELOW,
    Near,
    Summary,
    around_chip,
    listing_pages,
    summary_of,
)
from pipeline.views.report.thumbnails import MOST_THUMBNAILS
from pipeline.views.strip import contested_spans
from pipeline.views.suggestions import kin_of, reads_for
from schemas.names import UNPLACED, Organisation

if TYPE_CHECKING:
    from schemas.record import ChipRecord, RecordHead


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
        bag_before: The newest version beside it, whose pages may say the same; None where there is none.
        kept: Whether it is kept for the next run what pages were drawn from.
    """

    root: Path
    images: Path
    head: RecordHead
    shared: Mapping[str, str]
    chips: int = 0
    rates: Mapping[str, float] = field(default_factory=dict)
    bag_before: Path | None = None
    kept: bool = False


class ToFinish(NamedTuple):
    """A chip whose pages are to be written.

    Attributes:
        line: Its record before all chips together were heard, as a line of JSON.
        heard: What they say.
        near: The chips before and after it.
        drawn: What the last run kept of its page, if anything.
    """

    line: bytes
    heard: Heard
    near: Near
    drawn: Drawn | None = None


MOST_STRIPS = 400
"""Beyond so many chips the terminal shows no strips: nobody reads them there, and each has to be kept."""


class Finished(NamedTuple):
    """What some chips give, in their order.

    Attributes:
        chips: How many they are.
        parts: `records`, `objects`, `notes` or the code of a step → where their parts of that lie: of the
            record, of PREMIS (its objects, and its events by steps), and of the notes.
        captures: Sorting key → where their PREMIS capture events lie.
        told: The few facts that the parent keeps of every chip, a `ChipSummary`, and what the report's first
            page says of it, a `Summary`; each two pickled.
        entries: Files written for them; pickled.
        drawn: What is kept of their pages.
    """

    chips: int
    parts: Mapping[str, Stretches]
    captures: Mapping[str, Stretches]
    told: bytes
    entries: bytes
    drawn: Sequence[Drawn]


class _Page(NamedTuple):
    """What is made of a chip while its image is at hand.

    Attributes:
        summary: The first page's share of it.
        drawn: What is kept of its own page, if anything.
    """

    summary: Summary
    drawn: Drawn | None


def finish_batch(finish: Finish, items: Sequence[ToFinish]) -> list[Finished]:
    """What the chips give to the files of all chips, set aside, and the files written for them.

    One kind of work is done for all chips before the next begins: the code and the tables that it takes stay
    near the core. Chip by chip the same calls took a sixth longer.
    """
    records: list[ChipRecord] = [json.loads(one.line) for one in items]
    for record, one in zip(records, items, strict=True):
        add_heard(record, one.heard)
    entries = [place_image(record, finish.root, finish.images) for record in records]
    texts = [record_file.chip_text(record) for record in records]
    pages = _pages(finish, items, records, texts, entries)
    premis = Premis(finish.head)
    told = [premis.chip(record, shared=_elsewhere(finish.shared, record["chip"])) for record in records]
    notes = "".join(map(chip_notes, records))
    strips, compared = finish.chips <= MOST_STRIPS, finish.bag_before is not None
    facts = [_index(record, strips=strips, compared=compared) for record in records]
    odds = [settled_odds(record, finish.rates) for record in records]
    parts = {
        "records": record_file.NEXT.join(map(record_file.with_odds, texts, odds)),
        "objects": "".join(one.objects for one in told),
        **{step: "".join(one.steps.get(step, "") for one in told) for step in STEPS},
    }
    captures: dict[str, list[str]] = defaultdict(list)
    for key, event in chain.from_iterable(one.captures for one in told):
        captures[key].append(event)
    aside = finish.root.parent
    return [
        Finished(
            len(items),
            set_aside(aside, {**_encoded(parts), "notes": notes.encode("utf-8", "backslashreplace")}),
            set_aside(aside, _encoded({key: "".join(events) for key, events in captures.items()})),
            b"".join(pickled((fact, page.summary)) for fact, page in zip(facts, pages, strict=True)),
            pickled([*chain.from_iterable(entries)]),
            [page.drawn for page in pages if page.drawn is not None],
        )
    ]


def _encoded(parts: Mapping[str, str]) -> dict[str, bytes]:
    return {name: text.encode() for name, text in parts.items()}


def _elsewhere(shared: Mapping[str, str], chip: str) -> frozenset[str]:
    """The dump files that another chip describes."""
    return frozenset(path for path, owner in shared.items() if owner != chip)


def _pages(
    finish: Finish,
    items: Sequence[ToFinish],
    records: Sequence[ChipRecord],
    texts: Sequence[str],
    entries: Sequence[list[BagEntry]],
) -> list[_Page]:
    """What shows the chips' images: a few are drawn, then written, then drawn small."""
    bodies = Bodies(finish.head, finish.images, finish.bag_before, kept=finish.kept)
    out: list[_Page] = []
    for some in _few_together(records):
        shown, loads = records[some], [_loader(finish.root) for _ in records[some]]
        drawn: Sequence[Drawn | None] = [None] * len(shown)
        if finish.chips >= SINGLE_PAGE_BELOW:
            found = [
                bodies.body(record, text, one.near, load, one.drawn)
                for record, text, one, load in zip(shown, texts[some], items[some], loads, strict=True)
            ]
            drawn = [
                _own_pages(record, body, finish, load, written)
                for record, body, load, written in zip(shown, found, loads, entries[some], strict=True)
            ]
        small = finish.chips <= MOST_THUMBNAILS
        summaries = [
            summary_of(record, load if small else None) for record, load in zip(shown, loads, strict=True)
        ]
        out += map(_Page, summaries, drawn)
    return out


TOGETHER = 8
"""So many chips' pages are drawn before they are written: the system and the digests take the page's code and
tables away from the core. More save nothing more (16 and 40 measured), and what is drawn is held.
"""
TOGETHER_BYTES = 1 << 20
"""Of images held at a time, but for one that is larger."""


def _few_together(records: Sequence[ChipRecord]) -> Iterator[slice]:
    """Stretches of at most `TOGETHER` chips and `TOGETHER_BYTES` of images, of one chip at least.

    Example:
        >>> [*_few_together([{"image": {"size_bytes": size}} for size in (1 << 19, 1 << 19, 1 << 23, 1)])]
        [slice(0, 2, None), slice(2, 3, None), slice(3, 4, None)]
    """
    first = held = 0
    for at, record in enumerate(records):
        own = record["image"]["size_bytes"] if record["image"] else 0
        if at > first and (at - first == TOGETHER or held + own > TOGETHER_BYTES):
            yield slice(first, at)
            first, held = at, 0
        held += own
    if records:
        yield slice(first, len(records))


def _loader(root: Path) -> Callable[[str], bytes]:
    """Bytes of one chip's image and mask, by their paths in the bag: read once."""
    return cache(partial(member_content, root))


def _own_pages(
    record: ChipRecord, body: Body, finish: Finish, load: Callable[[str], bytes], entries: list[BagEntry]
) -> Drawn | None:
    """A chip's own pages in the report, and what is kept of the first."""
    around = around_chip(finish.head, record)
    entry = write_member(finish.root, page_path(record), around.page(body.content))
    lists = listing_pages(finish.head, record, load)
    entries += [
        entry,
        *(write_member(finish.root, f"data/report/{name}", content) for name, content in lists),
    ]
    return body.in_page(record["chip"], entry, len(around.before))


def _index(record: ChipRecord, *, strips: bool, compared: bool) -> ChipSummary:
    """What the parent keeps: for the terminal, the versions, the time line and the agents.

    Args:
        record: Of the chip.
        strips: Also what a strip on the terminal is drawn from.
        compared: Also what is held against the version before.
    """
    image, readings = record["image"], record["readings"]
    words = Organisation.parse(record["organisation"]).words if record["organisation"] else 0
    return ChipSummary(
        chip=record["chip"],
        grade=record["grade"],
        to_do=to_do(record).brief,
        inventory=record.get("inventory", ""),
        accession=record.get("accession", ""),
        image_sha256=image["sha256"] if image and compared else None,
        readings=frozenset(one["reading"] for one in readings if compared),
        captures=tuple((one["how"].get("date", ""), one["reader"]) for one in readings),
        operators=tuple(dict.fromkeys(one["operator"] or "" for one in readings if one.get("operator"))),
        regions=tuple((one["kind"], one["start"], one["end"]) for one in record["regions"] if strips),
        contested=tuple(contested_spans(record["contested"], words)) if strips else (),
        reads=reads_for(record),
        kin=kin_of(record["chip"], record["findings"]),
    )


def settled_odds(record: ChipRecord, rates: Mapping[str, float]) -> str:
    """The chance that a settled bit is wrong, as the record has it: null where a reader's rate has no bound.

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
        return record_file.odds_text(None)
    organisation = Organisation.parse(record["organisation"] or "")
    absent = sum(end - start for start, end in record.get("absent", ()))
    voices = tuple(Voice(rates[reader], count) for reader, count in passes.items())
    return _odds_said(voices, (organisation.words - absent) * organisation.bits)


@lru_cache(maxsize=256)
def _odds_said(voices: tuple[Voice, ...], bits: int) -> str:
    """The odds of all chips of one size that were read alike."""
    odds = settling_odds(voices)
    return record_file.odds_text(
        {**odds.to_json(), "bits": bits, "expected_wrong_bits": odds.expected_wrong_bits(bits)}
    )


def place_image(record: ChipRecord, root: Path, images: Path) -> list[BagEntry]:
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
        "size_bytes": image["size_bytes"],
        "sha256": image["sha256"],
        "sha512": image["sha512"],
        "sums": image["sums"],
    }
    return entries


def image_base(board: str | None, chip: str, *, settled: bool) -> str:
    """The path of a chip's image in the bag, without its ending."""
    return f"data/{'images' if settled else 'images-unsettled'}/{board or UNPLACED}/{chip}"
