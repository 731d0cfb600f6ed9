"""Stage six: images and the sheet's spaces become address spaces as the machine sees them.

What the chip holds, in data-sheet order, stays the primary record; a space is a derived view. Splitting a
space gives every wholly placed chip back bit for bit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.lines import apply_wiring, undo_wiring
from pipeline.words import Words, true_ranges, word_bytes, words_dtype
from schemas.names import Organisation
from schemas.sheet import Chip, Placement, Space
from schemas.wiring import Lines

LARGEST_SPACE_WORDS = 1 << 28


class Assembled(NamedTuple):
    """One bank of a space.

    Attributes:
        space: Its name; `bank` is "" where the space has none.
        words: Shape (n,), the space's words from address 0 on; None where holes have no declared fill.
        filled: Bool mask: True where a chip gives the word.
        holes: Half-open word ranges that no chip gives.
        absent: Chips placed here that have no image.
        unread: Chips placed here of which some words were never read.
        reasons: Sentences for a person.
    """

    space: str
    bank: str
    words: Words | None
    filled: NDArray[np.bool_]
    holes: tuple[tuple[int, int], ...]
    absent: tuple[str, ...]
    reasons: tuple[str, ...]
    unread: tuple[str, ...] = ()

    @property
    def lacking(self) -> bool:
        """Whether something is missing that the sheet places here."""
        return bool(self.absent or self.unread)


def machine_view(words: Words, organisation: Organisation, wiring: Lines | None) -> Words:
    """A chip's words in the order in which the machine sees them."""
    if wiring is None:
        return words
    return apply_wiring(words, organisation.bits, **_wiring_lines(organisation, wiring))


def chip_view(words: Words, organisation: Organisation, wiring: Lines | None) -> Words:
    """The inverse of `machine_view`."""
    if wiring is None:
        return words
    return undo_wiring(words, organisation.bits, **_wiring_lines(organisation, wiring))


def _wiring_lines(organisation: Organisation, wiring: Lines) -> dict[str, tuple[int, ...]]:
    return {
        "address": wiring.address or tuple(range(organisation.address_bits)),
        "data": wiring.data or tuple(range(organisation.bits)),
        "invert_address": wiring.invert_address,
        "invert_data": wiring.invert_data,
    }


def first_word(space: Space, placement: Placement) -> int:
    """The word address at which a placement begins."""
    return placement.at if space.unit == "word" else placement.at // (space.width // 8)


def placed_words(placement: Placement, organisations: Mapping[str, Organisation]) -> int:
    """How many words a placement takes."""
    if placement.span:
        return placement.span[1] - placement.span[0]
    return min(organisations[chip].words for chip, _ in placement.parsed_lanes)


def assemble(
    space: Space,
    *,
    images: Mapping[str, Words],
    organisations: Mapping[str, Organisation],
    chips: Mapping[str, Chip],
    absent: Mapping[str, Sequence[tuple[int, int]]] | None = None,
) -> tuple[Assembled, ...]:
    """The banks of a space, in the order in which the sheet names them.

    Args:
        space: From the sheet, checked.
        images: Chip id → its words; a chip without an image is absent.
        organisations: Of every placed chip.
        chips: For their board wiring.
        absent: Chip id → half-open ranges of words that no reading has: holes, whatever stands there.
    """
    banks = list(dict.fromkeys(placement.bank or "" for placement in space.placements))
    return tuple(_bank(space, bank, images, organisations, chips, absent or {}) for bank in banks)


def _bank(
    space: Space,
    bank: str,
    images: Mapping[str, Words],
    organisations: Mapping[str, Organisation],
    chips: Mapping[str, Chip],
    never_read: Mapping[str, Sequence[tuple[int, int]]],
) -> Assembled:
    """One bank of a space: each placed word written once; what no chip fills stays `fill`, a hole.

    With an absent chip there is no image unless `fill` says what stands for it: nothing is made up.
    """
    mine = [placement for placement in space.placements if (placement.bank or "") == bank]
    size = max(first_word(space, one) + placed_words(one, organisations) for one in mine)
    if size > LARGEST_SPACE_WORDS:
        return Assembled(
            space.name,
            bank,
            None,
            np.zeros(0, np.bool_),
            (),
            (),
            ("the space is larger than 268435456 words",),
        )
    dtype = words_dtype(space.width)
    words = np.full(size, space.fill or 0, dtype)
    filled = np.zeros(size, np.bool_)
    absent: list[str] = []
    unread: list[str] = []
    for placement in mine:
        gone = [chip for chip, _ in placement.parsed_lanes if chip not in images]
        if gone:
            absent += gone
            continue
        first, count = first_word(space, placement), placed_words(placement, organisations)
        start = placement.span[0] if placement.span else 0
        joined, read = np.zeros(count, dtype), np.ones(count, np.bool_)
        for chip, field in placement.parsed_lanes:
            organisation = organisations[chip]
            view = machine_view(images[chip], organisation, chips[chip].board_wiring)[start : start + count]
            high, low = field or (organisation.bits - 1, 0)
            width = high - low + 1
            piece = (view.astype(dtype) >> np.array(low, dtype)) & np.array((1 << width) - 1, dtype)
            if chip in never_read:
                own = _read(organisation, chips[chip].board_wiring, never_read[chip])[start : start + count]
                read &= own
                unread += [] if own.all() else [chip]
            joined = (joined << np.array(width, dtype)) | piece if width < 64 else piece
        words[first : first + count] = np.where(read, joined, dtype.type(space.fill or 0))
        filled[first : first + count] = read
    holes = _holes(filled)
    reasons = []
    absent = list(dict.fromkeys(absent))
    if absent:
        reasons.append(f"no image of {', '.join(absent)}")
    unread = list(dict.fromkeys(unread))
    if unread:
        reasons.append(f"no reading has all words of {', '.join(unread)}")
    written: Words | None = words
    if absent and space.fill is None:
        written = None
        reasons.append("the sheet gives no `fill`, the word to stand in the holes")
    elif holes and space.fill is None:
        written = None
        gaps = "there are words that were not read" if unread else "no chip stands at some addresses"
        reasons.append(f"{gaps}, and the sheet gives no `fill`, the word to stand there")
    return Assembled(space.name, bank, written, filled, holes, tuple(absent), tuple(reasons), tuple(unread))


def _read(
    organisation: Organisation, wiring: Lines | None, absent: Sequence[tuple[int, int]]
) -> NDArray[np.bool_]:
    """Which words of the machine's view of a chip were read: the board's address lines move them too."""
    there = np.ones(organisation.words, np.uint8)
    for start, end in absent:
        there[start:end] = 0
    if wiring is None:
        return there.astype(np.bool_)
    lines = _wiring_lines(organisation, wiring)
    moved = apply_wiring(
        there, 1, address=lines["address"], data=(0,), invert_address=lines["invert_address"], invert_data=()
    )
    return moved.astype(np.bool_)


def _holes(filled: NDArray[np.bool_]) -> tuple[tuple[int, int], ...]:
    return tuple(true_ranges(~filled))


def split(
    space: Space,
    bank: str,
    words: Words,
    *,
    organisations: Mapping[str, Organisation],
    chips: Mapping[str, Chip],
) -> dict[str, Words]:
    """The chips of one bank, back from its words; only chips that are placed wholly.

    Args:
        space: From the sheet.
        bank: "" where the space has none.
        words: As `assemble` gave them.
        organisations: Of every placed chip.
        chips: For their board wiring.
    """
    images: dict[str, Words] = {}
    covered: dict[str, Words] = {}
    for placement in space.placements:
        if (placement.bank or "") != bank:
            continue
        first, count = first_word(space, placement), placed_words(placement, organisations)
        start = placement.span[0] if placement.span else 0
        left = space.width
        for chip, field in placement.parsed_lanes:
            organisation = organisations[chip]
            high, low = field or (organisation.bits - 1, 0)
            width = high - low + 1
            left -= width
            piece = (words[first : first + count] >> np.array(left, words.dtype)) & np.array(
                (1 << width) - 1, words.dtype
            )
            dtype = words_dtype(organisation.bits)
            image = images.setdefault(chip, np.zeros(organisation.words, dtype))
            mask = covered.setdefault(chip, np.zeros(organisation.words, dtype))
            image[start : start + count] |= (piece.astype(dtype) << np.array(low, dtype)).astype(dtype)
            mask[start : start + count] |= np.array(((1 << width) - 1) << low, dtype)
    return {
        chip: chip_view(image, organisations[chip], chips[chip].board_wiring)
        for chip, image in images.items()
        if bool((covered[chip] == (1 << organisations[chip].bits) - 1).all())
    }


def space_bytes(words: Words, width: int, byte_order: str) -> bytes:
    """A space's words as its file holds them: ceil(width / 8) bytes each."""
    return word_bytes(words, width, byte_order)
