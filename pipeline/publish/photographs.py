"""Photographs without what the camera wrote into them: place, time, owner, device, thumbnails, profiles.

A telephone writes where it stood and whose it is into every picture. Only the parts that a decoder needs to
show the picture are copied, byte for byte; the picture itself is not encoded anew, so not one dot changes.
What is copied is a list of the allowed, since cameras invent new places to write into. How the picture is to
be turned (the orientation) is written again, alone.

Source: ITU-T T.81 (1992) annex B and JFIF 1.02 for JPEG; PNG (third edition, W3C) for PNG; Exif 2.3 (CIPA
DC-008) for the orientation, tag 0112.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterator

from pipeline.errors import FormatError

_PNG = b"\x89PNG\r\n\x1a\n"
_PNG_KEPT: dict[bytes, Callable[[int], bool]] = {
    b"IHDR": lambda size: size == 13,
    b"PLTE": lambda size: size % 3 == 0 and 3 <= size <= 768,
    b"IDAT": lambda _size: True,
    b"IEND": lambda size: size == 0,
    b"tRNS": lambda size: 1 <= size <= 256,
    b"gAMA": lambda size: size == 4,
    b"cHRM": lambda size: size == 32,
    b"sRGB": lambda size: size == 1,
    b"sBIT": lambda size: 1 <= size <= 4,
    b"cICP": lambda size: size == 4,
    b"bKGD": lambda size: size in (1, 2, 6),
    b"pHYs": lambda size: size == 9,
    b"acTL": lambda size: size == 8,
    b"fcTL": lambda size: size == 26,
    b"fdAT": lambda size: size >= 4,
}
"""What draws, and how long each is; gone are texts, times, Exif, colour profiles (they name devices) and
whatever is not known. A chunk that is longer than it may be could hold anything, so it is refused.
"""
_CHANNELS = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
_ADAM7 = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))
"""Of each pass where it begins, across and down, and its steps. Source: PNG (third edition), section 8.1."""
_INFLATED_AT_ONCE = 1 << 20
_SOI, _EOI, _SOS, _APP0, _APP1, _APP14, _COM = 0xD8, 0xD9, 0xDA, 0xE0, 0xE1, 0xEE, 0xFE
_ALONE = frozenset([0x01, *range(0xD0, 0xD8)])
"""Markers that have no length: TEM and the restarts."""
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_DHT, _DAC, _DQT, _DNL, _DRI = 0xC4, 0xCC, 0xDB, 0xDC, 0xDD
"""What a decoder needs (ITU-T T.81 table B.1); hierarchical pictures are in nobody's use."""
_ORIENTATION = 0x0112


def kind_of(content: bytes) -> str:
    """`jpeg`, `png`, or "" for anything else: by content, never by name."""
    if content.startswith(_PNG):
        return "png"
    return "jpeg" if content.startswith(b"\xff\xd8\xff") else ""


def stripped(content: bytes) -> bytes:
    """The picture alone.

    Args:
        content: A JPEG or a PNG file.

    Returns:
        The same picture: same dots, same colours but for a removed colour profile, same orientation.

    Raises:
        FormatError: It is neither, or its structure cannot be followed to its end.
    """
    kind = kind_of(content)
    if kind == "png":
        return _png(content)
    if kind == "jpeg":
        return _jpeg(content)
    raise FormatError(
        where="offset 0", problem="this is neither a JPEG nor a PNG picture", remedy="Save it as one of them"
    )


def _broken(at: int, what: str) -> FormatError:
    return FormatError(
        where=f"offset 0x{at:X}", problem=what, remedy="Save the picture again with a picture editor"
    )


def _png(content: bytes) -> bytes:
    out = [_PNG]
    turned, header, drawn = 1, b"", []
    for kind, body, whole in _chunks(content):
        if kind in _PNG_KEPT:
            if not _PNG_KEPT[kind](len(body)):
                raise _broken(0, f"a PNG chunk {kind.decode()} is not as long as such a chunk is")
            out.append(whole)
            header = body if kind == b"IHDR" else header
            drawn += [body] if kind == b"IDAT" else []
        elif kind == b"eXIf":
            turned = orientation(body)
    _hold_dots(header, b"".join(drawn))
    if turned != 1:
        out.insert(2, _chunk(b"eXIf", _only_orientation(turned)))
    return b"".join(out)


def _hold_dots(header: bytes, packed: bytes) -> None:
    """Refuse a picture whose packed dots are more than its dots, or are followed by anything."""
    inflating, count, wanted = zlib.decompressobj(), 0, _dots_bytes(header)
    try:
        piece = inflating.decompress(packed, _INFLATED_AT_ONCE)
        while piece and count <= wanted:
            count += len(piece)
            piece = inflating.decompress(inflating.unconsumed_tail, _INFLATED_AT_ONCE)
    except zlib.error as error:
        raise _broken(0, "the dots of the PNG cannot be unpacked") from error
    if count != wanted or not inflating.eof or inflating.unused_data:
        raise _broken(0, "the PNG holds more or fewer dots than it says")


def _dots_bytes(header: bytes) -> int:
    """How many bytes the dots of a PNG take before they are packed, with a filter's byte for each row."""
    width, height, depth, colour, _, _, interlaced = struct.unpack(">IIBBBBB", header)
    bits = depth * _CHANNELS.get(colour, 4)
    passes = _ADAM7 if interlaced else ((0, 0, 1, 1),)
    total = 0
    for left, top, across, down in passes:
        columns, rows = -(-(width - left) // across), -(-(height - top) // down)
        if columns > 0 and rows > 0:
            total += rows * (1 + -(-columns * bits // 8))
    return total


def _chunks(content: bytes) -> Iterator[tuple[bytes, bytes, bytes]]:
    """Each chunk as (type, data, as it stands), to the end chunk.

    What lies behind it is no part of the picture.
    """
    at, kind = len(_PNG), b""
    while kind != b"IEND":
        if at + 12 > len(content):
            raise _broken(at, "the PNG ends before its end chunk")
        size, kind = struct.unpack_from(">I4s", content, at)
        end = at + 12 + size
        if end > len(content):
            raise _broken(at, "a PNG chunk is longer than the file")
        body = content[at + 8 : end - 4]
        if zlib.crc32(kind + body) != struct.unpack_from(">I", content, end - 4)[0]:
            raise _broken(at, "the sum of a PNG chunk is wrong")
        if at == len(_PNG) and kind != b"IHDR":
            raise _broken(at, "the PNG does not begin with its header")
        yield kind, body, content[at:end]
        at = end


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _jpeg(content: bytes) -> bytes:
    """Copy the segments that a decoder needs, and no other: a list of what may stay, not of what must go.

    The picture's own bytes are never decoded. Of Exif only the orientation stays, without which pictures lie
    on their side. Source: ITU-T T.81 annex B; JFIF 1.02.
    """
    head, out = [b"\xff\xd8"], []
    turned = 1
    at, marker = 2, _SOI
    while marker != _EOI:
        at, marker = _marker(content, at)
        if marker == _EOI:
            out.append(b"\xff\xd9")
            break
        if marker in _ALONE:
            out.append(bytes((0xFF, marker)))
            continue
        body, end = _segment(content, at)
        if marker == _APP0 and body.startswith(b"JFIF\0") and len(body) >= 14:
            head.append(_as_segment(_APP0, body[:12] + b"\0\0"))
        elif marker == _APP1 and body.startswith(b"Exif\0"):
            turned = orientation(body[6:])
        elif marker == _APP14 and body.startswith(b"Adobe") and len(body) >= 12:
            out.append(_as_segment(marker, body[:12]))
        elif (needed := _needed(marker, body)) is not None:
            if needed != len(body):
                raise _broken(at, "a JPEG segment is not as long as what it says it holds")
            out.append(_as_segment(marker, body))
        at = end
        if marker == _SOS:
            end = _entropy_end(content, at)
            out.append(content[at:end])
            at = end
    if turned != 1:
        head.append(_as_segment(_APP1, b"Exif\0\0" + _only_orientation(turned)))
    return b"".join([*head, *out])


def _needed(marker: int, body: bytes) -> int | None:
    """How long a segment is that a decoder needs, from what it holds; None for every other kind.

    Source:
        ITU-T T.81, sections B.2.2 to B.2.5.
    """
    if marker in _FRAMES:
        return 6 + 3 * body[5] if len(body) > 5 else -1
    if marker == _SOS:
        return 4 + 2 * body[0] if body else -1
    if marker in (_DRI, _DNL):
        return 2
    if marker == _DAC:
        return len(body) // 2 * 2
    if marker == _DQT:
        return _tables(body, lambda at: 1 + (128 if body[at] >> 4 else 64))
    if marker == _DHT:
        return _tables(body, lambda at: 17 + sum(body[at + 1 : at + 17]))
    return None


def _tables(body: bytes, size: Callable[[int], int]) -> int:
    """Where the last of several tables in one segment ends."""
    at = 0
    while at < len(body):
        at += size(at)
    return at


def _marker(content: bytes, at: int) -> tuple[int, int]:
    """The next marker and where its segment begins; fill bytes before it are skipped."""
    if at + 1 >= len(content) or content[at] != 0xFF:
        raise _broken(at, "the JPEG has no marker where one must be")
    while at < len(content) and content[at] == 0xFF:
        at += 1
    if at >= len(content) or content[at] == 0:
        raise _broken(at, "the JPEG ends before its end marker")
    return at + 1, content[at]


def _segment(content: bytes, at: int) -> tuple[bytes, int]:
    if at + 2 > len(content):
        raise _broken(at, "the JPEG ends before its end marker")
    size = struct.unpack_from(">H", content, at)[0]
    if size < 2 or at + size > len(content):
        raise _broken(at, "a JPEG segment is longer than the file")
    return content[at + 2 : at + size], at + size


def _as_segment(marker: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


def _entropy_end(content: bytes, at: int) -> int:
    """Where the coded dots end: at the first marker that is no restart."""
    while True:
        at = content.find(b"\xff", at)
        if at < 0 or at + 1 >= len(content):
            raise _broken(len(content), "the JPEG ends before its end marker")
        if content[at + 1] != 0 and not 0xD0 <= content[at + 1] <= 0xD7:
            return at
        at += 2


def orientation(tiff: bytes) -> int:
    """How a picture is to be turned, 1 to 8; 1 where the Exif does not say or cannot be read."""
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(tiff[:4])
    if order is None or len(tiff) < 8:
        return 1
    at = struct.unpack_from(order + "I", tiff, 4)[0]
    if at + 2 > len(tiff):
        return 1
    for n in range(struct.unpack_from(order + "H", tiff, at)[0]):
        entry = at + 2 + 12 * n
        if entry + 12 > len(tiff):
            return 1
        tag, kind, count, value = struct.unpack_from(order + "HHIH", tiff, entry)
        if tag == _ORIENTATION and kind == 3 and count == 1:
            return int(value) if 1 <= value <= 8 else 1
    return 1


def _only_orientation(turned: int) -> bytes:
    return b"MM\0*" + struct.pack(">IHHHIHHI", 8, 1, _ORIENTATION, 3, 1, turned, 0, 0)
