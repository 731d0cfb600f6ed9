"""How much trust a reader has earned, by which chips, and for which address and data lines.

A home-built reader is trusted with the chips that nothing else can read because it agreed with another reader
on chips that both could. That trust reaches exactly as far as what those chips would have shown: a chip blank
in its upper half proves nothing about its top address line.

What the numbers assume, and say: the two readers are independent (they do not share a wrong wire or a wrong
supply), and bits err independently. Where they disagree, both are charged with the difference.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import combinations
from math import expm1, log
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from pipeline.words import Words, as_number, pairs_apart
from schemas.names import Organisation

if TYPE_CHECKING:
    from schemas.record import CoverageRecord, QualificationRecord, StandingRecord

CONFIDENCE = 0.95
WordMask = NDArray[np.bool_]
Pairs = int
"""Pairs of lines, a bit each (`pair_bit`): what several chips show is joined by `|`."""


def pair_bit(one: int, other: int) -> Pairs:
    """The bit of two lines, the same whatever number of lines a chip has.

    Example:
        >>> [pair_bit(*pair) for pair in ((0, 1), (0, 2), (1, 2), (3, 0))]
        [1, 2, 4, 8]
    """
    high = max(one, other)
    return 1 << (high * (high - 1) // 2 + min(one, other))


@cache
def _pair_bits(lines: int) -> tuple[tuple[int, int, Pairs], ...]:
    """Every two of so many lines, with their bit."""
    return tuple((one, other, pair_bit(one, other)) for one, other in combinations(range(lines), 2))


@dataclass(frozen=True)
class ReadChip:
    """One chip with what each of its readers settled on.

    Attributes:
        chip: Its id.
        organisation: Words and bits.
        readings: Reader to (words, present); `present` is None where every word was read, else False where
            the reader has no word or its own passes disagree. Readers are taken as independent of each other.
    """

    chip: str
    organisation: Organisation
    readings: Mapping[str, tuple[Words, WordMask | None]]


@dataclass(frozen=True)
class Coverage:
    """What would have been noticed: lines, and pairs of lines, whose faults would have changed some word.

    Attributes:
        address: Address line to how many pairs of words differ that differ in this line alone: as many words
            would have been wrong with the line stuck at either level. Lines with none are left out.
        data: Data line to the lesser of its 0s and 1s: as many words would have been wrong at least.
        address_pairs: Address lines that would have been noticed swapped or joined.
        data_pairs: Data lines that would have been noticed swapped or joined.
    """

    address: Mapping[int, int]
    data: Mapping[int, int]
    address_pairs: Pairs
    data_pairs: Pairs

    def joined_with(self, other: Coverage) -> Coverage:
        """What two chips together show."""
        return Coverage(
            _summed(self.address, other.address),
            _summed(self.data, other.data),
            self.address_pairs | other.address_pairs,
            self.data_pairs | other.data_pairs,
        )

    def to_json(self) -> CoverageRecord:
        """As the project's documents carry it.

        Witnesses are words that a fault of the line would have changed.
        """
        return {
            "address": [{"line": f"A{k}", "witnesses": n} for k, n in sorted(self.address.items())],
            "data": [{"line": f"D{k}", "witnesses": n} for k, n in sorted(self.data.items())],
            "not_told_apart": [
                *_undistinguished("A", self.address, self.address_pairs),
                *_undistinguished("D", self.data, self.data_pairs),
            ],
        }


NOTHING = Coverage({}, {}, 0, 0)


@dataclass(frozen=True)
class Standing:
    """What comparing has shown of one reader, or of a pair of readers.

    Attributes:
        readers: One or two ids.
        chips: Chips that were compared.
        agreed_chips: Those on which every compared bit agreed.
        bits_compared: Bits that two readers have both read; for one reader against any other, counted once.
        disagreements: Bits that differ.
        upper_bound: One-sided 95 % upper bound of the bit error rate (Clopper-Pearson).
        coverage: What the agreed chips would have shown.
    """

    readers: tuple[str, ...]
    chips: tuple[str, ...]
    agreed_chips: tuple[str, ...]
    bits_compared: int
    disagreements: int
    upper_bound: float
    coverage: Coverage

    def to_json(self) -> StandingRecord:
        """As the project's documents carry it."""
        return {
            "readers": list(self.readers),
            "chips": list(self.chips),
            "agreed_chips": list(self.agreed_chips),
            "bits_compared": self.bits_compared,
            "disagreements": self.disagreements,
            "upper_bound": self.upper_bound,
            "confidence": CONFIDENCE,
            "coverage": self.coverage.to_json(),
        }


@dataclass(frozen=True)
class Fitness:
    """Whether a reader is qualified for a chip of some organisation, and what is not.

    Attributes:
        reader: Its id.
        organisation: Of the chip.
        qualified: Every line of the chip, and every two of them, were shown by chips on which the reader
            agreed.
        address_lines: Address lines of the chip that are not qualified.
        data_lines: Data lines of the chip that are not qualified.
        not_told_apart: Pairs of lines, such as `A3 A7`, that would not have been noticed swapped or joined.
        expected_wrong_bits: Upper bound of the error rate times the chip's bits.
        reasons: Sentences for the grade.
    """

    reader: str
    organisation: Organisation
    qualified: bool
    address_lines: tuple[int, ...]
    data_lines: tuple[int, ...]
    not_told_apart: tuple[str, ...]
    expected_wrong_bits: float
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Qualification:
    """All readers and pairs of readers of a project.

    Attributes:
        readers: By rising id; only readers that shared a chip with another.
        pairs: By rising ids.
    """

    readers: tuple[Standing, ...]
    pairs: tuple[Standing, ...]

    def of(self, reader: str) -> Standing | None:
        """The standing of one reader; None where it never shared a chip with another."""
        return next((standing for standing in self.readers if standing.readers == (reader,)), None)

    def to_json(self) -> QualificationRecord:
        """As `record.json` carries it."""
        return {
            "readers": [standing.to_json() for standing in self.readers],
            "pairs": [standing.to_json() for standing in self.pairs],
        }


def upper_bound(errors: int, trials: int, *, confidence: float = CONFIDENCE) -> float:
    """Exact one-sided upper bound of a rate: above it, so few errors would come in less than 1 in 20 cases.

    Args:
        errors: 0 to trials.
        trials: 0 or more; with none the bound is 1.
        confidence: Of the bound, 0.95 unless told otherwise.

    Raises:
        ValueError: Fewer than 0 errors, or more errors than trials.

    Source: Clopper & Pearson 1934, Biometrika 26; without errors it is 1 − 0.05^(1/n), the exact form of the
    rule of three (Hanley & Lippman-Hand 1983, JAMA 249).

    Example:
        >>> round(upper_bound(0, 8192), 6)
        0.000366
    """
    if not 0 <= errors <= trials:
        raise ValueError(f"{errors} errors in {trials} trials")
    if errors == trials:
        return 1.0
    if errors == 0:
        # Loading scipy takes longer than a small project; its own answer is this one to the last bit.
        return -expm1(log(1.0 - confidence) / trials)
    from scipy.special import betaincinv

    return float(betaincinv(errors + 1, trials - errors, confidence))


def chip_evidence(chip: ReadChip) -> Evidence:
    """What one chip says about its readers; small, so that worker processes can hand it over.

    Args:
        chip: With its settled words by reader.

    Returns:
        One or two readers → their share; nothing where fewer than two have read it.

    Raises:
        ValueError: A reading has another number of words than its chip.
    """
    read = {reader: _checked(chip, *reading) for reader, reading in sorted(chip.readings.items())}
    out: dict[tuple[str, ...], _Compared] = {}
    for one, other in combinations(read, 2):
        out[one, other] = _compare(chip, read[one], [read[other]])
    for reader, reading in read.items():
        others = [words for other, words in read.items() if other != reader]
        if len(others) == 1:
            # Two readers: what the pair says, each of them says.
            out[reader,] = next(share for readers, share in out.items() if reader in readers)
        elif others:
            out[reader,] = _compare(chip, reading, others)
    return out


def qualified(evidence: Iterable[Evidence]) -> Qualification:
    """The standing of every reader and pair of readers, from what each chip says.

    Args:
        evidence: As `chip_evidence` gives it, one a chip.
    """
    gathered = Gathered()
    for one in evidence:
        gathered.add(one)
    return gathered.qualification()


class Gathered:
    """Evidence of chip after chip, summed up as it comes.

    What one chip would have shown is not kept apart.
    """

    def __init__(self) -> None:
        self._shares: dict[tuple[str, ...], _Sum] = {}

    def add(self, evidence: Evidence) -> None:
        """One chip's evidence."""
        for readers, share in evidence.items():
            self._shares.setdefault(readers, _Sum()).add(share)

    def qualification(self) -> Qualification:
        """The standings of all that was added."""
        standings = [_standing(readers, self._shares[readers]) for readers in sorted(self._shares)]
        return Qualification(
            tuple(one for one in standings if len(one.readers) == 1),
            tuple(one for one in standings if len(one.readers) == 2),
        )


def fitness(
    qualification: Qualification, reader: str, organisation: Organisation, *, faulted: Collection[str] = ()
) -> Fitness:
    """Whether a chip of this organisation, read by this reader only, rests on lines that it has proved.

    Args:
        qualification: From `qualify`.
        reader: Its id.
        organisation: Of the chip that only this reader has read.
        faulted: Lines, such as `A3`, on which this reader had a fault on another chip: for these it is not
            qualified, whatever other chips show.
    """
    standing = qualification.of(reader)
    coverage = standing.coverage if standing else NOTHING
    bound = standing.upper_bound if standing else 1.0
    n, w = organisation.address_bits, organisation.bits
    address = tuple(k for k in range(n) if k not in coverage.address)
    data = tuple(k for k in range(w) if k not in coverage.data)
    apart = (
        *_untold("A", n, coverage.address, coverage.address_pairs),
        *_untold("D", w, coverage.data, coverage.data_pairs),
    )
    lines = {*(f"A{k}" for k in range(n)), *(f"D{k}" for k in range(w))}
    spoiled = tuple(sorted(lines & set(faulted), key=lambda line: (line[0], int(line[1:]))))
    qualified = not (address or data or apart or spoiled)
    wrong = bound * organisation.words * w
    found = Fitness(reader, organisation, qualified, address, data, apart, wrong, ())
    return replace(found, reasons=tuple(_reasons(found, standing, spoiled)))


def _reasons(found: Fitness, standing: Standing | None, spoiled: Sequence[str]) -> Iterable[str]:
    """Why a reader is or is not qualified, a sentence each."""
    reader = found.reader
    if standing is None:
        yield f"reader {reader} never shared a chip with another reader: nothing qualifies it"
        return
    differ = f"{standing.disagreements} differ{'s' * (standing.disagreements == 1)}"
    compared = (
        f"{len(standing.chips)} chip{'s' * (len(standing.chips) != 1)}, {standing.bits_compared} bits "
        f"compared, {differ}: bit error rate at most {standing.upper_bound:.2g} (95 %), so at most "
        f"{found.expected_wrong_bits:.2g} wrong bits to expect here"
    )
    if not standing.agreed_chips:
        yield f"reader {reader} agreed with another reader on no whole chip ({compared})"
        return
    but = f" but for {', '.join(spoiled)}" if spoiled else ""
    every = not (found.address_lines or found.data_lines or found.not_told_apart)
    lines = "every line of this chip" if every else "some lines of this chip only"
    yield f"reader {reader} is qualified for {lines}{but} by {', '.join(standing.agreed_chips)} ({compared})"
    untested = [f"A{k}" for k in found.address_lines] + [f"D{k}" for k in found.data_lines]
    if untested:
        yield f"not qualified: {', '.join(untested)}; no compared chip would have shown a fault there"
    if found.not_told_apart:
        yield (
            f"not told apart: {', '.join(found.not_told_apart)}; no compared chip would have shown them "
            f"swapped or joined"
        )


@dataclass(frozen=True)
class _Compared:
    """One chip's share of a standing."""

    chip: str
    bits: int
    disagreements: int
    coverage: Coverage


Evidence = Mapping[tuple[str, ...], _Compared]
"""One or two readers → one chip's share in their standing."""


def _checked(chip: ReadChip, words: Words, present: WordMask | None) -> tuple[Words, WordMask]:
    if words.size != chip.organisation.words or (present is not None and present.size != words.size):
        raise ValueError(f"chip {chip.chip}: {words.size} words, its organisation says {chip.organisation}")
    return words, np.ones(words.size, dtype=np.bool_) if present is None else present


def _compare(chip: ReadChip, one: tuple[Words, WordMask], others: list[tuple[Words, WordMask]]) -> _Compared:
    """One reader against others on one chip; a bit that any of them disputes is a disagreement."""
    words, present = one
    shared = np.zeros(words.size, dtype=np.bool_)
    wrong = np.zeros_like(words)
    for other, other_present in others:
        both = present & other_present
        shared |= both
        wrong |= np.where(both, words ^ other, words.dtype.type(0))
    disagreements = int(np.bitwise_count(wrong).sum(dtype=np.int64))
    bits = int(np.count_nonzero(shared)) * chip.organisation.bits
    seen = coverage(words, shared, chip.organisation) if bits and not disagreements else NOTHING
    return _Compared(chip.chip, bits, disagreements, seen)


@dataclass
class _Sum:
    """The shares of many chips in one standing."""

    bits: int = 0
    disagreements: int = 0
    chips: list[str] = field(default_factory=list)
    agreed: list[str] = field(default_factory=list)
    seen: Coverage = NOTHING

    def add(self, share: _Compared) -> None:
        self.bits += share.bits
        self.disagreements += share.disagreements
        self.chips.append(share.chip)
        if share.bits and not share.disagreements:
            self.agreed.append(share.chip)
            self.seen = self.seen.joined_with(share.coverage)


def _standing(readers: tuple[str, ...], total: _Sum) -> Standing:
    return Standing(
        readers=readers,
        chips=tuple(total.chips),
        agreed_chips=tuple(total.agreed),
        bits_compared=total.bits,
        disagreements=total.disagreements,
        upper_bound=upper_bound(total.disagreements, total.bits),
        coverage=total.seen,
    )


def coverage(words: Words, shared: WordMask, organisation: Organisation) -> Coverage:
    """Which faults this content would have shown.

    A data line stuck shows where its column holds the other level; two joined or swapped show where their
    columns differ. An address line stuck (or inverted) shows where two words differ whose addresses differ in
    this line alone. Two address lines swapped show where words differ whose addresses have them exchanged;
    and then joined lines show too, since one of the two words differs from the word that both would give.

    Args:
        words: The agreed content.
        shared: Which of the words two readers have both read.
        organisation: Words and bits.
    """
    n = organisation.address_bits
    full, read = _filled(words, n), _filled(shared, n)
    some = None if read.all() else read
    number = None if some is None else as_number(some)
    address = {k: count for k in range(n) if (count := _steps(full, number, k))}
    pairs = _pairs_told(full, some, n)
    known = words if some is None else words[shared]
    kind = words.dtype.type
    high = [int(np.count_nonzero(known & kind(1 << line))) for line in range(organisation.bits)]
    data = {line: least for line, ones in enumerate(high) if (least := min(ones, known.size - ones))}
    data_pairs = sum(
        bit
        for one, other, bit in _pair_bits(organisation.bits)
        if high[one] != high[other] or bool(((known >> kind(one) ^ known >> kind(other)) & kind(1)).any())
    )
    return Coverage(address, data, pairs, data_pairs)


def _filled(values: NDArray[Any], lines: int) -> NDArray[Any]:
    """As many elements as the lines have combinations; those that the chip lacks are 0, and not shared."""
    if values.size == 1 << lines:
        return values
    return np.concatenate([values, np.zeros((1 << lines) - values.size, dtype=values.dtype)])


def _steps(words: Words, shared: int | None, line: int) -> int:
    """How many pairs of shared words differ whose addresses differ in this one line.

    Args:
        words: As many as the lines have combinations.
        shared: Which of them count, as bits of a long number; None where all do.
        line: The address line.
    """
    differ = pairs_apart(words, line)
    if shared is not None:
        differ &= shared & shared >> (1 << line)
    return differ.bit_count()


PROBES = 24
"""Places looked at first for each pair of address lines; nearly always one of them tells the pair apart."""


@cache
def _probes(lines: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """For every pair of lines, addresses with the low line set and the high clear, and the same exchanged."""
    spread = np.linspace(0, (1 << lines) - 1, PROBES).astype(np.intp)
    one, other = [], []
    for low, high in combinations(range(lines), 2):
        base = spread & ~((1 << low) | (1 << high))
        one.append(base | 1 << low)
        other.append(base | 1 << high)
    return np.array(one, np.intp), np.array(other, np.intp)


def _pairs_told(words: Words, shared: WordMask | None, lines: int) -> Pairs:
    """The pairs of address lines whose exchange would have changed a shared word.

    A few places first, then all.
    """
    if lines < 2:
        return 0
    one, other = _probes(lines)
    # Every index lies inside; told to clip, numpy does not look, and gathers in a fifth of the time.
    differ = words.take(one, mode="clip") != words.take(other, mode="clip")
    if shared is not None:
        differ &= shared[one] & shared[other]
    told = differ.any(axis=1)
    return sum(
        bit
        for (low, high, bit), seen in zip(_pair_bits(lines), told.tolist(), strict=True)
        if seen or _told_apart(words, shared, low, high)
    )


def _told_apart(words: Words, shared: WordMask | None, low: int, high: int) -> bool:
    """Whether exchanging two address lines would have changed a shared word."""
    shape = (-1, 2, 1 << (high - low - 1), 2, 1 << low)
    word = words.reshape(shape)
    differ = word[:, 0, :, 1] != word[:, 1, :, 0]
    if shared is not None:
        read = shared.reshape(shape)
        differ &= read[:, 0, :, 1] & read[:, 1, :, 0]
    return bool(differ.any())


def _summed(one: Mapping[int, int], other: Mapping[int, int]) -> dict[int, int]:
    return {line: one.get(line, 0) + other.get(line, 0) for line in one.keys() | other.keys()}


def _undistinguished(letter: str, lines: Mapping[int, int], pairs: Pairs) -> list[str]:
    return [
        f"{letter}{one} {letter}{other}"
        for one, other in combinations(sorted(lines), 2)
        if not pairs & pair_bit(one, other)
    ]


def _untold(letter: str, count: int, lines: Mapping[int, int], pairs: Pairs) -> tuple[str, ...]:
    """Pairs of the chip's own lines, each shown by itself, that nothing tells apart."""
    return tuple(_undistinguished(letter, {k: n for k, n in lines.items() if k < count}, pairs))
