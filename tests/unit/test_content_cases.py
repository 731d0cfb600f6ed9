"""Small images and small boards of every kind: all that is said of their content, to the word and the key.

`tests/assets/content_cases.jsonl` has one a line, as it was when the words and figures were read against what
was put in. Whether a thing is found, and no other, is judged elsewhere; here no word, key or figure changes
unseen. `python -m tests.unit.test_content_cases` writes the file anew: read its difference.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
import pytest

from pipeline.catalogue import load
from pipeline.stages.content import (
    SelfCheck,
    content_findings,
    crossing_findings,
    order_evidence,
    order_search,
    program_findings,
    program_of,
    read_for,
    regions,
    schemes_tried,
    self_checks,
    signature,
    turned_findings,
    vectors,
    with_code,
)
from pipeline.stages.content.among_chips import (
    BoardChip,
    ChipImage,
    ProgramChip,
    interleave_findings,
    joins,
    kin,
    microwords,
    next_address_findings,
    placed_spaces,
    placings,
    program_maps,
    recurring,
    set_checks,
    shared_fills,
    sheet_bases,
    sisters_findings,
    standing_findings,
    suggest_spaces,
)
from pipeline.stages.content.flow_of_control.decode import decode
from pipeline.words import Words
from schemas.finding import Finding
from schemas.names import Organisation
from schemas.record import ProgramRecord
from tests.kit.content_boards import BOARDS, Board
from tests.kit.content_images import BYTES, CHIPS, WORDS, Content

TWO_BYTES = ("z80", "6809", "8086")
"""Families of bytes whose second byte may decide."""
KEPT = Path(__file__).parents[1] / "assets" / "content_cases.jsonl"


def plain(value: object) -> Any:
    """As JSON has it, numbers to four digits: the last ones are the mathematics library's."""
    return json.loads(json.dumps(value), parse_float=lambda text: f"{float(text):.4g}")


def told(findings: Iterable[Finding]) -> list[Any]:
    return [{key: said for key, said in one.to_record().items() if said} for one in findings]


def said_of_chip(one: Content) -> Any:
    """Everything that one image says by itself."""
    part = load().find(one.part) if one.part else None
    program = program_of(one.words, one.bits)
    cut = regions(one.words, one.bits, erased_state=one.erased, part=part)
    starts = vectors(one.words, one.bits)
    checks = self_checks({"U1": one.words}, one.bits, parts={"U1": cut})
    sign = signature(one.words, one.bits, cut)
    searched = order_search(one.words, one.bits, program, one.processor)
    crossed = crossing_findings("U1", searched, part)
    return plain(
        {
            "regions": [each.to_json() for each in with_code(cut, program, one.words, one.bits)],
            "findings": told(
                (
                    *content_findings("U1", cut, checks, starts),
                    *program_findings("U1", program, one.processor),
                    *crossed,
                    *turned_findings("U1", one.words, one.bits, part),
                )
            ),
            "checks": [each.to_json() for each in checks],
            "vectors": [each.to_json() for each in starts],
            "schemes": {str(bits): count for bits, count in schemes_tried(one.words, one.bits, cut).items()},
            "order": {
                name: [each.nats, each.left, each.words]
                for name, each in order_evidence(one.words, one.bits).items()
            },
            "program": read_for(program),
            "signature": [sign.blank, sign.fill, sign.windows],
        }
    )


def said_of_board(board: Board) -> Any:
    """Everything that the chips of one board say of each other."""
    shelf = [_chip(board, name, words) for name, words in board.images.items()]
    load_image = board.images.__getitem__
    joined = joins(shelf, load_image)
    found = placings(
        [_board_chip(board, one.chip) for one in shelf if not one.faulty], load_image, board.processor
    )
    shared = shared_fills(shelf)
    families = {one: _families(board, one) for one in board.images}
    words = microwords(
        board.spaces,
        [one.chips for one in joined],
        {one: _organisation(board, one) for one in board.images},
        [one for one, known in families.items() if not known],
    )
    bases = sheet_bases(board.spaces)
    maps = program_maps(
        [
            ProgramChip(name, board.images[name], board.bits, known, bases.get(name), None)
            for name, known in families.items()
            if known
        ]
    )
    return plain(
        {
            "kin": told(kin(shelf, load_image)),
            "shared": shared,
            "joins": [asdict(one) for one in joined],
            "interleaves": told(interleave_findings(joined)),
            "sisters": told(one for join in joined for one in sisters_findings(join, {})),
            "spaces": [*suggest_spaces(joined), *placed_spaces(found)],
            "stands": told(one for placing in found for one in standing_findings(placing)),
            "maps": {name: _short(one) for name, one in maps.items()},
            "next": told(
                one
                for word in words
                for one in next_address_findings(word, [load_image(chip) for chip in word.chips])
            ),
            "checks": [one.to_json() for one in _checks(board)],
        }
    )


def _checks(board: Board) -> list[SelfCheck]:
    """Those of each chip, weighed over the board, and those over sets."""
    if board.bits % 8 or len(board.images) > 5:
        return []
    images, bits = board.images, board.bits
    single = [one for name, words in images.items() for one in self_checks({name: words}, bits)]
    schemes = {
        name: schemes_tried(words, bits, regions(words, bits, erased_state=None, part=None))
        for name, words in images.items()
    }
    return [*recurring(single, schemes, images, bits), *set_checks(images, bits, single)]


def _short(one: ProgramRecord) -> Any:
    """A map, of its routines and calls the first eight."""
    return {key: value[:8] if isinstance(value, list) else value for key, value in one.items()}


def _organisation(board: Board, name: str) -> Organisation:
    return Organisation(len(board.images[name]), board.bits)


def _families(board: Board, name: str) -> tuple[str, ...]:
    program = program_of(board.images[name], board.bits)
    known = () if program is None else program.named.families
    return () if known == ("unknown",) else known


def _placed(board: Board, name: str) -> bool:
    return any(name == chip for one in board.spaces for at in one.placements for chip, _ in at.parsed_lanes)


def _chip(board: Board, name: str, words: Words) -> ChipImage:
    cut = regions(words, board.bits, erased_state=None, part=None)
    sign = signature(words, board.bits, cut)
    return ChipImage(name, sign, "main", board.fades_to, name in board.faulty, _placed(board, name))


def _board_chip(board: Board, name: str) -> BoardChip:
    return BoardChip(name, _organisation(board, name), _families(board, name), _placed(board, name))


def said_of_family(family: str) -> list[str]:
    """How every first byte is read: length, flow, and where `10 02` behind it leads.

    Where the second byte counts too, a sum over all of these for each first byte; that the tables are true is
    held against disassemblers in `tests/outside/test_instruction_sets.py`.
    """
    if family in BYTES and family not in TWO_BYTES:
        read = decode(family, np.array([(first, 0x10, 2, 0) for first in range(256)], np.uint8).reshape(-1))
        rows = zip(*(one[::4].tolist() for one in read[2:]), strict=True)
        return [
            f"{first:02X} {length} {flow} {kind} {to - first * 4 if kind & 1 else to}"
            for first, (length, flow, kind, to) in enumerate(rows)
        ]
    out = []
    for first in range(256):
        rest = [(first, second, 0x10, 2, 4, 6, 0, 0) for second in range(256)]
        data = np.array(rest, np.uint8)
        stored = data.reshape(-1, 2)[:, ::-1].reshape(-1) if family == "pdp11" else data.reshape(-1)
        read = decode(family, np.ascontiguousarray(stored))
        seen = b"".join(one[:: 8 // read.units].astype("<i4").tobytes() for one in read[2:])
        out.append(f"{first:02X} {crc32(seen):08X}")
    return out


def said(name: str) -> Any:
    if name in CHIPS:
        return said_of_chip(CHIPS[name])
    return said_of_board(BOARDS[name]) if name in BOARDS else said_of_family(name.rpartition(" ")[2])


NAMES = (*CHIPS, *BOARDS, *(f"instructions, {family}" for family in (*BYTES, *WORDS)))


CASES = [json.loads(line) for line in KEPT.read_text("utf-8").splitlines()] if KEPT.exists() else []


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case["name"]))
def test_all_that_is_said_of_content_is_as_it_was_read(case: dict[str, Any]) -> None:
    assert said(case["name"]) == case["said"]


def test_the_cases_are_all_images_and_boards() -> None:
    assert [case["name"] for case in CASES] == [*NAMES]


def main() -> None:
    """Write the file anew."""
    lines = [json.dumps({"name": one, "said": said(one)}, ensure_ascii=False) for one in NAMES]
    KEPT.write_text("\n".join(lines) + "\n", "utf-8")


if __name__ == "__main__":
    main()
