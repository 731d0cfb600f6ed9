"""The provenance as plain text, for a person who has nothing but a text editor in thirty years."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from pipeline.to_do import in_order, space_state, to_do_words
from pipeline.views.twin_words import twin_words

if TYPE_CHECKING:
    from pipeline.to_do import ToDo
    from schemas.record import ChipRecord, CoverageRecord, RecordHead, StepRecord


def plain(value: object) -> str:
    """A value on one line, with nothing in it that acts on a terminal or breaks the layout."""
    text = str(value)
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        char if char.isprintable() else char.encode("unicode_escape").decode("ascii") for char in text
    )


def opening(head: RecordHead, waiting: Sequence[ToDo]) -> str:
    """What the package is, who made it, with what, and how far the chips' evidence goes.

    Args:
        head: The record without its chips.
        waiting: What is still to be done, worst first.
    """
    machine = head["machine"]
    lines = [
        f"PROVENANCE OF {head['bag']}",
        "",
        f"Machine      {plain(machine['name'])}"
        + (f", {plain(machine['model'])}" if machine.get("model") else ""),
    ]
    for name, label in (("maker", "Maker"), ("year", "Year")):
        if machine.get(name):
            lines.append(f"{label:12} {plain(machine.get(name))}")
    custodian = head.get("custodian")
    names = (custodian.get("name"), custodian.get("organisation")) if custodian else ()
    who = ", ".join(plain(one) for one in names if one)
    if who:
        lines.append(f"Custodian    {who}")
    fixed = " (clock fixed by SOURCE_DATE_EPOCH)" if head.get("clock_fixed") else ""
    lines += [
        f"Packaged     {head['created']}{fixed} by wellread {head['software']['version']}",
        f"Identifier   {head['external_identifier']}",
    ]
    if old := head.get("supersedes"):
        lines.append(f"Supersedes   {old['bag']} (receipt {old['receipt']})")
        lines += [f"             because {plain(why)}" for why in old["why"]]
    rights = head.get("rights")
    lines.append(f"Rights       {plain(rights['statement']) if rights else 'not stated'}")
    if rights and rights.get("note"):
        lines.append(f"             {plain(rights['note'])}")
    lines += ["", "GRADES", ""]
    lines += [f"  {grade:13} {count}" for grade, count in head["grades"].items() if count]
    lines += ["", *_still_to_do(waiting), *_readers(head), *_spaces(head)]
    if head.get("cautions"):
        lines += [
            "CAUTIONS ABOUT THE SHEET",
            "",
            *(f"  {plain(caution)}" for caution in head["cautions"]),
            "",
        ]
    lines += [*_heeding(head), "CHIPS", ""]
    return "\n".join(lines) + "\n"


def _still_to_do(waiting: Sequence[ToDo]) -> Iterable[str]:
    """The one list: what is held back or cautioned, and what nobody has read."""
    yield "STILL TO BE DONE BY A PERSON"
    yield ""
    for chip in waiting:
        yield f"  {to_do_words(chip.to_json())}"
    if not waiting:
        yield "  nothing"
    yield ""


def _heeding(head: RecordHead) -> Iterable[str]:
    """What to heed before any step that a chip's findings name.

    Dangers of its part first, then those of all.
    """
    from pipeline.views.report.bench_cautions import heeding_of

    found = heeding_of(head.get("parts") or {})
    yield "BEFORE A HAND GOES NEAR A CHIP"
    yield ""
    for names, texts in found.by_part:
        yield f"  {plain(names)}:"
        yield from (f"    {plain(text)}" for text in texts)
    yield from (f"  {text}" for text in found.always)
    yield f"  {found.deference}"
    yield ""


def _readers(head: RecordHead) -> Iterable[str]:
    yield "READERS"
    yield ""
    for reader, facts in head.get("readers", {}).items():
        about = ", ".join(plain(facts.get(key)) for key in ("name", "kind", "version") if facts.get(key))
        yield f"  {reader:12} {about}"
    told = head.get("qualification", {}).get("readers", ())
    if told:
        yield ""
        yield "  Trust earned by reading chips that another reader read too (exact one-sided 95 % bound):"
        yield f"  {'reader':12} {'chips':>6} {'agreed':>6} {'bits':>10} {'wrong':>7}  error rate at most"
        for one in told:
            name = " and ".join(one["readers"])
            yield (
                f"  {name:12} {len(one['chips']):>6} {len(one['agreed_chips']):>6} "
                f"{one['bits_compared']:>10} {one['disagreements']:>7}  {one['upper_bound']:.3g}"
            )
            yield f"    lines exercised: {_exercised(one['coverage'])}"
    yield ""


def _exercised(coverage: CoverageRecord) -> str:
    lines = [one["line"] for one in (*coverage["address"], *coverage["data"])]
    apart = coverage["not_told_apart"]
    said = " ".join(lines) or "none"
    return said + (f"; not told apart: {', '.join(map(str, apart[:12]))}" if apart else "")


def _spaces(head: RecordHead) -> Iterable[str]:
    spaces = head.get("spaces", ())
    if not spaces:
        return
    yield "ADDRESS SPACES"
    yield ""
    for space in spaces:
        yield f"  {space['name']:16} {space['words']} words of {space['width']} bits, {space_state(space)}"
        for reason in (*space.get("reasons", ()), *space.get("cautions", ())):
            yield f"    {plain(reason)}"
        for chip in space.get("to_do", ()):
            yield f"    {to_do_words(chip)}"
    yield ""


def chip_notes(chip: ChipRecord) -> str:
    """One chip: what it is, how it was read, what was done to the bytes, and what is still open."""
    where = " ".join(plain(chip.get(key)) for key in ("board", "socket") if chip.get(key))
    lines = [f"{chip['chip']}  {where}".rstrip()]
    facts = [
        f"{label} {plain(chip.get(key))}"
        for key, label in (
            ("part", "part"),
            ("organisation", "organisation"),
            ("marking", "marked"),
            ("label", "label"),
            ("date_code", "date code"),
            ("revision", "revision"),
            ("role", "role"),
        )
        if chip.get(key)
    ]
    if "original" in chip:
        facts.append("stated to be an original" if chip["original"] else "a copy")
    if facts:
        lines.append("  " + ", ".join(facts))
    lines.append(f"  grade {chip['grade']}: {'; '.join(plain(reason) for reason in chip['reasons'])}")
    if chip.get("held_back"):
        lines.append(f"  held back: {', '.join(chip['held_back'])}")
    for reading in chip.get("readings", ()):
        how = ", ".join(
            f"{key.replace('_', ' ')} {plain(value)}" for key, value in reading.get("how", {}).items()
        )
        lines.append(f"  read {reading['reading']} by {reading['reader']}" + (f" ({how})" if how else ""))
        if reading.get("set_aside"):
            lines.append(f"    set aside: {plain(reading['set_aside'])}")
        for stored in reading["files"]:
            lines.append(
                f"    {stored.get('path') or 'a file that is not here'}  SHA-256 {stored['sha256']}"
                f"  format {stored.get('format') or 'not identified'}"
            )
            lines += [
                f"      forgiven: {plain(one['what'])} ({one['place']}, {one['count']} times)"
                for one in stored.get("forgiven", ())
            ]
        for one in reading["passes"]:
            steps = ", ".join(_step(step) for step in one["steps"])
            lines.append(f"    pass {one['number']}: {steps}")
    image = chip.get("image")
    if image:
        sums = ", ".join(f"{one['method']} {one['value']} ({one['form']})" for one in image["sums"])
        lines += [f"  image {image.get('path') or 'not here'}  SHA-256 {image['sha256']}", f"    {sums}"]
    if absent := chip.get("absent"):
        told = ", ".join(f"0x{start:X} to 0x{end - 1:X}" for start, end in absent[:8])
        lines.append(f"  words that no reading has ({sum(end - start for start, end in absent)}): {told}")
    contested = chip.get("contested")
    if contested:
        bits, words = contested["bits"], contested["words"]
        lines.append(f"  contested: {bits} bit{'s' * (bits != 1)} in {words} word{'s' * (words != 1)}")
        for bit in contested["listed"][:20]:
            votes = ", ".join(
                f"{reader} {'undecided' if vote is None else vote}" for reader, vote in bit["votes"].items()
            )
            lines.append(
                f"    0x{bit['address']:04X} {bit['line']}: {votes or 'no voice'}; image carries "
                f"{bit['image']} ({plain(bit['why'])})"
            )
    lines += [f"  twin: {plain(twin_words(twin))}" for twin in chip.get("twins", ())]
    lines += [f"  answer to {code}: {plain(answer)}" for code, answer in chip.get("answers", {}).items()]
    for finding in in_order(chip.get("findings", ()), chip.get("held_back", ())):
        lines.append(f"  {finding['severity']} {finding['code']}: {plain(finding['means'])}")
        if finding["severity"] != "note":
            lines += [f"    or: {plain(finding['also'])}", f"    next: {plain(finding['next'])}"]
    return "\n".join(lines) + "\n\n"


def _step(step: StepRecord) -> str:
    settings = step.get("settings", {})
    told = ", ".join(
        f"{key} {value}" for key, value in settings.items() if not isinstance(value, list) or len(value) < 9
    )
    return f"{step['action']} ({plain(told)})" if told else str(step["action"])
