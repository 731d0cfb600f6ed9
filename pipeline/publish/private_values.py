"""Private values found again in texts and bytes, however somebody wrote them there.

1. A value becomes *forms*: as it is; the parts of a contact or a place; the name in a mail address; a name's
   words in another order; a telephone number's digits, with and without the code before them.
2. A text is folded: without accents, without case, compatible characters made one (NFKD), invisible ones left
   out.
3. Bytes are taken for text in every encoding that was usual where such files were written.
4. A form is found where its words follow each other with nothing but punctuation between them.

A part of fewer than six characters is everywhere, so it is not looked for alone.
"""

from __future__ import annotations

import html
import itertools
import re
import unicodedata
from collections.abc import Iterable, Iterator
from typing import NamedTuple

SHORTEST_PART = 6
FEWEST_DIGITS = 7
"""A number of fewer digits may be anything. Source: ITU-T E.164 for how long telephone numbers are, from
memory.
"""
ENCODINGS = (
    "utf-8",
    "cp437",
    "cp850",
    "cp1252",
    "iso8859_15",
    "cp1250",
    "mac_roman",
    "utf_16_le",
    "utf_16_be",
    "utf_32_le",
    "utf_32_be",
)
"""Beside Latin-1, which reads every file: what DOS, Windows, Mac OS and Unix wrote; common practice."""
_BETWEEN = r"[\W_]{0,40}"
_BETWEEN_DIGITS = r"[\W_]{0,2}"
_PARTS = re.compile(r"\s*[,;|/\n\u2022\u00b7]\s*|\s+[-\u2013]\s+")
_ADDRESS = re.compile(r"[^\s,;:<>()]+@[^\s,;:<>()]+")
_NUMBER = re.compile(r"\+?\d(?:[ ().\-/]{0,2}\d){6,}")
_JSON_ESCAPE = re.compile(r"\\u([0-9A-Fa-f]{4})")
_SPLIT_FIELDS = ("contact", "place", "operator", "accession")
"""Fields that hold several things in one text. Notes are sentences, whose parts are everybody's words."""


def folded(text: str) -> str:
    r"""A text in which only what tells it from others is left.

    Example:
        >>> folded("MU\u0308LLER\u00ad, \u00c5sa")
        'muller, asa'
    """
    if text.isascii():
        return text.lower()
    apart = unicodedata.normalize("NFKD", text.casefold())
    kept = "".join(char for char in apart if unicodedata.category(char) not in {"Mn", "Cf"})
    return unicodedata.normalize("NFKD", kept.casefold())


def telling(value: str) -> bool:
    """Whether a value can hardly be an everyday word: two words, an address, or digits in it.

    `Reading` is a town and a word of every report; `Tamsin Vrooke` and `CW78-0413-Q` are neither.
    """
    return bool(re.search(r"\s|@|\d", value))


class Form(NamedTuple):
    """One way in which a value may be written.

    Attributes:
        label: Of the field that it comes from.
        anchor: A word that every finding holds; looking for it alone is many times faster.
        pattern: Finds the form in a folded text.
        telling: It can hardly be an everyday word.
    """

    label: str
    anchor: str
    pattern: re.Pattern[str]
    telling: bool


class PrivateValues:
    """What is looked for.

    Args:
        values: (label of the field, value).
        public: Names and ids that are public anyway; a form that is part of one is no secret.
    """

    def __init__(self, values: Iterable[tuple[str, str]], public: Iterable[str] = ()) -> None:
        known = [folded(one) for one in public]
        forms = {
            (form.pattern.pattern): form
            for label, value in values
            for form in _forms(label, value)
            if not any(form.pattern.search(one) for one in known)
        }
        self._forms = tuple(forms.values())
        self._telling = tuple(form for form in self._forms if form.telling)
        self._ascii = all(value.isascii() for _, value in values)

    def in_text(self, text: str, *, only_telling: bool = False) -> str:
        """The label of what private value a text holds, "" for none."""
        return self._in_folded([folded(each) for each in _unescaped(text)], only_telling=only_telling)

    def in_bytes(self, content: bytes, *, only_telling: bool = False) -> str:
        """The same for bytes that may be text in any usual encoding."""
        texts = (folded(each) for text in self._texts(content) for each in _unescaped(text))
        return self._in_folded(texts, only_telling=only_telling)

    def _in_folded(self, texts: Iterable[str], *, only_telling: bool) -> str:
        forms = self._telling if only_telling else self._forms
        if not forms:
            return ""
        for text in texts:
            for form in forms:
                if form.anchor in text and form.pattern.search(text):
                    return form.label
        return ""

    def _texts(self, content: bytes) -> Iterator[str]:
        yield content.decode("latin-1")
        if b"\0" in content:
            # ASCII in any form of UTF-16 and UTF-32, marked or not and wherever it begins, is ASCII and
            # zeros.
            yield content.replace(b"\0", b"").decode("latin-1")
        if self._ascii or (content.isascii() and b"\0" not in content):
            return
        for encoding in ENCODINGS:
            for start in range(4 if "32" in encoding else 2 if "16" in encoding else 1):
                yield content[start:].decode(encoding, "ignore")


def _unescaped(text: str) -> Iterator[str]:
    """A text, and what it says where it is HTML, XML or JSON."""
    yield text
    if "&" in text and (plain := html.unescape(text)) != text:
        yield plain
    if "\\u" in text:
        yield _JSON_ESCAPE.sub(lambda found: chr(int(found[1], 16)), text)


def _forms(label: str, value: str) -> Iterator[Form]:
    for text in dict.fromkeys(_written(label, value)):
        words = [word for word in re.split(r"[\W_]+", folded(text)) if word]
        if words:
            pattern = rf"(?<![^\W_]){_BETWEEN.join(map(re.escape, words))}(?![^\W_])"
            yield Form(label, max(words, key=len), re.compile(pattern), telling(text))
    for number in _NUMBER.findall(value):
        yield from _number_forms(label, "".join(char for char in number if char.isdigit()))


def _written(label: str, value: str) -> Iterator[str]:
    """The value, its parts, and names with their words turned."""
    yield value
    for address in _ADDRESS.findall(value):
        yield address
        # `given.family@host` is that name in a sentence too; `museum@host` is anybody's word.
        person = re.split(r"[._+-]+", address.partition("@")[0])
        if len(person) > 1 and sum(map(len, person)) >= SHORTEST_PART:
            yield " ".join(person)
    parts = [value]
    if label.rpartition(".")[2] in _SPLIT_FIELDS:
        parts += [part for part in _PARTS.split(value) if len(part) >= SHORTEST_PART]
        yield from parts
    for part in parts:
        words = re.split(r"[\s,]+", part.strip())
        if 2 <= len(words) <= 3 and all(word.replace(".", "").replace("-", "").isalpha() for word in words):
            yield from (" ".join(turned) for turned in itertools.permutations(words))


def _number_forms(label: str, digits: str) -> Iterator[Form]:
    """A telephone number however it is grouped: whole, and from its eighth digit from the end on."""
    if len(digits) < FEWEST_DIGITS:
        return
    for tail in dict.fromkeys((digits, digits[-8:] if len(digits) >= 10 else digits)):
        before = r"(?<![^\W_])" if tail == digits else ""
        pattern = f"{before}{_BETWEEN_DIGITS.join(tail)}" + r"(?!\d)"
        yield Form(label, tail[0], re.compile(pattern), telling=True)
