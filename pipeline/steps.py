"""The steps that turn a dump's units into a chip's words, each a pure function that can be replayed.

What came off a chip is never altered: normalising adds a derived image and writes down each step. Because the
stages themselves go through `apply_step`, replaying the recorded steps on the original file cannot give
anything else than what the stages saw.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import AmbiguousError, FormatError
from pipeline.flow import Step
from pipeline.formats import Declared, Decoded, decode, image
from pipeline.words import Words, word_bytes, words_dtype

if TYPE_CHECKING:
    from schemas.record import Settings, StepRecord


class Units(NamedTuple):
    """Units on their way to becoming words.

    Attributes:
        values: Shape (n,), unsigned.
        present: Bool mask of the same shape, or None where all are there.
        bits: Bits of one unit.
    """

    values: Words
    present: NDArray[np.bool_] | None
    bits: int


def decode_step(decoded: Decoded, run: int, *, size: int, declared: Settings) -> Step:
    """The step that picks one run out of a decoded file and says from which address it is laid out.

    Args:
        decoded: The whole file.
        run: Index of the run.
        size: Units that the chip (or the file's whole set of chips) is expected to have; 0 where not known.
        declared: What was declared beyond the format, kept so that the step can be replayed.
    """
    blocks = decoded.runs[run]
    low, end = (blocks[0].address, blocks[-1].end) if blocks else (0, 0)
    base = 0
    if size and end > size and low > 0:
        base = low // size * size if low // size == (end - 1) // size else low
    settings: dict[str, Any] = {"format": decoded.format, "run": run, **declared}  # `Settings`, unfinished
    if base:
        settings["base"] = base
    if end - base:
        settings["units"] = end - base
    why = f"The file's addresses begin at 0x{low:X}; the chip's own begin at 0." if base else ""
    return Step("decode", settings, why)


def lay_out(decoded: Decoded, step: Step) -> Units:
    """The units of one run, laid out from the step's base."""
    run, base = step.settings["run"], step.settings.get("base", 0)
    blocks = decoded.runs[run]
    if len(blocks) == 1 and blocks[0].address == base:
        return Units(blocks[0].words, None, decoded.unit_bits)
    values, present = image(blocks, step.settings.get("units", 0), 0, base=base)
    return Units(values, None if present.all() else present, decoded.unit_bits)


def _take(units: Units, settings: Settings) -> Units:
    values, present, bits = units.values, units.present, units.bits
    if "range" in settings:
        first, end = settings["range"]
        if end > len(values):
            raise FormatError(
                where=f"take range 0x{first:X}-0x{end:X}",
                problem=f"the dump ends at 0x{len(values):X}",
                remedy="Correct the range, or look for what is missing from the dump",
            )
        values, present = values[first:end], None if present is None else present[first:end]
    if "every" in settings:
        first = settings.get("first", 0)
        values = values[first :: settings["every"]]
        present = None if present is None else present[first :: settings["every"]]
    if "bits" in settings:
        high, low = settings["bits"]
        values = (values >> np.array(low, values.dtype)) & np.array((1 << (high - low + 1)) - 1, values.dtype)
        bits = high - low + 1
    return Units(values, present, bits)


def _unpack(units: Units, settings: Settings) -> Units:
    width = settings["bits"]
    low = units.values & np.array((1 << width) - 1, units.values.dtype)
    high = (units.values >> np.array(width, units.values.dtype)) & np.array(
        (1 << width) - 1, units.values.dtype
    )
    pair = (high, low) if settings["first"] == "high" else (low, high)
    present = None if units.present is None else np.repeat(units.present, 2)
    return Units(np.stack(pair, axis=1).reshape(-1), present, width)


def _join(units: Units, settings: Settings) -> Units:
    count, bits = settings["bytes"], settings["bits"]
    whole = len(units.values) // count * count
    columns = units.values[:whole].reshape(-1, count).astype(words_dtype(bits))
    if settings["order"] == "little":
        columns = columns[:, ::-1]
    values = np.zeros(len(columns), dtype=words_dtype(bits))
    for n in range(count):
        values = (values << np.array(8, values.dtype)) | columns[:, n]
    present: NDArray[np.bool_] | None = None
    if units.present is not None:
        present = np.logical_and.reduce(units.present[:whole].reshape(-1, count), axis=1)
    return Units(values, present, count * 8)


def _narrow(units: Units, settings: Settings) -> Units:
    bits = settings["bits"]
    dtype = words_dtype(bits)
    mask = (1 << bits) - 1
    values = (
        units.values if mask >= (1 << units.bits) - 1 else units.values & np.array(mask, units.values.dtype)
    )
    return Units(values.astype(dtype, copy=False), units.present, bits)


def _invert(units: Units, settings: Settings) -> Units:
    del settings
    values = units.values ^ np.array((1 << units.bits) - 1, units.values.dtype)
    if units.present is not None:
        values = np.where(units.present, values, 0).astype(values.dtype)
    return Units(values, units.present, units.bits)


def _reverse(units: Units, settings: Settings) -> Units:
    del settings
    out = np.zeros_like(units.values)
    one = np.array(1, units.values.dtype)
    for n in range(units.bits):
        shift, back = np.array(n, out.dtype), np.array(units.bits - 1 - n, out.dtype)
        out |= ((units.values >> shift) & one) << back
    return Units(out, units.present, units.bits)


def _copy(units: Units, settings: Settings) -> Units:
    words, index = settings["words"], settings["index"]
    cut = slice(index * words, (index + 1) * words)
    return Units(units.values[cut], None if units.present is None else units.present[cut], units.bits)


def _cut(units: Units, settings: Settings) -> Units:
    words = settings["words"]
    return Units(units.values[:words], None if units.present is None else units.present[:words], units.bits)


def _pad(units: Units, settings: Settings) -> Units:
    words, have = settings["words"], len(units.values)
    values = np.zeros(words, units.values.dtype)
    values[:have] = units.values
    present = np.zeros(words, np.bool_)
    present[:have] = True if units.present is None else units.present
    return Units(values, present, units.bits)


def _rotate(units: Units, settings: Settings) -> Units:
    """`by` words: what stood at address a + by comes to address a."""
    by = -settings["by"]
    present = None if units.present is None else np.roll(units.present, by)
    return Units(np.roll(units.values, by), present, units.bits)


def _reorder(units: Units, settings: Settings) -> Units:
    from pipeline.lines import LineMap

    mapping = LineMap(
        tuple(settings["address"]),
        tuple(settings["data"]),
        tuple(settings["invert_address"]),
        tuple(settings["invert_data"]),
        settings["rotate"],
    )
    values = mapping.undo(units.values).astype(words_dtype(units.bits), copy=False)
    if units.present is None:
        return Units(values, None, units.bits)
    straight = LineMap(mapping.address, tuple(range(units.bits)), mapping.invert_address, (), mapping.rotate)
    mask = straight.undo(units.present.astype(words_dtype(units.bits)))
    return Units(values, mask.astype(np.bool_), units.bits)


def _realign(units: Units, settings: Settings) -> Units:
    """Words moved back to where they belong.

    Each piece is [from, to, words] in the reading and in the chip.
    """
    words = settings["words"]
    values = np.zeros(words, units.values.dtype)
    present = np.zeros(words, np.bool_)
    for source, target, count in settings["pieces"]:
        values[target : target + count] = units.values[source : source + count]
        present[target : target + count] = (
            True if units.present is None else units.present[source : source + count]
        )
    return Units(values, None if present.all() else present, units.bits)


def _repace(units: Units, settings: Settings) -> Units:
    """Words of a counter that did not count once a clock: every second one is there, or each came twice."""
    count = len(units.values)
    half = (count + 1) // 2
    values, present = np.zeros(count, units.values.dtype), np.zeros(count, np.bool_)
    source, target = (slice(0, half), slice(0, count, 2))
    if settings["by"] < 0:
        source, target = target, source
    values[target] = units.values[source]
    present[target] = True if units.present is None else units.present[source]
    return Units(values, present, units.bits)


ACTIONS = {
    "take": _take,
    "unpack": _unpack,
    "join-bytes": _join,
    "narrow": _narrow,
    "invert": _invert,
    "reverse-bits": _reverse,
    "copy": _copy,
    "cut": _cut,
    "pad": _pad,
    "rotate": _rotate,
    "undo-lines": _reorder,
    "reorder-lines": _reorder,
    "repace": _repace,
    "realign": _realign,
}
"""Every step but `decode`, by its name in the record."""


def apply_step(units: Units, step: Step) -> Units:
    """One step, carried out.

    Raises:
        FormatError: The dump is too short for what the step takes.
    """
    return ACTIONS[step.action](units, step.settings)


def replay(content: bytes, steps: Sequence[StepRecord]) -> Units:
    """The words of one pass, from the original file and the steps that the record lists.

    Args:
        content: The dump file, byte for byte.
        steps: As in the record: `{action, settings}`, the first of them `decode`.

    Raises:
        FormatError, AmbiguousError: The file is not the one that the steps were written for.
    """
    first = Step(steps[0]["action"], steps[0].get("settings", {}))
    if first.action != "decode":
        raise AmbiguousError(
            where="step 1",
            problem=f"{first.action!r} where decoding should stand",
            remedy="Use the record as it was written",
        )
    declared = {key: first.settings[key] for key in DECLARED if key in first.settings}
    decoded = decode(content, Declared(**declared))
    units = lay_out(decoded, first)
    for step in steps[1:]:
        units = apply_step(units, Step(step["action"], step.get("settings", {})))
    return units


DECLARED = ("format", "bits", "words", "word_order", "token", "address", "gaps")
"""The settings of a decode step that were declared to the decoder."""


def image_bytes(words: Words, bits: int) -> bytes:
    """Words as an image file holds them: ceil(bits / 8) bytes each, the most significant first."""
    return word_bytes(words, bits)


def image_words(content: bytes, bits: int) -> Words:
    """The words of an image file; the inverse of `image_bytes`.

    Raises:
        FormatError: Its length is no whole number of words.
    """
    size = (bits + 7) // 8
    if len(content) % size:
        raise FormatError(
            where=f"offset {len(content)}",
            problem=f"no whole number of {size}-byte words",
            remedy="Use the image as it lies in the bag",
        )
    raw = np.frombuffer(content, np.uint8)
    if size == 1:
        return raw
    wide = np.zeros((len(raw) // size, 8), np.uint8)
    wide[:, 8 - size :] = raw.reshape(-1, size)
    return wide.reshape(-1).view(">u8").astype(words_dtype(bits))
