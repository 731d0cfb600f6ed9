"""What `release` says: what goes out, what stays behind and why, chip by chip."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from pipeline.one_line import one_lined
from pipeline.summed_up import counted
from pipeline.views.terminal import still_to_do, table

if TYPE_CHECKING:
    from schemas.answers import ReleaseAnswer, ReleasedChip

MOST_CHIPS = 60


def released(document: ReleaseAnswer) -> str:
    """The summary, for a dry run and for a bundle alike."""
    document = one_lined(document)
    lines = ["Would go out:" if document["dry_run"] else "Goes out:"]
    lines += _chips(document)
    others = [
        path for path in document["files"] if path.startswith(("data/spaces/", "data/photos/", "data/docs/"))
    ]
    lines += [f"  {path}" for path in others]
    lines.append("Stays behind:")
    lines += [f"  {line}" for line in _held(document)]
    lines += still_to_do(document["to_do"], document["needs_person"])
    if document["replaced"]:
        lines.append("Private values that stood in public texts were replaced by [withheld]:")
        lines += [f"  {where}: {counted(count, 'time')}" for where, count in document["replaced"].items()]
    lines += [f"caution: {caution}" for caution in document["cautions"]]
    if any(path.startswith("data/photos/") for path in document["files"]):
        lines.append(
            "Photographs lost what the camera wrote into them; what they show, only a person can judge."
        )
    lines.append(f"Rights: {document['rights']}")
    if not document["content"]:
        lines.append(
            "No word lets content out (release: allowed_by, ground): metadata, report and digests only."
        )
    if document["dry_run"]:
        lines.append("Nothing was written.")
    else:
        lines += [f"Bundle, checked by two judges: {document['bundle']}", f"Zip: {document['zip']}"]
        lines.append(f"SHA-256 of the zip, to publish beside it: {document['zip_sha256']}")
    return "\n".join(lines)


def _chips(document: ReleaseAnswer) -> list[str]:
    """A row a chip, worst first; of many chips those that go out whole are counted."""
    order = {one["chip"]: rank for rank, one in enumerate(document["to_do"])}
    ranked = sorted(document["chips"], key=lambda chip: order.get(chip["chip"], len(order)))
    whole = [one for one in ranked if one["chip"] not in order and one["goes_out"]]
    many = len(ranked) > MOST_CHIPS
    listed = [one for one in ranked if one not in whole] if many else ranked
    lines = [table(list(_rows(listed[:MOST_CHIPS])))]
    if len(listed) > MOST_CHIPS:
        lines.append(f"  … and {len(listed) - MOST_CHIPS} more; --json has them all")
    if many and whole:
        lines.append(f"  {counted(len(whole), 'chip')} with nothing to do, whose image goes out")
    return [line for line in lines if line]


def _rows(chips: Sequence[ReleasedChip]) -> Iterator[list[str]]:
    for chip in chips:
        goes = ", ".join(chip["goes_out"]) or (
            "nothing but its place and grade" if chip["withheld"] else "its record: there is no image"
        )
        held = len(chip["withheld"])
        yield [
            chip["chip"],
            chip["grade"],
            goes + (f"; {held} withheld" if held and chip["goes_out"] else ""),
        ]


def _held(document: ReleaseAnswer) -> Iterator[str]:
    grouped: dict[str, list[str]] = {}
    for one in document["withheld"]:
        grouped.setdefault(one["why"], []).append(one["what"])
    for why, things in grouped.items():
        named = ", ".join(things[:6]) + (f" and {len(things) - 6} more" if len(things) > 6 else "")
        yield f"{why}: {named}"
