"""A bag's record as the rows of the index: plain values, whatever a record says."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, NamedTuple

from schemas.names import Organisation

if TYPE_CHECKING:
    from pipeline.twins.signature import ImageSignature
    from schemas.record import ChipRecord, RecordHead


class BagRow(NamedTuple):
    """One bag or bundle. The columns are those of the table `bags`, in its order, but for the key."""

    path: str
    fingerprint: str
    receipt: str
    bag: str
    machine: str
    machine_name: str
    model: str
    serial: str
    inventory: str
    custodian: str
    year: int | None
    released: int
    made_from: str
    version: int
    identifier: str
    created: str
    rights: str
    trouble: str


class ChipRow(NamedTuple):
    """One chip. The columns are those of the table `chips`, in its order, but for the keys."""

    chip: str
    board: str
    socket: str
    part: str
    catalogued: str
    kind: str
    fades_to: int | None
    organisation: str
    words: int | None
    bits: int | None
    label: str
    marking: str
    date_code: str
    year: int | None
    revision: str
    inventory: str
    state: str
    grade: str
    reasons: str
    held_back: str
    findings: str
    passes: int
    readers: int
    read: str
    original: int | None
    twins: int
    image_path: str
    sha256: str
    bare: int
    sample: bytes
    shape: str
    low_half: str
    high_half: str


def trouble_row(path: str, fingerprint: str, trouble: str) -> BagRow:
    """A bag that cannot be read: it stays in the index, so that nobody believes it is not there."""
    name = path.rsplit("/", 1)[-1]
    return BagRow(path, fingerprint, "", name, "", "", "", "", "", "", None, 0, "", 0, "", "", "", trouble)


def bag_row(path: str, fingerprint: str, receipt: str, head: RecordHead) -> BagRow:
    """The row of a bag.

    Args:
        path: Where it lies.
        fingerprint: By which a change is seen.
        receipt: Digest over its tag manifests, or "" where it was not taken.
        head: Its record without the chips.
    """
    machine, custodian, rights = head["machine"], head.get("custodian") or {}, head.get("rights")
    source = head.get("released_from")
    return BagRow(
        path=path,
        fingerprint=fingerprint,
        receipt=receipt,
        bag=head["bag"],
        machine=machine["id"],
        machine_name=machine["name"],
        model=machine.get("model") or "",
        serial=machine.get("serial") or "",
        inventory=machine.get("inventory") or "",
        custodian=custodian.get("organisation") or custodian.get("name") or "",
        year=_year(machine.get("year")),
        released=int(bool(source)),
        made_from=source["receipt"] if source else "",
        version=head["version"],
        identifier=head["external_identifier"],
        created=head["created"],
        rights=rights["statement"] if rights else "",
        trouble="",
    )


def chip_row(head: RecordHead, chip: ChipRecord, signed: ImageSignature | None) -> ChipRow:
    """The row of a chip.

    Args:
        head: Its bag's record without the chips.
        chip: Its record.
        signed: The signature of its image, where the image is at hand.
    """
    part = head.get("parts", {}).get(chip.get("catalogued") or "")
    said = chip.get("organisation")
    organisation = Organisation.parse(said) if said else None
    image, bears = chip.get("image"), chip.get("bears", {"passes": 0, "readers": 0})
    dates = [one.get("how", {}).get("date") or "" for one in chip.get("readings", ())]
    halves = signed.halves if signed else ("", "")
    original = chip.get("original")
    return ChipRow(
        chip=chip["chip"],
        board=chip.get("board") or "",
        socket=chip.get("socket") or "",
        part=chip.get("part") or "",
        catalogued=chip.get("catalogued") or "",
        kind=part["kind"] if part else "",
        fades_to=part.get("fades_to") if part else None,
        organisation=said or "",
        words=organisation.words if organisation else None,
        bits=organisation.bits if organisation else None,
        label=chip.get("label") or "",
        marking=chip.get("marking") or "",
        date_code=chip.get("date_code") or "",
        year=made_in(chip.get("date_code"), _year(head["machine"].get("year"))),
        revision=chip.get("revision") or "",
        inventory=chip.get("inventory") or "",
        state=chip.get("state") or "",
        grade=chip["grade"],
        reasons=json.dumps(chip["reasons"], ensure_ascii=False),
        held_back=" ".join(chip.get("held_back", ())),
        findings=json.dumps(list(_open(chip)), ensure_ascii=False),
        passes=bears["passes"],
        readers=bears["readers"],
        read=max(dates, default=""),
        original=None if original is None else int(original),
        twins=sum(1 for one in chip.get("twins", ()) if one["corroborates"]),
        image_path=(image.get("path") or "") if image else "",
        sha256=image["sha256"] if image else "",
        bare=int(bool(signed and signed.bare)),
        sample=signed.sample if signed else b"",
        shape=signed.shape if signed else "",
        low_half=halves[0],
        high_half=halves[1],
    )


def _open(chip: ChipRecord) -> Iterator[str]:
    """Findings that nobody has answered and that are no notes, each once: `fault address-line-dead`."""
    told = (
        f"{one['severity']} {one['code']}"
        for one in chip.get("findings", ())
        if one["severity"] != "note" and not one.get("evidence", {}).get("answer")
    )
    yield from dict.fromkeys(told)


def _year(said: str | None) -> int | None:
    """The first four digits that can be a year, of a date as EDTF writes it."""
    found = re.search(r"\b(1[89]|20)\d\d\b", said or "")
    return int(found[0]) if found else None


def made_in(date_code: str | None, otherwise: int | None) -> int | None:
    """The year in which a chip was made: of a date code of four digits, as two of them can be no week.

    Only where one order of year and week is possible; else the machine's year, where that is known.

    Example:
        >>> made_in("7912", None), made_in("1279", None), made_in("8012", 1980), made_in("?", 1981)
        (1979, 1979, 1980, 1981)
    """
    digits = (date_code or "").strip()
    if re.fullmatch(r"\d{4}", digits):
        years = {1900 + half for half, week in _halves(digits) if half >= 60 and 1 <= week <= 53}
        if len(years) == 1:
            return years.pop()
    return otherwise


def _halves(digits: str) -> Iterator[tuple[int, int]]:
    yield int(digits[:2]), int(digits[2:])
    yield int(digits[2:]), int(digits[:2])


Facts = Mapping[str, object]
"""A row of the index as a question gives it: column → value."""
