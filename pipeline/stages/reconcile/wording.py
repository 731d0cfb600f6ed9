"""How frames differ, in the words of a person at a bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.names import Organisation

if TYPE_CHECKING:
    from pipeline.lines import LineMap
    from pipeline.stages.reconcile.frames import Way
    from schemas.record import LinesRecord


def lines_in_words(settings: LinesRecord) -> str:
    """`A3 and A4 exchanged, D0 inverted`: the wires a person has to look at.

    Args:
        settings: A mapping as documents carry it.
    """
    swapped = _bytes_swapped(settings)
    said = [swapped] if swapped else []
    for letter, lines, inverted in (
        ("A", settings["address"], settings["invert_address"]),
        ("D", settings["data"], settings["invert_data"]),
    ):
        if not (swapped and letter == "D"):
            said += _moved_lines(letter, lines)
        if len(inverted) == len(lines) and lines:
            said.append("every data line inverted" if letter == "D" else "addresses run backwards")
        elif inverted:
            said.append(" and ".join(f"{letter}{line}" for line in inverted) + " inverted")
    if settings["rotate"]:
        said.append(f"rotated by {settings['rotate']} words")
    return ", ".join(said)


def _bytes_swapped(settings: LinesRecord) -> str:
    """The two bytes of a word exchanged are an order of bytes, not sixteen wires."""
    lines = list(settings["data"])
    if len(lines) % 8 or len(lines) < 16:
        return ""
    count = len(lines) // 8
    little = [(count - 1 - line // 8) * 8 + line % 8 for line in range(len(lines))]
    return "the bytes of each word in the opposite order (byte_order)" if lines == little else ""


def _moved_lines(letter: str, lines: list[int]) -> list[str]:
    """Exchanged pairs first, then lines that go round in a ring."""
    moved = [k for k, line in enumerate(lines) if line != k]
    if len(lines) > 2 and list(lines) == sorted(lines, reverse=True):
        return [f"{letter}0 to {letter}{len(lines) - 1} in reverse"]
    pairs = [k for k in moved if lines[lines[k]] == k and k < lines[k]]
    paired = {*pairs, *(lines[k] for k in pairs)}
    said = [f"{letter}{k} and {letter}{lines[k]} exchanged" for k in pairs]
    said += [f"{letter}{k} on {letter}{lines[k]}" for k in moved if k not in paired]
    return said


def begins_at(rotate: int, words: int) -> int:
    """At which word a pass began: the public form's `rotate` counts the other way.

    Example:
        >>> begins_at(4059, 4096)
        37
    """
    return (words - rotate) % words


def start_in_words(rotate: int, words: int) -> str:
    """`began at word 37 (0x25)`."""
    begun = begins_at(rotate, words)
    if begun == words - 1:
        return "is late by one word"
    return f"began at word {begun} (0x{begun:X})"


def _either_start(rotate: int, words: int) -> str:
    """The same where nothing decides: the other may be the one that began late."""
    begun = begins_at(rotate, words)
    other = f", or the other at word {words - begun} (0x{words - begun:X})"
    return start_in_words(rotate, words) + (other if words // 2 < begun < words - 1 else "")


def way_in_words(way: Way, organisation: Organisation) -> str:
    """How a frame differs from another."""
    if way.name == "paced":
        if not way.pace:
            return "the first has every second word, or each twice"
        return "every second word is missing" if way.pace > 0 else "each word comes twice"
    if way.name == "rotated" and way.mapping is not None:
        return _either_start(way.mapping.rotate, organisation.words)
    said = [] if way.mapping is None else [lines_in_words(way.mapping.to_json())]
    said += [slip.in_words() for slip in way.slips[:5]]
    return "; ".join(said)


def sheet_lines(mapping: LineMap) -> str:
    """A crossing as it is written into the sheet: `lines: {address: [A0, A2, A1], …}`.

    Only what is not straight is said.
    """
    settings = mapping.to_json()
    said = []
    for key, letter, lines, inverted in (
        ("address", "A", settings["address"], settings["invert_address"]),
        ("data", "D", settings["data"], settings["invert_data"]),
    ):
        if lines != sorted(lines):
            said.append(f"{key}: [{', '.join(f'{letter}{line}' for line in lines)}]")
        if inverted:
            said.append(f"invert_{key}: [{', '.join(f'{letter}{line}' for line in inverted)}]")
    return "lines: {" + ", ".join(said) + "}"
