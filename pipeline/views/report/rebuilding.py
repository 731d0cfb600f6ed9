"""The public bundle's pages for whoever rebuilds a machine.

What to download and burn, what stays behind and why, how to verify, and a dump of one's own compared with the
chips here: in the page, by its own script, offline, and without a byte leaving it. The first page holds each
image's digest and checks of its parts; a chip's page carries the image itself.
"""

from __future__ import annotations

import base64
import hashlib
import zlib
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from importlib import resources
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple
from urllib.parse import quote

from pipeline.views.report import wording
from pipeline.views.report.summary import GRADES, UNPLACED, page_name
from pipeline.views.report.templating import template
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import ChipRecord, ImageRecord

Load = Callable[[str], bytes]
PARTS = 8
"""An image is told by its parts where a few bits differ; each part that differs costs one of eight."""
DIGEST_BYTES, PART_BYTES = 12, 2
"""How much of a SHA-256 and of a part's CRC-32 a page holds: 96 bits identify, 16 a part point to a page."""
MOST_CARRIED = 1 << 20
"""Bytes of images that one page carries: four thirds as much in the page, which a browser opens at once."""
MARK = "<!-- rebuild -->"
"""Where the templates leave room for a public page's own sections."""
FORMATS = (("bin", "binary"), ("hex", "Intel HEX"), ("s19", "S-record"))


class Offered(NamedTuple):
    """One chip as a public page offers it and compares with it.

    Attributes:
        chip: Its id.
        board: Its board, or "".
        part: As the sheet names it, or "".
        organisation: Of the image.
        grade: Of its evidence.
        apart: Its image lies under `images-unsettled/`.
        sha256: Of the image, or "" where it has none.
        crc32: Of the image, eight digits, or "".
        size: Bytes of the image.
        parts: Checks of the image's parts, b"" where it stays behind.
        absent: Half-open ranges of words that no reading has.
        path: Of the image in the bundle, or "" where it stays behind.
        withheld: Why it does.
    """

    chip: str
    board: str
    part: str
    organisation: Organisation | None
    grade: str
    apart: bool
    sha256: str
    crc32: str
    size: int
    parts: bytes
    absent: tuple[tuple[int, int], ...]
    path: str
    withheld: str


def offered(chip: ChipRecord, load: Load, *, with_content: bool) -> Offered:
    """What the public view of a chip offers.

    Args:
        chip: Of the public record.
        load: Bytes of an image by its path.
        with_content: False where no word lets content out.
    """
    image = chip.get("image")
    path = str(image.get("path") or "") if image and with_content else ""
    said = chip.get("organisation")
    return Offered(
        chip=chip["chip"],
        board=chip.get("board") or "",
        part=str(chip.get("part") or ""),
        organisation=Organisation.parse(said) if said else None,
        grade=str(chip["grade"]),
        apart=image is not None and not image["settled"],
        sha256=str(image["sha256"]) if image else "",
        crc32=_crc32(image),
        size=int(image.get("size_bytes", 0)) if image else 0,
        parts=parts_of(load(path)) if path else b"",
        absent=tuple((start, end) for start, end in chip.get("absent") or ()),
        path=path,
        withheld=str(image.get("withheld") or "") if image else "",
    )


def _crc32(image: ImageRecord | None) -> str:
    sums = image.get("matching") if image else None
    return f"{sums['crc32']:08X}" if sums else ""


def parts_of(image: bytes) -> bytes:
    """The upper 16 bits of the CRC-32 of each of `PARTS` parts, cut as the page's script cuts them.

    A part of one value is alike in many chips and tells none of them: it has zeros.
    """
    cuts = [at * len(image) // PARTS for at in range(PARTS + 1)]
    pieces = [image[start:end] for start, end in pairwise(cuts)]
    sums = (zlib.crc32(piece) if len(set(piece)) > 1 else 0 for piece in pieces)
    return b"".join(one.to_bytes(4, "big")[:PART_BYTES] for one in sums)


def first_page(
    page: bytes, chips: Sequence[Offered], withheld: Sequence[str], bag: str, load: Load, *, single: bool
) -> bytes:
    """The first page with the rebuilder's sections.

    Args:
        page: As rendered.
        chips: In the sheet's order.
        withheld: What stays behind and why, a line each.
        bag: The bundle's name.
        load: Bytes of an image by its path.
        single: The chips have their sections on this page, which then carries their images.
    """
    inline = single and sum(one.size for one in chips if one.path) <= MOST_CARRIED
    carried = {one.chip: load(one.path) for one in chips if one.path} if inline else {}
    text = template("rebuild.html").render(
        bag=bag,
        sound=[_row(one, single=single) for one in chips if one.path and not one.apart],
        apart=[_row(one, single=single) for one in chips if one.path and one.apart],
        behind=[(one.chip, wording.visible(one.withheld)) for one in chips if one.sha256 and not one.path],
        none=[one.chip for one in chips if not one.sha256],
        withheld=[wording.visible(one) for one in withheld],
        single=single,
        **_compared(chips, carried, single=single),
    )
    return _within(page, text)


def own_page(page: bytes, one: Offered, load: Load) -> bytes:
    """A chip's own page, which carries its image and compares with it.

    Args:
        page: As rendered.
        one: The chip.
        load: Bytes of an image by its path.
    """
    if not one.sha256 or one.organisation is None:
        return page
    carried = {one.chip: load(one.path)} if one.path and one.size <= MOST_CARRIED else {}
    text = template("rebuild_chip.html").render(
        files=_files(one, "../../../", FORMATS) if one.path else (),
        apart=one.apart,
        **_compared([one], carried, single=True),
    )
    return _within(page, text)


def _compared(chips: Sequence[Offered], carried: Mapping[str, bytes], *, single: bool) -> dict[str, object]:
    """What the script compares with: facts of each chip that has a digest, and images."""
    told = [
        _line(one, carried=bool(one.path) and (one.chip in carried if single else one.size <= MOST_CARRIED))
        for one in chips
        if one.sha256 and one.organisation is not None
    ]
    return {
        "told": "\n".join(told),
        "ways": "" if len(chips) == 1 else "here" if single else "pages",
        "count": len(told),
        "images": [(chip, base64.b64encode(image).decode("ascii")) for chip, image in carried.items()],
    }


def _line(one: Offered, *, carried: bool) -> str:
    """One chip as the script reads it: fields in a row, since a page of 400 chips holds as many."""
    assert one.organisation is not None
    digest = base64.b64encode(bytes.fromhex(one.sha256)[:DIGEST_BYTES]).decode("ascii")
    fields = (
        one.chip,
        one.board or UNPLACED,
        one.organisation.words,
        one.organisation.bits,
        GRADES.index(one.grade) if one.grade in GRADES else one.grade,
        int(one.apart),
        int(carried),
        digest,
        base64.b64encode(one.parts).decode("ascii"),
        "+".join(f"{start}-{end}" for start, end in one.absent),
    )
    return "|".join(map(str, fields))


def _href(one: Offered, *, single: bool) -> str:
    return f"#chip-{one.chip}" if single else quote(page_name(one.board, one.chip))


def _row(one: Offered, *, single: bool) -> dict[str, object]:
    """One chip in the list of what to download."""
    return {
        "chip": one.chip,
        "href": _href(one, single=single),
        "part": wording.visible(one.part),
        "organisation": str(one.organisation or ""),
        "grade": one.grade,
        "crc32": one.crc32,
        "files": _files(one, "../", FORMATS if single else FORMATS[:1]),
    }


def _files(one: Offered, up: str, formats: Sequence[tuple[str, str]]) -> list[tuple[str, str, str]]:
    """The image's files: (address, ending, name of the format)."""
    base = up + quote(one.path.removeprefix("data/").removesuffix(".bin"))
    return [(f"{base}.{ending}", ending, name) for ending, name in formats]


@cache
def _asset(name: str) -> str:
    text = resources.files("pipeline.views.report").joinpath("templates", name).read_text(encoding="utf-8")
    return "\n".join(line for line in text.strip().splitlines() if not line.startswith("// "))


def _within(page: bytes, text: str) -> bytes:
    """The page with these sections at its mark, and with the script and style that they need.

    The policy admits both by their digests, as it does the page's own.
    """
    script, style = _asset("compare.js"), _asset("rebuild.css")
    whole = page.decode("utf-8").replace(MARK, text, 1)
    for kind, asset in (("script-src '", script), ("style-src '", style)):
        whole = whole.replace(kind, f"{kind}{_digest(asset)}' '", 1)
    whole = whole.replace("</style>", f"</style>\n<style>{style}</style>", 1)
    head, _, tail = whole.rpartition("</body>")
    return f"{head}<script>{script}</script>\n</body>{tail}".encode()


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")
