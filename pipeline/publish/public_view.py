"""From a bag's record to what the public may see: private fields out, private chips out, names of people out.

The public view is built from a list of what may go out, taken from the schemas, not by crossing out what may
not: a field that this version does not know stays behind. Then every text that goes out is searched for the
private values themselves, since people write a serial number into a note as well.

A statement of rights is a label, not a licence. Content goes out only where the sheet also says on whose
word.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple, TypeVar, cast

from pipeline.errors import BagError, RightsError
from pipeline.publish.private_values import PrivateValues, folded, telling
from schemas.base import private_fields, public_fields
from schemas.finding import Code
from schemas.record import (
    RECORD_SCHEMA,
    AttachmentRecord,
    ChipRecord,
    Contested,
    DumpRecord,
    ImageRecord,
    PassRecord,
    ReadingRecord,
    RecordHead,
    RegionRecord,
    ShownRecord,
    SpaceRecord,
    Superseded,
)
from schemas.recorded_finding import FindingRecord
from schemas.recorded_sheet import (
    BoardRecord,
    CustodianRecord,
    HowRecord,
    MachineRecord,
    PartRecord,
    ReaderRecord,
    ReleaseWordRecord,
    RightsRecord,
)

_Kind = TypeVar("_Kind", bound=Mapping[str, object])
_Value = TypeVar("_Value")

GONE = "[withheld]"
"""What stands in a public text where a private value stood."""
SHORTEST_SECRET = 5
"""A private value of fewer letters is left out with its field, but not looked for elsewhere: `7A` is
everywhere.
"""
LONGEST_SECRET = 120
_HEAD = (
    "schema",
    "software",
    "created",
    "clock_fixed",
    "bag",
    "version",
    "supersedes",
    "machine",
    "custodian",
    "rights",
    "release",
    "readers",
    "boards",
    "parts",
    "spaces",
    "suggestions",
    "qualification",
    "grades",
    "inputs_sha256",
)
_SPACE_SHAPE = (
    "name",
    "width",
    "byte_order",
    "unit",
    "words",
    "incomplete",
    "unsettled",
    "holes",
    "placements",
    "description",
)
_OF_THE_SHAPE = frozenset(
    [
        "schema",
        "path",
        "mask_path",
        "image_paths",
        "sha256",
        "sha512",
        "words_sha256",
        "inputs_sha256",
        "grade",
        "grades",
        "code",
        "severity",
        "kind",
        "format",
        "action",
        "method",
        "form",
        "chip",
        "board",
        "reader",
        "reading",
        "byte_order",
        "unit",
        "statement",
        "external_identifier",
        "bag",
        "receipt",
        "created",
        "organisation",
        "part",
        "catalogued",
        "state",
    ]
)
"""Fields that hold ids, digests and fixed words, which a program reads: no text to be replaced in."""
_OUR_WORDS = frozenset(
    [
        "reasons",
        "findings",
        "regions",
        "checks",
        "suggestions",
        "qualification",
        "why",
        "steps",
        "votes",
        "contested",
        "forgiven",
        "frame",
    ]
)
"""Fields whose sentences this program writes: only what cannot be an everyday word is looked for there."""
_STUB = ("chip", "board", "socket", "part", "catalogued", "organisation", "grade", "bears")
PRIVATE_CHIP = "the sheet marks this chip private"
PRIVATE_READING = "the sheet marks this reading private"
NOT_PUBLIC = "the sheet does not mark it public: readers print serial numbers and names into their files"
SHARED = "another reading of the same file is not marked public"
OTHERS = "they tell of bags that others keep"
_TWINS = frozenset([Code.TWIN_SAME.value, Code.TWIN_DIFFERS.value])
NO_WORD = "the sheet does not say on whose word content may go out (release: allowed_by, ground)"


class Withheld(NamedTuple):
    """Something that stays behind.

    Attributes:
        what: A field, a file, a reading or a chip.
        why: In words.
        kind: `field`, `sheet`, `dump`, `reading`, `chip`, `image`, `space`, `finding`, `photograph`,
            `document` or `caution`.
        chip: Whose it is, or "".
        sha256: Digest of a file that is listed in spite of it, or "".
    """

    what: str
    why: str
    kind: str
    chip: str = ""
    sha256: str = ""


class Survey(NamedTuple):
    """What has to be known of the whole record before one chip can be judged.

    Attributes:
        content: Whether content may go out at all.
        private_chips: Marked so.
        private_paths: Dump files that some reading does not make public.
        documents: Documents that the sheet lets out, by original name.
        vouched_for: Those of them that no program can read whole and that a person has.
        secrets: (what it is, value), longest value first.
        looked_for: The same in every way that it may be written.
        fields: Names of private fields that were filled in.
    """

    content: bool
    private_chips: frozenset[str]
    private_paths: frozenset[str]
    documents: frozenset[str]
    vouched_for: frozenset[str]
    secrets: tuple[tuple[str, str], ...]
    fields: tuple[str, ...]
    looked_for: PrivateValues


def refuse_unreleasable(head: RecordHead) -> None:
    """Refuse a record that cannot become public.

    Args:
        head: The record without its chips.

    Raises:
        BagError: It is a bundle already, or of a later version, whose private fields are not known here.
        RightsError: No statement of rights.
    """
    where = str(head.get("bag", "the bag"))
    if head.get("released_from"):
        raise BagError(
            where=where,
            problem="this is a public bundle already",
            remedy="Release the bag that it was made from",
        )
    if head.get("schema") != RECORD_SCHEMA:
        raise BagError(
            where=where,
            problem=(
                f"its record is a {head.get('schema')}, and which of its fields are private is not known here"
            ),
            remedy="Release it with the version that wrote it, or a later one",
        )
    rights = head.get("rights")
    if not rights or not rights.get("statement"):
        raise RightsError(
            where=where,
            problem="the sheet has no `rights: {statement: …}`, so nobody could tell what may be done with "
            "it",
            remedy="`wellread release --help` says in plain words which statement fits; then package again",
        )


def survey(head: RecordHead, chips: Iterable[ChipRecord]) -> Survey:
    """Look through a whole record once.

    Args:
        head: The record without its chips.
        chips: Their records, each once.
    """
    word, machine = head.get("release"), head["machine"]
    found = _Found()
    found.of("machine", MachineRecord, machine)
    found.of("custodian", CustodianRecord, head.get("custodian"))
    for reader in head["readers"].values():
        found.of("readers", ReaderRecord, reader)
    for board in head["boards"].values():
        found.of("boards", BoardRecord, board)
    found.known.update(head["readers"], head["boards"], head.get("parts", ()))
    found.say(machine, ("id", "name", "maker", "model"))
    private_chips, closed, files = set(), set(), set()
    for chip in chips:
        found.of("chips", ChipRecord, chip)
        found.say(chip, ("chip", "part", "socket", "organisation"))
        if chip.get("private"):
            private_chips.add(chip["chip"])
            found.private_chip(chip)
        else:
            found.mention(chip, ("label", "role", "marking"))
        for reading in chip.get("readings", ()):
            found.of("readings", ReadingRecord, reading)
            paths = {stored["path"] for stored in reading["files"]}
            files |= paths
            if chip.get("private") or reading.get("private") or not reading.get("public"):
                closed |= paths
    return Survey(
        content=bool(word and word.get("allowed_by") and word.get("ground")),
        private_chips=frozenset(private_chips),
        private_paths=frozenset(closed),
        documents=frozenset(word.get("documents") or () if word else ()),
        vouched_for=frozenset(word.get("vouched_for") or () if word else ()),
        secrets=found.secrets(_public_names(head)),
        fields=tuple(sorted(found.fields)),
        looked_for=found.looked_for(_public_names(head)),
    )


@dataclass(slots=True)
class _Found:
    """Private values as they are met."""

    values: dict[str, str] = field(default_factory=dict)
    fields: set[str] = field(default_factory=set)
    known: set[str] = field(default_factory=set)
    mentioned: set[str] = field(default_factory=set)

    def say(self, facts: Mapping[str, object], keys: tuple[str, ...]) -> None:
        """What is public anyway."""
        self.known |= {str(facts[key]) for key in keys if facts.get(key)}

    def mention(self, facts: Mapping[str, object], keys: tuple[str, ...]) -> None:
        """Public texts: a value that is all of one is public, one that somebody wrote into one is not."""
        self.mentioned |= {str(facts[key]) for key in keys if facts.get(key)}

    def of(self, where: str, kind: type, facts: Mapping[str, object] | None) -> None:
        """What the kind's schema marks private."""
        for name in private_fields(kind):
            value = facts.get(name) if facts else None
            if value:
                self.fields.add(f"{where}.{name}")
                self.values.setdefault(" ".join(str(value).split()), f"{where}.{name}")

    def private_chip(self, chip: ChipRecord) -> None:
        for name, value in (("label", chip.get("label")), ("role", chip.get("role"))):
            # A short label such as `MILL 2` is an everyday word elsewhere.
            if value and len(value) > 2 * SHORTEST_SECRET:
                self.values.setdefault(" ".join(value.split()), f"{name} of a private chip")

    def looked_for(self, public: tuple[str, ...]) -> PrivateValues:
        """Every value that is long enough, in all its forms; long ones count by their parts and numbers."""
        known = {folded(one) for one in self.known | self.mentioned}
        values = [
            (label, value)
            for value, label in self.values.items()
            if len(value) >= SHORTEST_SECRET and folded(value) not in known
        ]
        return PrivateValues(values, (*public, *self.known))

    def secrets(self, public: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
        """Values worth looking for: long enough, neither an id nor part of a name that is public anyway."""
        known = {one.casefold() for one in self.known | self.mentioned}
        kept = [
            (label, value)
            for value, label in self.values.items()
            if SHORTEST_SECRET <= len(value) <= LONGEST_SECRET
            and value.casefold() not in known
            and not any(_pattern([value]).search(one) for one in public)
        ]
        return tuple(sorted(kept, key=lambda one: (-len(one[1]), one[1])))


def _public_names(head: RecordHead) -> tuple[str, ...]:
    """The custodian's names and page, public on purpose; an operator of that name is no secret."""
    custodian = head.get("custodian") or {}
    said = (custodian.get("name"), custodian.get("organisation"), custodian.get("website"))
    return tuple(one for one in said if one)


def _pattern(values: Iterable[str]) -> re.Pattern[str]:
    """Any of the values as a whole, however its blanks were folded.

    Those that tell in any case of letters.
    """
    one_of = "|".join(
        ("(?i:%s)" if telling(value) else "%s") % r"\s+".join(re.escape(word) for word in form.split())
        for value in values
        for form in dict.fromkeys((value, value.upper()))
    )
    return re.compile(rf"(?<![0-9A-Za-z])(?:{one_of})(?![0-9A-Za-z])")


class Public:
    """Makes the public view of one record, piece by piece, and keeps the account of what stays behind.

    Args:
        surveyed: Of the whole record.
    """

    def __init__(self, surveyed: Survey) -> None:
        self.survey = surveyed
        self.withheld: list[Withheld] = []
        self.replaced: dict[str, int] = {}
        values = [value for _, value in surveyed.secrets]
        said = [value for value in values if telling(value)]
        self._secret = _pattern(values) if values else None
        self._telling = _pattern(said) if said else None
        self._private = _pattern(sorted(surveyed.private_chips)) if surveyed.private_chips else None

    def head(self, head: RecordHead) -> RecordHead:
        """The record without its chips, as it may go out; attachments are added by whoever strips them.

        Args:
            head: The record without its chips.
        """
        out = cast("RecordHead", {key: head.get(key) for key in _HEAD if key in head})
        out["machine"] = _only(MachineRecord, head["machine"])
        out["custodian"] = _perhaps(CustodianRecord, head.get("custodian"))
        out["rights"] = _perhaps(RightsRecord, head.get("rights"))
        out["release"] = _perhaps(ReleaseWordRecord, head.get("release"))
        out["supersedes"] = _perhaps(Superseded, head.get("supersedes"))
        out["readers"] = {name: _only(ReaderRecord, one) for name, one in head["readers"].items()}
        out["boards"] = {name: _only(BoardRecord, one) for name, one in head["boards"].items()}
        if "parts" in head:
            out["parts"] = {name: _only(PartRecord, one) for name, one in head["parts"].items()}
        out["spaces"] = [self._space(space) for space in head.get("spaces", ())]
        out["suggestions"] = [one for one in head.get("suggestions", ()) if not self._names_private(one)]
        out["sheet"], out["attachments"], out["cautions"] = [], [], []
        self.withheld += [Withheld(name, "always private", "field") for name in self.survey.fields]
        self.withheld += [
            Withheld(
                stored["path"],
                "the sheet holds the private fields as well",
                "sheet",
                sha256=stored["sha256"],
            )
            for stored in head["sheet"]
        ]
        if head.get("cautions"):
            self.withheld.append(Withheld("cautions about the sheet", "they quote it", "caution"))
        return self.clean(out, "head")

    def chip(self, chip: ChipRecord) -> ChipRecord:
        """One chip's record as it may go out.

        Args:
            chip: Its record.
        """
        name = chip["chip"]
        if name in self.survey.private_chips:
            return self._stub(chip)
        out = _only(ChipRecord, chip)
        if out.pop("twins", None):
            self.withheld.append(Withheld("twins", OTHERS, "finding", chip=name))
        out["readings"] = [
            self._reading(name, reading) for reading in chip["readings"] if not reading.get("private")
        ]
        hidden = [reading for reading in chip["readings"] if reading.get("private")]
        if hidden:
            out["withheld_readings"] = len(hidden)
            self.withheld += [
                Withheld(one["reading"], PRIVATE_READING, "reading", chip=name) for one in hidden
            ]
            out.pop("frame", None)  # it names the readings that stand in each frame
        out["findings"] = self._findings(name, chip["findings"])
        out["regions"] = (
            [self._region(region) for region in chip.get("regions", ())] if self.survey.content else []
        )
        if not self.survey.content or self._names_private(chip.get("program")):
            out.pop("program", None)
        out["image"] = self._image(name, chip.get("image"))
        contested = chip.get("contested")
        if contested and (hidden or not self.survey.content):
            contested = contested.copy()
            contested.pop("flow", None)  # it names readings, and tells of content
            contested.pop("listed_words", None)  # it tells what hidden readings read
            out["contested"] = contested if self.survey.content else {**contested, "listed": []}
        return _answered_in_public(self.clean(out, f"chip {name}"))

    def _stub(self, chip: ChipRecord) -> ChipRecord:
        """A private chip: where it sits and how far its evidence goes, nothing of what it holds."""
        self.withheld.append(Withheld(chip["chip"], PRIVATE_CHIP, "chip", chip=chip["chip"]))
        contested = chip.get("contested")
        counts: Contested | None = None
        if contested:
            counts = {"bits": contested["bits"], "words": contested["words"], "listed": []}
        return {
            **cast("ChipRecord", {key: chip.get(key) for key in _STUB if key in chip}),
            "private": True,
            "contested": counts,
            "reasons": [f"Withheld: {PRIVATE_CHIP}"],
            "image": None,
            "readings": [],
            "findings": [],
            "regions": [],
            "withheld": PRIVATE_CHIP,
        }

    def _reading(self, chip: str, reading: ReadingRecord) -> ReadingRecord:
        out = _only(ReadingRecord, reading)
        out["how"] = _only(HowRecord, reading.get("how", {}))
        out["files"] = [self._file(chip, reading, stored) for stored in reading["files"]]
        out["passes"] = [_only(PassRecord, one) for one in reading.get("passes", ())]
        return out

    def _file(self, chip: str, reading: ReadingRecord, stored: DumpRecord) -> DumpRecord:
        """A dump file: whole where it goes out, else its digest, size and format."""
        why = ""
        if not reading.get("public"):
            why = NOT_PUBLIC
        elif not self.survey.content:
            why = NO_WORD
        elif stored["path"] in self.survey.private_paths:
            why = SHARED
        elif self.secret_in(f"{stored['path']} {stored['original_name']}"):
            why = "its name holds a private value"
        out = _only(DumpRecord, stored)
        return self.closed(out, why, stored["path"], chip) if why else out

    def closed(self, stored: DumpRecord, why: str, what: str, chip: str = "") -> DumpRecord:
        """A file that stays behind, as the public record lists it.

        What its decoder remarked quotes the file.
        """
        self.withheld.append(Withheld(what, why, "dump", chip=chip, sha256=stored["sha256"]))
        stored.pop("path", None)
        stored.pop("original_name", None)
        stored.pop("forgiven", None)
        stored.pop("notes", None)
        stored["withheld"] = why
        return stored

    def _image(self, chip: str, image: ImageRecord | None) -> ImageRecord | None:
        out = _perhaps(ImageRecord, image)
        if out is not None and not self.survey.content:
            path = out.pop("path")
            self.withheld.append(Withheld(path, NO_WORD, "image", chip=chip, sha256=out["sha256"]))
            out["mask_path"] = None
            out["withheld"] = NO_WORD
        return out

    def _findings(self, chip: str, findings: Iterable[FindingRecord]) -> list[FindingRecord]:
        """Findings that tell nothing of a private chip, nor quote content on which there is no word."""
        kept = []
        for one in findings:
            if one["code"] in _TWINS:
                continue
            if self._names_private(one):
                self.withheld.append(
                    Withheld(one["code"], "it tells of a private chip", "finding", chip=chip)
                )
            elif self.survey.content or one["severity"] != "note":
                kept.append(one)
        return kept

    def _region(self, region: RegionRecord) -> RegionRecord:
        out = region.copy()
        shared = [one for one in out.pop("shared_with", ()) if one not in self.survey.private_chips]
        if shared:
            out["shared_with"] = shared
        return out

    def _space(self, space: SpaceRecord) -> SpaceRecord:
        lanes = {lane.split("[")[0] for one in space.get("placements", ()) for lane in one["lanes"]}
        why = "it shows a chip that the sheet marks private" if lanes & self.survey.private_chips else ""
        if self.secret_in(" ".join([space["name"], *map(str, space.get("image_paths") or ())])):
            why = why or "its name holds a private value"
        if why:
            self.withheld.append(Withheld(space["name"], why, "space"))
            shape = cast("SpaceRecord", {key: space.get(key) for key in _SPACE_SHAPE if key in space})
            return {**shape, "path": None, "checks": [], "reasons": [f"Withheld: {why}"], "withheld": why}
        out = _only(SpaceRecord, space)
        if out.get("path") and not self.survey.content:
            self.withheld.append(Withheld(out["name"], NO_WORD, "space", sha256=out["sha256"] or ""))
            out |= {"path": None, "image_paths": [], "checks": [], "withheld": NO_WORD}
        return out

    def shown(self, stored: AttachmentRecord) -> list[ShownRecord]:
        """What a photograph shows, as far as it may go out; its caption without private values."""
        return [self.clean(one, "head, photographs") for one in stored.get("shows", ())]

    def attachment(self, stored: AttachmentRecord) -> str:
        """Why a photograph or document stays behind, or "" where its bytes are to be looked at.

        Args:
            stored: Its entry in the record.
        """
        if not self.survey.content:
            return NO_WORD
        original = str(stored["original_name"])
        if {one.get("chip") for one in stored.get("shows", ())} & self.survey.private_chips:
            return "it shows a chip that the sheet marks private"
        if self.secret_in(f"{stored['path']} {original}"):
            return "its name holds a private value"
        if original.startswith("photos/"):
            return ""
        if original.startswith("docs/"):
            return (
                ""
                if original in self.survey.documents
                else "the sheet does not list it under release: documents"
            )
        return "no reading in the sheet names it"

    def secret_in(self, content: str | bytes) -> str:
        """What private value a text or a file's bytes hold, as the name of its field; "" for none."""
        look = self.survey.looked_for
        return look.in_text(content) if isinstance(content, str) else look.in_bytes(content)

    def leak_in(self, content: bytes) -> str:
        """The same for a document made from the public view, whose keys and numbers are no secrets."""
        return self.survey.looked_for.in_bytes(content, only_telling=True)

    def _names_private(self, value: object) -> bool:
        return bool(self._private and self._private.search(json.dumps(value, ensure_ascii=False)))

    def clean(self, value: _Value, where: str) -> _Value:
        """Any JSON value with every private value in its texts replaced, and counted by place.

        Args:
            value: Plain JSON data.
            where: What it is, for the account.
        """
        if self._secret is None:
            return value
        return cast("_Value", self._clean(value, where, self._secret))

    def _clean(self, value: Any, where: str, secret: re.Pattern[str] | None) -> Any:
        if isinstance(value, str):
            text, count = secret.subn(GONE, value) if secret else (value, 0)
            if self.survey.looked_for.in_text(text, only_telling=True):
                # Written in another way, so that no place in it can be pointed at.
                text, count = GONE, count + 1
            if count:
                self.replaced[where] = self.replaced.get(where, 0) + count
            return text
        if isinstance(value, Mapping):
            return {
                key: one
                if key in _OF_THE_SHAPE
                else self._clean(one, _below(where, key), self._telling if key in _OUR_WORDS else secret)
                for key, one in value.items()
            }
        if isinstance(value, list | tuple):
            return [self._clean(one, where, secret) for one in value]
        return value


def _below(where: str, key: str) -> str:
    return f"{where}, {key}" if where.count(",") < 2 else where


def _only(kind: type[_Kind], facts: _Kind) -> _Kind:
    """The fields that the schema lets out; what it does not know stays behind."""
    kept = public_fields(kind)
    return cast("_Kind", {key: value for key, value in facts.items() if key in kept})


def _perhaps(kind: type[_Kind], facts: _Kind | None) -> _Kind | None:
    return None if facts is None else _only(kind, facts)


def _answered_in_public(chip: ChipRecord) -> ChipRecord:
    """A finding's answer is a person's text: it goes out as the chip's own answers do, cleaned."""
    answers = chip.get("answers", {})
    for finding in chip.get("findings", ()):
        evidence = finding.get("evidence", {})  # a record that somebody else wrote may lack it
        if "answer" in evidence:
            finding["evidence"] = {**evidence, "answer": answers.get(finding["code"], GONE)}
    return chip
