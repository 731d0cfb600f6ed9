"""The texts of a public bundle: what it is, how far to trust it, how to check and burn it, how to cite it."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from pipeline.publish.public_view import Withheld
from pipeline.to_do import space_state
from pipeline.views.notes import plain

if TYPE_CHECKING:
    from schemas.record import ChipRecord, ImageRecord, RecordHead, Released
    from schemas.recorded_sheet import MachineRecord, RightsRecord

WIDTH = 100
MOST_NAMED = 40
FIRST = ("faulty", "contested", "held back", "missing", "single")
"""Grades that the first page names chip by chip; held back is what keeps an image apart over its grade."""
MEANINGS = {
    "faulty": "the image carries a reading fault: do not burn it",
    "contested": "readings disagree and nothing settles it; the mask beside the image says where",
    "held back": "half or false content is seriously possible: the report says why",
    "missing": "there is no usable reading",
    "single": "one pass of one reader: nothing has confirmed it",
    "repeatable": "one reader, two passes or more that agree",
    "corroborated": "two readers or more agree on every bit",
    "self-checked": "a check embedded in the content holds",
}
_KINDS = {
    "field": ("Private field", "Private fields"),
    "sheet": ("The sheet", "The sheet and its tables"),
    "dump": ("{count} dump file", "{count} dump files"),
    "reading": ("Reading", "Readings"),
    "chip": ("Chip", "Chips"),
    "image": ("{count} image", "{count} images"),
    "space": ("Space", "Spaces"),
    "finding": ("{count} finding", "{count} findings"),
    "photograph": ("{count} photograph", "{count} photographs"),
    "document": ("{count} document", "{count} documents"),
    "caution": ("Cautions about the sheet",) * 2,
}
"""What a kind of withheld thing is called, one and many."""
STATEMENTS = {
    "InC": "in copyright",
    "InC-OW-EU": "an EU orphan work",
    "InC-EDU": "in copyright, educational use allowed",
    "InC-NC": "in copyright, non-commercial use allowed",
    "InC-RUU": "in copyright, rights-holder not found after a reasonable search",
    "NoC-CR": "no copyright, use limited by contract",
    "NoC-NC": "no copyright, non-commercial use only",
    "NoC-OKLR": "no copyright, other law limits its use",
    "NoC-US": "no copyright in the United States",
    "CNE": "copyright not evaluated",
    "UND": "copyright undetermined",
    "NKC": "no known copyright",
}


def origin_of(head: RecordHead) -> Released:
    """The bag that a bundle was made from."""
    origin = head["released_from"]
    assert origin is not None
    return origin


def rights_of(head: RecordHead) -> RightsRecord:
    """What a bundle's rights statement is; without one nothing is released."""
    rights = head["rights"]
    assert rights is not None
    return rights


def custodian_names(head: RecordHead) -> tuple[str, str]:
    """(organisation, name) of the custodian, "" where not said."""
    custodian = head.get("custodian")
    return (custodian.get("organisation", ""), custodian.get("name", "")) if custodian else ("", "")


def rights_name(statement: str) -> str:
    """What a rights statement says, in a few words."""
    if "rightsstatements.org" in statement:
        return STATEMENTS.get(statement.rstrip("/").split("/")[-2], statement)
    if "creativecommons.org" in statement:
        return "Creative Commons " + " ".join(urlsplit(statement).path.strip("/").split("/")[1:3]).upper()
    return f"SPDX {statement}"


def readme(
    head: RecordHead,
    grades: Mapping[str, Sequence[str]],
    withheld: Sequence[str],
    *,
    example: tuple[str, str] | None,
) -> str:
    """`README.txt`, the first page.

    Args:
        head: The public record without its chips.
        grades: Grade, or `held back` → its chips, in the sheet's order.
        withheld: What stays behind, in words.
        example: A sound chip and the part to burn it into, as an example, or None.
    """
    machine, origin = head["machine"], origin_of(head)
    title = f"ROM contents of {plain(machine['name'])}"
    lines = [title, "=" * len(title), ""]
    lines += _paragraph(machine.get("description"))
    lines += [*_trust(grades), *_spaces(head), ""]
    lines += [*_use(head, example), ""]
    lines += ["RIGHTS", "", *_rights(head), ""]
    lines += ["WHAT IS NOT HERE", "", *(f"  {line}" for line in withheld or ["Nothing was held back."]), ""]
    lines += ["WHAT IS HERE", "", *_contents(content=origin["content"]), ""]
    clock = (
        "SOURCE_DATE_EPOCH" if origin["clock_fixed"] else "the bag, since a bundle has no clock of its own"
    )
    lines += [
        f"Made from the bag {origin['bag']} ({origin['external_identifier']}, receipt",
        f"{origin['receipt']}) by wellread {origin['software']['version']}.",
        f"Dated {origin['when'][:10]} by {clock}. The same bag gives the same bundle, byte for byte.",
    ]
    return "\n".join(lines) + "\n"


def _paragraph(text: object) -> list[str]:
    return [*textwrap.wrap(plain(text), WIDTH), ""] if text else []


def _trust(grades: Mapping[str, Sequence[str]]) -> Iterable[str]:
    yield "HOW FAR TO TRUST IT"
    yield ""
    for grade in (*FIRST, *(name for name in MEANINGS if name not in FIRST)):
        chips = grades.get(grade, ())
        if not chips:
            continue
        yield f"  {grade:13} {len(chips):>5}  {MEANINGS[grade]}"
        if grade in FIRST:
            named = ", ".join(plain(chip) for chip in chips[:MOST_NAMED])
            more = f" and {len(chips) - MOST_NAMED} more, see the report" if len(chips) > MOST_NAMED else ""
            yield from textwrap.wrap(
                named + more, WIDTH - 22, initial_indent=" " * 22, subsequent_indent=" " * 22
            )


def _spaces(head: RecordHead) -> Iterable[str]:
    """Address spaces that nobody should burn unaware."""
    for space in head.get("spaces", ()):
        state = space_state(space)
        if space.get("path") and state != "complete":
            yield f"  space {plain(space['name'])}: {state}"
            yield from (f"    {plain(one)}" for one in space.get("cautions", ()))


def left_behind(withheld: Sequence[Withheld]) -> list[str]:
    """What stays behind, one line a kind and reason; file names stay behind as well.

    Args:
        withheld: Everything that does.
    """
    return [
        line for text in staying(withheld) for line in textwrap.wrap(text, WIDTH - 2, subsequent_indent="  ")
    ]


def staying(withheld: Sequence[Withheld]) -> Iterator[str]:
    """What stays behind, a sentence a kind and reason.

    Args:
        withheld: Everything that does.
    """
    grouped: dict[tuple[str, str], list[str]] = {}
    for one in withheld:
        named = one.what if one.kind in ("field", "chip", "space", "reading") else one.chip
        grouped.setdefault((one.kind, one.why), []).append(named)
    for (kind, why), names in grouped.items():
        count = len(names)
        distinct = list(dict.fromkeys(plain(name) for name in names if name))
        named = ", ".join(distinct[:12]) + (f" and {len(distinct) - 12} more" if len(distinct) > 12 else "")
        what = _KINDS[kind][count > 1].format(count=count)
        yield f"{what}{f' ({named})' if named else ''}: {why}."


def _use(head: RecordHead, example: tuple[str, str] | None) -> Iterable[str]:
    name = head["bag"]
    yield "GET IT, CHECK IT, BURN IT"
    yield ""
    yield f"  1. Compare the zip with the digest that its publisher prints:  sha256sum {name}.zip"
    yield f"  2. Unpack it and check every file:  cd {name} && sha256sum -c checksums-sha256.txt"
    yield f"     or, more strictly:  wellread recheck {name}"
    yield "  3. Read report/index.html under data/ (open it in a browser): which chips are sound, and why."
    yield "  4. A chip you have read yourself: look up its CRC-32, MD5 or SHA-1 in checksums-matching.txt."
    if example and origin_of(head)["content"]:
        chip, part = example
        yield (
            f"  5. A replacement:  wellread burn {name} --chip {chip} --into {plain(part)} --format intel-hex"
        )
        yield "     says which pins to tie and which sum the programmer must show. Read the copy back."
    yield (
        "  Images under data/images-unsettled/ are contested, faulty or held back: kept apart so that nobody "
        "burns one unaware."
    )


def _rights(head: RecordHead) -> Iterable[str]:
    rights, word = rights_of(head), head.get("release")
    yield f"  {rights['statement']}"
    yield f"  ({rights_name(rights['statement'])})"
    for label, said in (
        ("", rights.get("note")),
        ("Holder: ", rights.get("holder")),
        ("Law considered: ", rights.get("jurisdiction")),
    ):
        if said:
            yield from _indented(label + said)
    if word and origin_of(head)["content"]:
        yield from _indented(f"Released on the word of {word['allowed_by']}. Ground: {word['ground']}")
        yield "  The statement above is a label, not a licence."
    else:
        yield "  No word lets content out: this bundle holds metadata, a report and digests only."


def _indented(text: str) -> list[str]:
    return textwrap.wrap(plain(text), WIDTH, initial_indent="  ", subsequent_indent="  ")


def _contents(*, content: bool) -> Iterable[str]:
    """What lies where in the bundle, a line a folder."""
    if content:
        yield (
            "  data/images/            one image a chip: .bin (words over 8 bits: big-endian), .hex "
            "Intel HEX, .s19 S-record"
        )
        yield (
            "  data/images-unsettled/  the same of faulty, contested and held-back chips, with masks of the "
            "contested bits"
        )
        yield "  data/spaces/            address spaces as the machine sees them"
        yield "  data/readings/          dump files that the sheet marks public, as they were read"
        yield (
            "  data/photos/, docs/     photographs without what the camera wrote into them; documents "
            "let out by name"
        )
    yield "  data/report/index.html  the report"
    yield "  checksums-sha256.txt    for sha256sum -c"
    yield (
        "  checksums-matching.txt  CRC-32, MD5, SHA-1 and sums of the images, to compare; not for security"
    )
    yield (
        "  metadata/               record.json (everything, for programs), premis.xml, provenance.txt, "
        "schemas"
    )
    yield "  ro-crate-metadata.json, CITATION.cff and the BagIt files: for repositories and data portals"


SUMS_HEAD = (
    "# Sums to match an image with others' lists. MD5, SHA-1 and CRC-32 do not show deliberate changes; "
    "checksums-sha256.txt does.\n"
    "# A sum16 is the plain sum of all bytes kept to 16 bits, as device programmers show it.\n"
    "chip\tgrade\tbytes\tcrc32\tmd5\tsha1\tsha256\tsum16\tfile\n"
)


def sums_line(chip: ChipRecord, image: ImageRecord) -> str:
    """One image's line of `checksums-matching.txt`."""
    sums = image["matching"]
    told = [
        chip["chip"],
        str(chip["grade"]),
        str(image["size_bytes"]),
        f"{sums['crc32']:08X}",
        sums["md5"],
        sums["sha1"],
        image["sha256"],
        f"{sums['sum16']:04X}",
        image.get("path") or "not here",
    ]
    return "\t".join(told) + "\n"


def citation(head: RecordHead) -> str:
    """`CITATION.cff`. Source: Citation File Format 1.2.0."""
    machine, origin = head["machine"], origin_of(head)
    statement = rights_of(head)["statement"]
    lines = [
        "cff-version: 1.2.0",
        f"message: {_quoted('If you use these ROM contents, cite them as below.')}",
        "type: dataset",
        f"title: {_quoted(_title(machine))}",
        "authors:",
        *_authors(head),
        f"version: {_quoted(head['bag'])}",
        f"date-released: {origin['when'][:10]}",
        "identifiers:",
        "  - type: other",
        f"    value: {_quoted(head['external_identifier'])}",
        "    description: Identifier of this bundle",
        f"abstract: {_quoted(abstract(head))}",
        "keywords:",
        '  - "ROM"',
        '  - "firmware"',
        '  - "digital preservation"',
    ]
    if "://" in statement:
        lines.append(f"license-url: {_quoted(statement)}")
    elif " " not in statement and not statement.startswith("LicenseRef"):
        lines.append(f"license: {statement}")
    return "\n".join(lines) + "\n"


def _authors(head: RecordHead) -> Iterator[str]:
    custodian = head.get("custodian") or {}
    organisation, name = custodian_names(head)
    page = custodian.get("website") or custodian.get("ror")
    for author, key, address in ((organisation, "website", page), (name, "orcid", custodian.get("orcid"))):
        if author:
            yield f"  - name: {_quoted(author)}"
        if author and address:
            yield f"    {key}: {_quoted(address)}"
    if not organisation and not name:
        yield "  - name: Custodian not named"


def _title(machine: MachineRecord) -> str:
    maker = f", {machine['maker']}" if machine.get("maker") else ""
    return f"ROM contents of {machine['name']}{maker}"


def abstract(head: RecordHead) -> str:
    """What the bundle is, in two sentences."""
    grades = ", ".join(f"{count} {grade}" for grade, count in head["grades"].items() if count)
    said = plain(head["machine"].get("description") or "")
    return (
        f"{said} Chips by the grade of their evidence: {grades}. Rights: "
        f"{rights_name(rights_of(head)['statement'])}."
    ).strip()


def _quoted(text: object) -> str:
    """A YAML double-quoted scalar: JSON's escapes are YAML's too, once nothing unprintable is left."""
    return json.dumps(plain(text), ensure_ascii=False)


def bag_info(head: RecordHead, profile: str) -> list[tuple[str, str]]:
    """The elements of `bag-info.txt`: no contact, since that is private."""
    machine, origin = head["machine"], origin_of(head)
    organisation, name = custodian_names(head)
    info = [
        ("Source-Organization", organisation or name or "not stated"),
        ("Contact-Name", name),
        ("External-Description", f"Public bundle: {_title(machine)}, with evidence and provenance"),
        ("Bagging-Date", origin["when"][:10]),
        ("External-Identifier", head["external_identifier"]),
        ("Bag-Group-Identifier", machine["id"]),
        ("Internal-Sender-Identifier", head["bag"]),
        ("Internal-Sender-Description", f"made from {origin['bag']}, receipt {origin['receipt']}"),
        ("Bag-Software-Agent", f"wellread {origin['software']['version']}"),
        ("BagIt-Profile-Identifier", profile),
    ]
    return [(label, " ".join(plain(value).split())) for label, value in info if value]
