"""One chip's record as the lines and pictures of its section; the template only sets them in place."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from markupsafe import Markup

from pipeline.to_do import in_order
from pipeline.views.report import activity, glyphs, raster, wording
from pipeline.views.report.image import ChipWords, PictureLayout, content_of
from pipeline.views.report.program_map import program_view
from pipeline.views.twin_words import twin_words
from schemas.names import Organisation

if TYPE_CHECKING:
    from pipeline.views.report.head import View
    from schemas.finding import Details, FindingRecord
    from schemas.record import (
        Bears,
        ChipRecord,
        Contested,
        ContestedBit,
        DumpRecord,
        PassRecord,
        ReadingRecord,
        RecordHead,
    )
    from schemas.recorded_sheet import PartRecord

Load = Callable[[str], bytes]
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
MOST_REGIONS = 8


@dataclass(frozen=True, slots=True)
class Options:
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


def chip_view(head: RecordHead, chip: ChipRecord, load: Load, options: Options) -> View:
    """Everything the chip template prints.

    Args:
        head: The record without its chips.
        chip: The chip's record.
        load: Bytes of a path in the bag.
        options: How much is carried.
    """
    organisation = _organisation(chip)
    digits = max(3, (organisation.address_bits + 3) // 4) if organisation else 3
    name = str(chip["chip"])
    findings = in_order(chip.get("findings") or (), chip.get("held_back") or ())
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
        "findings": [_finding(found, digits) for found in findings[:MOST_FINDINGS]],
        "more_findings": max(0, len(findings) - MOST_FINDINGS),
        "photographs": _photographs(head, name, options),
        "readings": [_reading(reading, options) for reading in chip.get("readings") or ()],
        "image": _image(chip, options),
        "program": program_view(chip, one_page=options.anchors) if options.with_content else None,
        "contested": _contested(chip.get("contested"), digits),
        "pictures": _pictures(head, chip, organisation, load, options) if options.with_content else {},
    }


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


def _finding(found: FindingRecord, digits: int) -> View:
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
        "seen": "; ".join(seen) + "." if seen else "",
        "pins": [_pin_text(pin) for pin in pins if isinstance(pin, dict)],
        "means": found.get("means") or "",
        "also": found.get("also") or "",
        "next": found.get("next") or "",
    }


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
            _step_items(json.dumps(steps)),
        )
        for numbers, steps in groups
        if steps
    ]


@lru_cache(maxsize=512)
def _step_items(steps: str) -> Markup:
    """The items of one list of steps, given as JSON: hundreds of chips were treated alike."""
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
        for step in json.loads(steps)
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


def _contested(contested: Contested | None, digits: int) -> View | None:
    if not contested or not contested.get("bits"):
        return None
    listed = contested.get("listed") or ()
    return {
        "bits": wording.counted(int(contested["bits"]), "bit"),
        "words": wording.counted(int(contested.get("words", 0)), "word"),
        "flow": contested["flow"]["says"] if "flow" in contested else "",
        "rows": [
            (
                wording.hexa(int(bit["address"]), digits),
                str(bit["line"]),
                _votes(bit),
                f"{bit['ones']} : {bit['zeros']}",
                str(bit["image"]),
                bit.get("why") or "",
            )
            for bit in listed[:MOST_CONTESTED]
        ],
        "more": max(0, int(contested["bits"]) - MOST_CONTESTED),
    }


def _votes(bit: ContestedBit) -> str:
    said = {None: "its passes disagree", 0: "0", 1: "1"}
    return ", ".join(
        f"{reader}: {said.get(vote, 'not known')}" for reader, vote in (bit.get("votes") or {}).items()
    )


def _pictures(
    head: RecordHead,
    chip: ChipRecord,
    organisation: Organisation | None,
    load: Load,
    options: Options,
) -> View:
    """The chip's drawings: all bits, the activity of its lines, glyphs where the sheet says there are some.

    Each has its words beside it, since a picture alone tells some people nothing.
    """
    image = chip.get("image")
    out: View = {"none": "", "doubt": "", "glyphs": ""}
    if not image or organisation is None:
        return {}
    content = content_of(organisation, load(str(image["path"])), chip.get("absent") or ())
    if content is None:
        return out | {"none": f"The image file is not as long as {organisation} needs; it is not drawn."}
    name = str(chip["chip"])
    part = head.get("parts", {}).get(chip.get("catalogued") or chip.get("part") or "")
    regions = chip.get("regions") or ()
    svg, layout = raster.raster_svg(
        content,
        label=f"All bits of {wording.short(name)}, {organisation}; the text below says what stands out",
        regions=regions,
        most_pixels=options.most_pixels,
        most_bands=options.most_bands,
    )
    data, address = activity.data_lines(content, part), activity.address_lines(content, part)
    telling = [raster.region_text(one) for one in regions if one.get("kind") in raster.TELLING][:MOST_REGIONS]
    out |= {
        "raster": svg,
        "raster_words": _raster_words(organisation, layout),
        "regions": telling,
        "more_regions": len(regions) - len(telling),
        "data": activity.bars_svg(
            data, label="Data lines: part of the words in which each is 1", still=activity.ALWAYS_ALIKE
        ),
        "data_words": activity.data_words(data),
        "address": activity.bars_svg(
            address,
            label="Address lines: part of the words that change with each",
            still=activity.NEVER_CHANGES,
        ),
        "address_words": activity.address_words(address),
        "pins": any(line.pin is not None for line in (*data, *address)),
    }
    return out | _doubt(chip, content, load, options) | _glyphs(chip, content, part, options)


def _raster_words(organisation: Organisation, layout: PictureLayout) -> str:
    words = f"{layout.words_a_row} words a row, the highest bit of each word left, a 1 is ink"
    if layout.averaged > 1:
        return f"{words}; each dot is the average of {layout.averaged} rows of one data line."
    return f"{words}; one dot a bit, {organisation.words * organisation.bits:,} in all."


def _doubt(chip: ChipRecord, content: ChipWords, load: Load, options: Options) -> View:
    """The map of contested bits and of bits that flicker between passes."""
    contested, image = chip.get("contested"), chip.get("image")
    mask_path = image.get("mask_path") if image else None
    absent = chip.get("absent") or ()
    mask = content_of(content.organisation, load(str(mask_path)), absent) if mask_path else None
    marks = [
        (
            int(bit["address"]),
            _line_number(bit.get("line")),
            f"{wording.hexa(int(bit['address']), 3)} {bit.get('line')}: {_votes(bit)}",
        )
        for bit in (contested["listed"] if contested else ())
    ]
    flicker = _flicker(chip.get("findings") or ())
    if (mask is None or not mask.bits.any()) and not flicker:
        return {}
    if mask is None:
        mask = ChipWords(content.organisation, content.octets, content.bits * 0)
    told = [f"{wording.counted(int(mask.bits.sum()), 'bit')} unresolved"] if mask.bits.any() else []
    told += [f"{wording.counted(len(flicker), 'word')} where passes disagree"] if flicker else []
    svg = raster.contested_svg(
        content,
        mask,
        label=f"Where the readings of {wording.short(chip['chip'])} disagree: {wording.listed(told)}",
        marks=marks,
        flicker=flicker,
        most_pixels=options.most_pixels,
    )
    return {"doubt": svg, "doubt_words": f"{wording.listed(told)}; " + _marks_words(marks, flicker)}


def _marks_words(marks: Sequence[Any], flicker: Sequence[Any]) -> str:
    rings = "a ring stands around each listed bit" if marks else ""
    bars = "a bar marks each word where passes disagree" if flicker else ""
    return wording.listed([part for part in (rings, bars) if part]) + "."


def _line_number(line: Any) -> int:
    text = str(line or "").lstrip("Dd")
    return int(text) if text.isascii() and text.isdecimal() else -1


def _flicker(findings: Sequence[FindingRecord]) -> list[int]:
    """Addresses that findings about disagreeing passes name."""
    out: set[int] = set()
    for found in findings:
        if found.get("code") in {"unstable-bits", "intermittent-line", "fading"}:
            named = (found.get("where") or {}).get("addresses")
            for each in named if isinstance(named, Sequence) and not isinstance(named, str) else ():
                span = wording.span(each) or ((each, each + 1) if isinstance(each, int) else None)
                if span is not None:
                    out.update(range(span[0], min(span[1], span[0] + raster.MOST_RINGS)))
    return sorted(out)


def _glyphs(chip: ChipRecord, content: ChipWords, part: PartRecord | None, options: Options) -> View:
    view = chip.get("view")
    geometry = (
        glyphs.geometry_of(view, content.organisation.bits) if view else glyphs.guess_of(content, chip, part)
    )
    if geometry is None:
        return {}
    svg = glyphs.glyphs_svg(
        content, geometry, chip=wording.short(chip["chip"]), most_titles=options.most_titles
    )
    return {"glyphs": svg, "glyphs_words": glyphs.glyphs_words(content, geometry)} if svg else {}
