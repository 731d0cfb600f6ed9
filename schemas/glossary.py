"""What every finding and every grade means: the one source of `wellread explain` and of the READMEs.

Each entry says what the thing is, how it is told, what else looks so, and what to do. Whoever works at the
bench goes by the part's data sheet first; the READMEs' cautions hold for every step named here. A finding's
own next step, filled in for its part and its lines, comes from the catalogue's advice; `do` is its gist.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal, NamedTuple


class Meaning(NamedTuple):
    """One finding or grade explained.

    Attributes:
        kind: Whether it is a finding or a grade.
        name: Its code, as in the record.
        what: What it is.
        told: How it is told.
        also: What else looks so.
        do: What to do.
    """

    kind: Literal["finding", "grade"]
    name: str
    what: str
    told: str
    also: str
    do: str


_MEANINGS = (
    Meaning(
        "finding",
        "blank",
        "Every word reads as unprogrammed cells of this kind of part do.",
        "All words equal the level that the catalogue gives for unprogrammed cells.",
        ("A reader that saw no chip: open data lines with pull-ups or pull-downs show the same level."),
        (
            "Switch off, take the chip out, see which way round it stood and measure the supplies at the "
            "empty socket; then read with the pulls the other way round: open lines follow the pull."
        ),
    ),
    Meaning(
        "finding",
        "constant",
        (
            "Every word, or every one at one level of an address line, reads the same value, which is not "
            "the unprogrammed level, or that level is not known."
        ),
        "One value in all words, or wherever the line named has the level named, with content between.",
        (
            "A chip that was not powered or not enabled, no chip at all, or a chip filled with one value "
            "on purpose."
        ),
        (
            "Switch off, take the chip out, follow the wires of supplies, enables and clock with a meter, "
            "put it back once, and read with the pulls the other way round."
        ),
    ),
    Meaning(
        "finding",
        "data-line-stuck",
        "One data line reads the same level in (nearly) every word.",
        (
            "The odds against a column of this content being constant by chance, counting every line "
            "that was tried."
        ),
        (
            "Content that never uses the line: character generators, tables and microcode do that, "
            "programs do not."
        ),
        (
            "Read with pull-ups, then with pull-downs, power off while they are changed (no pull-downs on "
            "a p-channel part): a line that follows the pull has an open contact."
        ),
    ),
    Meaning(
        "finding",
        "data-lines-joined",
        "Two data lines read alike, or each as the other's inverse, in every word: they touch somewhere.",
        "Two columns that never differ, against how often columns of this content differ.",
        "Two signals that always go together in microcode or decode content.",
        (
            "Power off and chip out: measure between the two contacts of the socket and between their wires; "
            "look for solder, a bent leg or a strand."
        ),
    ),
    Meaning(
        "finding",
        "address-line-dead",
        "One address line makes no difference: half of the content was not read.",
        (
            "Each word equals the word with that address bit flipped, against how often such pairs "
            "differ elsewhere in the image."
        ),
        (
            "A small image stored twice, a smaller chip read as a larger one, or content that ignores the "
            "line by design."
        ),
        (
            "Power off and chip out: follow the wire with a meter and put the chip back once; then have "
            "the reader's program hold the line low for one reading and high for another."
        ),
    ),
    Meaning(
        "finding",
        "address-lines-joined",
        (
            "Two address lines touch: part of the content was not read and another part was read several "
            "times."
        ),
        "The words at the addresses in which the two lines differ equal words at which they agree.",
        "An image of a quarter of the size stored several times.",
        (
            "Power off and chip out: measure between the two contacts of the socket and between their "
            "wires; look for solder, a bent leg or a strand, and read again."
        ),
    ),
    Meaning(
        "finding",
        "follows-address",
        (
            "The words, half of them, or one data line repeat bits of their own address: the reader saw its "
            "own address lines there, not the chip."
        ),
        "Data lines that equal address lines in every word, or wherever one line is at one level.",
        "A test pattern that somebody programmed so.",
        (
            "Power off and chip out: measure the supplies at the empty socket, follow the enables with a "
            "meter, and look for address and data wires that touch."
        ),
    ),
    Meaning(
        "finding",
        "over-read",
        "The reading is longer than the chip and repeats it: the counter ran round more than once.",
        "The surplus equals the chip's content, copy for copy; the copies count as passes.",
        "A larger chip that holds a small image several times.",
        "Compare the marking with the part that the sheet names.",
    ),
    Meaning(
        "finding",
        "short-read",
        "The reading has fewer words than the chip.",
        "Words counted against the chip's organisation.",
        "A smaller part than the sheet says, or a log that was cut off.",
        "Compare the marking with the sheet; read again to the end.",
    ),
    Meaning(
        "finding",
        "long-read",
        "The reading has more words than the chip, and they do not repeat it.",
        "Words counted against the chip's organisation.",
        "A larger part than the sheet says; several chips in one file, which `take` separates.",
        ("Compare the marking with the sheet, or say with `take` which part of the file is this chip's."),
    ),
    Meaning(
        "finding",
        "rotated",
        "A pass began in the middle of the chip and wrapped round: all words are there, rotated.",
        "Another pass matches once it is rotated by that many words.",
        "An inverted top address line looks like a rotation by half the chip.",
        "Reset the counter before the reading and read once more: the two that agree began correctly.",
    ),
    Meaning(
        "finding",
        "late-by-one",
        (
            "A pass is late by one word: each word stands at the next address, or each first one after a "
            "boundary does, or one data line does by itself."
        ),
        (
            "Another pass matches once it is rotated by one word; or, at each multiple of some power of two, "
            "the word is the one before it, or has bits of it alone; or a data line never changes its level "
            "for one word alone, or is what another line was a word before."
        ),
        "A counter that was clocked once too often before the reading began.",
        "Sample later in the cycle, have the reader reset its counter before every pass, and read once more.",
    ),
    Meaning(
        "finding",
        "skips-words",
        "The counter skipped a word here and there, or counts twice a clock.",
        "Compared with another pass, the words after each place run ahead by one.",
        "Bytes lost on a serial line do the same to a stream.",
        "Debounce the counter's clock, read slower, and compare.",
    ),
    Meaning(
        "finding",
        "repeats-words",
        "The counter missed a clock here and there, or counts every second clock.",
        "Compared with another pass, the words after each place lag by one.",
        "Bytes doubled on a serial line do the same to a stream.",
        (
            "Look at the counter's clock with a probe that was clipped on with the power off, read slower, "
            "and compare."
        ),
    ),
    Meaning(
        "finding",
        "slipped",
        "Words were lost or added in a stream: everything after that place has moved.",
        (
            "Compared with another pass, the rest matches once it is moved back; the place and the number "
            "of words are named. By itself, an image that ends with its own beginning: the reader read on."
        ),
        "A counter that bounced; two revisions of a program with code inserted.",
        "Read once more with a slower line, best in the line protocol, and compare the number of words.",
    ),
    Meaning(
        "finding",
        "seven-bit",
        "Bit 7 is lost: the link carried seven bits, perhaps with parity in bit 7.",
        "Bit 7 is the parity of the others in every byte, or 0 throughout a program.",
        "Plain text, which needs seven bits; a stuck D7.",
        "Set the link to eight bits without parity and read again.",
    ),
    Meaning(
        "finding",
        "newline-damage",
        "A text-mode transfer added or removed carriage returns, and everything after each has moved.",
        (
            "Every 0A has a 0D before it (or none has) in content that is not text, or one pass "
            "equals the other except for that."
        ),
        "Content that really holds text with such line ends.",
        "Transfer the reading again in binary mode, or as hex text with checksums.",
    ),
    Meaning(
        "finding",
        "text-damage",
        (
            "The bytes went through something that treated them as text: saved as UTF-8, characters dropped, "
            "FF doubled."
        ),
        (
            "Byte values that never occur, UTF-8 sequences throughout, or FF in even runs only, where a "
            "stream carried raw bytes."
        ),
        "Content that has no use for those values.",
        "Find the file as it was before, or send the reading again as hex text with checksums.",
    ),
    Meaning(
        "finding",
        "unstable-bits",
        "Bits read differently from pass to pass, and no single line explains it.",
        "Passes of one reader compared with each other, word for word.",
        "Weak cells, a sagging supply, dirty contacts and noise look alike in two passes.",
        (
            "Watch the supply with a meter clipped on while the power was off, put the chip back once, "
            "take three more passes; go to the ends of the data sheet's supply range only when those are "
            "stored (a sole copy: only if the answer is worth the risk)."
        ),
    ),
    Meaning(
        "finding",
        "intermittent-line",
        "All disagreements between passes belong to one line: a contact that comes and goes.",
        "The words that disagree differ as that one line would make them.",
        "Weak cells that happen to lie in one column.",
        (
            "Power off and chip out: measure the wire from the socket to the reader, put the chip back once, "
            "and take three more passes."
        ),
    ),
    Meaning(
        "finding",
        "fading",
        ("Bits changed, all towards the state to which this kind of cell fades: charge is being lost."),
        "Two readings apart in time, supply or reader, with every changed bit in one direction.",
        "A revision that only cleared or only set bits; a reader with another threshold.",
        (
            "Store this reading, keep light off the window and read no more than needed; go to the ends of "
            "the data sheet's supply range only when three nominal passes are stored (a sole copy: only if "
            "the answer is worth the risk)."
        ),
    ),
    Meaning(
        "finding",
        "lines-reordered",
        ("A reading holds the same words with its lines in another order or inverted: wires are crossed."),
        ("One arrangement of lines makes the two readings equal, far beyond chance; the lines are named."),
        "A board or an adapter that scrambles lines on purpose.",
        (
            "Power off and chip out: follow the named wires from socket to reader; where a crossing is "
            "known, say it under `lines` of the reading or its `wiring`."
        ),
    ),
    Meaning(
        "finding",
        "same-content",
        "Two chips hold the same words.",
        "Compared word for word over all chips of the project.",
        "Copies by design, or one chip read twice under two names.",
        "Look at the dates of the dumps; read both sockets again in one sitting.",
    ),
    Meaning(
        "finding",
        "inverse-content",
        "One chip holds the exact complement of another.",
        "Compared word for word over all chips of the project.",
        "A pair that is complementary by design, or a reader that inverts.",
        "Read both with the same reader; say `polarity: inverted` where a reader inverts.",
    ),
    Meaning(
        "finding",
        "part-of",
        "One chip's content stands inside another's, or the two share a long stretch.",
        "Windows of words that both hold, at one shift.",
        "Common code or tables; a smaller chip read as a larger one.",
        "Compare the sizes and the markings.",
    ),
    Meaning(
        "finding",
        "interleaves-with",
        "Two or more chips make sense together, side by side.",
        "A check, a text or code that only the joined words have.",
        "Chance, at the odds given.",
        "Put the chips into a space of the sheet (`spaces`) in the named order.",
    ),
    Meaning(
        "finding",
        "lanes-exchanged",
        "Two chips of a space seem to stand in each other's place, such as even and odd bytes.",
        (
            "A header, text or branches make sense with the two exchanged, a million times beyond chance, "
            "and not as they are."
        ),
        "Exchanged labels or dump files; a space whose `lanes` or `byte_order` is said the wrong way round.",
        (
            "Compare markings, labels and sockets of both; then correct the chips, the space's `lanes`, or "
            "its `byte_order`."
        ),
    ),
    Meaning(
        "finding",
        "fill",
        "Stretches of one value, with what each most likely is: unused, decayed, or not driven.",
        "Long runs of one word, judged by the part's unprogrammed level and by the stretch's edges.",
        "A fill made on purpose, or outputs that were not driven.",
        "Where it matters, read with the pulls the other way round, power off while they are changed.",
    ),
    Meaning(
        "finding",
        "text",
        "Readable text in the content.",
        "Runs of printable characters longer than chance gives.",
        "Bytes that only happen to be printable.",
        "Compare the text with what the machine shows or prints.",
    ),
    Meaning(
        "finding",
        "self-check",
        ("A check that the content carries over itself: a sum or CRC that holds, or one that does not."),
        "Common schemes tried over the content; the odds of a chance match are given.",
        "Coincidence; a header that only looks like one.",
        (
            "Where it fails, put the chip back once, power off, and read again; where it holds, look for "
            "the same scheme on the board's other chips."
        ),
    ),
    Meaning(
        "finding",
        "frames-differ",
        (
            "Readings of a chip differ in order, polarity or start of their lines, and nothing decides "
            "which is right."
        ),
        (
            "One mapping makes the readings equal; there are no grounds for either frame, or grounds for "
            "both. A number of passes is not a ground."
        ),
        "Two specimens with boards that scramble differently.",
        (
            "Read the chip once more with a reader whose wires are proved, or say the crossing in the "
            "sheet (`lines`)."
        ),
    ),
    Meaning(
        "finding",
        "wiring-carried",
        "A fault proved on other chips that were read with the same wires concerns this chip too.",
        ("The wiring's other chips prove a crossing by the sheet, a check in the content, or two readers."),
        "Wires that were changed between the chips.",
        (
            "Name the wiring (`wiring: NAME` on the readings) if the wires were the same, or read the chip "
            "again."
        ),
    ),
    Meaning(
        "finding",
        "runs-on",
        "The content is code of a family of processors.",
        ("How well instructions, branches and their targets fit each family, as odds over the next best."),
        (
            "Data that happens to decode; two families that share most of their instructions. Programs for "
            "other processors, 32-bit code among them, are not known; of single bits it says nothing."
        ),
        "Name the board's `processor` where it is known, and compare it with the one on the board.",
    ),
    Meaning(
        "finding",
        "stands-at",
        "The address at which the machine sees this content, or which chip it stands beside.",
        (
            "Calls and jumps of the code land where routines begin, for this address more often than for "
            "any other. Where they carry distances only, these lead out of one chip into the next: then no "
            "address is told, but the neighbour (`with`) and how many words behind it (`by`)."
        ),
        (
            "An image that is moved before it runs; a second bank at the same address; another version of "
            "the neighbour. Code that calls through registers says nothing of its place."
        ),
        "Compare it with the board's address decoding, and add a space to the sheet.",
    ),
    Meaning(
        "finding",
        "lines-crossed",
        "The content itself says that lines are crossed or inverted, without a second reading.",
        (
            "A program keeps its flow, or text can be read, in one order of lines only, or chips beside it "
            "change with it in one order only; at odds that it says, of a chip or a reader. Text says none: "
            "they are not counted."
        ),
        (
            "A board that scrambles the lines on purpose (`board_wiring`). Looked for only where a program's "
            "flow breaks, the processor is known from sheet or board, or chips beside it are parts of one "
            "word; one change at a time."
        ),
        (
            "Power off and chip out: follow the named wires with a meter; it is never undone by itself. "
            "Say `lines` or `board_wiring` once you know which it is."
        ),
    ),
    Meaning(
        "finding",
        "next-address",
        "Some columns carry the address of the next word: microcode.",
        (
            "Over chips side by side some columns name the address of the next word in most words: the "
            "lowest line turns over each time, each line above it where all below are 1. So they tell the "
            "order and polarity of the address lines too; where words only lie near each other they tell "
            "neither."
        ),
        (
            "A counter or table that counts by design. Lines that all count downwards are the same as lines "
            "that are all inverted. Microcode whose next word is implied is not found."
        ),
        "Hold it against the schematic: those outputs go to the sequencer.",
    ),
    Meaning(
        "finding",
        "twin-same",
        "Another specimen's bag, verified just before, holds the same program.",
        (
            "Compared word for word with an image of that bag. It settles no bit; it lifts `single` and "
            "`repeatable` where both are stated originals, custodian, reader and wiring differ, "
            "neither comes "
            "from the other, and the content is more than one value throughout."
        ),
        "A copy of the same reading under another name.",
        "Say `original`, the custodian and the readers' names in both sheets; `wellread twins` finds twins.",
    ),
    Meaning(
        "finding",
        "twin-differs",
        "Another specimen's bag, verified just before, holds another image for this chip.",
        (
            "Compared word for word where both are settled: a line or an order that explains it; fading "
            "by odds, "
            "bits all one way; a revision, bits both ways in stretches; what the other has where this "
            "one is unresolved."
        ),
        "Another revision.",
        "Read the places that differ again on both specimens.",
    ),
    Meaning(
        "grade",
        "missing",
        "There is no usable reading of this chip.",
        "No reading, or all were set aside or held nothing; the sheet's `state` says why.",
        "A chip whose dump has a file name that fits no chip of the sheet.",
        (
            "Read it, or say in the sheet why not: `state: not-read`, `read-failed`, `socket-empty` or "
            "`on-loan`."
        ),
    ),
    Meaning(
        "grade",
        "faulty",
        "The image carries a reading fault, wherever it lies: it is not what the chip holds.",
        "At least one finding of severity fault concerns the image.",
        "See what else each of the findings may be.",
        ('Do what the finding says under "next", and read again; the image lies under images-unsettled/.'),
    ),
    Meaning(
        "grade",
        "contested",
        ("Bits, or the order of lines, are unresolved: readers, or passes of one reader, disagree."),
        (
            "A bit is settled where at least one reader speaks and none speaks against; nothing is settled "
            "by majority."
        ),
        "Two different chips or files taken for one.",
        ("Read once more, if possible with another reader; the mask beside the image shows which bits."),
    ),
    Meaning(
        "grade",
        "single",
        "One pass, and nothing else supports it.",
        "The passes are counted.",
        "A file with two identical copies of one pass is still one sitting, not two readers.",
        "Take two more passes without re-seating; then read with another reader.",
    ),
    Meaning(
        "grade",
        "repeatable",
        "One reader, two or more passes agree on every bit.",
        "Compared bit for bit.",
        "A fault of the reader's wires repeats just as well.",
        "Read with a second, independent reader.",
    ),
    Meaning(
        "grade",
        "corroborated",
        "Two or more independent readers agree on every bit, or another specimen holds the same.",
        (
            "Compared bit for bit, each reader speaking only where its passes agree; of another specimen see "
            "`twin-same`."
        ),
        "A fault of the chip's own legs looks the same to both.",
        "Nothing needs to be done.",
    ),
    Meaning(
        "grade",
        "self-checked",
        "A check inside the content holds beyond chance and is not blind to what could be wrong.",
        ("A common sum or CRC over the content; the odds and what it is blind to are in the record."),
        "A weak sum, which exchanged words leave unchanged; such a check does not lift the grade.",
        "Nothing needs to be done.",
    ),
)

GLOSSARY: Mapping[str, Meaning] = MappingProxyType({one.name: one for one in _MEANINGS})
"""By code or grade: findings first, then the grades from worst to best."""
