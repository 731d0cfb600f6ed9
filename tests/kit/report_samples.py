"""Made records for the report's tests: an invented loom's boards, every grade, every kind of picture."""

from __future__ import annotations

import hashlib
import json
import random
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal, cast

from schemas.base import follows
from schemas.names import Organisation
from schemas.record import Record
from schemas.recorded_sheet import PartRecord

HOSTILE = (
    "<script>alert(1)</script><img src=x onerror=alert(2)> \"quoted\" 'single' &amp; "
    "\u202egnirts\u202c \x1b[31mred\x1b[0m"
    " {{ 7 * 7 }} {% raw %} ]]> --> \u2066 \x00\x07\x9b31m ｡ "
)
LONG = "longlabel" * 1111 + "!"


@dataclass(frozen=True)
class Sample:
    """A record in two parts and the payload it speaks of; Any, since some are hostile on purpose."""

    head: Any
    chips: list[Any]
    payload: dict[str, bytes]

    def iterate(self) -> Iterator[Any]:
        return iter(self.chips)

    def load(self, path: str) -> bytes:
        return self.payload[path]


def code_like(seed: int, organisation: Organisation) -> bytes:
    """Words in runs and repeats, with a blank tail, as programs have them."""
    rng = random.Random(seed)
    common = [rng.getrandbits(organisation.bits) for _ in range(24)]
    words: list[int] = []
    while len(words) < organisation.words * 7 // 8:
        words += [*rng.choices(common, k=3), rng.getrandbits(organisation.bits)]
    words = words[: organisation.words * 7 // 8]
    words += [(1 << organisation.bits) - 1] * (organisation.words - len(words))
    return b"".join(word.to_bytes(organisation.bytes_a_word, "big") for word in words)


def letters(organisation: Organisation) -> bytes:
    """Eight-row glyphs of five dots: bars, boxes and diagonals, enough to see that they stand upright."""
    shapes = [
        [0, 14, 17, 17, 31, 17, 17, 17],
        [0, 30, 17, 30, 17, 17, 17, 30],
        [0, 14, 17, 16, 16, 16, 17, 14],
        [0, 31, 16, 30, 16, 16, 16, 31],
        [0, 4, 12, 4, 4, 4, 4, 14],
        [0, 17, 10, 4, 4, 10, 17, 0],
    ]
    rows = [row for number in range(organisation.words // 8) for row in shapes[number % len(shapes)]]
    return bytes(rows)


def _digests(content: bytes) -> dict[str, str]:
    return {"sha256": hashlib.sha256(content).hexdigest(), "sha512": hashlib.sha512(content).hexdigest()}


def _image(chip: Mapping[str, Any], content: bytes, *, settled: bool) -> Any:
    room = "images" if settled else "images-unsettled"
    return {
        "path": f"data/{room}/{chip['board']}/{chip['chip']}.bin",
        "settled": settled,
        "mask_path": None if settled else f"data/{room}/{chip['board']}/{chip['chip']}.contested.bin",
        "size_bytes": len(content),
        **_digests(content),
        "sums": [
            {"method": "crc32", "form": "as-stored", "value": "0A1B2C3D"},
            {"method": "sum16", "form": "as-stored", "value": f"{sum(content) & 0xFFFF:04X}"},
        ],
    }


def _reading(chip: Mapping[str, Any], reader: str, passes: int, content: bytes, fmt: str) -> Any:
    """A reading as the record has it, with one file and as many passes as are asked for."""
    name = f"{chip['chip']}.{reader}.1"
    steps = [
        {"action": "decode", "settings": {"format": fmt}, "why": "The file says so."},
        {
            "action": "split-copies",
            "settings": {"copies": passes},
            "why": "The counter ran on past the chip's end.",
        },
    ]
    return {
        "reading": name,
        "reader": reader,
        "files": [
            {
                "path": f"data/readings/{chip['board']}/{chip['chip']}/{name}.txt",
                "original_name": f"dumps/{name}.txt",
                "size_bytes": len(content) * 3,
                **_digests(content + name.encode()),
                "format": fmt,
                "forgiven": [{"what": "a single hexadecimal digit", "place": "line 3, column 1", "count": 1}]
                if fmt == "hex-text"
                else [],
                "notes": [],
            }
        ],
        "passes": [
            {
                "number": n + 1,
                "sitting": f"{reader}-a",
                "file": 0,
                "words_sha256": _digests(content)["sha256"],
                "absent_words": 0,
                "steps": steps,
            }
            for n in range(passes)
        ],
        "how": {"date": "2024-05-03", "supply_v": 5.0},
        "public": False,
        "private": False,
    }


def finding(code: str, severity: str, chip: str, **more: Any) -> Any:
    """A finding with the sentences every finding has."""
    return {
        "code": code,
        "severity": severity,
        "chip": chip,
        "where": {},
        "evidence": {},
        "means": "The line never changes anything.",
        "also": "A program stored twice.",
        "next": "Clean the socket, re-seat the chip, read once with pull-ups and once with pull-downs.",
    } | more


def make_chip(
    chip: str,
    grade: str,
    *,
    board: str = "CONTROL",
    socket: str | None = None,
    organisation: str = "2048x8",
    payload: dict[str, bytes],
    seed: int = 0,
    content: bytes | None = None,
    **more: Any,
) -> Any:
    """One chip's record, its image and mask put into `payload`."""
    org = Organisation.parse(organisation)
    record: dict[str, Any] = {
        "chip": chip,
        "board": board,
        "socket": socket or chip,
        "part": more.pop("part", "2716"),
        "organisation": organisation,
        "marking": "D2716D",
        "label": f"PROG {chip}",
        "role": "program",
        "grade": grade,
        "private": False,
        "attempts": [],
        "findings": [],
        "regions": [],
        "readings": [],
        "reasons": [f"graded {grade} because the evidence goes so far"],
        "bears": {"passes": 0, "sittings": 0, "readers": 0, "checks": 0},
    }
    if grade != "missing":
        words = code_like(seed, org) if content is None else content
        settled = grade not in {"faulty", "contested"}
        record["image"] = _image(record, words, settled=settled)
        payload[record["image"]["path"]] = words
        record["readings"] = [_reading(record, "programmer", 1, words, "binary")]
        record["bears"] = {"passes": 1, "sittings": 1, "readers": 1, "checks": 0}
        if grade in {"corroborated", "self-checked", "contested"}:
            record["readings"].append(_reading(record, "breadboard", 3, words, "hex-text"))
            record["bears"] = {
                "passes": 4,
                "sittings": 2,
                "readers": 2,
                "checks": int(grade == "self-checked"),
            }
        if not settled:
            mask = bytearray(len(words))
            record["contested"] = {"bits": 0, "words": 0, "listed": []}
            if grade == "contested":
                _contest(record, mask, org)
            payload[record["image"]["mask_path"]] = bytes(mask)
    record |= more
    return record


def _contest(record: dict[str, Any], mask: bytearray, org: Organisation) -> None:
    for number, address in enumerate((0x1A3, 0x1A4, 0x5F0)):
        at = address % org.words
        line = (number * 3 + 2) % org.bits
        mask[at * org.bytes_a_word + org.bytes_a_word - 1 - line // 8] |= 1 << line % 8
        record["contested"]["listed"].append(
            {
                "address": at,
                "line": f"D{line}",
                "votes": {"programmer": 1, "breadboard": None if number else 0},
                "ones": 3,
                "zeros": 1,
                "image": 1,
                "why": "The readers disagree.",
            }
        )
    record["contested"] |= {"bits": 3, "words": 3}


PART_2716: PartRecord = {
    "part": "2716",
    "kind": "UV EPROM",
    "words": 2048,
    "bits": 8,
    "pins": 24,
    "source": {"type": "from memory", "citation": "invented"},
    "confidence": "low",
    "address_pins": [8, 7, 6, 5, 4, 3, 2, 1, 23, 22, 19],
    "data_pins": [9, 10, 11, 13, 14, 15, 16, 17],
}


def standing(*readers: str, disagreements: int, upper_bound: float) -> Any:
    """What comparing has shown of a reader or of two, as packaging writes it."""
    lines = {"address": [{"line": "A0", "witnesses": 900}], "data": [{"line": "D0", "witnesses": 800}]}
    return {
        "readers": list(readers),
        "chips": ["U1", "U2", "U3", "U4"],
        "agreed_chips": ["U1", "U2", "U3"],
        "bits_compared": 65536,
        "disagreements": disagreements,
        "upper_bound": upper_bound,
        "confidence": 0.95,
        "coverage": {**lines, "not_told_apart": ["A0 A1"]},
    }


def make_head(chips: Iterable[Mapping[str, Any]], **more: Any) -> Any:
    """The record's fields beside the chips."""
    grades: dict[str, int] = {}
    for chip in chips:
        grades[chip["grade"]] = grades.get(chip["grade"], 0) + 1
    stored = {
        "path": "metadata/sheet.yaml",
        "original_name": "sheet.yaml",
        "size_bytes": 10,
        **_digests(b"sheet"),
    }
    return {
        "schema": "wellread/record/1",
        "software": {"name": "wellread", "version": "0.1.0"},
        "created": "2024-06-01T12:00:00Z",
        "clock_fixed": True,
        "bag": "loom-78-v1",
        "version": 1,
        "external_identifier": "loom-78-v1",
        "machine": {
            "id": "loom-78",
            "name": "Pattern controller of a jacquard loom",
            "maker": "Weberei Apparatebau",
            "year": "1978",
            "serial": "SN-PRIVATE-4711",
        },
        "custodian": {"name": "A. Keeper", "contact": "keeper@private.example"},
        "rights": {"statement": "http://rightsstatements.org/vocab/CNE/1.0/", "note": "The maker is gone."},
        "readers": {
            "programmer": {"kind": "device-programmer", "name": "Bench programmer", "version": "2.1"},
            "breadboard": {"kind": "home-built", "format": "hex-text", "operator": "A. Keeper"},
        },
        "boards": {
            "CONTROL": {
                "name": "Control board",
                "revision": "C",
                "sockets": ["U9", "U10", "U11", "U1", "U2", "U3", "U4", "U30"],
            },
            "PATTERN": {"name": "Pattern board", "sockets": ["P1", "P2", "P3"]},
        },
        "parts": {"2716": PART_2716},
        "sheet": [stored],
        "attachments": [],
        "cautions": [
            "Static: grounded wrist strap and mat; handle chips by the body.",
            "Set and measure every supply at the empty socket before inserting a chip.",
        ],
        "spaces": [],
        "suggestions": [],
        "qualification": {
            "readers": [
                standing("breadboard", disagreements=3, upper_bound=0.000118),
                standing("programmer", disagreements=0, upper_bound=4.6e-05),
            ],
            "pairs": [standing("breadboard", "programmer", disagreements=3, upper_bound=0.000118)],
        },
        "events": [
            {
                "when": "2024-05-03",
                "what": "capture",
                "detail": "U1 read by breadboard, three passes",
                "agent": "breadboard",
            },
            {
                "when": "2024-06-01T12:00:00Z",
                "what": "ingestion",
                "detail": "23 files",
                "agent": "wellread 0.1.0",
            },
        ],
        "grades": grades,
        "inputs_sha256": "0" * 64,
    } | more


def loom() -> Sample:
    """Eleven chips on two boards: every grade, a wide word, a narrow one, glyphs, spaces with a gap."""
    payload: dict[str, bytes] = {}

    def chip(name: str, grade: str, **more: Any) -> Any:
        return make_chip(name, grade, payload=payload, seed=sum(name.encode()), **more)

    dead = finding(
        "address-line-dead",
        "fault",
        "U4",
        where={
            "line": "A5",
            "pins": [{"line": "A5", "pin": 3, "label": "A5", "source": "data sheet", "confidence": "high"}],
        },
        evidence={"equal_pairs": 1023, "informative_words": 700, "p": 1.2e-90},
    )
    flicker = finding(
        "unstable-bits",
        "caution",
        "U3",
        where={"addresses": [0x1A3, 0x1A4], "lines": ["D2", "D5"]},
        evidence={"count": 2},
    )
    regions = [
        {"kind": "text", "start": 0x40, "end": 0x80, "preview": "SHUTTLE STOPPED"},
        {"kind": "fill", "start": 0x700, "end": 0x800, "word": "FF"},
    ]
    chips = [
        chip("U1", "self-checked", regions=regions, catalogued="2716"),
        chip("U2", "corroborated", catalogued="2716"),
        chip("U3", "contested", catalogued="2716", findings=[flicker]),
        chip("U4", "faulty", catalogued="2716", findings=[dead]),
        chip("U9", "repeatable", organisation="512x8", part="6306-1", role="microcode"),
        chip("U10", "single", organisation="256x4", part="82S129", role="decode"),
        chip(
            "U11",
            "missing",
            state="read-failed",
            attempts=[{"reader": "programmer", "date": "2024-05", "outcome": "all FF"}],
        ),
        chip("P1", "corroborated", board="PATTERN", organisation="1024x16", part="MK-X"),
        chip(
            "P2",
            "repeatable",
            board="PATTERN",
            organisation="512x5",
            part="CG-5",
            role="character generator",
            view={"rows": 8, "columns": 5},
            content=letters(Organisation(512, 5)),
        ),
        chip("P3", "repeatable", board="PATTERN", organisation="256x8", part="1702A", role="weave patterns"),
        chip("P7", "missing", board="PATTERN", state="on-loan"),
    ]
    spaces = [
        {
            "name": "program",
            "width": 16,
            "byte_order": "big",
            "unit": "byte",
            "path": "data/spaces/program.bin",
            "size_bytes": 12288,
            "sha256": "1" * 64,
            "sha512": "2" * 128,
            "words": 6144,
            "incomplete": True,
            "unsettled": True,
            "holes": [[2048, 4096]],
            "placements": [
                {"at": 0, "lanes": ["U1", "U2"]},
                {"at": 8192, "lanes": ["U3", "U4[7:0]"]},
            ],
            "checks": [],
            "reasons": ["Nothing is placed from word 0x0800."],
        }
    ]
    payload["data/spaces/program.bin"] = bytes(12288)
    return Sample(make_head(chips, spaces=spaces), chips, payload)


def hostile() -> Sample:
    """The loom with hostile text in every field that a person or a file fills in."""
    sample = loom()
    text = HOSTILE + LONG
    for chip in sample.chips:
        chip.update(
            dict.fromkeys(
                ("label", "marking", "role", "revision", "date_code", "notes", "part", "catalogued"), text
            )
        )
        chip["socket"] = text
        chip["reasons"] = [text]
        for reading in chip["readings"]:
            reading |= {"operator": text, "notes": text, "set_aside": text, "how": {"device_setting": text}}
            reading["files"][0] |= {"original_name": text, "notes": [text]}
        for found in chip["findings"]:
            found |= {"means": text, "also": text, "next": text, "evidence": {text: text}}
        chip["regions"] = [{"kind": text, "start": 0, "end": 8, "preview": text}]
    head = sample.head
    head["machine"] |= dict.fromkeys(("name", "maker", "model", "description"), text)
    head["boards"]["CONTROL"] |= {"name": text, "number": text, "sockets": [text, "U9"]}
    head["readers"]["breadboard"] |= {"name": text, "notes": text}
    head["rights"] |= {"note": text}
    head["events"] = [{"when": "2024", "what": text, "detail": text, "agent": text}]
    told = standing("breadboard", disagreements=3, upper_bound=0.1)
    head["qualification"] = {"readers": [{**told, "chips": [text], text: text}], "pairs": [], text: text}
    head["spaces"][0]["placements"][0]["bank"] = text
    suggested = {"name": text, "width": 8, "byte_order": None, "unit": "word", "placements": []}
    head["suggestions"] = [{**suggested, "description": text, text: text}]
    return sample


def many(count: int) -> Sample:
    """Distinct 2K×8 chips, two readings each, one in a hundred faulty, each with regions and a note."""
    payload: dict[str, bytes] = {}
    rng = random.Random(count)
    chips = []
    for number in range(count):
        grade = "faulty" if number % 100 == 7 else "corroborated"
        name = f"U{number}"
        stuck = [finding("data-line-stuck", "fault", name, where={"line": "D3"})] if grade == "faulty" else []
        chip = make_chip(
            name,
            grade,
            board=f"B{number // 100}",
            payload=payload,
            content=rng.randbytes(1900) + b"\xff" * 148,
            catalogued="2716",
            findings=[*stuck, _fill_note(name)],
            regions=[
                {"kind": "dense", "start": 0, "end": 1900, "preview": "37 10 37 10 …", "entropy_bits": 7.9},
                {"kind": "fill", "start": 1900, "end": 2048, "word": "FF", "preview": "FF × 148"},
            ],
        )
        chip["reasons"] = ["breadboard and programmer agree on every bit (4 passes)"]
        chips.append(chip)
    boards = {
        f"B{board}": {"sockets": [f"U{n}" for n in range(board * 100, min(count, board * 100 + 100))]}
        for board in range(-(-count // 100))
    }
    return Sample(make_head(chips, boards=boards), chips, payload)


def _fill_note(chip: str) -> Any:
    return finding(
        "fill",
        "note",
        chip,
        where={"ranges": [[1900, 2048]]},
        evidence={
            "words": 148,
            "longest": [1900, 2048],
            "period": 1,
            "word": "FF",
            "equals_unprogrammed": True,
        },
        means=(
            "FF from 0x76C to 0x800, consistent with unused space: unprogrammed cells of this marking read 1"
        ),
    )


def validated(sample: Sample, *, unknown: Literal["allow", "forbid"] = "forbid") -> Record:
    """The sample under the record's own schema: the tests speak of records that can exist."""
    record = {**{key: value for key, value in sample.head.items() if key != "events"}, "chips": sample.chips}
    follows(Record, json.dumps(record), unknown=unknown)
    return cast("Record", record)


Load = Callable[[str], bytes]
