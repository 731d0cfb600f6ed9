"""Which name a mistyped one most likely meant: none is offered where none is near, or too many are.

A wrong suggestion costs more than none: somebody types it. So a name counts as meant where it is the same but
for case, signs or the order of its pieces, where it was cut short, or where a slip or two of the hand lie
between. Another number in a name is another thing, not a slip.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache

MOST_OFFERED = 2
"""Of more names that are equally near none is likelier than the next."""
SHORTEST_CUT = 4
LEAST_CUT_OFF = 3
"""A beginning of fewer letters fits by chance; and where fewer are missing it may be another word."""
SHORTEST_TYPED = 3
"""Of names of two letters each is another."""
LETTERS_A_SLIP = 5
MOST_SLIPS = 3
"""One slip is allowed for so many letters: shorter words are told apart by every letter. Chosen so that of
240 everyday words none meets a name of the sheet, while slips of the hand do; both are in the tests."""
SHORT, MIDDLE = 5, 7
"""A wrong letter makes another word up to the middling lengths, unless its key lies beside the right one's or
one vowel stands for another; of short words the first letter is right, or left out."""
_SIGNS = re.compile(r"[\W_]+")
_VOWELS = frozenset("aeiouy")
_ROWS = ("1234567890", "qwertyuiop", "asdfghjkl", "zxcvbnm")
"""Keys in their rows; of layouts that exchange a few letters a slip there is not seen. From memory."""
_LOOK_ALIKE = frozenset(map(frozenset, ("0o", "1l", "1i", "il", "5s", "8b", "2z", "nm")))
"""Signs that are taken for one another when they are read off a chip or a page."""


def meant(found: object, valid: Iterable[str]) -> tuple[str, ...]:
    """The names that somebody most likely meant, the nearest; () where there is none, or no telling which.

    Args:
        found: What was typed.
        valid: The names that there are.

    Example:
        >>> meant("revison", ["revision", "role"]), meant("Dead-Address-Line", ["address-line-dead"])
        (('revision',), ('address-line-dead',))
        >>> meant("banana", ["label", "name", "board"]), meant("U3", ["U1", "U2"])
        ((), ())
    """
    if not isinstance(found, str):
        return ()
    typed, names = _plain(found), _prepared(tuple(valid))
    if not typed:
        return ()
    near = _alike(found, typed, names) or _by_slips(typed, names) or _part_of(found, typed, names)
    return near if len(near) <= MOST_OFFERED else ()


def one_meant(found: object, valid: Iterable[str]) -> str:
    """The same as text: one name, `one or other`, or "".

    Example:
        >>> one_meant("porg", ["prog", "hb"])
        'prog'
    """
    return " or ".join(meant(found, valid))


def _plain(name: str) -> str:
    """A name without case and signs."""
    return _SIGNS.sub("", name.casefold())


def _pieces(name: str) -> tuple[str, ...]:
    return tuple(sorted(_SIGNS.split(name.casefold())))


@lru_cache(maxsize=32)
def _prepared(valid: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    """Plain spelling → the names that are spelled so."""
    names: dict[str, tuple[str, ...]] = {}
    for name in dict.fromkeys(valid):
        plain = _plain(name)
        names[plain] = (*names.get(plain, ()), name)
    return names


def _alike(found: str, typed: str, names: dict[str, tuple[str, ...]]) -> tuple[str, ...]:
    """The same letters, or the same pieces in another order."""
    if typed in names:
        return names[typed]
    pieces = _pieces(found)
    return tuple(one for own in names.values() for one in own if len(pieces) > 1 and _pieces(one) == pieces)


def _by_slips(typed: str, names: dict[str, tuple[str, ...]]) -> tuple[str, ...]:
    """The names fewest slips away: a letter wrong, missing or added, or two exchanged."""
    from rapidfuzz.distance import OSA
    from rapidfuzz.process import extract

    most = min(MOST_SLIPS, max(1, (len(typed) + 1) // LETTERS_A_SLIP))
    near = extract(typed, list(names), scorer=OSA.distance, score_cutoff=most, limit=None) if most else ()
    slipped = [(_slip(typed, name, int(away)), name) for name, away, _ in near]
    least = min((rank for rank, _ in slipped if rank), default=0)
    return tuple(one for rank, name in slipped if rank and rank == least for one in names[name])


def _slip(typed: str, name: str, away: int) -> int:
    """How far a hand slips so, in half slips, a key beside the right one being nearer; 0 where none slips so.

    In short words a wrong letter is a slip only to a key beside, and never from one number to another.
    """
    longer, shorter = max(len(typed), len(name)), min(len(typed), len(name))
    if shorter < 2 or longer < SHORTEST_TYPED or away > max(1, longer // LETTERS_A_SLIP):
        return 0
    wrong = [(a, b) for a, b in zip(typed, name, strict=False) if a != b] if len(typed) == len(name) else []
    if len(wrong) == 2 and wrong[0] == wrong[1][::-1]:
        return 2
    if any(a.isdigit() and b.isdigit() for a, b in wrong):
        return 0
    beside = all(_beside(a, b) for a, b in wrong)
    if longer <= MIDDLE and not all(_beside(a, b) or {a, b} <= _VOWELS for a, b in wrong):
        return 0
    if shorter <= SHORT and typed[0] != name[0] and typed != name[1:]:
        return 0
    return 2 * away if beside else 2 * away + 1


def _beside(one: str, other: str) -> bool:
    """Whether two keys are neighbours, or two signs look alike."""
    if frozenset((one, other)) in _LOOK_ALIKE:
        return True
    places = [(row.index(key), at) for key in (one, other) for at, row in enumerate(_ROWS) if key in row]
    if len(places) < 2:
        return False
    (column, row), (other_column, other_row) = places
    return abs(row - other_row) <= 1 and abs(column - other_column) <= 1


def _part_of(found: str, typed: str, names: dict[str, tuple[str, ...]]) -> tuple[str, ...]:
    """The names of which somebody typed some pieces, or only the beginning."""
    if len(typed) < SHORTEST_CUT:
        return ()
    pieces, cut = set(_pieces(found)), len(typed) + LEAST_CUT_OFF
    every = [(plain, one) for plain, own in names.items() for one in own]
    return tuple(one for _, one in every if pieces <= set(_pieces(one))) or tuple(
        one for plain, one in every if len(plain) >= cut and plain.startswith(typed)
    )
