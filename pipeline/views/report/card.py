"""The archive's card: what is in the package, its rights, who may see what, what it replaces."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple
from urllib.parse import quote

from pipeline.views.report import wording
from pipeline.views.report.summary import page_name

if TYPE_CHECKING:
    from pipeline.views.report.head import ReportHead
    from pipeline.views.report.summary import Summary
    from schemas.record import AttachmentRecord
    from schemas.recorded_sheet import RightsRecord

STATEMENTS = {
    "InC": "In copyright",
    "InC-OW-EU": "In copyright; an orphan work in the European Union",
    "InC-EDU": "In copyright; educational use permitted",
    "InC-NC": "In copyright; non-commercial use permitted",
    "InC-RUU": "In copyright; whoever holds the rights cannot be found or named",
    "NoC-CR": "No copyright; contracts restrict its use",
    "NoC-NC": "No copyright; non-commercial use only",
    "NoC-OKLR": "No copyright; other law restricts its use",
    "NoC-US": "No copyright in the United States",
    "CNE": "Copyright not evaluated",
    "UND": "Copyright undetermined",
    "NKC": "No copyright known",
}
"""The statements of RightsStatements.org 1.0 in our words, by the last part of their URI; from memory."""
_LINKED = ("http://rightsstatements.org/", "https://rightsstatements.org/", "https://creativecommons.org/")
"""What a page may lead to outside: the texts of open statements, and nothing that a sheet could make up."""
SHOWN = (".jpg", ".jpeg", ".png", ".gif", ".webp")
"""Pictures that every browser draws; from memory."""
RECORDS = (
    ("metadata/record.json", "record, for programs"),
    ("metadata/premis.xml", "PREMIS, for archive systems"),
    ("metadata/provenance.txt", "provenance, for a person"),
)


class Holding(NamedTuple):
    """A kind of file in the package: how many, how large."""

    kind: str
    files: int
    bytes: str


class Link(NamedTuple):
    """A way to a file beside the report."""

    way: str
    words: str


class ShownPhoto(NamedTuple):
    """One picture as the page of photographs shows it.

    Attributes:
        way: From the report's folder; empty where no browser draws its kind, `link` still leads to it.
        link: The way to the file.
        name: As it was called.
        caption: What the sheet says of it.
        shows: (words, way) of each board or chip that the sheet ties it to; the way is "" for a board.
    """

    way: str
    link: str
    name: str
    caption: str
    shows: tuple[Link, ...]


class Card(NamedTuple):
    """What the card says.

    Attributes:
        kept: Kinds of file; empty where nobody told.
        payload: The payload without this report, as octets and files.
        rights: In words; "" where the sheet has none.
        statement: The address of the statement, "" where it is none that a page may lead to.
        note: What the sheet adds.
        seen: Who may see what, a sentence each.
        supersedes: What this replaces and why.
        records: Ways to the record and its like.
        documents: Ways to documents.
        photographs: How many there are.
    """

    kept: tuple[Holding, ...]
    payload: str
    rights: str
    statement: str
    note: str
    seen: tuple[str, ...]
    supersedes: tuple[str, ...]
    records: tuple[Link, ...]
    documents: tuple[Link, ...]
    photographs: int


def card(head: ReportHead, chips: Sequence[Summary], *, public: bool) -> Card:
    """The card of a package or bundle.

    Args:
        head: The record without its chips.
        chips: All.
        public: Whether it is a public bundle.
    """
    rights: RightsRecord = head.get("rights") or {"statement": ""}
    statement = str(rights.get("statement") or "")
    told = head.get("contents") or ()
    payload = [one for one in told if one["payload"]]
    octets, files = sum(one["bytes"] for one in payload), sum(one["files"] for one in payload)
    told_of = {"Note": rights.get("note"), "Holder": rights.get("holder"), "In": rights.get("jurisdiction")}
    said = [f"{title}: {value}" for title, value in told_of.items() if value]
    return Card(
        kept=tuple(Holding(one["kind"], one["files"], f"{one['bytes']:,}") for one in told),
        payload=f"{wording.counted(octets, 'octet')} in {wording.counted(files, 'file')}" if payload else "",
        rights=STATEMENTS.get(statement.rstrip("/").split("/")[-2] if "/" in statement else "", statement),
        statement=statement if statement.startswith(_LINKED) else "",
        note="; ".join(wording.visible(one).rstrip(".") for one in said),
        seen=tuple(_seen(head, chips, public=public)),
        supersedes=tuple(_supersedes(head)),
        records=_records(public=public),
        documents=tuple(_link(one) for one in _kept(head) if _folder(one) == "docs"),
        photographs=len(photographs(head, chips)),
    )


def _records(*, public: bool) -> tuple[Link, ...]:
    sums = (
        [("checksums-sha256.txt", "digests of every file")]
        if public
        else [("manifest-sha256.txt", "manifest"), ("bag-info.txt", "bag-info with the Payload-Oxum")]
    )
    return tuple(Link(f"../../{path}", words) for path, words in (*RECORDS, *sums))


def _seen(head: ReportHead, chips: Sequence[Summary], *, public: bool) -> list[str]:
    """Who may see what."""
    private = sum(chip.private for chip in chips)
    held = sum(bool(taking.private) for chip in chips for taking in chip.takings)
    word = head.get("release")
    if public:
        out = ["Anybody may see what is in this bundle; private facts are left out of it."]
    else:
        out = ["It holds private facts too (serial numbers, operators, notes): it is for its keepers."]
        kept = [wording.counted(n, one) for n, one in ((private, "chip"), (held, "reading")) if n]
        out += [f"Marked private, and left out of a public bundle: {wording.listed(kept)}."] if kept else []
    if word:
        said = f"{wording.visible(word['allowed_by'])}: {wording.visible(word['ground'])}"
        out.append(f"Publication allowed by {said.rstrip('.')}.")
    else:
        out.append("Nobody has allowed the content to be published.")
    return out


def _supersedes(head: ReportHead) -> list[str]:
    """What this package replaces and why; what a bundle was made from."""
    out = []
    if before := head.get("supersedes"):
        why = (
            "; ".join(wording.visible(str(one)) for one in before.get("why") or ()) or "no reason is recorded"
        )
        out.append(f"Replaces {wording.visible(before['bag'])} (receipt {before['receipt']}): {why}.")
    if origin := head.get("released_from"):
        out.append(f"Made from {wording.visible(origin['bag'])} (receipt {origin['receipt']}).")
    return out or ["Replaces no earlier package."]


def _kept(head: ReportHead) -> list[AttachmentRecord]:
    return [one for one in head.get("attachments") or () if str(one.get("path") or "").startswith("data/")]


def _folder(one: AttachmentRecord) -> str:
    return one["path"].split("/")[1]


def _link(one: AttachmentRecord) -> Link:
    return Link("../" + quote(one["path"].removeprefix("data/")), _name(one))


def _name(one: AttachmentRecord) -> str:
    return wording.short((one.get("original_name") or one["path"]).rsplit("/", 1)[-1], 80)


def photographs(head: ReportHead, chips: Sequence[Summary]) -> list[ShownPhoto]:
    """The photographs of a package, in its order, with what the sheet ties each to.

    Args:
        head: The record without its chips.
        chips: All.
    """
    boards = {one.chip: one.board for one in chips}
    out = []
    for one in (each for each in _kept(head) if _folder(each) == "photos"):
        link = _link(one)
        shows = one.get("shows") or []
        drawn = one["path"].lower().endswith(SHOWN)
        out.append(
            ShownPhoto(
                way=link.way if drawn else "",
                link=link.way,
                name=link.words,
                caption="; ".join(wording.short(each.get("caption", ""), 300) for each in shows).strip("; "),
                shows=tuple(_shown(each.get("board"), each.get("chip"), boards) for each in shows),
            )
        )
    return out


def _shown(board: str | None, chip: str | None, boards: dict[str, str]) -> Link:
    if chip and chip in boards:
        return Link(quote(page_name(boards[chip], chip)), f"chip {wording.short(chip, 40)}")
    return Link("", f"board {wording.short(board, 40)}" if board else wording.short(chip or "", 40))
