"""How two images of one chip are related: the simplest explanation that the words bear out.

1. Equal images are identical.
2. Cheap explanations: data lines alone, addresses backwards, address bus reversed, rotation.
3. Lines in any order (`matching`).
4. Streams that lost or doubled words (`slips`).
5. Lines in any order and rotated (`rotated`), only where nothing else explains the images.
The explanation with the shortest description wins, and only where it is much shorter than the image itself.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from pipeline.lines.mapping import LineMap, is_power_of_two
from pipeline.lines.matching import assign, best_lines
from pipeline.lines.measure import SHIFTS, differences, error_bits, likeness, own_bits
from pipeline.lines.relation import Explained, Relation, RelationName, told
from pipeline.lines.repair import Sample
from pipeline.lines.rotated import likely_rotations
from pipeline.lines.slips import Aligned, align
from pipeline.lines.symmetry import simplest
from pipeline.lines.walsh import Floats, Marks, marks, products, signs
from pipeline.summed_up import counted
from pipeline.words import Words, words_dtype

MOST_WORDS = 1 << 22
"""Beyond this many words not all line orders are searched (memory: 4 bytes a bit, several times)."""
FEWEST_WORDS = 8
"""Fewer words prove no mapping, however wide they are. Chosen by us, no source."""
BELIEVED_SHARE = 0.5
"""With many words wrong an explanation is believed only where it is half as long as the image. No source."""
FEW_WORDS = 0.02
"""Up to this share of wrong words any gain beyond `SPARE_BITS` is enough. Chosen by us, no source."""
SPARE_BITS = 20.0
"""Always shorter by at least this: odds of a million to one under the code's own model."""
FEWEST_BEGINNING = 32
"""Words before a slip that can show data lines moved. Chosen by us, no source."""
CLEARLY_WORSE = 16
"""A mapping that misses so many more words of a sample is not looked at on all of them."""
FEW = 0.01
"""At most this share of differing bits is "few", whatever else the images hold. Chosen by us, no source."""


def relate(first: Words, second: Words, bits: int) -> Relation:
    """How the second image is related to the first.

    Args:
        first: Words of the chip as the one reading has them.
        second: As the other has them; where the number of words differs only slips are looked for.
        bits: Bits a word, 1 to 64.

    Returns:
        The relation with the simplest mapping that the words bear out.

    Raises:
        ValueError: An image is empty, or holds a word of more than `bits` bits.
    """
    first, second = _checked(first, bits), _checked(second, bits)
    if first.size != second.size:
        return _of_two_sizes(first, second, bits)
    plain = _judge(first, second, bits, LineMap.simple(_lines(first), bits))
    if not plain.words:
        return told("identical", first, second, bits, plain, undecided=False)
    return _Search(first, second, bits, plain).relation()


def _checked(words: Words, bits: int) -> Words:
    kind = words_dtype(bits)
    if not words.size:
        raise ValueError("an image without words cannot be compared")
    if bits < 8 * words.dtype.itemsize and int(words.max()) >> bits:
        raise ValueError(f"a word of more than {bits} bits")
    return words.astype(kind, copy=False)


def _lines(words: Words) -> int:
    return (words.size - 1).bit_length()


def _constant_lines(words: Words, bits: int) -> int:
    """A word with 1 where a line has one level throughout."""
    moved = int(np.bitwise_or.reduce(words ^ words[0]))
    return ~moved & ((1 << bits) - 1)


def _judge(first: Words, second: Words, bits: int, mapping: LineMap) -> Explained:
    words, wrong = differences(first, mapping.undo(second))
    length = mapping.description_bits() + error_bits(first.size, bits, words, wrong)
    return Explained(mapping, words, wrong, length)


class _Search:
    """The search of one pair of images; columns and marks are worked out once, when first needed."""

    def __init__(self, first: Words, second: Words, bits: int, plain: Explained) -> None:
        self.first, self.second, self.bits = first, second, bits
        self.plain = self.best = plain
        self.own = min(own_bits(first, bits), own_bits(second, bits))
        self._columns: list[Floats | None] = [None, None]
        self._marks: list[Marks | None] = [None, None]

    def relation(self) -> Relation:
        """The verdict, by the numbered plan of this module."""
        # Cheapest names first: an explanation that leaves nothing over ends the search, and a longer one
        # could only be chosen by its length (minimum description length, Rissanen 1978; from memory).
        for mapping in self._cheap():
            self._offer(mapping)
            if not self.best.words:
                break
        if self.best.words and self._general_fits():
            self._offer(self._lines_in_any_order())
        # A stream that slipped also looks like a poor mapping of many lines, so that one which still misses
        # words has to stand against the slips.
        if self.best.words and not (self._believed(self.best) and self._is_far_better(self.best)):
            self._offer_slips()
        # Lines and a rotation together are the widest search of all, and need the most words to be proved:
        # last, and only where the image says enough to prove any order at all.
        if not self._believed(self.best) and self._general_fits() and self.own >= self._poor():
            for mapping in self._rotated_lines():
                self._offer(mapping)
        return self._verdict()

    def columns(self, which: int) -> Floats:
        """Columns of the first (0) or second (1)."""
        found = self._columns[which]
        if found is None:
            found = self._columns[which] = signs((self.first, self.second)[which], self.bits)
        return found

    def marks(self, which: int) -> Marks:
        """Marks of the first (0) or second (1)."""
        found = self._marks[which]
        if found is None:
            words = (self.first, self.second)[which]
            found = self._marks[which] = marks(words, self.bits, self.columns(which))
        return found

    def _offer(self, mapping: LineMap | None) -> None:
        if mapping is None:
            return
        plain = _without_half_turn(self._without_stuck(mapping), self.first.size)
        explained = _judge(self.first, self.second, self.bits, plain)
        if explained.length < self.best.length:
            self.best = explained

    def _without_stuck(self, mapping: LineMap) -> LineMap:
        """The mapping without inversions of lines that are constant in one image alone: those are stuck."""
        if not mapping.invert_data:
            return mapping
        still = [_constant_lines(words, self.bits) for words in (self.first, self.second)]
        stuck = {
            there
            for here, there in enumerate(mapping.data)
            if bool(still[0] >> here & 1) != bool(still[1] >> there & 1)
        }
        return replace(mapping, invert_data=tuple(line for line in mapping.invert_data if line not in stuck))

    def _believed(self, explained: Explained) -> bool:
        if self.first.size < FEWEST_WORDS:
            return False
        return _believable(explained.length, self.own, explained.words, self.first.size)

    def _is_far_better(self, explained: Explained) -> bool:
        """True where a mapping explains nearly all that differs in place; then no slip is looked for."""
        return not explained.mapping.keeps_address_lines and explained.words <= self.first.size // 50

    def _general_fits(self) -> bool:
        if not is_power_of_two(self.first.size) or not 4 <= self.first.size <= MOST_WORDS:
            return False
        return self.own > SPARE_BITS  # what says less proves no order of lines

    def _cheap(self) -> Iterator[LineMap]:
        """Explanations that name few things: all of them leave the address lines in an order with a name."""
        n, w = _lines(self.first), self.bits
        straight = LineMap.simple(n, w)
        yield self._with_data_lines(straight)
        if is_power_of_two(self.first.size) and n:
            yield self._with_data_lines(replace(straight, invert_address=tuple(range(n))))
            yield self._with_data_lines(replace(straight, address=tuple(reversed(range(n)))))
        for rotate in _rotations(self.first, self.second):
            yield self._with_data_lines(replace(straight, rotate=rotate))
        if is_power_of_two(self.first.size) and n:
            backwards = replace(straight, invert_address=tuple(range(n)))
            for rotate in _rotations(self.first, self.second[::-1]):
                turned = (self.first.size - rotate) % self.first.size
                yield self._with_data_lines(replace(backwards, rotate=turned))

    def _with_data_lines(self, mapping: LineMap) -> LineMap:
        """The best data lines and inversions for known addresses: agreements are one assignment problem."""
        gathered = self.columns(1)
        if mapping.rotate or not mapping.keeps_address_lines:
            gathered = signs(self.second[mapping.places(self.first.size)], self.bits)
        return self._from_agreement(mapping, products(self.columns(0), gathered))

    def _from_agreement(self, mapping: LineMap, agreement: Floats) -> LineMap:
        # Which line carries which is an assignment problem: each line is used once. The sign only says
        # inverted.
        data = assign(-np.abs(agreement) / self.first.size)
        negative = agreement[np.arange(self.bits), data] < 0
        inverted = tuple(sorted(int(line) for line in data[negative]))
        return replace(mapping, data=tuple(int(line) for line in data), invert_data=inverted)

    def _lines_in_any_order(self) -> LineMap:
        """The mapping of all lines, without rotation, that leaves fewest words unexplained."""
        sample = Sample.take(self.first, self.second, self.bits)
        # Small images have lines that look alike and need shaken guesses; large ones hardly ever, and each
        # guess costs time in proportion to their size.
        tries = 24 if self.first.size <= 4096 and self.bits <= 16 else 2
        return best_lines(self.marks(0), self.marks(1), sample, tries=tries)[0]

    def _offer_slips(self) -> None:
        self._offer_slip_behind(self.plain.mapping)
        if self._believed(self.best) and self.best.words <= self.first.size // 50:
            return
        for mapping in self._data_lines_of_the_beginning():
            self._offer_slip_behind(mapping)

    def _data_lines_of_the_beginning(self) -> Iterator[LineMap]:
        """Data lines moved or inverted, as the words before any slip show them."""
        # A slip may come early: the first half has the most words to show the lines, the first sixteenth is
        # before most slips.
        for part in (2, 16):
            begin = self.first.size // part
            if begin < FEWEST_BEGINNING:
                return
            agreement = products(self.columns(0)[:, :begin], self.columns(1)[:, :begin])
            mapping = self._from_agreement(self.plain.mapping, agreement)
            if not mapping.is_identity:
                yield mapping

    def _offer_slip_behind(self, mapping: LineMap) -> None:
        aligned = align(self.first, mapping.undo(self.second))
        if not aligned.slips:
            return
        length = mapping.description_bits() + slip_bits(aligned, self.first.size, self.bits)
        if length < self.best.length and _moved(aligned) <= self.plain.words // 2:
            words, wrong = aligned.differing_words, aligned.differing_bits
            self.best = Explained(mapping, words, wrong, length, aligned)

    def _rotated_lines(self) -> Iterator[LineMap]:
        """Mappings of all lines behind the likeliest rotations.

        The first that is believed is the last tried.
        """
        for rotate in likely_rotations(self.columns(0), self.columns(1)):
            turned = np.roll(self.second, -rotate)
            turned_marks = marks(turned, self.bits, np.roll(self.columns(1), -rotate, axis=1))
            sample = Sample.take(self.first, turned, self.bits)
            mapping, misses = best_lines(self.marks(0), turned_marks, sample, tries=0)
            yield replace(mapping, rotate=rotate)
            # A wrong rotation misses nearly everything and the right one nearly nothing: nothing lies
            # between.
            if misses <= sample.addresses.size // 10:
                return

    def _verdict(self) -> Relation:
        best = self.best
        if not self._believed(best):
            return self._not_explained()
        if best.aligned is not None:
            return told("slipped", self.first, self.second, self.bits, best, undecided=False)
        symmetries = simplest(
            best.mapping,
            self._misses_near(best.mapping),
            self.marks(0) if self._general_fits() else None,
        )
        best = _judge(self.first, self.second, self.bits, symmetries.mapping)
        name: RelationName = "differs" if best.mapping.is_identity else "mapped"
        return told(name, self.first, self.second, self.bits, best, symmetries=symmetries, undecided=False)

    def _poor(self) -> float:
        """An image that says less could not prove an order of lines with 0.5 % of its words wrong."""
        spoilt = max(1, self.first.size // 200)
        return (
            _general_bits(_lines(self.first), self.bits)
            + error_bits(self.first.size, self.bits, spoilt, spoilt)
            + SPARE_BITS
        )

    def _misses_near(self, mapping: LineMap) -> Callable[[LineMap], int]:
        """Counts the words that a mapping like this one misses: all of them where a sample refutes it."""
        sample = Sample.take(self.first, self.second, self.bits).screen()
        allowed = sample.misses(mapping) + CLEARLY_WORSE

        def misses(other: LineMap) -> int:
            if sample.misses(other) > allowed:
                return self.first.size
            return _judge(self.first, self.second, self.bits, other).words

        return misses

    def _not_explained(self) -> Relation:
        """No mapping is proved: few bits differ, or more alike than chance, or unrelated."""
        shares = likeness(self.first, self.second)
        poor = self.own < self._poor()
        few = self.plain.bits <= FEW * self.first.size * self.bits
        related = few or (shares[0] > shares[2] + 0.02 and shares[0] > 0.1)
        notes = [
            (
                f"{shares[0]:.1%} of informative words match in place; at {SHIFTS} other offsets "
                f"{shares[1]:.1%} match on average, {shares[2]:.1%} at most"
            )
        ]
        if poor:
            notes.append(
                f"these images hold too little ({self.own:.0f} bits) to prove or rule out another "
                f"order of lines"
            )
        return told(
            "differs" if related else "unrelated",
            self.first,
            self.second,
            self.bits,
            self.plain,
            undecided=poor and not few,
            notes=tuple(notes),
            agreement=shares,
            proved=related,
        )


def _without_half_turn(mapping: LineMap, count: int) -> LineMap:
    """Half-way round is the highest line inverted: lines go before rotation, else fewer inversions.

    All lines inverted stay as they are, since "addresses run backwards" is the simpler thing to say.
    """
    half = count // 2
    if not mapping.rotate or count != 1 << len(mapping.address):
        return mapping
    top = len(mapping.address) - 1
    named = len(mapping.invert_address) == len(mapping.address)
    if mapping.rotate == half or (top in mapping.invert_address and not named):
        toggled = tuple(sorted(set(mapping.invert_address).symmetric_difference((top,))))
        return replace(mapping, invert_address=toggled, rotate=(mapping.rotate + half) % count)
    return mapping


def _believable(length: float, own: float, wrong_words: int, count: int) -> bool:
    """Whether an explanation is so much shorter than the image that chance does not explain it."""
    return length < own - SPARE_BITS and (length < own * BELIEVED_SHARE or wrong_words <= FEW_WORDS * count)


def _general_bits(address_bits: int, bits: int) -> float:
    """How many bits name one of all orders and inversions of these lines."""
    factorials = math.lgamma(address_bits + 1) + math.lgamma(bits + 1)
    return factorials / math.log(2) + address_bits + bits


def _moved(aligned: Aligned) -> int:
    """Words that the slips do not explain, or that they are."""
    return aligned.differing_words + sum(abs(slip.by) for slip in aligned.slips)


def slip_bits(aligned: Aligned, count: int, bits: int) -> float:
    """What naming the slips and the remaining exceptions costs, in bits."""
    total = error_bits(count, bits, aligned.differing_words, aligned.differing_bits)
    for slip in aligned.slips:
        total += math.log2(count + 1) + 2 + 2 * math.log2(abs(slip.by) + 1)
        total += bits * abs(slip.by)
    return total + bits * (aligned.extra_at_end + aligned.missing_at_end > 0)


STEPS_ALIKE = 0.6
"""A rotation is worth a closer look where so many of the steps that change something agree."""


EQUAL_PEAKS = 1e-4
"""Peaks of the correlation that differ by less are equal: an image that repeats itself has many."""


def _rotations(first: Words, second: Words) -> list[int]:
    """Rotations at which the steps from word to word agree; mostly none, or the one.

    How many bits change from one word to the next is the same whatever data lines are moved or inverted, so
    one circular correlation (by FFT) serves all of them.
    """
    one, other = (np.bitwise_count(words ^ np.roll(words, -1)) for words in (first, second))
    left, right = (steps.astype(np.float32) - np.float32(steps.mean()) for steps in (one, other))
    # All rotations at once: the transform of a circular correlation is a product (convolution theorem).
    correlation = np.fft.irfft(np.conj(np.fft.rfft(left)) * np.fft.rfft(right), first.size)
    few = min(3, first.size)
    top = set(np.argpartition(-correlation, few - 1)[:few].tolist())
    # An image that repeats itself has equal peaks, which rounding puts in any order: the smallest rotation of
    # them is always among those looked at.
    top.add(int(np.flatnonzero(correlation >= correlation.max() * (1 - EQUAL_PEAKS))[0]))
    found = []
    for rotate in sorted(r for r in top if r):
        moved = np.roll(other, -rotate)
        telling = (one != 0) | (moved != 0)
        if np.count_nonzero((one == moved) & telling) >= STEPS_ALIKE * np.count_nonzero(telling):
            found.append(rotate)
    return found


def _of_two_sizes(first: Words, second: Words, bits: int) -> Relation:
    """Images of different sizes: the streams are laid side by side and slips looked for."""
    aligned = align(first, second)
    mapping = LineMap.simple(_lines(first), bits)
    length = slip_bits(aligned, first.size, bits)
    short, long = sorted((first, second), key=lambda words: words.size)
    own = own_bits(short, bits)
    shares = likeness(first, second)
    notes = [f"{first.size} words against {second.size}"]
    if np.array_equal(short, long[: short.size]):
        notes.append("the smaller is the beginning of the larger")
    if aligned.missing_at_end:
        notes.append(f"the second ends {counted(aligned.missing_at_end, 'word')} early")
    if aligned.extra_at_end:
        notes.append(f"the second goes on for {counted(aligned.extra_at_end, 'word')}")
    present = int(np.count_nonzero(aligned.present))
    believed = _believable(length, own, aligned.differing_words, first.size) or (
        not aligned.slips and aligned.differing_bits <= FEW * present * bits
    )
    if believed:
        name: RelationName = "slipped" if aligned.slips else "differs"
    else:
        name = "differs" if shares[0] > shares[2] + 0.02 and shares[0] > 0.1 else "unrelated"
        aligned = aligned._replace(slips=())
    best = Explained(mapping, aligned.differing_words, aligned.differing_bits, length, aligned)
    undecided = own < _general_bits(_lines(first), bits) + SPARE_BITS
    return told(
        name,
        first,
        second,
        bits,
        best,
        undecided=undecided and not believed,
        notes=tuple(notes),
        agreement=shares,
        proved=name != "unrelated",
    )
