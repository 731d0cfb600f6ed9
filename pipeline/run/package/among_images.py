"""What is sought among the images of several chips: read and compared in workers.

It lies apart from the walk of all chips (`all_chips`): a worker that loaded what reads a sheet would begin a
twentieth of a second later.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from pipeline.run.package.one_chip import image_file, load_image
from pipeline.run.package.worked_before import Before, Keeping
from pipeline.stages.content.among_chips import ChipImage, Join, Microword, joins, next_address_findings
from pipeline.words import Words

if TYPE_CHECKING:
    from schemas.finding import Finding


class BoardImages(NamedTuple):
    """The chips of one board as joins are sought among them.

    Attributes:
        images: Their signatures.
        bits: Of each.
    """

    images: tuple[ChipImage, ...]
    bits: tuple[int, ...]


class Joining(NamedTuple):
    """What every worker needs to know that looks for chips that belong side by side.

    Attributes:
        images: The folder in which images lie until they are placed.
        before: What earlier runs found; None where nothing is kept.
    """

    images: Path
    before: Before | None


@dataclass(slots=True)
class Joined:
    """What was found on one board.

    Attributes:
        joins: Chips that belong side by side.
        pack: The pack in which that is kept, or "".
    """

    joins: tuple[Join, ...]
    pack: str = ""

    def lies_in(self, pack: str) -> None:
        """It is kept there now."""
        self.pack = pack


def join_boards(job: Joining, boards: Sequence[BoardImages]) -> list[Joined]:
    """Chips of each board that belong side by side; in workers, since images are read and compared."""
    keeping = Keeping(job.before)
    out = [_joined(board, job, keeping) for board in boards]
    keeping.write()
    return out


def _joined(board: BoardImages, job: Joining, keeping: Keeping) -> Joined:
    """As it was found before, where the same images are compared; else looked for."""
    bits = {one.chip: bits for one, bits in zip(board.images, board.bits, strict=True)}

    def found() -> Joined:
        return Joined(joins(board.images, lambda chip: load_image(job.images, chip, bits[chip])))

    before = job.before
    if before is None:
        return found()
    files = [image_file(job.images, one.chip) for one in board.images]
    key = before.joins_key(board, [hashlib.sha256(file.read_bytes()).hexdigest() for file in files])
    known = before.find_joins(key)
    if known is not None:
        return Joined(known, before.pack_of(key))
    joined = found()
    keeping.add(key, joined.joins, joined.lies_in)
    return joined


def next_of_words(folder: Path, words: Sequence[Microword]) -> list[tuple[Finding, ...]]:
    """What names the next address, of each; in workers, since images are read."""

    def images(word: Microword) -> list[Words]:
        return [load_image(folder, chip, bits) for chip, bits in zip(word.chips, word.bits, strict=True)]

    return [tuple(next_address_findings(word, images(word))) for word in words]
