"""The pattern board: weaves as pictures, damask motifs, the yarn plan, and the panel's letters.

A weave is a small square on point paper: a set bit is a hook that lifts its warp thread for that pick. One
tile has eight bytes, one pick each, the highest bit being the leftmost hook.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

Tile = tuple[int, ...]
Ink = Callable[[int, int], bool]


def _tile(lifted: Ink) -> Tile:
    return tuple(sum(lifted(x, y) << (7 - x) for x in range(8)) for y in range(8))


def _twill(floats: int, step: int) -> Ink:
    return lambda x, y: bool(floats >> ((x + step * y) % 8) & 1)


def _pointed(floats: int, step: int) -> Ink:
    return lambda x, y: bool(floats >> (((x if x < 4 else 7 - x) + step * y) % 8) & 1)


def _diamond(floats: int, step: int) -> Ink:
    return lambda x, y: bool(floats >> (((x if x < 4 else 7 - x) + step * (y if y < 4 else 7 - y)) % 8) & 1)


def _two_coloured(plan_x: int, plan_y: int, step: int) -> Ink:
    """Houndstooth and its kin: a 2/2 twill whose warp and weft change colour.

    The picture shows the dark threads.
    """

    def lifted(x: int, y: int) -> bool:
        warp_on_top = (x + step * y) % 4 < 2
        return bool((plan_x >> x if warp_on_top else plan_y >> y) & 1)

    return lifted


def _basket(size: int) -> Ink:
    return lambda x, y: bool((x // size + y // size) & 1)


_COLOUR_PLANS = ((0x0F, 0x0F), (0x33, 0x33), (0x0F, 0x33), (0x55, 0x0F), (0x3C, 0x0F), (0x11, 0x77))
"""Which of eight warp threads, and of eight picks, are dark."""


def _families() -> Iterator[Tile]:
    for floats in (0x55, 0x33, 0x0F, 0x01, 0x03, 0x07, 0x11, 0x37, 0x1F, 0x7F, 0x17, 0x13, 0x5D, 0x35, 0x6D):
        for step in (1, 7, 3, 5, 2):
            yield _tile(_twill(floats, step))
    for floats in (0x0F, 0x03, 0x07, 0x13, 0x17, 0x35, 0x6D, 0x1F, 0x2B):
        for step in (1, 2, 3):
            yield _tile(_pointed(floats, step))
            yield _tile(_diamond(floats, step))
    for plan_x, plan_y in _COLOUR_PLANS:
        for step in (1, 3):
            yield _tile(_two_coloured(plan_x, plan_y, step))
    for size in (1, 2, 4):
        yield _tile(_basket(size))


def tiles(count: int, skip: int = 0) -> list[Tile]:
    """So many different weaves, each once, in the order of their families."""
    found = list(dict.fromkeys(_families()))
    assert len(found) >= skip + count, len(found)
    return found[skip : skip + count]


def _satin(x: int, y: int) -> bool:
    """Warp-faced eight-end satin: one thread in eight down, spread by a step of three."""
    return (x + 3 * y) % 8 != 0


def _damask(inside: Ink) -> Ink:
    """A motif in warp-faced satin on a weft-faced ground, as a damask shows it."""
    return lambda x, y: _satin(x, y) if inside(x, y) else not _satin(x + 3, y + 1)


def _star_and_bird(x: int, y: int) -> bool:
    if x < 64:
        dx, dy = abs(x - 31), abs(y - 31)
        star = dx + dy < 30 or max(dx, dy) < 21
        return star and not (10 < dx + dy < 15) and not (dx < 3 and dy < 24)
    u, v = x - 66, y - 8
    body = (u - 26) ** 2 + 2 * (v - 26) ** 2 < 420
    head = (u - 46) ** 2 + (v - 12) ** 2 < 64 and (u - 48) ** 2 + (v - 11) ** 2 > 5
    beak = 52 <= u < 60 and abs(v - 12) * 3 < 60 - u
    tail = u < 14 and abs(v - 30 + (14 - u) // 2) < 8 - u // 4
    legs = 38 <= v < 50 and (u in (22, 23, 32, 33) or (v > 47 and 19 <= u < 37))
    return body or head or beak or tail or legs or (v > 49 and (u + v) % 11 < 3)


_POINTS = ((-20, 4), (-10, 0), (0, -4), (10, 0), (20, 4))
"""Centre and top of each point of the crown."""


def _leaf_and_crown(x: int, y: int) -> bool:
    if x < 64:
        u, v = x - 32, y - 4
        leaf = 0 <= v < 52 and abs(u) * 52 < 26 * min(v + 3, 60 - v) and abs(u) > 1
        vein = abs(u) < 25 and (abs(u) + v) % 9 == 0
        return (leaf and not vein) or (v >= 50 and abs(u) < 2)
    u, v = x - 96, y - 10
    points = v < 26 and any(abs(u - centre) * 3 < v - top for centre, top in _POINTS)
    band = 26 <= v < 40 and abs(u) < 26 and not (30 <= v < 36 and (u + 26) % 8 < 3)
    pearls = any((u - n) ** 2 + (v + 1) ** 2 < 7 for n in (-20, -10, 0, 10, 20))
    return points or band or pearls or (v > 44 and (u * u + v * 5) % 17 < 4)


def _panorama(inside: Ink, rows: int) -> list[int]:
    """A picture 128 dots wide as tiles of eight by eight, left to right, then down."""
    lifted = _damask(inside)
    return [
        sum(lifted(8 * column + x, 8 * line + y) << (7 - x) for x in range(8))
        for line in range(rows)
        for column in range(16)
        for y in range(8)
    ]


def standard_weaves() -> list[int]:
    """The maker's mask ROM, 2048 bytes: 128 weaves, then a damask of 128 by 64 dots: a star and a bird."""
    return [byte for tile in tiles(128) for byte in tile] + _panorama(_star_and_bird, 8)


def customer_weaves() -> list[int]:
    """The mill's EPROM, 2048 bytes.

    A damask of 128 by 64 dots, a few weaves turned about, then unused cells.
    """
    turned = [
        tuple(sum((tile[7 - x] >> y & 1) << (7 - x) for x in range(8)) for y in range(8))
        for tile in tiles(40, 83)
    ]
    body = _panorama(_leaf_and_crown, 8) + [byte for tile in turned for byte in tile]
    return body + [0xFF] * (2048 - len(body))


def yarn_plan() -> list[int]:
    """512 bytes: 16 weft plans of 32 picks; low four bits the yarn finger, high four how the pick is laid."""
    plan = []
    for number in range(16):
        stripe = (2 + number % 5, 1 + number % 3, 3 + number % 4)
        yarns = (number % 8, (number * 3 + 1) % 8, (number * 5 + 2) % 8)
        picks = [yarn for yarn, width in zip(yarns, stripe, strict=True) for _ in range(width)]
        for pick in range(32):
            yarn = picks[pick % len(picks)] | (8 if pick == 31 else 0)
            lay = (pick + number) % 3 + (4 if yarn & 1 else 0) + (8 if pick % len(picks) == 0 else 0)
            plan.append(lay << 4 | yarn)
    return plan


FONT = {
    "@": "3E415D555E",
    "A": "7E1111117E",
    "B": "7F49494936",
    "C": "3E41414122",
    "D": "7F4141413E",
    "E": "7F49494941",
    "F": "7F09090901",
    "G": "3E4149493A",
    "H": "7F0808087F",
    "I": "00417F4100",
    "J": "2040413F01",
    "K": "7F08142241",
    "L": "7F40404040",
    "M": "7F020C027F",
    "N": "7F0204087F",
    "O": "3E4141413E",
    "P": "7F09090906",
    "Q": "3E4151215E",
    "R": "7F09192946",
    "S": "2649494932",
    "T": "01017F0101",
    "U": "3F4040403F",
    "V": "0F3040300F",
    "W": "3F4038403F",
    "X": "6314081463",
    "Y": "0708700807",
    "Z": "6151494543",
    "[": "007F414100",
    "\\": "0204081020",
    "]": "0041417F00",
    "^": "0402010204",
    "_": "4040404040",
    " ": "0000000000",
    "!": "00005F0000",
    '"': "0007000700",
    "#": "147F147F14",
    "$": "242A7F2A12",
    "%": "2313086462",
    "&": "3649552250",
    "'": "0004030100",
    "(": "001C224100",
    ")": "0041221C00",
    "*": "14083E0814",
    "+": "08083E0808",
    ",": "0050300000",
    "-": "0808080808",
    ".": "0060600000",
    "/": "2010080402",
    "0": "3E5149453E",
    "1": "00427F4000",
    "2": "4261514946",
    "3": "2141454B31",
    "4": "1814127F10",
    "5": "2745454539",
    "6": "3C4A494930",
    "7": "0171090503",
    "8": "3649494936",
    "9": "064949291E",
    ":": "0036360000",
    ";": "0056360000",
    "<": "0814224100",
    "=": "1414141414",
    ">": "0041221408",
    "?": "0201510906",
}
"""Five columns of seven dots for each letter, the lowest bit at the top; drawn as such small letters are."""


def letters() -> list[int]:
    """The character generator, 512 words of 5 bits: 64 letters, eight rows each, the first row blank."""
    words = []
    for glyph in FONT.values():
        columns = bytes.fromhex(glyph)
        words.append(0)
        words += [sum((columns[x] >> row & 1) << (4 - x) for x in range(5)) for row in range(7)]
    return words
