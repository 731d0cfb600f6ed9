"""What the page of a chip says of it, taken again where all that it is drawn from is the same to the byte.

It stands beside what was made of the chip (`worked_before`), under a digest over the chip's record as it is
finished, its neighbours, what is shown of it, and every file that a picture is drawn from. What is drawn is
handed no more of the bag's record than that, so that it cannot hang on anything else.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, cast

from pipeline.run.package.kept_passes import passes_file, read_of
from pipeline.run.package.one_chip import image_file
from pipeline.run.package.worked_before import Keeping
from pipeline.views.report import Near, chip_body

if TYPE_CHECKING:
    from pipeline.run.package.worked_before import Before
    from schemas.record import ChipRecord, RecordHead


class Bodies:
    """The bodies of chips' pages, drawn or taken again.

    Args:
        head: The record without chips.
        images: The folder in which images lie until they are placed, and passes that differ.
        before: What earlier runs drew; None where nothing is kept.
    """

    def __init__(self, head: RecordHead, images: Path, before: Before | None) -> None:
        shown = [one for one in head["attachments"] if one.get("shows")]
        self._seen = cast("RecordHead", {"parts": head["parts"], "attachments": shown})
        self._said = json.dumps(self._seen)
        self._images, self._before, self._keeping = images, before, Keeping(before)
        self._packs: dict[str, str] = {}

    def body(self, record: ChipRecord, near: Near, load: Callable[[str], bytes]) -> str:
        """What the page of a chip says of it.

        The odds that a settled bit is wrong stand in the record alone: they hang on every chip that a reader
        read, and change with each of them.

        Args:
            record: Of the chip, finished.
            near: The chips before and after it.
            load: Bytes of a path in the bag.
        """
        chip = record["chip"]
        shown = cast("ChipRecord", {name: said for name, said in record.items() if name != "odds"})
        key = "" if self._before is None else self._before.page_key(self._drawn_from(shown, near, load))
        found = None if self._before is None else self._before.find_page(key)
        if found is not None and self._before is not None:
            self._packs[chip] = self._before.pack_of(key)
            return found
        body = chip_body(self._seen, shown, load, near=near, read=read_of(self._images))
        if self._before is not None:
            self._keeping.add_page(key, body, lambda pack: self._packs.update({chip: pack}))
        return body

    def packs(self) -> dict[str, str]:
        """Chip → the pack in which its body is kept; what waits is written first."""
        self._keeping.write()
        return self._packs

    def _drawn_from(self, shown: ChipRecord, near: Near, load: Callable[[str], bytes]) -> list[object]:
        files = [load(path) for path in _files(shown)]
        passes = passes_file(image_file(self._images, shown["chip"]))
        if passes.exists():
            files.append(passes.read_bytes())
        return [shown, near, self._said, [hashlib.sha256(content).hexdigest() for content in files]]


def _files(record: ChipRecord) -> list[str]:
    """The paths of the image and of its mask in the bag."""
    image = record["image"]
    return [path for path in (image["path"], image["mask_path"]) if path] if image else []
