"""One dump in any format read here, as one file of a format written here.

The pure part of `wellread convert`.

What is written is decoded again before it is handed over, so that a file which does not hold the same bytes
can never leave this function.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from pipeline.errors import AmbiguousError, FormatError, UsageError
from pipeline.formats import recognise
from pipeline.formats.encoders import as_bytes, encode
from pipeline.formats.neutral import LARGEST_CLAIM, Block, Declared, Decoded

if TYPE_CHECKING:
    from schemas.answers import ConvertedRecord


class Converted(NamedTuple):
    """A file to write, and what to say about it.

    Attributes:
        output: The file.
        source: Format that the dump was in.
        decoded: The dump.
        blocks: What the file holds: addresses as written, lengths in bytes.
        taken: Which pass of the dump it is, from 1.
    """

    output: bytes
    source: str
    decoded: Decoded
    blocks: tuple[tuple[int, int], ...]
    taken: int = 1

    def summary(self) -> ConvertedRecord:
        """Plain values for the `--json` document."""
        return {
            "format": self.source,
            "begins": self.blocks[0][0],
            "taken": self.taken,
            "passes": len(self.decoded.runs),
            "blocks": [{"address": address, "length": length} for address, length in self.blocks],
            "forgiven": [
                {
                    "what": one.what,
                    "place": str(one.place),
                    "line": one.place.line,
                    "column": one.place.column,
                    "offset": one.place.offset,
                    "count": one.count,
                }
                for one in self.decoded.forgiven
            ],
            "notes": list(self.decoded.notes),
        }


def convert(
    content: bytes,
    to: str,
    *,
    declared: Declared | None = None,
    base: int | None = None,
    number: int | None = None,
    most_fill: int = LARGEST_CLAIM,
) -> Converted:
    """A dump as a file of another format.

    Args:
        content: The dump.
        to: One of `encoding.WRITTEN`.
        declared: What is known about the dump; its `fill` is written into gaps, its `word_order` is that of
            words wider than a byte.
        base: Address that a binary file starts at, that of the first byte where not said; for the record
            formats, added to every address.
        number: Which pass of a dump that holds several, from 1; None where there is one or all are equal.
        most_fill: Bytes of fill that may be written.

    Raises:
        FormatError: The dump cannot be decoded.
        AmbiguousError: It has two readings, or several passes that differ.
        UsageError: What is asked for cannot be written.
    """
    declared = declared or Declared()
    decoded = recognise.decode(content, declared)
    run = _chosen(decoded, number)
    order = declared.word_order
    if decoded.unit_bits > 8 and order is None:
        raise UsageError(
            where="word order",
            problem=f"words of {decoded.unit_bits} bits have to be written as bytes",
            remedy="say --word-order big or little",
        )
    flat = [as_bytes(block, decoded.unit_bits, order or "big") for block in run if len(block.words)]
    if base is None:
        base = min((block.address for block in flat), default=0) if to == "binary" else 0
    output = encode(to, flat, fill=declared.fill, base=base, most_fill=most_fill)
    written = _read_back(output, to, flat, base)
    return Converted(output, decoded.format, decoded, written, number or 1)


def _chosen(decoded: Decoded, number: int | None) -> tuple[Block, ...]:
    """The pass that is meant."""
    runs = decoded.runs
    if number is not None:
        if not 1 <= number <= len(runs):
            raise UsageError(
                where="pass", problem=f"there is no pass {number}", remedy=f"say 1 to {len(runs)}"
            )
        return runs[number - 1]
    if any(not _same(runs[0], run) for run in runs[1:]):
        raise AmbiguousError(
            where="passes",
            problem=f"the dump holds {len(runs)} passes that differ",
            remedy=f"say which one, --pass 1 to --pass {len(runs)}, or hold them against each other with "
            "`wellread examine`",
        )
    return runs[0]


def _same(one: tuple[Block, ...], other: tuple[Block, ...]) -> bool:
    return len(one) == len(other) and all(
        a.address == b.address and np.array_equal(a.words, b.words) for a, b in zip(one, other, strict=True)
    )


def _read_back(output: bytes, to: str, flat: list[Block], base: int) -> tuple[tuple[int, int], ...]:
    """Decode what was written and hold it against what was meant.

    Returns:
        (address, length) of each block in the file.
    """
    if not output:
        raise FormatError(where="the dump", problem="it holds no bytes", remedy="nothing can be written")
    (back,) = recognise.decode(output, Declared(format=to)).runs
    for block in flat:
        address = block.address - base if to == "binary" else block.address + base
        kept = [
            one.words[address - one.address : address - one.address + len(block.words)]
            for one in back
            if one.address <= address < one.end
        ]
        assert len(kept) == 1
        assert np.array_equal(kept[0], block.words)
    return tuple((one.address + (base if to == "binary" else 0), len(one.words)) for one in back)
