"""The pages themselves: templates with autoescape, one style-sheet and one small script inside each page.

Each page carries a content security policy that allows nothing from outside and only the style and the script
that it brings, by their digests: even a label that got through as markup could neither run nor fetch.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache, lru_cache
from importlib import resources
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import quote

from markupsafe import Markup

from pipeline.to_do import to_do_words
from pipeline.views.report import (
    bench_cautions,
    card,
    machine_map,
    marks,
    pictures,
    readers_matrix,
    sittings,
    spaces,
    tables,
    trips,
    wording,
)
from pipeline.views.report.chip_table import chip_table
from pipeline.views.report.grade_bar import grade_bar, grades_in_order
from pipeline.views.report.summary import (
    Near,
    Summary,
    boards_of,
    counts_of,
    neighbours,
    page_name,
    state_sentence,
)
from pipeline.views.report.templating import macro, printed, template
from pipeline.views.suggestions import row

if TYPE_CHECKING:
    from pipeline.views.report.bench_cautions import Heeding
    from pipeline.views.report.head import ReportHead, View
    from schemas.record import ChipRecord, RecordHead, SpaceRecord
    from schemas.recorded_sheet import PartRecord

Load = Callable[[str], bytes]
MOST_SINGLES = 60
_COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)
_SPACE = re.compile(r"\s*([{};:,>])\s*|\s*\n\s*")


def _asset(name: str) -> str:
    return resources.files("pipeline.views.report").joinpath("templates", name).read_text(encoding="utf-8")


def _lean(css: str) -> str:
    """The style-sheet without comments and needless space."""
    return _SPACE.sub(lambda found: found[1] or " ", _COMMENT.sub("", css)).replace(";}", "}").strip()


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")


@cache
def _style(*, first: bool) -> str:
    return _lean(_asset("chip.css") + _asset("pictures.css") + (_asset("first.css") if first else ""))


@cache
def _script(*, first: bool) -> str:
    pictures = "\n" + _asset("pictures.js").strip()
    return _asset("report.js").strip() + pictures + ("\n" + _asset("table.js").strip() if first else "")


@lru_cache(maxsize=16)
def assets_of(*, first: bool, more_style: str = "") -> Mapping[str, Markup]:
    """Style, script and the policy that admits just these two; the pages of one report share them.

    Args:
        first: Whether the page is a first page.
        more_style: Rules of this page alone.
    """
    style = _style(first=first) + more_style
    script = _script(first=first)
    policy = (
        f"default-src 'none'; img-src data:; style-src '{_digest(style)}'; script-src '{_digest(script)}'; "
        "base-uri 'none'; form-action 'none'"
    )
    found = {"style": Markup(style), "script": Markup(script), "policy": Markup(policy)}  # noqa: S704 - our own files
    return MappingProxyType(found)


def render_chip_body(view: View, *, near: Near, up: str) -> bytes:
    """What a page of one chip's own says of it: nothing of the bag.

    Args:
        view: What `chip_view` gave.
        near: The chips before and after it.
        up: The way to the first page's folder.
    """
    drawn: Any = view["pictures"]
    view |= {
        "near": _steps(near, lambda board, chip: quote(up + page_name(board, chip))),
        "pictures": _DRAWN.put(drawn),
    }
    first = f"{up}index.html"
    text = macro("chip_body.html", "section")(view, "h1", "h2", first, f"{first}#cautions")
    return _DRAWN.whole(text, drawn)


class Around(NamedTuple):
    """What stands in a page of one chip's own before and behind that which it says of the chip."""

    before: bytes
    behind: bytes

    def page(self, body: bytes) -> bytes:
        """The whole page."""
        return b"".join((self.before, body, self.behind))


def render_around(head: RecordHead, chip: ChipRecord, *, public: bool) -> Around:
    """A page of one chip's own, around what `render_chip_body` gives.

    Args:
        head: The record without its chips.
        chip: The chip's record.
        public: Whether it goes into a public bundle.
    """
    opening, between, title_end, behind = _around(machine_name(head), str(head.get("bag", "")), public)
    name, grade = (printed(str(said)).encode() for said in (chip["chip"], chip["grade"]))
    return Around(b"".join((opening, name, between, grade, title_end)), behind)


@lru_cache(maxsize=16)
def _around(machine: str, bag: str, public: bool) -> tuple[bytes, ...]:  # noqa: FBT001 - a key
    """What the pages of one bag share, cut where a chip's id, its grade and its body stand."""
    place = Markup("\0")  # which nothing else that a template prints can hold, see `_Aside`
    text = template("chip_page.html").render(
        **assets_of(first=False, more_style=running_head(machine, bag)),
        c={"id": place, "grade": place},
        body=place,
        machine=machine,
        bag=bag,
        public=public,
    )
    return tuple(piece.encode() for piece in text.split("\0"))


class _Aside:
    """Large ready-made pieces of a page, kept out of the template and set in behind it.

    A template copies what it prints once for each macro that it passes through, as wide characters where only
    one of the page's is wide. Where a piece belongs stands its name between two NULs, which nothing else that
    a template prints can hold: `templating.printed` makes them visible.

    Args:
        names: Of the pieces, each printed once.
    """

    def __init__(self, names: Iterable[str]) -> None:
        self._places = {name: Markup(f"\0{name}\0") for name in names}  # noqa: S704 - our own names

    def put(self, view: View) -> View:
        """A view with its pieces replaced by their places; those that are not there stay as they are.

        Args:
            view: Names to what the template prints.
        """
        return {**view, **{name: place for name, place in self._places.items() if view.get(name)}}

    def whole(self, text: str, pieces: Mapping[str, str | bytes]) -> bytes:
        """The page, each piece in its place.

        Args:
            text: What the template made of a view with places.
            pieces: By name.
        """
        parts = [pieces[one] if at % 2 else one for at, one in enumerate(str.split(text, "\0"))]
        return b"".join([part.encode() if isinstance(part, str) else part for part in parts])


_DRAWN = _Aside(pictures.DRAWN)


def _steps(near: Near, way: Callable[[str, str], str]) -> list[tuple[str, str, str]]:
    """The ways to the chips before and after: (relation, chip, address)."""
    told = (("prev", near.before), ("next", near.after))
    return [(relation, one[1], way(*one)) for relation, one in told if one]


def render_way(head: RecordHead, chip: str) -> bytes:
    """The page at a chip's address where the set stands on one page: it leads on to the chip's section.

    Args:
        head: The record without its chips.
        chip: Its id.
    """
    to = f"../../index.html#chip-{quote(chip)}"
    text = template("way.html").render(chip=chip, machine=machine_name(head), to=to)
    return text.encode("utf-8")


def running_head(machine: str, bag: str) -> str:
    """The rule for the head of each printed sheet: machine and bag left, the page's number right.

    Whatever is no letter or digit is written as its code point: no name can end the string that it stands in.
    Source: CSS Syntax Module Level 3, section 4.3.7 (escapes); CSS Paged Media Module Level 3, section 4.
    """
    inert = "".join(
        letter if letter.isascii() and letter.isalnum() else f"\\{ord(letter):06x}"
        for letter in wording.short(f"{machine}, {bag}", 100)
    )
    return (
        f'@page{{@top-left{{content:"{inert}";font:8pt sans-serif}}'
        '@top-right{content:counter(page) " of " counter(pages);font:8pt sans-serif}}'
    )


def render_photographs(head: ReportHead, summaries: Sequence[Summary]) -> bytes:
    """The page of photographs; b"" where there is none. It draws files beside it and asks for nothing else.

    Args:
        head: The record without its chips.
        summaries: Every chip.
    """
    found = card.photographs(head, summaries)
    if not found:
        return b""
    style = _style(first=True)
    policy = f"default-src 'none'; img-src 'self' file:; style-src '{_digest(style)}'; base-uri 'none'"
    text = template("photos.html").render(
        style=Markup(style),  # noqa: S704 - our own file
        policy=Markup(policy),  # noqa: S704 - digests only
        machine=machine_name(head),
        bag=str(head.get("bag", "")),
        photographs=found,
    )
    return text.encode("utf-8")


def render_listing_page(head: RecordHead, view: View, *, up: str) -> bytes:
    """A page that lists a chip's words.

    Args:
        head: The record without its chips.
        view: `id`, `back`, `span`, `listing`, and the pages `before` and `after`.
        up: The way to the first page's folder.
    """
    text = template("listing_page.html").render(
        **assets_of(first=False),
        c=view,
        machine=machine_name(head),
        bag=str(head.get("bag", "")),
        up=up,
    )
    return text.encode("utf-8")


def machine_name(head: RecordHead) -> str:
    """The machine's name, else its id."""
    machine = head.get("machine") or {}
    return str(machine.get("name") or machine.get("id") or "")


def render_first_page(
    head: ReportHead,
    summaries: Sequence[Summary],
    chips: Iterable[View] | None,
    *,
    public: bool,
    with_content: bool,
    parts: Mapping[str, object],
    load: Load | None = None,
) -> bytes:
    """The first page, with all chips on it where `chips` is given.

    Args:
        head: The record without its chips.
        summaries: Every chip, in the sheet's order.
        chips: What `chip_view` gave for each chip, or None where chips have pages of their own.
        public: Whether it goes into a public bundle.
        with_content: Whether content may be shown.
        parts: Catalogue entries beyond the record's own, for the burn command.
        load: Bytes of a space by its path in the bag; None shows no text of it.
    """
    machine, bag = machine_name(head), str(head.get("bag", ""))
    single = chips is not None
    counts = counts_of(summaries)
    table = chip_table(summaries, head.get("parts") or {})
    known = head.get("parts") or {}
    heed = bench_cautions.heeding_of(known)
    text = template("first_page.html").render(
        **assets_of(first=True, more_style=table.style + running_head(machine, bag)),
        table=table,
        card=card.card(head, summaries, public=public),
        defs=marks.defined(),
        meanings=marks.MEANINGS,
        machine=machine,
        about=_about(head, public=public),
        description=str((head.get("machine") or {}).get("description") or ""),
        bag=bag,
        public=public,
        with_content=with_content,
        tape=tape(bag),
        state=state_sentence(counts),
        counts=grades_in_order(counts),
        bar=grade_bar(counts),
        tasks=_tasks(summaries, known, heed),
        noted=lambda one: trips.mark_words(one, known),
        href=_hrefs(single=single),
        boards=boards_of(head.get("boards") or {}, summaries),
        chips=_beside(chips, summaries) if chips is not None else None,
        commands=tables.commands(head, summaries, public=public, parts=parts),
        spaces=_spaces(head, summaries, load, with_content=with_content),
        map=_map(head, summaries, _hrefs(single=single)),
        read=_read(head, summaries, _hrefs(single=single)),
        suggestions=[row(one) for one in head.get("suggestions") or ()],
        readers=tables.readers(head, public=public),
        qualification=tables.qualification(head.get("qualification") or {}),
        events=tables.events(head),
        heed=heed,
        noticed=[str(one) for one in head.get("cautions") or ()],
        files=[*(head.get("sheet") or ()), *(head.get("attachments") or ())],
        rights=_pairs(head.get("rights")) + _pairs(head.get("release")),
        supersedes=_pairs(head.get("supersedes")),
        software=_software(head),
        created=str(head.get("created", "")),
        clock_fixed=bool(head.get("clock_fixed")),
    )
    return text.encode("utf-8")


def _beside(views: Iterable[View], summaries: Sequence[Summary]) -> Iterator[View]:
    """The sections of a single page, each with the ways to the one before and after."""
    near = neighbours([(one.board, one.chip) for one in summaries])
    for view, beside in zip(views, near, strict=True):
        yield view | {"near": _steps(beside, lambda _, chip: f"#chip-{chip}")}


def _hrefs(*, single: bool) -> Any:
    """Chip summary to link."""
    return (lambda one: f"#chip-{one.chip}") if single else (lambda one: one.page)


def _software(head: RecordHead) -> str:
    """The program that wrote the record: `wellread 0.1.0`."""
    said = head["software"]
    return f"{said.get('name') or 'wellread'} {said['version']}"


def _pairs(value: Any) -> list[tuple[str, str]]:
    return [
        (wording.plain_key(key), wording.say(part))
        for key, part in (value or {}).items()
        if part not in (None, "")
    ]


def _about(head: ReportHead, *, public: bool) -> list[tuple[str, str]]:
    machine = head.get("machine") or {}
    custodian = head.get("custodian") or {}
    kept = [
        ("maker", "Maker"),
        ("model", "Model"),
        ("year", "Year"),
        ("serial", "Serial"),
        ("inventory", "Inventory number"),
        ("accession", "Accession number"),
    ]
    out = [
        (title, str(machine.get(key)))
        for key, title in kept
        if machine.get(key) and not (public and key in ("serial", "accession"))
    ]
    keeper = ", ".join(str(custodian.get(key)) for key in ("name", "organisation") if custodian.get(key))
    return [*out, ("Custodian", keeper)] if keeper else out


def tape(text: str) -> Markup:
    """The bag's name as holes of a seven-bit paper tape: an ornament that is never the same for two sets."""
    holes: list[str] = []
    feed: list[str] = []
    codes = [ord(letter) & 0x7F for letter in text[:28]]
    for column, code in enumerate(codes):
        x = 6 + column * 9
        feed.append(f"M{x - 1} 33a1 1 0 1 0 2 0a1 1 0 1 0 -2 0z")
        holes.extend(
            f"M{x - 2.5:g} {y}a2.5 2.5 0 1 0 5 0a2.5 2.5 0 1 0 -5 0z"
            for bit, y in enumerate((6, 14.5, 23, 42, 50.5, 59, 67.5))
            if code >> bit & 1
        )
    width = 12 + 9 * max(len(codes) - 1, 0)
    return Markup(  # noqa: S704 - numbers only
        f'<svg class="tape" aria-hidden="true" width="{width}" height="74" viewBox="0 0 {width} 74">'
        f'<path d="{"".join(holes)}{"".join(feed)}"/></svg>'
    )


def _tasks(summaries: Sequence[Summary], parts: Mapping[str, PartRecord], heed: Heeding) -> View:
    """What a person must still do: the one list, what to begin with, and the trips."""
    listed = sorted((one for one in summaries if one.to_do.tasks), key=lambda one: one.to_do.rank)
    single = [one for one in summaries if one.grade == "single"]
    return {
        "trips": trips.trips(listed, parts, heed),
        "more": max(0, len(listed) - trips.MOST_TASKS),
        "first": trips.begin_with(listed, parts),
        "dangers": trips.dangers_of(listed, heed),
        "said": trips.waiting_words(listed),
        "single": single[:MOST_SINGLES],
        "single_more": max(0, len(single) - MOST_SINGLES),
    }


def _map(head: ReportHead, summaries: Sequence[Summary], href: Callable[[Summary], str]) -> View | None:
    """The map of the machine with its words; None where the sheet has no space."""
    found: Sequence[SpaceRecord] = head.get("spaces") or ()
    organisations = {one.chip: one.organisation for one in summaries if one.organisation}
    drawn = machine_map.mapped(found, organisations)
    if not drawn:
        return None
    svg, words = machine_map.machine_map(drawn, {one.chip: one for one in summaries}, href)
    return {"svg": svg, "words": words, "more": len(found) - len(drawn)}


def _texts(space: SpaceRecord, load: Load | None) -> View:
    """Text that stands in a space, where its file is there and may be shown."""
    path = str(space.get("path") or "")
    if load is None or not path or not space.get("size_bytes"):
        return {"rows": [], "more": 0}
    rows, more = machine_map.texts_of(space, load(path))
    return {"rows": rows, "more": more}


def _read(head: ReportHead, summaries: Sequence[Summary], href: Callable[[Summary], str]) -> View:
    """Who read what, and when."""
    names = list(head.get("readers") or {})
    found = head.get("qualification") or {}
    sat = sittings.sittings(summaries)
    return {
        "compared": readers_matrix.compared(names, summaries, found),
        "lines": readers_matrix.lines_svg(found),
        "chips": readers_matrix.chips_svg(names, summaries, href),
        "time": sittings.time_line(sat),
        "sittings": sittings.rows_of(sat),
    }


def _spaces(
    head: ReportHead, summaries: Sequence[Summary], load: Load | None, *, with_content: bool
) -> list[View]:
    """The address spaces as shown; beyond `MOST_DRAWN` stretches a space is told and not drawn."""
    found: Sequence[SpaceRecord] = head.get("spaces") or ()
    if not found:
        return []
    organisations = {one.chip: one.organisation for one in summaries if one.organisation}
    by_chip = {one.chip: one for one in summaries}
    out = []
    for space in found:
        stretches = spaces.stretches_of(space, organisations)
        path = str(space.get("path") or "")
        out.append(
            {
                "name": str(space.get("name", "")),
                "facts": tables.space_facts(space),
                "texts": _texts(space, load if with_content else None),
                "path": path,
                "href": "../" + path.removeprefix("data/")
                if with_content and path.startswith("data/")
                else "",
                "sha256": str(space.get("sha256") or ""),
                "reasons": (*(space.get("reasons") or ()), *(space.get("cautions") or ())),
                "waiting": [(by_chip.get(one["chip"]), to_do_words(one)) for one in space.get("to_do") or ()],
                "checks": [wording.say(check) for check in space.get("checks") or ()],
                "drawn": len(stretches) <= spaces.MOST_DRAWN,
                "rows": [
                    (
                        spaces.stretch_words(stretch),
                        stretch.bank,
                        [(lane, by_chip.get(spaces.lane_chip(lane))) for lane in stretch.lanes],
                    )
                    for stretch in stretches[: spaces.MOST_DRAWN]
                ],
            }
        )
    return out
