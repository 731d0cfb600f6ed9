"""Files that are no dump at all: archives, pictures, documents, pages of the web.

Told by name, never taken for bytes.

Each is known by the bytes at its beginning, with so much of its head checked that a chip's content hardly
ever meets it by chance. A chip that truly holds such a file is read where somebody declares `format: binary`.

Sources: RFC 1952 (gzip); PKWARE APPNOTE section 4.3.6 (zip, from memory); PNG (ISO/IEC 15948), JPEG (ITU-T
T.81), PDF (ISO 32000), POSIX.1-2017 (ustar); the others from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NoReturn

from pipeline.formats.neutral import Place, refuse

UNPACK = "unpack it first, and put the dumps that are in it into dumps/"
ELSEWHERE = "put it into {folder}/, and give the dump itself"
_HEADS: tuple[tuple[bytes, str, str], ...] = (
    (b"\x1f\x8b\x08", "a gzip archive", "archive"),
    (b"PK\x03\x04", "a zip archive", "archive"),
    (b"PK\x05\x06", "an empty zip archive", "archive"),
    (b"BZh", "a bzip2 archive", "archive"),
    (b"\xfd7zXZ\x00", "an xz archive", "archive"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive", "archive"),
    (b"Rar!\x1a\x07", "a rar archive", "archive"),
    (b"\x28\xb5\x2f\xfd", "a zstandard archive", "archive"),
    (b"\x89PNG\r\n\x1a\n", "a PNG picture", "photos"),
    (b"\xff\xd8\xff", "a JPEG picture", "photos"),
    (b"GIF87a", "a GIF picture", "photos"),
    (b"GIF89a", "a GIF picture", "photos"),
    (b"II*\x00", "a TIFF picture", "photos"),
    (b"MM\x00*", "a TIFF picture", "photos"),
    (b"BM", "a BMP picture", "photos"),
    (b"RIFF", "a WebP picture", "photos"),
    (b"%PDF-", "a PDF document", "docs"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an office document", "docs"),
    (b"{\\rtf", "a rich-text document", "docs"),
)
_OFFICE = (
    (b"word/", "an office document"),
    (b"xl/", "a spreadsheet"),
    (b"ppt/", "an office document"),
    (b"mimetypeapplication/vnd.oasis.opendocument", "an office document"),
)
_PAGE = (b"<!doctype html", b"<!--", b"<html", b"<?xml", b"<head", b"<svg")
LOOKED_AT = 4096


def kind_of_foreign(content: bytes) -> tuple[str, str]:
    """What a file is that is no dump, and where it belongs (`archive`, `photos`, `docs`).

    ("", "") where it may be one.

    Example:
        >>> kind_of_foreign(b"%PDF-1.7 ...")
        ('a PDF document', 'docs')
    """
    for head, name, folder in _HEADS:
        if content.startswith(head) and _PROVED.get(head, _always)(content):
            return _within_zip(content) if head == b"PK\x03\x04" else (name, folder)
    if content[257:263] in (b"ustar\x00", b"ustar "):
        return "a tar archive", "archive"
    if content[2:7] in (b"-lh0-", b"-lh1-", b"-lh5-", b"-lh6-", b"-lh7-"):
        return "an lha archive", "archive"
    if content[:3] == bytes(3) and content[4:8] == b"ftyp" and content[8:12].isalnum():
        return "a picture or film from a telephone (HEIC, MP4)", "photos"
    opening = content[:LOOKED_AT]
    if opening.startswith((b"\xff\xfe", b"\xfe\xff")):
        opening = opening[2:].replace(b"\0", b"")  # a page in UTF-16
    opening = opening.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if opening.startswith(_PAGE):
        return "a web page (HTML or XML), perhaps left by a failed download", "download"
    return "", ""


def refuse_foreign(content: bytes) -> None:
    """Refuse what is no dump, by its name.

    Raises:
        FormatError: It is one of the kinds known here.
    """
    name, folder = kind_of_foreign(content)
    if name:
        _refuse(name, folder)


def _refuse(name: str, folder: str) -> NoReturn:
    remedy = {"archive": UNPACK, "download": "download the dump itself again"}.get(
        folder, ELSEWHERE.format(folder=folder)
    )
    refuse(
        Place(None, None, 0),
        f"this is {name}, not a dump",
        f"{remedy}; write `format: binary` if the chip really holds it",
    )


def _within_zip(content: bytes) -> tuple[str, str]:
    """Office files are zip archives whose members say what they are."""
    opening = content[:LOOKED_AT]
    for member, name in _OFFICE:
        if member in opening:
            return name, "docs"
    return "a zip archive", "archive"


def _always(content: bytes) -> bool:
    return len(content) > 8


def _gzip(content: bytes) -> bool:
    """The reserved flags are 0. Source: RFC 1952 section 2.3.1."""
    return len(content) > 18 and not content[3] & 0xE0


def _bmp(content: bytes) -> bool:
    """The head gives the file's length and four zeros."""
    return int.from_bytes(content[2:6], "little") == len(content) and content[6:10] == bytes(4)


def _tiff(content: bytes) -> bool:
    """The first directory lies inside the file."""
    where = content[4:8][::-1] if content.startswith(b"II") else content[4:8]
    return 8 <= int.from_bytes(where) < len(content)


def _bzip2(content: bytes) -> bool:
    """A block size, and a block's magic number or the end's."""
    return content[3:4].isdigit() and content[4:10] in (b"1AY&SY", b"\x17\x72\x45\x38\x50\x90")


def _webp(content: bytes) -> bool:
    return content[8:12] == b"WEBP"


_PROVED: dict[bytes, Callable[[bytes], bool]] = {
    b"\x1f\x8b\x08": _gzip,
    b"BM": _bmp,
    b"II*\x00": _tiff,
    b"MM\x00*": _tiff,
    b"BZh": _bzip2,
    b"RIFF": _webp,
}
