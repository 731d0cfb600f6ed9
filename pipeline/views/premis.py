"""The record as PREMIS 3.0: what an archive's own systems read.

Objects are files with fixity, each chip and each machine as an intellectual entity, and the bag as a
representation; derived images say from which readings they come. Events are one a chip and step, linking many
objects, in time order: capture, ingestion, message digest calculation, format identification, normalization,
validation, information package creation. Everything is made from the plain record, chip by chip, so that a
public bundle can make it again from its public view.

Source: PREMIS Data Dictionary 3.0 and its schema (Library of Congress, 18 January 2016) for elements and
their order; Library of Congress preservation vocabularies for terms and their URIs.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple, TypeAlias

from pipeline.to_do import space_state, to_do, to_do_words
from pipeline.views.twin_words import twin_words

if TYPE_CHECKING:
    from schemas.record import (
        AttachmentRecord,
        ChipRecord,
        DumpRecord,
        ImageRecord,
        ReadingRecord,
        RecordHead,
        Released,
        SpaceRecord,
        StoredFile,
    )
    from schemas.recorded_sheet import BoardRecord, RightsRecord

Kept: TypeAlias = "StoredFile | ImageRecord"
"""Whatever is a file with digests."""
NAMESPACE = "http://www.loc.gov/premis/v3"
SCHEMA_PLACE = "https://www.loc.gov/standards/premis/v3/premis-v3-0.xsd"
VOCABULARY = "http://id.loc.gov/vocabulary/preservation"
HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    f'<premis xmlns="{NAMESPACE}" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
    f'xsi:schemaLocation="{NAMESPACE} {SCHEMA_PLACE}" version="3.0">\n'
)
FOOT = "</premis>\n"
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_EVENT_TYPES = {
    "cap": "capture",
    "ing": "ingestion",
    "mes": "message digest calculation",
    "for": "format identification",
    "nor": "normalization",
    "val": "validation",
    "ipc": "information package creation",
    "fix": "fixity check",
    "dis": "dissemination",
    "rec": "recovery",
}
STEPS = ("ing", "mes", "for", "nor", "val")
_COPYRIGHT = {"InC": "cpr", "NoC-NC": "pub", "NoC-CR": "pub", "NoC-OKLR": "pub"}


def _escaped(raw: str) -> str:
    """Without markup; as `html.escape` does it, which loads a table of all that HTML has names for."""
    return raw.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def text(value: object) -> str:
    r"""A value as XML text: markup escaped, characters that XML 1.0 cannot hold written as \uXXXX."""
    raw = str(value)
    if raw.isascii() and raw.isprintable():
        return _escaped(raw)
    return referenced(_escaped(_NOT_XML.sub(lambda found: f"\\u{ord(found[0]):04x}", raw)))


def referenced(escaped: str) -> str:
    """XML text in which no character acts on a terminal that shows the file; a parser gets each as it was.

    Args:
        escaped: Without markup, and without what XML 1.0 cannot hold.

    Source:
        Extensible Markup Language (XML) 1.0, section 4.1: a character reference stands for any Char.
    """
    return "".join(char if char.isprintable() else f"&#x{ord(char):X};" for char in escaped)


@lru_cache(maxsize=256)
def term(element: str, vocabulary: str, code: str, label: str) -> str:
    """An element whose value is a term of a Library of Congress vocabulary, with its URI."""
    return f'<{element} valueURI="{VOCABULARY}/{vocabulary}/{code}">{label}</{element}>'


@lru_cache(maxsize=1024)
def identifier(kind: str, value: str, role: str = "", *, scheme: str = "local") -> str:
    """An identifier element: local unless said; `kind` is its element's name without the suffix."""
    if kind in ("object", "event", "agent"):
        wrap = f"{kind}Identifier"
    elif kind == "relatedObject":
        wrap = "relatedObjectIdentifier"
    else:
        wrap = f"linking{kind.removeprefix('linking')}Identifier"
    return f"<{wrap}><{wrap}Type>{scheme}</{wrap}Type><{wrap}Value>{text(value)}</{wrap}Value>{role}</{wrap}>"


_OUTCOME_WORDS = {"suc": "success", "fai": "fail", "war": "warning"}
_AGENT_ROLES = {
    code: term("linkingAgentRole", "eventRelatedAgentRole", code, label)
    for code, label in (("exe", "executing program"), ("imp", "implementer"), ("aut", "authorizer"))
}
_SOURCE, _OUTCOME = (
    term("linkingObjectRole", "eventRelatedObjectRole", code, label)
    for code, label in (("sou", "source"), ("out", "outcome"))
)


class ChipPremis(NamedTuple):
    """One chip's part of the document.

    Attributes:
        objects: XML of its objects.
        captures: (sorting key, XML) of its capture events.
        steps: Code of the step → XML of its event.
    """

    objects: str
    captures: tuple[tuple[str, str], ...]
    steps: Mapping[str, str]


class Premis:
    """Makes the parts of one document from the head of a record.

    Args:
        head: The record without its chips, as plain JSON data.
    """

    def __init__(self, head: RecordHead) -> None:
        self.bag: str = head["bag"]
        self.when: str = head["created"]
        self.head = head
        self.software = f"wellread {head['software']['version']}"
        self.clock = " The clock was fixed by SOURCE_DATE_EPOCH." if head.get("clock_fixed") else ""
        self.has_rights = bool(head.get("rights"))

    def object_id(self, path: str) -> str:
        """The identifier of a file of the bag."""
        return f"{self.bag}/{path}"

    def board_id(self, board: str) -> str:
        """The identifier of a board as an intellectual entity."""
        return f"{self.bag}#board/{board}"

    def chip_id(self, chip: str) -> str:
        """The identifier of a chip as an intellectual entity."""
        return f"{self.bag}#chip/{chip}"

    def file_object(self, stored: Kept, *, format_name: str, note: str = "", relations: str = "") -> str:
        """A file with its fixity, size, format and original name."""
        original = stored.get("original_name")
        return (
            f'<object xsi:type="file">{identifier("object", self.object_id(stored["path"]))}'
            f"<objectCharacteristics><compositionLevel>0</compositionLevel>"
            f"{_fixity('sha256', 'SHA-256', stored['sha256'])}"
            f"{_fixity('sha512', 'SHA-512', stored['sha512'])}"
            f"<size>{stored['size_bytes']}</size><format><formatDesignation><formatName>{text(format_name)}"
            f"</formatName></formatDesignation>"
            f"{f'<formatNote>{text(note)}</formatNote>' if note else ''}</format>"
            f"</objectCharacteristics>"
            f"{f'<originalName>{text(original)}</originalName>' if original else ''}{relations}</object>\n"
        )

    def relation(self, kind: str, sub: str, label: str, targets: Sequence[str]) -> str:
        """One relationship to one or more objects."""
        kinds = {"der": "derivation", "str": "structural", "rep": "replacement", "ref": "reference"}
        related = "".join(identifier("relatedObject", target) for target in targets)
        return (
            f"<relationship>{term('relationshipType', 'relationshipType', kind, kinds[kind])}"
            f"{term('relationshipSubType', 'relationshipSubType', sub, label)}{related}</relationship>"
        )

    def event(
        self,
        code: str,
        name: str,
        when: str,
        detail: str,
        *,
        outcome: str = "suc",
        note: str = "",
        agents: Iterable[tuple[str, str]] = (),
        sources: Iterable[str] = (),
        outcomes: Iterable[str] = (),
    ) -> str:
        """One event with its agents and objects."""
        told = (
            f"<eventOutcomeDetail><eventOutcomeDetailNote>{text(note)}</eventOutcomeDetailNote>"
            "</eventOutcomeDetail>"
            if note
            else ""
        )
        who = "".join([identifier("linkingAgent", agent, _AGENT_ROLES[role]) for agent, role in agents])
        what = "".join(
            [identifier("linkingObject", one, _SOURCE) for one in sources]
            + [identifier("linkingObject", one, _OUTCOME) for one in outcomes]
        )
        return (
            f"<event>{identifier('event', f'{self.bag}#event/{name}')}"
            f"{term('eventType', 'eventType', code, _EVENT_TYPES[code])}"
            f"<eventDateTime>{text(when)}</eventDateTime>"
            f"<eventDetailInformation><eventDetail>{text(detail)}</eventDetail></eventDetailInformation>"
            "<eventOutcomeInformation>"
            f"{term('eventOutcome', 'eventOutcome', outcome, _OUTCOME_WORDS[outcome])}{told}"
            f"</eventOutcomeInformation>{who}{what}</event>\n"
        )

    def reader_id(self, reader: str) -> str:
        """The identifier of a reader as an agent."""
        return f"{self.bag}#reader/{reader}"

    def person_id(self, name: str) -> str:
        """The identifier of a person as an agent."""
        return f"{self.bag}#person/{name}"

    @property
    def software_id(self) -> str:
        """The identifier of this program as an agent."""
        return f"{self.bag}#software/wellread"

    def chip(self, chip: ChipRecord, *, shared: frozenset[str] = frozenset()) -> ChipPremis:
        """Objects and events of one chip.

        Args:
            chip: Its record, as plain JSON data.
            shared: Paths of dump files that another chip's part describes already.
        """
        readings = chip.get("readings", ())
        dumps: dict[str, DumpRecord] = {}
        for reading in readings:
            for stored in reading["files"]:
                if stored.get("path"):
                    dumps.setdefault(stored["path"], stored)
        paths = [self.object_id(path) for path in dumps]
        heard = [
            self.object_id(stored["path"])
            for reading in readings
            if not reading.get("set_aside")
            for stored in reading["files"]
            if stored.get("path")
        ]
        image = chip.get("image")
        objects = [self._chip_entity(chip)]
        of_chip = self.relation("str", "isp", "is Part of", [self.chip_id(chip["chip"])])
        objects += [
            self.file_object(stored, format_name=stored.get("format") or "not identified", relations=of_chip)
            for path, stored in dumps.items()
            if path not in shared
        ]
        made = []
        if image and image.get("path"):
            objects.append(self._image_object(chip, image, heard, of_chip))
            made.append(self.object_id(image["path"]))
        return ChipPremis("".join(objects), self._captures(chip), self._steps(chip, paths, heard, made))

    def _chip_entity(self, chip: ChipRecord) -> str:
        """The chip itself, with what is known of it and what a person has answered to its findings."""
        facts = [
            ("part", chip.get("part")),
            ("organisation", chip.get("organisation")),
            ("marking", chip.get("marking")),
            ("label", chip.get("label")),
            ("date code", chip.get("date_code")),
            ("board", chip.get("board")),
            ("socket", chip.get("socket")),
            ("role", chip.get("role")),
            ("grade of the evidence", chip["grade"]),
            *((f"answer to {code}", answer) for code, answer in chip.get("answers", {}).items()),
            *(("twin", twin_words(twin)) for twin in chip.get("twins", ())),
        ]
        properties = "".join(
            f"<significantProperties><significantPropertiesType>{name}</significantPropertiesType>"
            f"<significantPropertiesValue>{text(value)}</significantPropertiesValue></significantProperties>"
            for name, value in facts
            if value
        )
        board = chip.get("board") or ""
        around = self.board_id(board) if board in self.head["boards"] else f"{self.bag}#machine"
        inside = self.relation("str", "isp", "is Part of", [around])
        return (
            f'<object xsi:type="intellectualEntity">{identifier("object", self.chip_id(chip["chip"]))}'
            f"{_own_numbers(chip.get('inventory'), chip.get('accession'))}{properties}"
            f"<originalName>{text(chip['chip'])}</originalName>{inside}</object>\n"
        )

    def _image_object(self, chip: ChipRecord, image: ImageRecord, heard: Sequence[str], of_chip: str) -> str:
        derived = self.relation("der", "hss", "has Source", list(dict.fromkeys(heard))) if heard else ""
        bits = (chip["organisation"] or "").split("x")[-1]
        note = f"one word of {bits} bits after the other, address 0 first, most significant byte first"
        if not image["settled"]:
            note += "; not settled: read the record before use"
        return self.file_object(
            image, format_name="ROM image, plain binary", note=note, relations=derived + of_chip
        )

    def _captures(self, chip: ChipRecord) -> tuple[tuple[str, str], ...]:
        """One capture event a reader and date, linking all its files."""
        grouped: dict[tuple[str, str], list[ReadingRecord]] = {}
        for reading in chip.get("readings", ()):
            grouped.setdefault((reading.get("how", {}).get("date", ""), reading["reader"]), []).append(
                reading
            )
        out = []
        for (date, reader), readings in sorted(grouped.items()):
            when = date or f"../{self.when[:10]}"
            files = [
                self.object_id(stored["path"])
                for reading in readings
                for stored in reading["files"]
                if stored.get("path")
            ]
            agents = [(self.reader_id(reader), "imp")]
            agents += [
                (self.person_id(one), "imp")
                for one in dict.fromkeys(r.get("operator") or "" for r in readings if r.get("operator"))
            ]
            aside = [
                f"{reading['reading']} set aside: {reading['set_aside']}"
                for reading in readings
                if reading.get("set_aside")
            ]
            known = "" if date else " The sheet does not say when; the date is an upper bound."
            out.append(
                (
                    date or "0000",
                    self.event(
                        "cap",
                        f"capture/{chip['chip']}/{reader}/{date or 'undated'}",
                        when,
                        f"Chip {chip['chip']} was read out by {reader}.{known}",
                        outcome="war" if aside else "suc",
                        note="; ".join(aside),
                        agents=agents,
                        sources=[self.chip_id(chip["chip"])],
                        outcomes=list(dict.fromkeys(files)),
                    ),
                )
            )
        return tuple(out)

    def _steps(
        self, chip: ChipRecord, paths: Sequence[str], heard: Sequence[str], made: Sequence[str]
    ) -> dict[str, str]:
        """One event a step of the program."""
        if not paths and not made:
            return {}
        name = chip["chip"]
        program = [(self.software_id, "exe")]
        formats = sorted({form for r in chip["readings"] for f in r["files"] if (form := f.get("format"))})
        actions = sorted(
            {step["action"] for r in chip["readings"] for p in r["passes"] for step in p["steps"]}
        )
        waiting = to_do(chip)
        severities = {one.severity for one in waiting.tasks}
        held = f"; held back: {', '.join(waiting.held_back)}" if waiting.held_back else ""
        left = f"; still to be done: {', '.join(waiting.codes)}" if waiting.codes else ""
        out = {}
        if paths:
            out["ing"] = self.event(
                "ing",
                f"ingestion/{name}",
                self.when,
                f"The dump files of chip {name} were taken over byte for byte.{self.clock}",
                agents=program,
                outcomes=paths,
            )
            out["for"] = self.event(
                "for",
                f"formats/{name}",
                self.when,
                "The format of each dump file was identified from its content and the sheet.",
                outcome="suc" if formats else "war",
                note=", ".join(formats) or "none identified: every reading is set aside",
                agents=program,
                sources=paths,
            )
        out["mes"] = self.event(
            "mes",
            f"digests/{name}",
            self.when,
            "SHA-256 and SHA-512 were calculated while the files were written.",
            agents=program,
            sources=[*paths, *made],
        )
        if made:
            out["nor"] = self.event(
                "nor",
                f"normalization/{name}",
                self.when,
                (
                    "The image was derived from the readings; each step is in metadata/record.json and "
                    "can be replayed."
                ),
                note=", ".join(actions),
                agents=program,
                sources=list(dict.fromkeys(heard)),
                outcomes=made,
            )
        outcome = (
            "fai"
            if "fault" in severities or chip["grade"] in ("faulty", "missing")
            else "war"
            if severities or waiting.apart
            else "suc"
        )
        out["val"] = self.event(
            "val",
            f"validation/{name}",
            self.when,
            f"The readings of chip {name} were compared and examined for reading faults.",
            outcome=outcome,
            note=f"grade {chip['grade']}: {'; '.join(chip['reasons'])}{held}{left}",
            agents=program,
            sources=[*dict.fromkeys(heard), *made] or paths,
        )
        return out

    def opening(self) -> str:
        """The machine, the bag and its own files: what stands before the chips."""
        head = self.head
        machine = head["machine"]
        named = f"{machine.get('name', '')} {machine.get('model') or ''}".strip()
        supersedes = head.get("supersedes")
        replaced = ""
        if supersedes:
            replaced = self.relation("rep", "sup", "supersedes", [f"{supersedes['bag']}#bag"])
        out = [
            HEAD,
            (
                f'<object xsi:type="intellectualEntity">{identifier("object", f"{self.bag}#machine")}'
                f"{_own_numbers(machine.get('inventory'), machine.get('accession'))}"
                f"<originalName>{text(named)}</originalName></object>\n"
            ),
            (
                f'<object xsi:type="representation">{identifier("object", f"{self.bag}#bag")}'
                f"<originalName>{text(self.bag)}</originalName>"
                f"{self.relation('str', 'rep', 'represents', [f'{self.bag}#machine'])}{replaced}"
                f"{_rights_link(self.bag) if self.has_rights else ''}</object>\n"
            ),
        ]
        out += [self._board_entity(name, board) for name, board in head["boards"].items()]
        out += [
            self.file_object(stored, format_name="metadata sheet", relations=self._in_bag())
            for stored in head.get("sheet", ())
        ]
        out += [
            self.file_object(
                stored,
                format_name=_ending(stored["path"]),
                note="by the file's name only",
                relations=self._in_bag() + self._documented(stored),
            )
            for stored in head.get("attachments", ())
        ]
        for space in head.get("spaces", ()):
            if path := space.get("path"):
                note = "; ".join(
                    [
                        f"{space['width']}-bit words, {space['byte_order']}-endian",
                        space_state(space),
                        *space.get("cautions", ()),
                        *map(to_do_words, space.get("to_do", ())),
                    ]
                )
                images = [self.object_id(path) for path in space.get("image_paths", ())]
                derived = self.relation("der", "hss", "has Source", images) if images else ""
                out.append(
                    self.file_object(
                        _file_of(space, path),
                        format_name="address space, plain binary",
                        note=note,
                        relations=derived + self._in_bag(),
                    )
                )
        return "".join(out)

    def _board_entity(self, name: str, board: BoardRecord) -> str:
        inside = self.relation("str", "isp", "is Part of", [f"{self.bag}#machine"])
        named = text(board.get("name") or name)
        return (
            f'<object xsi:type="intellectualEntity">{identifier("object", self.board_id(name))}'
            f"{_own_numbers(board.get('inventory'), board.get('accession'))}"
            f"<originalName>{named}</originalName>{inside}</object>\n"
        )

    def _documented(self, stored: AttachmentRecord) -> str:
        """The boards and chips that a photograph shows.

        Source: PREMIS Data Dictionary 3.0, 1.13.2 relationshipSubType, has "documents" among its examples
        (from memory); it stands without a URI, since its code in the vocabulary could not be looked up.
        """
        shown = [
            target
            for one in stored.get("shows", ())
            for target in (
                self.board_id(one["board"]) if one.get("board") in self.head["boards"] else "",
                self.chip_id(one["chip"]) if one.get("chip") else "",
            )
            if target
        ]
        related = "".join(identifier("relatedObject", target) for target in dict.fromkeys(shown))
        kind = term("relationshipType", "relationshipType", "ref", "reference")
        sub = "<relationshipSubType>documents</relationshipSubType>"
        return f"<relationship>{kind}{sub}{related}</relationship>" if related else ""

    def _in_bag(self) -> str:
        return self.relation("str", "isi", "is Included In", [f"{self.bag}#bag"])

    def closing(self, *, operators: Iterable[str] = ()) -> Iterator[str]:
        """The creation of the package, then agents, rights and the end."""
        head = self.head
        old, origin = head.get("supersedes"), head.get("released_from")
        version = f" It supersedes {old['bag']}: {'; '.join(old['why'])}." if old else ""
        own = [
            self.object_id(stored["path"])
            for stored in (*head.get("sheet", ()), *head.get("attachments", ()))
        ]
        made = [self.object_id(path) for space in head.get("spaces", ()) if (path := space.get("path"))]
        bag = origin["bag"] if origin else self.bag
        yield self.event(
            "ipc",
            "package",
            self.when,
            f"The BagIt bag {bag} was created.{version}{self.clock}",
            agents=[(self.software_id, "exe")],
            sources=[*own, *made],
            outcomes=[f"{self.bag}#bag"],
        )
        if origin:
            yield from self._released(origin)
        yield self._agent(
            self.software_id,
            "wellread",
            "sof",
            "software",
            head["software"]["version"],
            "the program that made this package",
        )
        for reader, facts in head.get("readers", {}).items():
            note = ", ".join(str(facts[key]) for key in ("kind", "version") if facts.get(key))
            yield self._agent(
                self.reader_id(reader),
                facts.get("name") or reader,
                "har",
                "hardware",
                facts.get("version"),
                note,
            )
        custodian = head.get("custodian") or {}
        if custodian.get("organisation"):
            yield self._agent(
                f"{self.bag}#organisation",
                custodian["organisation"],
                "org",
                "organization",
                None,
                "custodian",
                known=("ROR", custodian.get("ror")),
            )
        if custodian.get("name"):
            yield self._agent(
                f"{self.bag}#custodian",
                custodian["name"],
                "per",
                "person",
                None,
                "custodian",
                known=("ORCID", custodian.get("orcid")),
            )
        for person in dict.fromkeys(operators):
            yield self._agent(self.person_id(person), person, "per", "person", None, "operator of a reader")
        if rights := head.get("rights"):
            yield self._rights(rights)
        yield FOOT

    def _released(self, origin: Released) -> Iterator[str]:
        """The recheck that let the bag out, and the bundle made of it; a bundle has no clock of its own."""
        when = origin["when"] if origin["clock_fixed"] else f"{origin['when'][:10]}/.."
        clock = (
            " The clock was fixed by SOURCE_DATE_EPOCH."
            if origin["clock_fixed"]
            else " The date is the bag's, a lower bound."
        )
        yield self.event(
            "fix",
            "recheck",
            when,
            f"The bag {origin['bag']} passed a recheck of every file; receipt {origin['receipt']}.{clock}",
            agents=[(self.software_id, "exe")],
            sources=[f"{self.bag}#bag"],
        )
        left = "private fields left out" if origin["content"] else "private fields and all content left out"
        yield self.event(
            "dis",
            "release",
            when,
            f"The public bundle {self.bag} was made from the bag {origin['bag']}, {left}.{clock}",
            agents=[(self.software_id, "exe")],
            outcomes=[f"{self.bag}#bag"],
        )

    def _agent(
        self,
        agent: str,
        name: str,
        code: str,
        label: str,
        version: str | None,
        note: str,
        *,
        known: tuple[str, str | None] = ("", None),
    ) -> str:
        """An agent; `known` is the kind of its public identifier, and the identifier or None."""
        kind, public = known
        return (
            f"<agent>{identifier('agent', agent)}"
            f"{identifier('agent', public, scheme=kind) if public else ''}"
            f"<agentName>{text(name)}</agentName>"
            f"{term('agentType', 'agentType', code, label)}"
            f"{f'<agentVersion>{text(version)}</agentVersion>' if version else ''}"
            f"{f'<agentNote>{text(note)}</agentNote>' if note else ''}</agent>\n"
        )

    def _rights(self, rights: RightsRecord) -> str:
        """The statement as PREMIS words it: copyright status, or a licence."""
        statement = rights["statement"]
        notes = [rights[key] for key in ("note", "holder") if rights.get(key)]
        wrap = "rightsStatementIdentifier"
        own = (
            f"<{wrap}><{wrap}Type>local</{wrap}Type>"
            f"<{wrap}Value>{text(self.bag)}#rights</{wrap}Value></{wrap}>"
        )
        linked = identifier("linkingObject", f"{self.bag}#bag")
        if "rightsstatements.org" in statement:
            name = statement.rstrip("/").split("/")[-2]
            code = _COPYRIGHT.get("InC" if name.startswith("InC") else name, "unk")
            labels = {"cpr": "copyrighted", "pub": "public domain", "unk": "unknown"}
            told = "".join(f"<copyrightNote>{text(note)}</copyrightNote>" for note in [statement, *notes])
            body = (
                f"{term('rightsBasis', 'rightsBasis', 'cop', 'copyright')}<copyrightInformation>"
                f"{term('copyrightStatus', 'copyrightStatus', code, labels[code])}"
                f"<copyrightJurisdiction>{text(rights.get('jurisdiction') or 'not stated')}"
                f"</copyrightJurisdiction>{told}"
                f"</copyrightInformation>"
            )
        else:
            told = "".join(f"<licenseNote>{text(note)}</licenseNote>" for note in notes)
            body = (
                f"{term('rightsBasis', 'rightsBasis', 'lic', 'license')}<licenseInformation>"
                f"<licenseTerms>{text(statement)}</licenseTerms>{told}</licenseInformation>"
            )
        return f"<rights><rightsStatement>{own}{body}{linked}</rightsStatement></rights>\n"


def _file_of(space: SpaceRecord, path: str) -> StoredFile:
    """A space that was written, as a file."""
    return {
        "path": path,
        "size_bytes": space["size_bytes"] or 0,
        "sha256": space["sha256"] or "",
        "sha512": space["sha512"] or "",
    }


def _ending(path: str) -> str:
    """A format's name where nothing but the file's name tells it."""
    base = path.rsplit("/", 1)[-1]
    return base.rsplit(".", 1)[-1].lower() if "." in base else "not identified"


def _rights_link(bag: str) -> str:
    wrap = "linkingRightsStatementIdentifier"
    return f"<{wrap}><{wrap}Type>local</{wrap}Type><{wrap}Value>{text(bag)}#rights</{wrap}Value></{wrap}>"


def _fixity(code: str, name: str, digest: str) -> str:
    algorithm = term("messageDigestAlgorithm", "cryptographicHashFunctions", code, name)
    return f"<fixity>{algorithm}<messageDigest>{digest}</messageDigest></fixity>"


def _own_numbers(inventory: str | None, accession: str | None = None) -> str:
    """The custodian's own numbers for a machine, board or chip, as further identifiers of it.

    Source: PREMIS Data Dictionary 3.0, 1.1 objectIdentifier: repeatable, its type free text.
    """
    return "".join(
        f"<objectIdentifier><objectIdentifierType>{kind}</objectIdentifierType>"
        f"<objectIdentifierValue>{text(number)}</objectIdentifierValue></objectIdentifier>"
        for kind, number in (("inventory number", inventory), ("accession number", accession))
        if number
    )
