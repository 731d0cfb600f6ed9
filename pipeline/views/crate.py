"""`ro-crate-metadata.json`: what a repository or data portal reads to take the bundle in as it stands.

Source: RO-Crate 1.3: the descriptor and the root with name, description, datePublished and license; files
with sizes and sha256; reads, packaging and release as CreateActions with their instruments.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, TypeAlias
from urllib.parse import quote

from pipeline.bags.observed import BagEntry
from pipeline.one_line import inert_json
from pipeline.views.bundle import abstract, custodian_names, origin_of, rights_name, rights_of

if TYPE_CHECKING:
    from schemas.record import ChipRecord, ReadingRecord, RecordHead
    from schemas.recorded_sheet import RightsRecord

Entity: TypeAlias = dict[str, Any]
"""A node of JSON-LD: its keys are the vocabulary's."""
CONTEXT = "https://w3id.org/ro/crate/1.3/context"
CONFORMS = "https://w3id.org/ro/crate/1.3"
_ISO = re.compile(r"\d{4}(?:-\d{2}(?:-\d{2}(?:T\d{2}:\d{2}(?::\d{2})?(?:Z|[+-]\d{2}:\d{2})?)?)?)?")
_PLAIN = re.compile(r"[A-Za-z0-9/._-]+")
_DONE = {"@id": "http://schema.org/CompletedActionStatus"}
HOME = "https://wellread.example/"
"""Where the program is at home: a name that RFC 2606 keeps from ever resolving, as in the profile's URI.

RO-Crate demands the address of a program, and this one has no site."""
FORMATS = {
    "bin": "application/octet-stream",
    "hex": "text/plain",
    "s19": "text/plain",
    "html": "text/html",
    "txt": "text/plain",
    "json": "application/json",
    "xml": "application/xml",
    "cff": "application/yaml",
    "jpg": "image/jpeg",
    "jpeg": "image/jpeg",
    "png": "image/png",
}
"""By ending; where none fits, `application/octet-stream`. Source: IANA media types, from memory."""


def reference(path: str) -> str:
    """A path as RO-Crate wants it in an `@id`: a relative URI, Unicode left as it is."""
    if _PLAIN.fullmatch(path):
        return path
    return "".join(char if not char.isascii() else quote(char, safe="/!$&'()*+,;=:@-._~") for char in path)


def crate(
    head: RecordHead,
    files: Sequence[BagEntry],
    described: Mapping[str, str],
    chips: Iterable[ChipRecord],
) -> Iterator[str]:
    """The document, piece by piece.

    Args:
        head: The public record without its chips.
        files: Every file of the bundle that is described, sorted by path.
        described: Path → what it is.
        chips: The public records of the chips.
    """
    yield f'{{\n "@context": {json.dumps(CONTEXT)},\n "@graph": [\n  '
    told = list(_told(chips))
    mentions = [one["@id"] for one in told] + ["#packaging", "#release", "#machine"]
    yield ",\n  ".join(_compact(one) for one in _first(head, files, mentions))
    for entry in files:
        yield ",\n  " + _compact(_file(entry, described.get(entry.path, "")))
    for one in told:
        yield ",\n  " + _compact(one)
    yield "\n ]\n}\n"


def _compact(value: Entity) -> str:
    return inert_json(json.dumps(value, ensure_ascii=False))


def _first(head: RecordHead, files: Sequence[BagEntry], mentions: Sequence[str]) -> Iterator[Entity]:
    """The descriptor, the root data set and the licence, as RO-Crate 1.1 wants them first."""
    machine, origin, rights = head["machine"], origin_of(head), rights_of(head)
    people = list(_people(head))
    licence = licence_id(rights["statement"])
    yield {
        "@id": "ro-crate-metadata.json",
        "@type": "CreativeWork",
        "about": {"@id": "./"},
        "conformsTo": {"@id": CONFORMS},
    }
    root = {
        "@id": "./",
        "@type": "Dataset",
        "name": f"ROM contents of {machine['name']}",
        "description": abstract(head),
        "datePublished": origin["when"][:10],
        "license": {"@id": licence},
        "identifier": {"@id": "#identifier"},
        "version": head["bag"],
        "about": {"@id": "#machine"},
        "hasPart": _each(reference(one.path) for one in files),
        "mentions": _each(mentions),
    }
    named = [one["@id"] for one in people if one["@type"] in ("Organization", "Person")]
    if named:
        root |= {"publisher": {"@id": named[0]}, "author": _each(named)}
    yield root
    yield _identifier(head["external_identifier"])
    yield _licence(licence, rights)
    yield from people
    yield {
        "@id": "#machine",
        "@type": "Thing",
        "name": machine["name"],
        **{key: machine[key] for key in ("description",) if machine.get(key)},
        **({"alternateName": machine["model"]} if machine.get("model") else {}),
    }
    for reader, facts in head.get("readers", {}).items():
        about = ", ".join(str(facts[key]) for key in ("kind", "version") if facts.get(key))
        yield {
            "@id": f"#reader/{quote(reader)}",
            "@type": "IndividualProduct",
            "name": facts.get("name") or reader,
            "description": about or "a reader of chips",
        }
    yield from _acts(head, files)


def licence_id(statement: str) -> str:
    """The `@id` of the licence or statement: its own URI, or SPDX's page of it."""
    if "://" in statement:
        return statement
    return (
        f"https://spdx.org/licenses/{statement}" if re.fullmatch(r"[A-Za-z0-9.+-]+", statement) else "#rights"
    )


def _licence(licence: str, rights: RightsRecord) -> Entity:
    note = rights.get("note") or "A label for what is known of the rights; see README.txt."
    return {
        "@id": licence,
        "@type": "CreativeWork",
        "name": rights_name(rights["statement"]),
        "identifier": rights["statement"],
        "description": note,
    }


def _each(ids: Iterable[str]) -> Any:
    """References to other entities: an array where there are several, none around one (RO-Crate 1.3)."""
    found = [{"@id": one} for one in ids]
    return found[0] if len(found) == 1 else found


def _identifier(value: str) -> Entity:
    """Source: RO-Crate 1.3, root data entity identifier, and RFC 9562 for `urn:uuid`."""
    return {
        "@id": "#identifier",
        "@type": "PropertyValue",
        "name": "Identifier of this bundle",
        "value": value,
    }


def _people(head: RecordHead) -> Iterator[Entity]:
    """The organisation, the person, and where both are reached; each under its public id if it has one."""
    custodian = head.get("custodian") or {}
    organisation, name = custodian_names(head)
    ror, website = custodian.get("ror"), custodian.get("website")
    contact = {"contactPoint": {"@id": "#contact"}} if website else {}
    if organisation:
        page = {"url": website or ror} if website or ror else {}
        yield {"@id": _organisation(head), "@type": "Organization", "name": organisation, **page, **contact}
    if name:
        person: Entity = {"@id": custodian.get("orcid") or "#custodian", "@type": "Person", "name": name}
        yield person | ({"affiliation": {"@id": _organisation(head)}} if organisation else contact)
    if website and (organisation or name):
        yield {"@id": "#contact", "@type": "ContactPoint", "name": "The custodian's page", "url": website}


def _organisation(head: RecordHead) -> str:
    return (head.get("custodian") or {}).get("ror") or "#organisation"


def _acts(head: RecordHead, files: Sequence[BagEntry]) -> Iterator[Entity]:
    """The program, the packaging and the release."""
    origin = origin_of(head)
    programs = dict.fromkeys((head["software"]["version"], origin["software"]["version"]))
    for version in programs:
        yield {
            "@id": f"#wellread-{version}",
            "@type": "SoftwareApplication",
            "name": "wellread",
            "version": version,
            "softwareVersion": version,
            "url": HOME,
            "description": "Packages ROM contents with their evidence",
        }
    yield {**_DONE, "@type": "ActionStatusType", "name": "Completed"}
    images = [reference(one.path) for one in files if one.path.startswith(("data/images", "data/spaces/"))]
    yield {
        "@id": "#packaging",
        "@type": "CreateAction",
        "name": f"Packaging of {origin['bag']}",
        "description": "Readings normalised, compared, examined and graded; images and spaces derived",
        "instrument": {"@id": f"#wellread-{head['software']['version']}"},
        "endTime": head["created"],
        "actionStatus": _DONE,
        **({"result": _each(images)} if images else {}),
    }
    yield {
        "@id": "#release",
        "@type": "CreateAction",
        "name": f"Release of {head['bag']} from {origin['bag']}",
        "description": "Made from a bag that had just passed a recheck of every file; private facts left out",
        "instrument": {"@id": f"#wellread-{origin['software']['version']}"},
        "actionStatus": _DONE,
        "result": {"@id": "./"},
        **({"endTime": origin["when"]} if origin["clock_fixed"] else {}),
    }


def _file(entry: BagEntry, what: str) -> Entity:
    name = entry.path.rsplit("/", 1)[-1]
    ending = name.rsplit(".", 1)[-1].lower() if "." in name else ""
    return {
        "@id": reference(entry.path),
        "@type": "File",
        "name": name,
        "description": what or "a file of this bundle",
        "encodingFormat": FORMATS.get(ending, "application/octet-stream"),
        "contentSize": str(entry.size_bytes),
        "sha256": entry.sha256,
    }


def _told(chips: Iterable[ChipRecord]) -> Iterator[Entity]:
    """Each chip, then each of its reads."""
    for chip in chips:
        own = f"#chip/{quote(chip['chip'])}"
        said = ", ".join(
            f"{key} {chip.get(key)}" for key in ("part", "board", "socket", "role") if chip.get(key)
        )
        yield {
            "@id": own,
            "@type": "IndividualProduct",
            "name": chip["chip"],
            "description": f"{said}; grade of the evidence: {chip['grade']}".lstrip("; "),
        }
        for reading in chip["readings"]:
            yield _read(own, chip, reading)


def _read(chip_id: str, chip: ChipRecord, reading: ReadingRecord) -> Entity:
    here = [reference(stored["path"]) for stored in reading["files"] if stored.get("path")]
    away = [f"SHA-256 {stored['sha256']}" for stored in reading["files"] if not stored.get("path")]
    date = str(reading.get("how", {}).get("date", ""))
    when = {"endTime": date} if _ISO.fullmatch(date) else {}
    told = f"; when: {date}" if date and not when else ""
    kept = f"; what the reader wrote stays with the custodian ({', '.join(away)})" if away else ""
    aside = f"; set aside: {reading['set_aside']}" if reading.get("set_aside") else ""
    return {
        "@id": f"#read/{quote(reading['reading'])}",
        "@type": "CreateAction",
        "name": f"Reading {reading['reading']}",
        "description": f"Chip {chip['chip']} read by {reading['reader']}{told}{kept}{aside}",
        "instrument": {"@id": f"#reader/{quote(reading['reader'])}"},
        "object": {"@id": chip_id},
        "actionStatus": _DONE,
        **when,
        **({"result": _each(here)} if here else {}),
    }
