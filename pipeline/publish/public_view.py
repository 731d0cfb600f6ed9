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
from typing import Any

from pydantic import BaseModel

from pipeline.errors import BagError, RightsError
from schemas.record import (
    RECORD_SCHEMA,
    ChipRecord,
    DumpRecord,
    ImageRecord,
    PassRecord,
    ReadingRecord,
    SpaceRecord,
    Superseded,
)
from schemas.sheet import Board, Chip, Custodian, Machine, Reader, ReadingRow, ReleaseWord, Rights

GONE = "[withheld]"
"""What stands in a public text where a private value stood."""
SHORTEST_SECRET = 5
"""A private value of fewer letters is left out with its field, but not looked for elsewhere: `7A` is everywhere."""
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
_SINGLE: tuple[tuple[str, type[BaseModel]], ...] = (
    ("machine", Machine),
    ("custodian", Custodian),
    ("rights", Rights),
    ("release", ReleaseWord),
    ("supersedes", Superseded),
)
_SEVERAL: tuple[tuple[str, type[BaseModel]], ...] = (("readers", Reader), ("boards", Board))
_SPACE_EXTRA = ("fill", "description", "image_paths", "original_name")
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
    ]
)
"""Fields whose sentences this program writes: only values that cannot be everyday words are looked for there."""
_STUB = ("chip", "board", "socket", "part", "catalogued", "organisation", "grade", "bears")
PRIVATE_CHIP = "the sheet marks this chip private"
PRIVATE_READING = "the sheet marks this reading private"
NOT_PUBLIC = "the sheet does not mark it public: readers print serial numbers and names into their files"
SHARED = "another reading of the same file is not marked public"
NO_WORD = "the sheet does not say on whose word content may go out (release: allowed_by, ground)"


@dataclass(frozen=True, slots=True)
class Withheld:
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


@dataclass(frozen=True, slots=True)
class Survey:
    """What has to be known of the whole record before one chip can be judged.

    Attributes:
        content: Whether content may go out at all.
        private_chips: Marked so.
        private_paths: Dump files that some reading does not make public.
        documents: Documents that the sheet lets out, by original name.
        secrets: (what it is, value), longest value first.
        fields: Names of private fields that were filled in.
    """

    content: bool
    private_chips: frozenset[str]
    private_paths: frozenset[str]
    documents: frozenset[str]
    secrets: tuple[tuple[str, str], ...]
    fields: tuple[str, ...]


def private_fields(model: type[BaseModel]) -> frozenset[str]:
    """The fields of a schema that carry the mark of `schemas.base.withheld`."""
    return frozenset(
        name
        for name, one in model.model_fields.items()
        if isinstance(one.json_schema_extra, Mapping) and one.json_schema_extra.get("private")
    )


def public_fields(model: type[BaseModel]) -> frozenset[str]:
    """The fields of a schema that do not."""
    return frozenset(model.model_fields) - private_fields(model)


def refuse_unreleasable(head: Mapping[str, Any]) -> None:
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
    if not (head.get("rights") or {}).get("statement"):
        raise RightsError(
            where=where,
            problem="the sheet has no `rights: {statement: …}`, so nobody could tell what may be done with it",
            remedy="`wellread release --help` says in plain words which statement fits; then package again",
        )


def survey(head: Mapping[str, Any], chips: Iterable[Mapping[str, Any]]) -> Survey:
    """Look through a whole record once.

    Args:
        head: The record without its chips.
        chips: Their records, each once.
    """
    word = head.get("release") or {}
    found = _Found()
    found.of("machine", Machine, head.get("machine"))
    found.of("custodian", Custodian, head.get("custodian"))
    for name, model in _SEVERAL:
        for key, facts in (head.get(name) or {}).items():
            found.of(name, model, facts)
            found.known.add(str(key))
    found.known |= {str(name) for name in head.get("parts") or {}}
    found.known |= {
        str(head["machine"][key]) for key in ("id", "name", "maker", "model") if head["machine"].get(key)
    }
    private_chips, closed, files = set(), set(), set()
    for chip in chips:
        found.of("chips", Chip, chip)
        found.known |= {str(chip[key]) for key in ("chip", "part", "socket", "organisation") if chip.get(key)}
        if chip.get("private"):
            private_chips.add(chip["chip"])
            found.private_chip(chip)
        else:
            found.known |= {str(chip[key]) for key in ("label", "role", "marking") if chip.get(key)}
        for reading in chip.get("readings", ()):
            found.of("readings", ReadingRow, reading)
            paths = {stored["path"] for stored in reading["files"]}
            files |= paths
            if chip.get("private") or reading.get("private") or not reading.get("public"):
                closed |= paths
    return Survey(
        content=bool(word.get("allowed_by") and word.get("ground")),
        private_chips=frozenset(private_chips),
        private_paths=frozenset(closed),
        documents=frozenset(word.get("documents") or ()),
        secrets=found.secrets(_public_names(head)),
        fields=tuple(sorted(found.fields)),
    )


@dataclass(slots=True)
class _Found:
    """Private values as they are met."""

    values: dict[str, str] = field(default_factory=dict)
    fields: set[str] = field(default_factory=set)
    known: set[str] = field(default_factory=set)

    def of(self, where: str, model: type[BaseModel], facts: Mapping[str, Any] | None) -> None:
        for name in private_fields(model):
            value = (facts or {}).get(name)
            if value:
                self.fields.add(f"{where}.{name}")
                self.values.setdefault(" ".join(str(value).split()), f"{where}.{name}")

    def private_chip(self, chip: Mapping[str, Any]) -> None:
        for name in ("label", "role"):
            # A short label such as `MILL 2` is an everyday word elsewhere.
            if len(str(chip.get(name) or "")) > 2 * SHORTEST_SECRET:
                self.values.setdefault(" ".join(str(chip[name]).split()), f"{name} of a private chip")

    def secrets(self, public: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
        """Values worth looking for: long enough, and neither an id nor part of a name that is public anyway."""
        known = {one.casefold() for one in self.known}
        kept = [
            (label, value)
            for value, label in self.values.items()
            if SHORTEST_SECRET <= len(value) <= LONGEST_SECRET
            and value.casefold() not in known
            and not any(_pattern([value]).search(one) for one in public)
        ]
        return tuple(sorted(kept, key=lambda one: (-len(one[1]), one[1])))


def _public_names(head: Mapping[str, Any]) -> tuple[str, ...]:
    """The custodian's names, public on purpose; an operator of that name is no secret."""
    said = [(head.get("custodian") or {}).get(key) for key in ("name", "organisation")]
    return tuple(str(one) for one in said if one)


def telling(value: str) -> bool:
    """Whether a value can hardly be an everyday word: two words, an address, or digits in it.

    `Reading` is a town and a word of every report; `Tamsin Vrooke` and `CW78-0413-Q` are neither.
    """
    return bool(re.search(r"\s|@|\d", value))


def _pattern(values: Iterable[str]) -> re.Pattern[str]:
    """Any of the values as a whole, however its blanks were folded; those that tell in any case of letters."""
    one_of = "|".join(
        ("(?i:%s)" if telling(value) else "%s") % r"\s+".join(re.escape(word) for word in value.split())
        for value in values
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

    def head(self, head: Mapping[str, Any]) -> dict[str, Any]:
        """The record without its chips, as it may go out; attachments are added by whoever strips them.

        Args:
            head: The record without its chips.
        """
        out = {key: head[key] for key in _HEAD if key in head}
        for name, model in _SINGLE:
            out[name] = _only(model, head.get(name))
        for name, model in _SEVERAL:
            out[name] = {key: _only(model, facts) for key, facts in (head.get(name) or {}).items()}
        out["spaces"] = [self._space(space) for space in head.get("spaces", ())]
        out["suggestions"] = [one for one in head.get("suggestions", ()) if not self._names_private(one)]
        out["sheet"], out["attachments"], out["cautions"] = [], [], []
        self.withheld += [Withheld(name, "private by the schema", "field") for name in self.survey.fields]
        self.withheld += [
            Withheld(
                stored["path"], "the sheet holds the private fields as well", "sheet", sha256=stored["sha256"]
            )
            for stored in head.get("sheet", ())
        ]
        if head.get("cautions"):
            self.withheld.append(Withheld("cautions about the sheet", "they quote it", "caution"))
        return dict(self.clean(out, "head"))

    def chip(self, chip: Mapping[str, Any]) -> dict[str, Any]:
        """One chip's record as it may go out.

        Args:
            chip: Its record.
        """
        name = chip["chip"]
        if name in self.survey.private_chips:
            return self._stub(chip)
        kept = public_fields(ChipRecord) | public_fields(Chip)
        out = {key: value for key, value in chip.items() if key in kept}
        out["readings"] = [
            self._reading(name, reading) for reading in chip["readings"] if not reading.get("private")
        ]
        hidden = [reading for reading in chip["readings"] if reading.get("private")]
        if hidden:
            out["withheld_readings"] = len(hidden)
            self.withheld += [
                Withheld(one["reading"], PRIVATE_READING, "reading", chip=name) for one in hidden
            ]
        out["findings"] = self._findings(name, chip["findings"])
        out["regions"] = (
            [self._region(region) for region in chip.get("regions", ())] if self.survey.content else []
        )
        out["image"] = self._image(name, chip.get("image"))
        contested = chip.get("contested")
        if contested and not self.survey.content:
            out["contested"] = {**contested, "listed": []}
        return dict(self.clean(out, f"chip {name}"))

    def _stub(self, chip: Mapping[str, Any]) -> dict[str, Any]:
        """A private chip: where it sits and how far its evidence goes, nothing of what it holds."""
        self.withheld.append(Withheld(chip["chip"], PRIVATE_CHIP, "chip", chip=chip["chip"]))
        contested = chip.get("contested")
        counts = {"bits": contested["bits"], "words": contested["words"], "listed": []} if contested else None
        return {
            **{key: chip[key] for key in _STUB if key in chip},
            "private": True,
            "contested": counts,
            "reasons": [f"Withheld: {PRIVATE_CHIP}"],
            "image": None,
            "readings": [],
            "findings": [],
            "regions": [],
            "withheld": PRIVATE_CHIP,
        }

    def _reading(self, chip: str, reading: Mapping[str, Any]) -> dict[str, Any]:
        out = _only(ReadingRecord, reading) or {}
        how = public_fields(ReadingRow)
        out["how"] = {key: value for key, value in reading.get("how", {}).items() if key in how}
        out["files"] = [self._file(chip, reading, stored) for stored in reading["files"]]
        out["passes"] = [_only(PassRecord, one) for one in reading.get("passes", ())]
        return out

    def _file(self, chip: str, reading: Mapping[str, Any], stored: Mapping[str, Any]) -> dict[str, Any]:
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
        out = _only(DumpRecord, stored) or {}
        return self.closed(out, why, stored["path"], chip) if why else out

    def closed(self, stored: dict[str, Any], why: str, what: str, chip: str = "") -> dict[str, Any]:
        """A file that stays behind, as the public record lists it; what its decoder remarked quotes the file."""
        self.withheld.append(Withheld(what, why, "dump", chip=chip, sha256=stored["sha256"]))
        for key in ("path", "original_name", "forgiven", "notes"):
            stored.pop(key, None)
        stored["withheld"] = why
        return stored

    def _image(self, chip: str, image: Mapping[str, Any] | None) -> dict[str, Any] | None:
        out = _only(ImageRecord, image)
        if out is not None and not self.survey.content:
            self.withheld.append(Withheld(out.pop("path"), NO_WORD, "image", chip=chip, sha256=out["sha256"]))
            out["mask_path"] = None
            out["withheld"] = NO_WORD
        return out

    def _findings(self, chip: str, findings: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
        """Findings that tell nothing of a private chip, and without a word on content nothing that quotes it."""
        kept = []
        for one in findings:
            if self._names_private(one):
                self.withheld.append(
                    Withheld(one["code"], "it tells of a private chip", "finding", chip=chip)
                )
            elif self.survey.content or one["severity"] != "note":
                kept.append(one)
        return kept

    def _region(self, region: Mapping[str, Any]) -> dict[str, Any]:
        shared = [one for one in region.get("shared_with", ()) if one not in self.survey.private_chips]
        out = {key: value for key, value in region.items() if key != "shared_with"}
        return out | ({"shared_with": shared} if shared else {})

    def _space(self, space: Mapping[str, Any]) -> dict[str, Any]:
        lanes = {lane.split("[")[0] for one in space.get("placements", ()) for lane in one["lanes"]}
        if lanes & self.survey.private_chips:
            why = "it shows a chip that the sheet marks private"
            self.withheld.append(Withheld(space["name"], why, "space"))
            shape = {key: space[key] for key in _SPACE_SHAPE if key in space}
            return {**shape, "path": None, "checks": [], "reasons": [f"Withheld: {why}"], "withheld": why}
        kept = public_fields(SpaceRecord) | set(_SPACE_EXTRA)
        out = {key: value for key, value in space.items() if key in kept}
        if out.get("path") and not self.survey.content:
            self.withheld.append(Withheld(out["name"], NO_WORD, "space", sha256=out["sha256"]))
            out |= {"path": None, "image_paths": [], "checks": [], "withheld": NO_WORD}
        return out

    def attachment(self, stored: Mapping[str, Any]) -> str:
        """Why a photograph or document stays behind, or "" where its bytes are to be looked at.

        Args:
            stored: Its entry in the record.
        """
        if not self.survey.content:
            return NO_WORD
        original = str(stored["original_name"])
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
        texts = [content] if isinstance(content, str) else _as_texts(content)
        return self._first_of(self.survey.secrets, texts)

    def leak_in(self, content: bytes) -> str:
        """The same for a document that was made from the public view, whose keys and numbers are no secrets."""
        kept = tuple(
            (label, value) for label, value in self.survey.secrets if telling(value) and not value.isdecimal()
        )
        return self._first_of(kept, _as_texts(content))

    @staticmethod
    def _first_of(secrets: Iterable[tuple[str, str]], texts: list[str]) -> str:
        lowered = [text.casefold() for text in texts]
        for label, value in secrets:
            forms = dict.fromkeys((value, value.encode().decode("latin-1")))
            # Looking for the first word alone is many times faster, and nearly always enough.
            if not any(form.split()[0].casefold() in text for form in forms for text in lowered):
                continue
            found = _pattern(forms)
            if any(found.search(text) for text in texts):
                return label
        return ""

    def _names_private(self, value: Any) -> bool:
        return bool(self._private and self._private.search(json.dumps(value, ensure_ascii=False)))

    def clean(self, value: Any, where: str) -> Any:
        """Any JSON value with every private value in its texts replaced, and counted by place.

        Args:
            value: Plain JSON data.
            where: What it is, for the account.
        """
        if self._secret is None:
            return value
        return self._clean(value, where, self._secret)

    def _clean(self, value: Any, where: str, secret: re.Pattern[str] | None) -> Any:
        if isinstance(value, str):
            text, count = secret.subn(GONE, value) if secret else (value, 0)
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


def _as_texts(content: bytes) -> list[str]:
    """Bytes as texts to be searched: any one-byte encoding and UTF-8 alike, and UTF-16 where it says so."""
    texts = [content.decode("latin-1")]
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        texts.append(content.decode("utf-16", "replace"))
    return texts


def _below(where: str, key: str) -> str:
    return f"{where}, {key}" if where.count(",") < 2 else where


def _only(model: type[BaseModel], facts: Mapping[str, Any] | None) -> dict[str, Any] | None:
    if facts is None:
        return None
    kept = public_fields(model)
    return {key: value for key, value in facts.items() if key in kept}
