"""The text of BagIt's tag files, written clause by clause from RFC 8493 (October 2018).

Only text in and text out: which files lie where is no business of this module. Section numbers are the RFC's.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.bags.observed import PlainFiles

DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
"""Section 2.1.1: exactly these two lines in this order. The spelling is that of the ABNF in section 7."""
FOLD_AT = 79
"""Section 2.2.2 recommends lines of no more than 79 characters."""
RESERVED_ONCE = frozenset({"payload-oxum", "bag-size", "bagging-date", "bag-group-identifier", "bag-count"})
"""Section 2.2.2: elements that must or should not be repeated, folded (they are case-insensitive)."""
_ENCODED = re.compile("[\r\n%]")
_LINES_AT_ONCE = 1_000
"""Of a manifest: some hundred kilobytes, which stay in the cache of a core."""
_BLANKS = re.compile(r"\s+")


def encode_path(path: str) -> str:
    """Section 2.1.3: LF, CR and `%` are percent-encoded in a manifest, "and only those".

    Example:
        >>> encode_path("data/50% done")
        'data/50%25 done'
    """
    return _ENCODED.sub(lambda found: f"%{ord(found[0]):02X}", path)


def manifest_of(files: PlainFiles, algorithm: str) -> Iterator[bytes]:
    """A payload or tag manifest (sections 2.1.3 and 2.2.1), some lines at a time.

    One line a file, two blanks between digest and path as checksum programs print them.

    Args:
        files: In the order that it shall have, with the algorithm's digests among theirs.
        algorithm: hashlib's name.

    Raises:
        UnicodeEncodeError: A path is no text.
    """
    place, width = files.algorithms.index(algorithm), sum(files.widths)
    digits, start = 2 * files.widths[place], 2 * sum(files.widths[:place])
    for first in range(0, len(files.paths), _LINES_AT_ONCE):
        paths = files.paths[first : first + _LINES_AT_ONCE]
        text = files.digests[first * width : (first + len(paths)) * width].hex()
        if _ENCODED.search("".join(paths)):
            paths = [encode_path(path) for path in paths]
        begins = range(start, len(text), 2 * width)
        lines = [f"{text[at : at + digits]}  {path}\n" for at, path in zip(begins, paths, strict=True)]
        yield "".join(lines).encode()


def info_text(elements: Sequence[tuple[str, str]]) -> str:
    """`bag-info.txt` (section 2.2.2): the order kept, long values folded between words.

    Line breaks inside a value become single blanks, because a folded line is all the format has.

    Args:
        elements: Label and value; repeats are allowed where the RFC allows them.

    Raises:
        ValueError: A label or value that the format cannot carry, or a repeat that the RFC rules out.
    """
    once: set[str] = set()
    text = []
    for label, value in elements:
        if not label or re.search(r"[:\r\n]", label) or label != label.strip():
            raise ValueError(f"a label of bag-info.txt cannot be {label!r} (RFC 8493 section 2.2.2)")
        if not value.strip():
            raise ValueError(f"{label} has no value; leave it out")
        if label.lower() in RESERVED_ONCE:
            if label.lower() in once:
                raise ValueError(f"{label} is not repeated (RFC 8493 section 2.2.2)")
            once.add(label.lower())
        text.append(_folded(label, value))
    return "".join(text)


def _folded(label: str, value: str) -> str:
    line, lines = f"{label}:", []
    for word in _BLANKS.split(value.strip()):
        # The first word stays beside its label: a line of a label alone is a value lost to simple readers.
        if len(line) + 1 + len(word) > FOLD_AT and line not in {f"{label}:", ""}:
            lines.append(line)
            line = ""
        line = f"{line} {word}"
    return "\n".join([*lines, line]) + "\n"


def size_text(size_bytes: int) -> str:
    """A `Bag-Size` for a person (section 2.2.2): three digits and a unit, decimal multiples.

    Example:
        >>> size_text(999), size_text(42_600_000_000)
        ('999 B', '42.6 GB')
    """
    size, unit = float(size_bytes), "B"
    for unit in ("B", "kB", "MB", "GB", "TB", "PB"):
        if size < 999.5 or unit == "PB":
            break
        size /= 1000
    return f"{size_bytes} B" if unit == "B" else f"{size:.3g} {unit}"
