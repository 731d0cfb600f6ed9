"""The drafted sheet as a person reads it: one sentence and one confirmation a chip, and stubs."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence

from pipeline.draft.chips import DraftedChip, DraftedReading
from pipeline.draft.proposals import Proposal

HEAD = """\
# Drafted by `wellread start`. Nothing here is confirmed on a chip yet; `wellread check` refuses what is not.
# One line a chip is to be confirmed, `unconfirmed`: look at the chip itself, and put in place of the line
# what the # after it proposes; where the chip says something else, write that; where it says nothing, take it
# out. Ids of chips come from the names of files; what lies beside dumps/ is taken for a dump where it can be
# read.
wellread: 1
"""
STUBS = """\
# What no file says. Where you know it, take away the # and the space after it, and fill it in.
# custodian: {{name: "…", organisation: "…", contact: "…", place: "…"}}
# rights: {{statement: "http://rightsstatements.org/vocab/UND/1.0/", note: "…"}}    # `wellread release -h`
# boards:
#   main: {{name: "…", processor: z80, sockets: ["U1", "U2"]}}    # and `board: main` at its chips
# wirings:
#   crossed: {{lines: {{data: [D1, D0, D2, D3, D4, D5, D6, D7]}}}}    # then `wiring: crossed` at its readings
"""
SPACE = """\
# spaces:
#   - {{name: program, width: {bits}, placements: [{{at: 0x0000, lanes: [{chip}]}}]}}
"""


def quoted(text: str) -> str:
    """A YAML scalar in double quotes: any text survives it, none of it acts on an editor or a terminal."""
    # YAML, unlike JSON, writes what lies beyond 16 bits in one escape, and has none for half a character.
    whole = text.encode("utf-8", "replace").decode()
    return "".join(
        char if char.isprintable() else f"\\U{ord(char):08x}"
        for char in json.dumps(whole, ensure_ascii=False)
    )


def sheet_text(machine: tuple[str, str], chips: Sequence[tuple[DraftedChip, Proposal]]) -> str:
    """The whole sheet.

    Args:
        machine: (id, name).
        chips: At least one, with what is proposed of each.
    """
    readers = sorted({one.reader for chip, _ in chips for one in chip.heard})
    lines = [HEAD + "machine:", f"  id: {quoted(machine[0])}", f"  name: {quoted(machine[1])}"]
    if readers:
        lines += ["readers:    # of each its kind: device-programmer or home-built"]
        lines += [f"  {reader}: {{}}" for reader in readers]
    lines.append("chips:")
    for chip, proposal in chips:
        lines += _chip(chip, proposal)
    rows = _rows(chips)
    if rows:
        lines += ["readings:", *rows]
    return "\n".join(lines) + "\n\n" + STUBS.format() + _space(chips)


def _chip(chip: DraftedChip, proposal: Proposal) -> list[str]:
    """One chip: what its files say, and the one line to be confirmed."""
    lines = [f"  - chip: {quoted(chip.chip)}"]
    if proposal.organisation is not None:
        lines.append(f"    organisation: {proposal.organisation}")
    if not chip.heard:
        lines.append("    state: read-failed")
        lines += [
            f"    attempts: [{{outcome: {quoted(f'{one.path} {one.set_aside}')}}}]"
            for one in chip.readings[:1]
        ]
    lines.append(f"    unconfirmed: [{quoted(_sentence(chip, proposal))}]{_instead(proposal)}")
    return lines


def _sentence(chip: DraftedChip, proposal: Proposal) -> str:
    """All guesses of a chip in one sentence."""
    clauses = list(proposal.why) if chip.heard else ["no file of it can be read"]
    said = {f"`{name}: {value}`" for one in chip.heard for name, value in _says(one, proposal).items()}
    if said:
        clauses.append(f"read with {' and '.join(sorted(said))}")
    if chip.joined:
        clauses.append(f"{chip.joined[0].rsplit('/', 1)[-1]} because its bytes are alike")
    return "; ".join(clauses)


def _instead(proposal: Proposal) -> str:
    """What to type in place of the line, as a comment behind it."""
    if proposal.part:
        return f"    # proposed; put in its place: part: {quoted(proposal.part)}"
    if proposal.others:
        return f"    # put in its place: part: … (of this size: {', '.join(proposal.others)})"
    return "    # take it out, or put in its place: part: …"


def _says(one: DraftedReading, proposal: Proposal) -> Mapping[str, str]:
    return {**one.content.says, **(proposal.says or {})}


def _rows(chips: Sequence[tuple[DraftedChip, Proposal]]) -> list[str]:
    """The readings of which more is to be said than their names say."""
    # Files of one name in two folders are two readings, which only rows of their own can tell apart.
    names = Counter(_stem(one.path) for chip, _ in chips for one in chip.readings)
    rows = []
    for chip, proposal in chips:
        for one in chip.readings if chip.heard else ():
            says = {**_says(one, proposal), **({"set_aside": one.set_aside} if one.set_aside else {})}
            convention = one.named.reader and one.named.chip == chip.chip and one.path.startswith("dumps/")
            if convention and not says and names[_stem(one.path)] == 1:
                continue
            more = "".join(
                f", {name}: {quoted(value) if name == 'set_aside' else value}" for name, value in says.items()
            )
            path = quoted(one.path.removeprefix("dumps/"))
            rows.append(f"  - {{chip: {quoted(chip.chip)}, reader: {one.reader}, file: {path}{more}}}")
    return rows


def _stem(path: str) -> str:
    return path.rsplit("/", 1)[-1].rsplit(".", 1)[0]


def _space(chips: Sequence[tuple[DraftedChip, Proposal]]) -> str:
    """A stub for the spaces, with a chip that there is."""
    known = [(chip, one.organisation) for chip, one in chips if one.organisation is not None and chip.heard]
    if not known:
        return ""
    chip, organisation = known[0]
    return SPACE.format(bits=organisation.bits, chip=chip.chip)
