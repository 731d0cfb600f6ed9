"""One chip's record as the lines and pictures of its section; the template only sets them in place."""

from __future__ import annotations

import marshal
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import quote

from markupsafe import Markup

from pipeline.to_do import in_order, to_do
from pipeline.views.report import listing, outline, passes, pictures, wording
from pipeline.views.report.pictures import Drawing
from pipeline.views.report.program_map import program_view
from pipeline.views.report.summary import UNPLACED
from pipeline.views.twin_words import twin_words
from schemas.names import Organisation

if TYPE_CHECKING:
    from pipeline.views.report.head import View
    from pipeline.views.report.passes import ReadWords
    from schemas.finding import Details
    from schemas.record import (
        Bears,
        ChipRecord,
        Contested,
        ContestedBit,
        ContestedWord,
        DumpRecord,
        PassRecord,
        ReadingRecord,
        RecordHead,
        SaidWord,
    )
    from schemas.recorded_finding import FindingRecord
    from schemas.recorded_sheet import PartRecord

Load = Callable[[str], bytes]
Find = Callable[[int], str]
ReadOf = Callable[["ChipRecord"], "Sequence[ReadWords]"]


def nothing_read(_chip: ChipRecord) -> Sequence[ReadWords]:
    """Where the words of passes are not at hand."""
    return ()


_FACTS = (
    ("part", "Part"),
    ("catalogued", "Catalogued as"),
    ("organisation", "Organisation"),
    ("marking", "Marking"),
    ("label", "Label"),
    ("date_code", "Date code"),
    ("revision", "Revision"),
    ("role", "Role"),
    ("inventory", "Inventory number"),
    ("state", "State"),
    ("notes", "Notes"),
)
MOST_FINDINGS = 40
MOST_CONTESTED = 24
MOST_FILES = 40
MOST_PLACES = 8
_SIGNS = {"fault": "■", "caution": "◆"}
"""Of a finding, for whoever sees no colour."""


class Options(NamedTuple):
    """How much a page carries.

    Attributes:
        public: Whether the page goes into a public bundle: private fields are left out once more.
        with_content: Whether the content of chips may be shown at all.
        up: The way from this page back to the first page's folder, `` or `../../`.
        anchors: Whether all chips are on one page (`#chip-U1`) or on their own.
        most_pixels: Bits drawn one by one before rows are averaged.
        most_bands: Stripes with a title on each raster.
        most_titles: Glyphs with a title.
    """

    public: bool = False
    with_content: bool = True
    up: str = ""
    anchors: bool = True
    most_pixels: int = 1 << 19
    most_bands: int = 64
    most_titles: int = 256


SINGLE_PAGE = Options()
OWN_PAGE = Options(up="../../", anchors=False, most_pixels=1 << 17, most_bands=16, most_titles=128)


@lru_cache(maxsize=4)
def own_page(*, public: bool, with_content: bool) -> Options:
    """How much a chip's own page carries."""
    return OWN_PAGE._replace(public=public, with_content=with_content)


def chip_view(
    head: RecordHead, chip: ChipRecord, load: Load, options: Options, read: ReadOf = nothing_read
) -> View:
    """Everything the chip template prints.

    Args:
        head: The record without its chips.
        chip: The chip's record.
        load: Bytes of a path in the bag.
        options: How much is carried.
        read: The differing contents of a chip's passes.
    """
    organisation = _organisation(chip)
    digits = max(3, (organisation.address_bits + 3) // 4) if organisation else 3
    name = str(chip["chip"])
    findings = in_order(chip.get("findings") or (), chip.get("held_back") or ())
    part = pictures.part_of(head, chip)
    told = listing.told_addresses(chip) if options.with_content else frozenset()
    find = _listing_link(chip, organisation, told, options)
    return {
        "id": name,
        "board": str(chip.get("board") or ""),
        "socket": str(chip.get("socket") or ""),
        "grade": str(chip["grade"]),
        "reasons": chip.get("reasons") or (),
        "bears": _bears(chip.get("bears") or {}),
        "facts": _facts(chip, options),
        "attempts": [wording.say(attempt) for attempt in chip.get("attempts") or ()],
        "held_back": ", ".join(chip.get("held_back") or ()),
        "findings": _with_notes([_finding(found, digits, part, find) for found in findings[:MOST_FINDINGS]]),
        "more_findings": max(0, len(findings) - MOST_FINDINGS),
        "photographs": _photographs(head, name, options),
        "readings": [_reading(reading, options) for reading in chip.get("readings") or ()],
        "image": _image(chip, options),
        "program": program_view(chip, one_page=options.anchors) if options.with_content else None,
        "contested": _contested(chip.get("contested"), digits, find),
        "listing_page": organisation and listing_page_of(chip, organisation, options)(0),
        "pictures": _pictures(chip, organisation, part, load, options, read, told)
        if options.with_content
        else {},
    }


def _pictures(
    chip: ChipRecord,
    organisation: Organisation | None,
    part: PartRecord | None,
    load: Load,
    options: Options,
    read: ReadOf,
    told: frozenset[int],
) -> View:
    """The chip's drawings; none where it has no image."""
    image = chip.get("image")
    if not image or organisation is None:
        return {}
    content, mask = pictures.content_of_chip(chip, organisation, load)
    if content is None:
        return {"none": f"The image file is not as long as {organisation} needs; it is not drawn."}
    return pictures.pictures(
        Drawing(
            chip,
            content,
            part,
            mask,
            read(chip) if passes.any_departs(chip) else (),
            most_pixels=options.most_pixels,
            most_bands=options.most_bands,
            most_titles=options.most_titles,
            told=told,
            folded=folded(organisation, options),
            far=options.anchors or bool(to_do(chip).tasks),
        )
    )


def _photographs(head: RecordHead, chip: str, options: Options) -> list[tuple[str, str]]:
    """The photographs that the sheet ties to a chip: the way to each, and what it is called."""
    return [
        (
            f"{options.up}../{stored['path'].removeprefix('data/')}",
            one.get("caption") or (stored.get("original_name") or stored["path"]).rsplit("/", 1)[-1],
        )
        for stored in head.get("attachments") or ()
        for one in stored.get("shows", ())
        if one.get("chip") == chip and stored.get("path")
    ]


def _organisation(chip: ChipRecord) -> Organisation | None:
    said = chip.get("organisation")
    return Organisation.parse(said) if said else None


def _bears(bears: Bears) -> str:
    return wording.listed(
        [
            wording.counted(bears["passes"], "pass", "passes"),
            wording.counted(bears["sittings"], "sitting"),
            wording.counted(bears["readers"], "reader"),
            wording.counted(bears["checks"], "check"),
        ]
    )


def _facts(chip: ChipRecord, options: Options) -> list[tuple[str, str]]:
    out = []
    for key, title in _FACTS:
        value = chip.get(key)
        if (
            value
            and not (options.public and key == "notes")
            and not (key == "catalogued" and value == chip.get("part"))
        ):
            out.append((title, wording.say(value)))
    if wiring := chip.get("board_wiring"):
        out.append(("Board wiring", wording.say({key: lines for key, lines in wiring.items() if lines})))
    if "original" in chip:
        out.append(("Original", "yes, as stated" if chip["original"] else "no, a copy"))
    out += [("Twin", wording.say(twin_words(twin))) for twin in chip.get("twins", ())]
    return out


def _pin_text(pin: Details) -> str:
    label = (
        f" ({wording.short(pin['label'], 12)})"
        if pin.get("label") and pin.get("label") != pin.get("line")
        else ""
    )
    ground = wording.listed(
        [
            part
            for part in (
                str(pin.get("source") or ""),
                f"{pin['confidence']} confidence" if pin.get("confidence") else "",
            )
            if part
        ]
    )
    return f"{pin.get('line', '')} is pin {pin.get('pin', 'not known')}{label}" + (
        f": {ground}" if ground else ""
    )


def _places(found: FindingRecord, digits: int, find: Find) -> list[tuple[str, str, str]]:
    """Where in the listing a finding points: (address, link, what stands between it and the next)."""
    told = listing.addresses_in(found.get("where") or {}) + listing.addresses_in(found.get("evidence") or {})
    places = [(wording.hexa(one, digits), way) for one in dict.fromkeys(told) if (way := find(one))]
    last = min(len(places), MOST_PLACES) - 1
    return [(at, way, ", " if number < last else "") for number, (at, way) in enumerate(places[: last + 1])]


def _socket(found: FindingRecord, part: PartRecord | None) -> Markup | None:
    """The socket with the pins that a fault or a caution names."""
    if part is None or found.get("severity") == "note":
        return None
    return outline.socket_svg(part, outline.pins_of(found.get("where") or {}), str(found.get("severity")))


def _finding(found: FindingRecord, digits: int, part: PartRecord | None, find: Find) -> View:
    where: Details = found.get("where") or {}
    evidence: Details = found.get("evidence") or {}
    pins = where.get("pins") or ()
    seen = [
        f"{wording.plain_key(key)} {wording.short(wording.say(value, key, digits), 400)}"
        for part in (where, evidence)
        for key, value in part.items()
        if key != "pins" and not (part is evidence and where.get(key) == value)
    ]
    return {
        "code": str(found.get("code", "")),
        "severity": str(found.get("severity", "note")),
        "sign": _SIGNS.get(found.get("severity", "note"), "○"),
        "seen": "; ".join(seen) + "." if seen else "",
        "pins": [_pin_text(pin) for pin in pins if isinstance(pin, dict)],
        "socket": _socket(found, part),
        "places": _places(found, digits, find),
        "means": found.get("means") or "",
        "also": found.get("also") or "",
        "next": found.get("next") or "",
        "notes": 0,
        "last_note": False,
    }


def _with_notes(findings: list[View]) -> list[View]:
    """The findings, notes last: the first of those knows how many they are, and the last that it is."""
    notes = [one for one in findings if one["severity"] == "note"]
    if notes:
        notes[0]["notes"] = len(notes)
        notes[-1]["last_note"] = True
    return findings


def _reading(reading: ReadingRecord, options: Options) -> View:
    files = reading.get("files") or ()
    passes = reading.get("passes") or ()
    how = dict(reading.get("how") or {})
    if not options.public:
        how |= {key: reading[key] for key in ("operator", "notes") if reading.get(key)}
    return {
        "name": str(reading.get("reading", "")),
        "reader": str(reading.get("reader", "")),
        "files": [_file(file, options) for file in files[:MOST_FILES]],
        "more_files": max(0, len(files) - MOST_FILES),
        "passes": wording.counted(len(passes), "pass", "passes"),
        "sittings": wording.listed(sorted({_sitting(one, reading) for one in passes} - {""})),
        "set_aside": reading.get("set_aside") or "",
        "how": wording.say({key: value for key, value in how.items() if value is not None}) if how else "",
        "steps": _steps(passes),
    }


def _sitting(one: PassRecord, reading: ReadingRecord) -> str:
    """The sitting's own name: it carries its reader's in front."""
    return str(one.get("sitting", "")).removeprefix(f"{reading.get('reader', '')}/")


def _file(file: DumpRecord, options: Options) -> View:
    """A dump file; what its decoder remarked quotes the dump, so a public page leaves it out."""
    forgiven = [wording.say(one) for one in file.get("forgiven") or ()]
    path = str(file.get("path", ""))
    return {
        "name": path.rsplit("/", 1)[-1],
        "original": str(file.get("original_name") or ""),
        "format": str(file.get("format") or "not known"),
        "size": f"{int(file.get('size_bytes', 0)):,}",
        "sha256": str(file.get("sha256", "")),
        "remarks": [] if options.public else [*forgiven, *(str(note) for note in file.get("notes") or ())],
    }


def _steps(passes: Sequence[PassRecord]) -> list[tuple[str, Markup]]:
    """Steps a group of passes share, said once: (which passes, the steps as list items)."""
    groups: list[tuple[list[int], Any]] = []
    for one in passes:
        steps = one.get("steps") or ()
        if groups and groups[-1][1] == steps:
            groups[-1][0].append(int(one.get("number", 0)))
        else:
            groups.append(([int(one.get("number", 0))], steps))
    return [
        (
            f"Pass {numbers[0]}" if len(numbers) == 1 else f"Passes {numbers[0]} to {numbers[-1]}",
            _step_items(marshal.dumps(steps, _PLAIN)),
        )
        for numbers, steps in groups
        if steps
    ]


_PLAIN = 2
"""The last version of `marshal` whose bytes tell the value alone, not who else holds it."""


@lru_cache(maxsize=512)
def _step_items(steps: bytes) -> Markup:
    """The items of one list of steps, as `marshal` writes them: hundreds of chips were treated alike."""
    item, settings, why = (
        Markup("<li><b>{}</b>{}{}</li>\n"),
        Markup(' <span class="soft">{}</span>'),
        Markup(": {}"),
    )
    return Markup("").join(
        item.format(
            wording.visible(str(step.get("action", ""))),
            settings.format(wording.short(wording.say(step["settings"]), 300))
            if step.get("settings")
            else "",
            why.format(wording.visible(str(step["why"]))) if step.get("why") else "",
        )
        for step in marshal.loads(steps)  # noqa: S302 - our own bytes, never stored
    )


def _image(chip: ChipRecord, options: Options) -> View | None:
    image = chip.get("image")
    if not image:
        return None
    path = str(image.get("path", ""))
    return {
        "path": path,
        "href": _href(path, options) if options.with_content else "",
        "settled": bool(image.get("settled")),
        "size": f"{int(image.get('size_bytes', 0)):,}",
        "sha256": str(image.get("sha256", "")),
        "sha512": str(image.get("sha512", "")),
        "sums": [
            (f"{s.get('method')}, {s.get('form')}", str(s.get("value"))) for s in image.get("sums") or ()
        ],
    }


def _href(path: str, options: Options) -> str:
    """From the page to a payload file: the first page lies in `data/report/`."""
    return "../" + options.up + quote(path.removeprefix("data/")) if path.startswith("data/") else ""


def _contested(contested: Contested | None, digits: int, find: Find) -> View | None:
    if not contested or not contested.get("bits"):
        return None
    words = contested.get("listed_words") or _words_of(contested.get("listed") or ())
    return {
        "bits": wording.counted(int(contested["bits"]), "bit"),
        "words": wording.counted(int(contested.get("words", 0)), "word"),
        "flow": contested["flow"]["says"] if "flow" in contested else "",
        "rows": [
            (
                wording.hexa(int(word["address"]), digits),
                find(int(word["address"])),
                "; ".join(_said(said) for said in word["said"]),
                ", ".join(word["lines"]),
                word["image"],
            )
            for word in words[:MOST_CONTESTED]
        ],
        "more": max(0, int(contested["words"]) - MOST_CONTESTED) if words else 0,
    }


def _said(said: SaidWord) -> str:
    """`7C by hb in 2 passes`."""
    by = [f"{reader} in {wording.counted(n, 'pass', 'passes')}" for reader, n in said["passes"].items()]
    return f"{said['value']} by {wording.listed(by)}"


def _words_of(listed: Sequence[ContestedBit]) -> list[ContestedWord]:
    """The listed bits by word, from a record that has no words: who says what of each line."""
    by_address: dict[int, list[ContestedBit]] = {}
    for bit in listed:
        by_address.setdefault(int(bit["address"]), []).append(bit)
    return [
        {
            "address": address,
            "said": [
                {"value": f"{bit['line']} {value}", "passes": {"all readers": count}}
                for bit in bits
                for value, count in ((1, bit["ones"]), (0, bit["zeros"]))
                if count
            ],
            "lines": [str(bit["line"]) for bit in bits],
            "image": " ".join(f"{bit['line']}={bit['image']}" for bit in bits),
        }
        for address, bits in by_address.items()
    ]


def _listing_link(
    chip: ChipRecord, organisation: Organisation | None, told: frozenset[int], options: Options
) -> Find:
    """Address to the place in the listing that shows it; "" where there is none to go to."""
    image = chip.get("image")
    if organisation is None or not image or not image.get("path") or not options.with_content:
        return lambda _address: ""
    name = str(chip["chip"])
    digits, per = listing.digits_of(organisation), listing.words_a_row(organisation)
    page = listing_page_of(chip, organisation, options)

    def find(address: int) -> str:
        if not 0 <= address < organisation.words:
            return ""
        place = address if address in told else address - address % per
        return f"{page(address)}#{listing.anchor(name, place, digits)}"

    return find


def listing_page_of(chip: ChipRecord, organisation: Organisation, options: Options) -> Callable[[int], str]:
    """Address to the page that lists it, as a link from this page; "" where it is this page."""
    if folded(organisation, options):
        return lambda _address: ""
    lead = f"chips/{chip.get('board') or UNPLACED}/" if options.anchors else ""
    return lambda address: quote(lead + listing_name(str(chip["chip"]), address // listing.MOST_A_PAGE))


def folded(organisation: Organisation, options: Options) -> bool:
    """Whether the listing lies in a fold of the chip's own page."""
    return not options.anchors and organisation.words <= listing.MOST_FOLDED


def listing_name(chip: str, number: int) -> str:
    """The name of a page that lists a chip's words, beside the chip's own page."""
    return f"{chip}.listing{f'-{number + 1}' if number else ''}.html"
