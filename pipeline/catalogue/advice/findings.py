"""What to do about a finding: the steps that detectors name.

A step with `{line}` or `{both}` is about those lines; `{pulls}`, `{margins}`, `{hold}`, `{probe}` and
`{reseat}` are pieces.
"""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.catalogue.advice.grounds import LOGIC, PRACTICE

FINDINGS: Mapping[str, tuple[str, str]] = {
    # -- nothing drove the bus
    "undriven": (
        (
            "Switch off, take the chip out, see which way round it stood, and measure the supplies at "
            "the empty socket. If it stood reversed, do not power it again without a current limit. "
            "Otherwise follow the wires of enables and supplies with a meter, put it back, and read again. "
            "{pulls}"
        ),
        PRACTICE,
    ),
    "blank-or-undriven": ("{pulls}", PRACTICE),
    "constant-word": (
        (
            "Switch off, take the chip out, and follow the wires of enables, clock and address strobe "
            "with a meter (a part with an address latch gives the same word as long as its strobe does not "
            "move). {pulls}"
        ),
        PRACTICE,
    ),
    "follows-address": (
        (
            "Switch off, take the chip out, measure the supplies at the empty socket, follow the wires "
            "of the enables with a meter, then read again. {pulls}"
        ),
        PRACTICE,
    ),
    # -- lines
    "stuck-data-line": (
        (
            "{pulls} If {line} follows the pull, its contact is open; if it stays, it is shorted or the "
            "chip drives it that way."
        ),
        PRACTICE,
    ),
    "dead-address-line": (
        (
            "{reseat} If {line} still makes no difference, go on. {hold} If both are alike, the chip or its "
            "content ignores {line}."
        ),
        PRACTICE,
    ),
    "joined-lines": (
        (
            "Switch off and take the chip out. Measure between the socket's contacts of {both} and "
            "between their wires: near 0 ohms is a short in socket or wiring. Look at the chip's legs "
            "for solder, a bent leg or a strand (no ohmmeter on the chip itself), put it back once and "
            "read again."
        ),
        PRACTICE,
    ),
    "loose-contact": (
        (
            "Switch off, take the chip out, and measure {line} from the socket's contact to the reader "
            "while the reader's end of the wire is moved. Put the chip back once, right way round, and "
            "take three more passes; nothing is pressed or moved while the power is on (sole copies and "
            "tarnished legs are not cleaned)."
        ),
        PRACTICE,
    ),
    "repeats-from-the-top": (
        (
            "Compare the marking with the part. If it is another, switch off and take the chip out: a pin "
            "that is an address line on one part is a supply on another. If it is right, have the reader's "
            "program hold the top address lines low for one reading and high for another; if both are alike, "
            "the chip or its content ignores them."
        ),
        PRACTICE,
    ),
    "crossed-wires": (
        (
            "Switch off, take the chip out, and follow the wires named from socket to reader against "
            "the data sheet's pins: the wiring tells which of the two orders is the chip's own."
        ),
        PRACTICE,
    ),
    "frames-differ": (
        (
            "Read the chip once more with a reader that is neither of these (a device programmer under "
            "the chip's own part, or other wires), or trace the wires of one reading and write its `lines` "
            "into the sheet: `lines: {{}}` where they run straight."
        ),
        LOGIC,
    ),
    "frames-differ-start": (
        (
            "Read the chip once more with the counter held in reset until the pass begins, and with the "
            "addresses printed beside the words; then give the reading that began late, or lost words, "
            "`set_aside` with the reason."
        ),
        LOGIC,
    ),
    "frames-differ-bytes": (
        (
            "Look up which half of the word the data sheet calls low, and in which order each reader writes "
            "the two bytes; then say `byte_order: big` or `byte_order: little` at each reading."
        ),
        LOGIC,
    ),
    "wiring-undone": (
        ("Nothing, if these are the same wires; otherwise give this reading another `wiring` in the sheet."),
        LOGIC,
    ),
    "same-wires": (
        (
            "If the wires were the same, write `{paste}` at this reading, or give it and the others one "
            "`wiring: NAME` in the sheet. If they were not, write `lines: {{}}` at this reading."
        ),
        LOGIC,
    ),
    "denied-lines": (
        (
            "Look at the `lines` in the sheet again: entry k is the line of the reading that carries the "
            "chip's line k, not the other way round. Else switch off, take the chip out, and follow the "
            "wires from socket to reader against the data sheet's pins."
        ),
        PRACTICE,
    ),
    "wiring-other-pins": (
        (
            "Switch off, take the chip out, and follow the wires of the lines named from the reader to "
            "this chip's socket; then give this reading its `lines`."
        ),
        PRACTICE,
    ),
    "lines-crossed": (
        (
            "Switch off, take the chip out, and follow {named} from socket to reader with a meter, then read "
            "again; if the board crosses them, say so with `board_wiring`."
        ),
        PRACTICE,
    ),
    "say-space": ("Hold it against the board's address decoding, and put the chips into a space.", LOGIC),
    "turned-data": (
        (
            "If the reader inverts, or gives D0 as the highest bit, say `polarity: inverted` or `bit_order: "
            "reversed` at the reading. Else switch off, take the chip out, and follow the data wires from "
            "socket to reader with a meter; if the board turns them, say so with `board_wiring`."
        ),
        PRACTICE,
    ),
    "to-the-sequencer": (
        "Hold it against the schematic: those outputs lead to the sequencer's address inputs.",
        LOGIC,
    ),
    "say-processor": ("Name the board's `processor`, if it is known.", LOGIC),
    "say-kin-processor": (
        (
            "Check how the sheet spells the board's `processor`; if that is right, `listing --processor` "
            "reads the program as one for a relative."
        ),
        LOGIC,
    ),
    "processor-said": ("`listing` shows the program with its instructions in words.", LOGIC),
    "compare-processor": (
        (
            "Compare the sheet's `processor` with the marking of the one on the board, and the chip with its "
            "board; a second processor on it, or a chip of another board, explains both."
        ),
        LOGIC,
    ),
    # -- passes that disagree
    "scattered-bits": (
        (
            "Switch off, clip a meter to the supply at the socket, and watch it during a pass; put the "
            "chip back once (power off), and take three more passes. {margins}"
        ),
        PRACTICE,
    ),
    "dropped-words": (
        (
            "Switch off, take the chip out, and follow the wires of enables and supplies with a meter; "
            "put it back once and read again. {probe}"
        ),
        PRACTICE,
    ),
    "late-ones": ("{pull_ups}; keep the wires short, slow the clock, and read again.", PRACTICE),
    "too-fast": (
        (
            "Slow the reader to a tenth and read again: errors that vanish were timing. Watch the "
            "supply for sagging with a meter clipped on while the power was off."
        ),
        PRACTICE,
    ),
    "fading": (
        (
            "Store this reading first, log the temperature, keep light off the window, and read no more "
            "often than needed. {margins}"
        ),
        PRACTICE,
    ),
    "set-aside-reading": (
        (
            'Set the bad reading aside: write `set_aside: "{fault}"` at {reading} in the sheet. With the '
            "power off and the chip out, look at the wire and the contact of the line named; then read "
            "the chip once more."
        ),
        PRACTICE,
    ),
    "two-contents": (
        (
            "Compare the marking on the chip and the names of both files; then set aside the reading "
            "that is of another chip, or read this chip once more with either reader."
        ),
        LOGIC,
    ),
    "two-readers": (
        (
            "Read the chip once more with each of the two readers, or best with a third: a bit is settled "
            "when no reader speaks against it."
        ),
        LOGIC,
    ),
    "read-margins": ("{margins}", PRACTICE),
    "contested": (
        (
            "{reseat} Best with another reader: a bit is settled when a reader's passes agree on it and "
            "no reader speaks against."
        ),
        PRACTICE,
    ),
    "faulty": ("{reseat}", PRACTICE),
    # -- counters and streams
    "reset-counter": (
        (
            "Have the reader hold its counter in reset before every pass and read once more: that pass began "
            "at address 0, and tells which of the two did."
        ),
        LOGIC,
    ),
    "counter-clock": (
        (
            "Debounce the counter's clock in the reader and read again; to look at it, clip a probe to "
            "the reader's side with the power off."
        ),
        PRACTICE,
    ),
    "third-pass": (
        (
            "Read once more, slower, and in the line protocol, which proves every line: that pass is right, "
            "and tells which of the two is. Debounce the clock of a counter that bounces."
        ),
        PRACTICE,
    ),
    "slower-line": (
        (
            "Read once more with a slower serial line, best in the line protocol, and compare the "
            "number of words."
        ),
        PRACTICE,
    ),
    "resend": (
        "Send the same reading once more in a form with checksums, such as Intel HEX text, and compare.",
        PRACTICE,
    ),
    "resend-and-set-aside": (
        (
            "Set the damaged reading aside. Send it once more in a form with checksums, such as Intel "
            "HEX text, and compare."
        ),
        PRACTICE,
    ),
    "resend-both": (
        "Send both readings once more in a form with checksums, such as Intel HEX text, and compare.",
        PRACTICE,
    ),
    "find-unsaved": (
        (
            "Find the file as it was before an editor saved it, or send the same reading once more in a "
            "form with checksums, such as Intel HEX text, and compare."
        ),
        PRACTICE,
    ),
    "eight-bits": (
        (
            "Set the link to eight bits without parity and read again, in a form with checksums such as "
            "Intel HEX text."
        ),
        PRACTICE,
    ),
    "eight-bits-or-stuck": (
        (
            "Set the link to eight bits without parity and read again, in a form with checksums such as "
            "Intel HEX text; if bit 7 stays 0, look at D7."
        ),
        PRACTICE,
    ),
    # -- lengths
    "compare-marking": (
        (
            "Compare the marking on the chip with the part that was named; if it is right, nothing is "
            "left to do."
        ),
        LOGIC,
    ),
    "count-words": (
        "Read the chip again and compare the number of words before the chip leaves the socket.",
        LOGIC,
    ),
    "exact-length": (
        "Check the organisation against the marking, then read again with exactly that many addresses.",
        LOGIC,
    ),
    "spare-inputs": (
        (
            "Switch off, tie those data inputs of the reader that are joined to no leg of the chip to "
            "ground through 10 kilohms each, and read once more."
        ),
        PRACTICE,
    ),
    # -- content
    "fill-pulls": (
        "{pulls}",
        PRACTICE,
    ),
    "fill-open-collector": (
        "{pulls} Read once more with the chip disabled: what stays the same then was never driven.",
        PRACTICE,
    ),
    "fill-on-purpose": ("Nothing at the bench; a listing of the program, if there is one, decides.", LOGIC),
    "check-text": ("Compare the text with what the machine shows or prints.", LOGIC),
    "check-fails": (
        "{reseat} Compare the whole length; if the readings agree, that is what the chip holds.",
        PRACTICE,
    ),
    "check-holds": ("Look for the same scheme on the other chips of the board.", LOGIC),
    "nothing": ("Nothing needs to be done.", LOGIC),
    "read-weaker": ("Read the one with more lost bits again. {margins}", PRACTICE),
    "compare-sizes": ("Compare the sizes with the markings.", LOGIC),
    "compare-dates": ("Compare labels and date codes; read both again.", LOGIC),
    "copies-or-one": ("Look at the dates of the dumps; read both sockets again in one sitting.", LOGIC),
    "inverting-reader": (
        "Read both with the same reader; say `polarity: inverted` where a reader inverts.",
        LOGIC,
    ),
    "side-by-side": (
        (
            "The schematic, or the sockets' data lines, tell which chip drives which lines; put the "
            "chips into a space of the sheet."
        ),
        LOGIC,
    ),
    "lanes-exchanged": (
        (
            "Compare markings and labels of {first} and {second} with their sockets and the names of their "
            "dumps. If they were exchanged, exchange their readings in the sheet; otherwise write the "
            "space's `lanes` or its `byte_order` the other way round."
        ),
        LOGIC,
    ),
    # -- other specimens
    "twin-not-independent": (
        (
            "Say in both sheets what is known: `original`, the custodian, and each reader's name and serial "
            "number. A copy, or the same reading under another name, bears nothing out."
        ),
        LOGIC,
    ),
    "twin-fading": (
        (
            "Read the places that differ again on both specimens, each with its own reader, and store both "
            "readings first. {margins}"
        ),
        PRACTICE,
    ),
    "twin-wires": (
        (
            "Switch off, take the chip out, and follow the wires of the lines named, on the reader of the "
            "specimen named; then read that one again."
        ),
        PRACTICE,
    ),
    "twin-revision": (
        (
            "Compare labels, markings and date codes of both chips, and keep both contents under their own "
            "names."
        ),
        LOGIC,
    ),
    # -- chips without a reading
    "not-read": (
        "Photograph and note the chip first, then take one reading of three passes at the nominal supply.",
        PRACTICE,
    ),
    "read-failed": (
        "Look at what failed last time before trying again; a sole copy is not read over and over.",
        PRACTICE,
    ),
    "socket-empty": ("Look for the chip itself, or for the same chip of a sister machine.", LOGIC),
    "on-loan": ("Ask for the chip, or for a reading of it with its dump file and reader named.", LOGIC),
}
"""Id → (text, ground)."""
