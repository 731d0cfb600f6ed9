"""What the camera wrote goes, the picture stays, dot for dot."""

from __future__ import annotations

import io
import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageCms, PngImagePlugin

from example_project.making import pictures
from pipeline.errors import FormatError
from pipeline.publish.photographs import kind_of, orientation, stripped

GRID = pictures.board(40, 20, 3)
EXIF = pictures.exif("Tamsin Vrooke", "board", "2023:09:16 10:12:00")
SECRET = b"Tenter Lane store"


def dots(content: bytes) -> tuple[str, tuple[int, int], bytes]:
    with Image.open(io.BytesIO(content)) as picture:
        return picture.mode, picture.size, picture.tobytes()


def full_jpeg(**options: Any) -> bytes:
    """A JPEG with Exif, XMP, comment and colour profile, as an editor writes it."""
    picture = Image.effect_mandelbrot((64, 48), (-2, -1, 1, 1), 50).convert("RGB")
    exif = Image.Exif()
    exif[0x0112], exif[0x013B] = 6, SECRET.decode()
    out = io.BytesIO()
    colours: Any = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
    profile: bytes = colours.tobytes()
    picture.save(
        out, "JPEG", exif=exif, comment=SECRET, icc_profile=profile, xmp=b"<x>" + SECRET + b"</x>", **options
    )
    return out.getvalue()


def full_png() -> bytes:
    picture = Image.effect_mandelbrot((64, 48), (-2, -1, 1, 1), 50).convert("P")
    exif = Image.Exif()
    exif[0x0112], exif[0x013B] = 3, SECRET.decode()
    texts = PngImagePlugin.PngInfo()
    texts.add_text("Author", SECRET.decode())
    texts.add_itxt("Place", SECRET.decode(), zip=True)
    out = io.BytesIO()
    picture.save(out, "PNG", exif=exif, pnginfo=texts, dpi=(300, 300))
    return out.getvalue()


@pytest.mark.parametrize(
    "content", [pictures.jpeg(GRID, EXIF), pictures.png(GRID, EXIF)], ids=["jpeg", "png"]
)
def test_the_examples_photographs_lose_place_and_artist_and_keep_every_dot(content: bytes) -> None:
    bare = stripped(content)
    assert b"Vrooke" in content
    assert b"Vrooke" not in bare
    assert b"xif" not in bare
    assert dots(bare) == dots(content)


@pytest.mark.parametrize(
    "options", [{}, {"progressive": True}, {"quality": 30, "restart_marker_rows": 1}], ids=str
)
def test_a_jpeg_keeps_its_dots_and_its_orientation_and_nothing_else(options: dict[str, Any]) -> None:
    content = full_jpeg(**options)
    bare = stripped(content)
    assert content.count(SECRET) == 3
    assert SECRET not in bare
    assert b"ICC_PROFILE" not in bare
    assert dots(bare) == dots(content)
    with Image.open(io.BytesIO(bare)) as picture:
        assert dict(picture.getexif()) == {0x0112: 6}


def test_a_jpeg_with_four_colours_keeps_the_marker_that_tells_how_to_read_them() -> None:
    out = io.BytesIO()
    Image.effect_mandelbrot((32, 32), (-2, -1, 1, 1), 50).convert("CMYK").save(out, "JPEG")
    assert b"Adobe" in stripped(out.getvalue())
    assert dots(stripped(out.getvalue())) == dots(out.getvalue())


def test_a_png_keeps_its_dots_its_palette_and_its_orientation_and_nothing_else() -> None:
    content = full_png()
    bare = stripped(content)
    kinds = [bare[at + 4 : at + 8] for at in _starts(bare)]
    assert set(kinds) == {b"IHDR", b"PLTE", b"IDAT", b"IEND", b"pHYs", b"eXIf"}
    assert SECRET not in bare
    assert dots(bare) == dots(content)
    with Image.open(io.BytesIO(bare)) as picture:
        assert dict(picture.getexif()) == {0x0112: 3}


def _starts(content: bytes) -> list[int]:
    at, found = 8, []
    while at < len(content):
        found.append(at)
        at += 12 + struct.unpack_from(">I", content, at)[0]
    return found


@pytest.mark.parametrize("content", [full_jpeg(), full_png()], ids=["jpeg", "png"])
def test_what_a_telephone_hangs_behind_the_picture_is_cut_off(content: bytes) -> None:
    """A moving picture, or a second photograph with an Exif of its own."""
    assert stripped(content + b"ftypmp42" + SECRET + pictures.jpeg(GRID, EXIF)) == stripped(content)


@pytest.mark.parametrize(
    "content", [full_jpeg(), full_png(), pictures.jpeg(GRID, EXIF)], ids=["jpeg", "png", "grey"]
)
def test_what_is_stripped_once_stays_as_it_is(content: bytes) -> None:
    once = stripped(content)
    assert once != content
    assert stripped(once) == once


def test_a_thumbnail_in_the_head_goes() -> None:
    content = full_jpeg()
    jfif = b"JFIF\0\1\2\0\0\1\0\1\2\2" + bytes(12)
    other = b"\xff\xd8" + struct.pack(">BBH", 0xFF, 0xE0, len(jfif) + 2) + jfif + content[20:]
    assert stripped(other)[:20] == b"\xff\xd8\xff\xe0\0\x10JFIF\0\1\2\0\0\1\0\1\0\0"


@pytest.mark.parametrize(
    "content",
    [b"", b"GIF89a", b"%PDF-1.7", b"RIFF....WEBP", b"II*\0rest", b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n"],
    ids=repr,
)
def test_other_formats_and_mere_beginnings_are_refused(content: bytes) -> None:
    with pytest.raises(FormatError):
        stripped(content)


def test_a_png_with_a_wrong_sum_is_refused() -> None:
    content = bytearray(full_png())
    content[20] ^= 1
    with pytest.raises(FormatError, match="sum"):
        stripped(bytes(content))


@given(st.integers(0, 200_000), st.integers(0, 7), st.sampled_from([full_jpeg(), full_png()]))
def test_a_damaged_picture_is_refused_or_loses_its_secret_all_the_same(
    at: int, bit: int, content: bytes
) -> None:
    damaged = bytearray(content)
    damaged[at % len(content)] ^= 1 << bit
    try:
        bare = stripped(bytes(damaged))
    except FormatError:
        return
    assert SECRET not in bare


@given(
    st.binary(max_size=400),
    st.sampled_from(
        [b"", b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff\xe1\0\x10Exif\0\0MM\0*\0\0\0\x08"]
    ),
)
def test_any_bytes_are_refused_or_stripped_and_never_crash(tail: bytes, start: bytes) -> None:
    content = start + tail
    try:
        bare = stripped(content)
    except FormatError:
        return
    assert kind_of(bare) == kind_of(content)


@given(st.binary(max_size=80))
def test_an_orientation_is_always_one_of_eight(tail: bytes) -> None:
    assert 1 <= orientation(b"MM\0*" + tail) <= 8
    assert 1 <= orientation(tail) <= 8


def test_the_orientation_of_a_little_endian_exif_is_read() -> None:
    body = b"II*\0" + struct.pack("<IHHHIHHI", 8, 1, 0x0112, 3, 1, 8, 0, 0)
    assert orientation(body) == 8
