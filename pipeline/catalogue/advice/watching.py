"""What the screen of `watch` says to do next: one sentence each, and none that moves anything under power."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.catalogue.advice.grounds import LOGIC, PRACTICE

WATCHING: Mapping[str, tuple[str, str]] = {
    "watch-power-off": (
        "Power off (reader first, supplies in order) before any wire or chip is moved.",
        PRACTICE,
    ),
    "watch-wait": (
        (
            "Nothing has come yet: start the reader once every supply stands; for its line test, socket "
            "empty and every supply off."
        ),
        PRACTICE,
    ),
    "watch-first": ("The first pass is coming: leave everything as it is.", LOGIC),
    "watch-off": (
        (
            "Confirm that every supply is off; move wires now. Silence alone is no proof. Then the "
            "supplies on in their order, and the reader last."
        ),
        PRACTICE,
    ),
    "watch-again": ("Nothing is wrong so far: leave everything as it is for another pass.", LOGIC),
    "watch-undriven": (
        (
            "Every word reads {word}, so that nothing may be driving the data lines: power off, chip out, "
            "then the wires of supplies and enables."
        ),
        PRACTICE,
    ),
    "watch-noise": (
        "The data lines are noise: power off, chip out, then the wires of supplies and enables.",
        PRACTICE,
    ),
    "watch-stuck": (
        "{line} reads {level} in every word: power off, then its wire and contact.",
        PRACTICE,
    ),
    "watch-floating": ("{line} is noise, nothing drives it: power off, then its wire and contact.", PRACTICE),
    "watch-joined": (
        "{line} and {others} read as one: power off, chip out, then look for a bridge between them.",
        PRACTICE,
    ),
    "watch-dead": ("{line} makes no difference: power off, then its wire and contact.", PRACTICE),
    "watch-loose": ("{line} comes and goes: power off, then its wire and contact.", PRACTICE),
    "watch-doubt": ("Passes differ and no one line explains it: power off, then all contacts.", PRACTICE),
    "watch-exchange": (
        (
            "{first} and {second} are crossed: power off; at the reader's end exchange the wires leading to "
            "{pins}."
        ),
        PRACTICE,
    ),
    "watch-lead": (
        "Lines are crossed: power off; at the reader's end lead {moves}.",
        PRACTICE,
    ),
    "watch-inverted": (
        "{lines} inverted: power off, then look for an inverting buffer in the way.",
        PRACTICE,
    ),
    "watch-differs": (
        (
            "The passes agree, and differ from the trusted reading in {words}: compare the markings "
            "before anything is moved."
        ),
        LOGIC,
    ),
    "watch-weighed": ("The passes agree, but {fault}: see what `wellread explain {fault}` says.", LOGIC),
    "watch-good": ("Three passes in a row are whole, alike and free of faults: capture now.", LOGIC),
    "watch-speed": (
        "What arrives is not text at {baud} baud: say --baud, or let --find-speed try the usual ones.",
        LOGIC,
    ),
    "watch-unplaced": (
        "Words come, and nothing says where a pass begins: stop the reader and start it again.",
        LOGIC,
    ),
    "watch-other-chip": (
        "The reader is set to {found}, the chip is {wanted}: correct its program, or say --part.",
        LOGIC,
    ),
    "watch-testing": ("The line test is running: leave everything as it is.", LOGIC),
    "watch-pulsed": (
        "Pulses prove no line: power off, then passes of this expendable chip show what is alive.",
        PRACTICE,
    ),
    "watch-test-sound": (
        (
            "No line is joined or held, and each data line reaches its pull: power off, then the chip may go "
            "in, as the data sheet says."
        ),
        PRACTICE,
    ),
    "watch-test-held": (
        "{line} is held at {level}: every supply off, then what it touches.",
        PRACTICE,
    ),
    "watch-test-open": (
        (
            "{line} does not come back through its pull at the socket's hole: every supply off, then its "
            "wire, and whether the pull is fitted."
        ),
        PRACTICE,
    ),
    "watch-test-joined": (
        "{line} and {others} are joined: every supply off, then look for a bridge between them.",
        PRACTICE,
    ),
}
"""Id → (text, ground)."""
