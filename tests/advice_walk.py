"""What no text may tell a hand to do, and what must stand beside advice: judged on any text, for any part.

Written down apart from the texts themselves, from the part's facts alone, so that a changed text cannot
change what is asked of it. Ground of the list: common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from schemas.part import Part

FORBIDDEN: Mapping[str, str] = {
    "wriggling under power": r"wri?ggl|wiggl|jiggl|rock the chip",
    "pressing the chip": r"\bpress\w* (it|the|on|down|lightly|against|home)\b",
    "lines held by hand": r"\b(held|hold|driv|drove|mov|turn|ti)\w*\b[^.;]{0,40}\bby hand\b",
    "shorting a pin": r"\bshort\w* (it|them|the|a|each|pin|line|leg)s?\b.{0,40}\b(to|with|against)\b",
    "trying it reversed": r"\b(try|put|insert|seat|plug|turn)\w*\b.{0,30}"
    r"\b(the other way round|reversed|backwards)\b",
    "reversing the chip": r"\b(reverse|rotate) (it|the chip)\b",
    "leaving the data sheet's range": (
        r"\b(below|beneath|beyond|above|outside|under) the (data sheet|range|limits?)\b"
        r"|\bovervolt|\bundervolt"
    ),
    "cleaning": r"\bclean (the|that|its|all) (legs?|pins?|contacts?|chip|socket)",
    "flow control": r"\b(with|use|turn on|switch on|or|and) (a |software |hardware )?flow control\b",
    "turning a machine's supply": r"\bin the machine\b.{0,60}\b(limits?|supply|volts?)\b|both supply limits",
    "measuring at a leg by hand": r"\bmeasure\b[^.;]{0,60}\b(at|on) (the chip's|its|that|the) (own )?legs?\b",
    "an ohmmeter on the chip": r"\bmeasure between (the )?(two )?legs\b",
    "grounding outputs": r"\b(tie|join|connect|wire)\b[^.;]{0,40}\boutputs?\b[^.;]{0,30}\bto ground\b",
    "looking into a lamp": r"\blook into (it|the lamp)\b",
    "going on with a hot chip": r"\btouch (it|the chip) to\b",
    "peeling a label": r"\bpeel (it|the|an|off)\b",
    "erasing an original": r"\berase (it|the|an) original\b",
}
"""Forbidden advice as patterns; a sentence that forbids it (`never`, `do not` …) may name it."""
_FORBIDS = re.compile(
    r"\b(never|not|no|nothing|nobody|without|neither|cannot|must not|only)\b", re.IGNORECASE
)
_MARGINS = re.compile(
    r"\b(either|both|lower|upper) ends? of (the|its)\b.{0,40}\brange\b|\bends of the data sheet's supply"
)


def flat(text: str) -> str:
    """The text in one line, as a person reads on over the breaks."""
    return re.sub(r"\s+", " ", text)


def sentences(text: str) -> list[str]:
    return re.split(r"(?<=[.!?;])\s+", flat(text))


def offences(text: str) -> list[str]:
    """Which forbidden advice a text gives."""
    found = []
    for sentence in sentences(text):
        for kind, pattern in FORBIDDEN.items():
            hit = re.search(pattern, sentence, re.IGNORECASE)
            clause = re.split(r"[,;:(]", sentence[: hit.start()])[-1] if hit else ""
            if hit and not _FORBIDS.search(clause):
                found.append(f"{kind}: {sentence}")
    whole = flat(text)
    if _MARGINS.search(whole) and "sole copy" not in whole:
        found.append(f"margins without the sole-copy caution: {whole[:200]}")
    return found


@dataclass(frozen=True)
class Wanted:
    """A caution that a part's facts ask for, and what must not stand beside it."""

    key: str
    says: str
    never: str = ""


def wanted(part: Part) -> list[Wanted]:
    """The part's own dangers, from its facts alone."""
    found = []
    supplies = set(part.supplies_v)
    if supplies == {5.0, -5.0, 12.0}:
        found.append(Wanted("several-supplies", r"-5 V on first and off last"))
    elif len(supplies) > 1:
        order = r"(order in which they come on and go off|order.{0,30}is in the data sheet)"
        found.append(Wanted("several-supplies", order, never=r"-5 V (on )?first"))
    if supplies and min(supplies) <= -9.0:
        found.append(
            Wanted("p-channel-outputs", r"TTL buffers", never=r"once with pull-downs|With pull-downs")
        )
        found.append(Wanted("p-channel-inputs", r"remembered, not seen"))
    if any(other.name.startswith("/WE") for other in part.other_pins):
        found.append(Wanted("write-enable", r"overwritten while it is read"))
    programming = [*(one.name for one in part.other_pins), *(one.name for one in part.enables)]
    if any(re.search("VPP|PGM|PROG", name.upper()) for name in programming):
        found.append(Wanted("programming-voltage", r"Reading needs no programming voltage"))
    if part.pinout == "known" and not part.gnd:
        found.append(Wanted("no-ground-pin", r"no ground pin"))
    if 1 in part.gnd:
        found.append(Wanted("reverse-powered", r"reverse-powered"))
    return found


GENERAL = {
    "switch-off": r"(power off|[Ss]witch off)",
    "measure-first": r"measure.{0,80}empty socket",
    "right way round": r"(right way round|right notch end)",
    "unpowered-chip": r"(low or inputs)",
    "reader-at-3v3": r"3\.3 V",
    "static": r"[Ww]rist strap",
    "sole-copy": r"[Aa] sole copy",
    "data sheet": r"data sheet",
    "local rules": r"local electrical-safety rules",
    "licensed practice": r"licensed practice",
}
"""What every text that leads to the bench says, whatever the part."""
GENERAL_PROGRAMMING = {
    "switch-off": r"[Ss]witch off",
    "original-out": r"original must not be in the programmer",
    "static": r"[Ww]rist strap",
    "blank-first": r"blank before it is programmed",
    "device-programmer": r"12 V on A9",
    "data sheet": r"data sheet",
    "licensed practice": r"licensed practice",
}
"""What every text that leads to a device programmer says."""


def missing(text: str, part: Part | None, general: Mapping[str, str] = GENERAL) -> list[str]:
    """Which cautions a text ought to have and has not, and which of its words it ought not to have."""
    whole = flat(text)
    found = [f"general: {key}" for key, says in general.items() if not re.search(says, whole, re.IGNORECASE)]
    for one in wanted(part) if part is not None else ():
        if not re.search(one.says, whole):
            found.append(f"{one.key}: {one.says}")
        if one.never and re.search(one.never, whole):
            found.append(f"{one.key} beside {one.never}")
    return found


def out_of_order(text: str, part: Part | None, step: str) -> list[str]:
    """The part's own dangers that stand behind the advice."""
    whole = flat(text)
    at = whole.find(flat(step))
    late: list[str] = []
    if at < 0:
        return ["the advice itself is not told"]
    for one in wanted(part) if part is not None else ():
        hit = re.search(one.says, whole)
        if hit and hit.start() > at:
            late.append(one.key)
    return late


def kinds_of(parts: Iterable[Part]) -> list[Part]:
    """One small part for each kind of cell, output, supplies and dangerous pins that the catalogue knows."""
    chosen: dict[tuple[object, ...], Part] = {}
    for part in sorted(parts, key=lambda one: ((one.words or 0) * (one.bits or 0), one.part)):
        if part.words is None or part.bits is None or part.words > 1 << 16:
            continue
        marks = (
            part.kind,
            part.output,
            tuple(sorted(part.supplies_v)),
            part.confidence,
            bool(part.address_pins),
        )
        chosen.setdefault((*marks, *sorted(one.key for one in wanted(part))), part)
    return list(chosen.values())
