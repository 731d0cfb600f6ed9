"""What the page of a chip says of it, taken from the bag before where it would be drawn the same to the byte.

Nothing is kept of a drawing but what it was drawn from, as a digest over the chip's record as it is finished,
its neighbours, what is shown of it, and every file that a picture is drawn from; and the digest of the page
that it stands in. The page lies in the newest version beside the new one. One that is not there, or is no
longer what it was, is drawn anew. What is drawn is handed no more of the bag's record than the digest is
over, so that it cannot hang on anything else.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, cast

from pipeline.bags.observed import BagEntry
from pipeline.edges.packs import piece_of
from pipeline.run.package.kept_passes import passes_file, read_of
from pipeline.views.report import Near, chip_body, chip_page_name
from pipeline.views.report.passes import any_departs

if TYPE_CHECKING:
    from pipeline.run.package.worked_before import Before
    from schemas.record import ChipRecord, RecordHead

_KEPT = "pages "
"""What the key of what is kept of a project's pages begins with."""


class Drawn(NamedTuple):
    """What is kept of one chip's page.

    Attributes:
        chip: Its id.
        drawn_from: Digest over all that its body was drawn from.
        page_sha256: Of the page.
        page_bytes: Its length.
        start: The first byte of the body in the page.
        size_bytes: Of the body.
    """

    chip: str
    drawn_from: str
    page_sha256: str
    page_bytes: int
    start: int
    size_bytes: int


def drawn_before(before: Before) -> dict[str, Drawn]:
    """Chip → what the last run kept of its page; none where it kept nothing, or it is not whole.

    Args:
        before: What earlier runs left.
    """
    place = before.index.get(_KEPT + before.common)
    piece = None if place is None else before.packs.read(place)
    return {} if piece is None else {kept[0]: Drawn(*kept) for kept in json.loads(piece)}


def keep_drawn(before: Before, drawn: Iterable[Drawn]) -> str:
    """The pack in which what is kept of all pages of a run lies now; "" where the disk did not take it.

    Args:
        before: What earlier runs left.
        drawn: Of each chip.
    """
    kept = [*drawn]
    return before.packs.write([(_KEPT + before.common, json.dumps(kept).encode())]) if kept else ""


class Body(NamedTuple):
    """What the page of a chip says of it.

    Attributes:
        content: As it stands in the page.
        drawn_from: Digest over all that it was drawn from; "" where nothing is kept.
    """

    content: bytes
    drawn_from: str

    def in_page(self, chip: str, page: BagEntry, start: int) -> Drawn | None:
        """What is kept of it, if anything.

        Args:
            chip: The id.
            page: That it stands in.
            start: Its first byte there.
        """
        if not self.drawn_from:
            return None
        return Drawn(chip, self.drawn_from, page.sha256, page.size_bytes, start, len(self.content))


class Bodies:
    """The bodies of chips' pages, drawn or taken again.

    Args:
        head: The record without chips.
        images: The folder in which images lie until they are placed, and passes that differ.
        bag: The bag before; None where there is none.
        kept: Whether anything is kept for the next run.
    """

    def __init__(self, head: RecordHead, images: Path, bag: Path | None, *, kept: bool) -> None:
        shown = [one for one in head["attachments"] if one.get("shows")]
        self._seen = cast("RecordHead", {"parts": head["parts"], "attachments": shown})
        self._said = hashlib.sha256(json.dumps(self._seen).encode()).hexdigest()
        self._images, self._bag, self._kept = images, bag, kept

    def body(
        self, record: ChipRecord, text: str, near: Near, load: Callable[[str], bytes], drawn: Drawn | None
    ) -> Body:
        """What the page of a chip says of it.

        Args:
            record: Of the chip, finished but for the odds that a settled bit is wrong: they hang on every
                chip that a reader read, and change with each of them.
            text: What `chip_text` gave of it.
            near: The chips before and after it.
            load: Bytes of a path in the bag.
            drawn: What the last run kept of its page, if anything.
        """
        drawn_from = self._drawn_from(record, text, near, load) if self._kept else ""
        found = None
        if self._bag is not None and drawn is not None and drawn.drawn_from == drawn_from:
            found = _in_page(self._bag / page_path(record), drawn)
        if found is None:
            found = chip_body(self._seen, record, load, near=near, read=read_of(self._images))
        return Body(found, drawn_from)

    def _drawn_from(self, record: ChipRecord, text: str, near: Near, load: Callable[[str], bytes]) -> str:
        files = [load(path) for path in _files(record)]
        passes = passes_file(self._images, record["chip"])
        if any_departs(record) and passes.exists():
            files.append(passes.read_bytes())
        digests = [hashlib.sha256(content).hexdigest() for content in files]
        said = json.dumps([near, self._said, digests])
        return hashlib.sha256(f"{text}\n{said}".encode()).hexdigest()


def page_path(record: ChipRecord) -> str:
    """Where a chip's own page lies in a bag."""
    return f"data/report/{chip_page_name(record)}"


def _in_page(page: Path, drawn: Drawn) -> bytes | None:
    """The body as it stands in a page; None where the page is not the one that was written."""
    whole = piece_of(page, 0, drawn.page_bytes, drawn.page_sha256)
    return None if whole is None else whole[drawn.start : drawn.start + drawn.size_bytes]


def _files(record: ChipRecord) -> list[str]:
    """The paths of the image and of its mask in the bag."""
    image = record["image"]
    return [path for path in (image["path"], image["mask_path"]) if path] if image else []
