"""The report's pictures say what the image says: judged by Pillow, which knows nothing of our encoder."""

from __future__ import annotations

import base64
import io
import random
import re
import zlib
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from pipeline.views.report import activity, glyphs, image, png, raster, spaces
from schemas.names import Organisation
from schemas.record import RegionRecord, SpaceRecord
from tests.report_samples import PART_2716, code_like, letters

SHAPES = [
    "2048x8",
    "32x8",
    "256x4",
    "512x5",
    "1024x16",
    "1536x8",
    "100x8",
    "4096x12",
    "64x24",
    "8x64",
    "1x1",
    "3x7",
]


def drawn(content: image.ChipWords, most_pixels: int = 1 << 19) -> tuple[str, image.PictureLayout]:
    svg, layout = raster.raster_svg(content, label="a chip", most_pixels=most_pixels, most_bands=64)
    return str(svg), layout


def embedded(svg: str, name: str = "bits") -> Image.Image:
    found = re.search(rf'<image class="{name}[^>]*href="data:image/png;base64,([^"]+)"', svg)
    assert found is not None
    return Image.open(io.BytesIO(base64.b64decode(found[1])))


def content_for(shape: str, seed: int = 1) -> tuple[image.ChipWords, bytes]:
    organisation = Organisation.parse(shape)
    stored = code_like(seed, organisation)
    content = image.content_of(organisation, stored)
    assert content is not None
    return content, stored


@pytest.mark.parametrize("shape", SHAPES)
def test_a_raster_decoded_by_an_independent_reader_gives_the_bits_back(shape: str) -> None:
    content, stored = content_for(shape)
    svg, layout = drawn(content)
    picture = embedded(svg)
    assert picture.size == (layout.width, layout.height)
    organisation = content.organisation
    alpha = np.asarray(picture.convert("RGBA"))[:, :, 3]
    pixels = (alpha > 0).reshape(-1, organisation.bits)[: organisation.words]
    weights = [1 << (organisation.bits - 1 - k) for k in range(organisation.bits)]
    words = [sum(w for w, bit in zip(weights, row, strict=True) if bit) for row in pixels.tolist()]
    assert b"".join(word.to_bytes(organisation.bytes_a_word, "big") for word in words) == stored


def test_a_large_image_is_averaged_line_by_line_and_never_across_lines() -> None:
    organisation = Organisation(65536, 8)
    words = np.zeros(65536, np.uint8)
    words[:] = 0x81
    words[: 65536 // 2] |= 0x40
    content = image.content_of(organisation, words.tobytes())
    assert content is not None
    svg, layout = drawn(content, most_pixels=1 << 16)
    assert layout.averaged == 8
    alpha = np.asarray(embedded(svg).convert("RGBA"))[:, :, 3]
    lines = alpha.reshape(layout.height, layout.words_a_row, 8)
    assert (lines[:, :, 0] == 255).all()
    assert (lines[:, :, 7] == 255).all()
    assert (lines[: layout.height // 2, :, 1] == 255).all()
    assert (lines[layout.height // 2 :, :, 1] == 0).all()
    assert (lines[:, :, 2:7] == 0).all()


def test_an_averaged_dot_is_the_mean_of_its_bits() -> None:
    rng = np.random.default_rng(5)
    bits = rng.integers(0, 2, (8192, 8), dtype=np.uint8)
    layout = image.layout_of(Organisation(8192, 8), 1 << 12)
    assert layout.averaged > 1
    levels = image.pixel_levels(bits, layout)
    rows = bits.reshape(layout.height, layout.averaged, layout.width)
    assert np.abs(levels / 15 - rows.mean(axis=1)).max() <= 0.5 / 15 + 1e-9


def test_one_contested_bit_is_not_averaged_away() -> None:
    bits = np.zeros((65536, 8), np.uint8)
    bits[12345, 3] = 1
    layout = image.layout_of(Organisation(65536, 8), 1 << 14)
    assert image.pixel_levels(bits, layout, keep_single=True).max() == 15


@given(st.binary(max_size=200_000))
def test_stored_blocks_inflate_to_what_went_in(raw: bytes) -> None:
    assert zlib.decompress(png.stored_zlib(raw)) == raw


def test_a_picture_does_not_depend_on_the_zlib_build() -> None:
    # RFC 1951 section 3.2.4: block type 00 is stored; nothing is left to a compressor's taste.
    whole = png.bits_png(np.eye(16, dtype=np.uint8), (1, 2, 3))
    stream = whole[whole.index(b"IDAT") + 4 :]
    assert stream[:3] == b"\x78\x01\x01"


def test_each_listed_bit_has_a_ring_at_its_own_pixel() -> None:
    content, _ = content_for("2048x8")
    mask = bytearray(2048)
    mask[0x1A3] = 0b100
    masked = image.content_of(content.organisation, bytes(mask))
    assert masked is not None
    svg = str(
        raster.contested_svg(
            content, masked, label="x", marks=[(0x1A3, 2, "one says 1")], flicker=[7], most_pixels=1 << 19
        )
    )
    assert svg.count("<circle") == 1
    assert "one says 1" in svg
    assert svg.count("passes disagree") == 1
    layout = image.layout_of(content.organisation, 1 << 19)
    alpha = np.asarray(embedded(svg, "mask").convert("RGBA"))[:, :, 3]
    row, column = divmod(0x1A3, layout.words_a_row)
    assert np.argwhere(alpha).tolist() == [[row, column * 8 + 5]]
    ring = re.search(r'<circle cx="([\d.]+)" cy="([\d.]+)"', svg)
    scale = float(re.search(r'data-w="[^"]* ([\d.]+)"', svg)[1])  # type: ignore[index]
    assert ring is not None
    assert float(ring[1]) == pytest.approx(raster.RULER + (column * 8 + 5.5) * scale)
    assert float(ring[2]) == pytest.approx(raster.TOP + (row + 0.5) * scale)


def test_regions_are_marked_beside_their_words() -> None:
    content, _ = content_for("2048x8")
    regions: list[RegionRecord] = [
        {"kind": "fill", "start": 0x700, "end": 0x800, "word": "FF"},
        {"kind": "text", "start": 0x40, "end": 0x80, "preview": "<b>HI</b>"},
        {"kind": "unheard-of", "start": 0, "end": 0},
    ]
    svg, _ = raster.raster_svg(content, label="x", regions=regions, most_pixels=1 << 19, most_bands=8)
    assert svg.count('class="r-fill"') == 1
    assert svg.count('class="r-text"') == 1
    assert "text 0x040–0x07F: &lt;b&gt;HI&lt;/b&gt;" in svg
    fill = re.search(r'class="r-fill" x="[\d.]+" y="([\d.]+)" width="9" height="([\d.]+)"', svg)
    assert fill is not None
    assert float(fill[1]) == raster.TOP + 112 * 2
    assert float(fill[2]) == 16 * 2


def test_titles_tell_addresses_and_words() -> None:
    content, stored = content_for("64x24")
    svg, _ = drawn(content)
    titles = re.findall(r"<title>([^<]*)</title>", svg)
    assert titles[0].startswith("0x000")
    assert stored[:3].hex().upper() in titles[0]


def test_a_file_of_the_wrong_length_is_not_drawn() -> None:
    assert image.content_of(Organisation(2048, 8), bytes(2047)) is None


@pytest.mark.parametrize("shape", ["2048x8", "1536x8", "100x8", "1024x16", "64x24"])
def test_address_activity_equals_a_count_word_by_word(shape: str) -> None:
    content, stored = content_for(shape)
    organisation = content.organisation
    size = organisation.bytes_a_word
    words = [stored[k * size : k * size + size] for k in range(organisation.words)]
    for line in activity.address_lines(content, None):
        bit = 1 << int(line.name[1:])
        pairs = [(a, a | bit) for a in range(len(words)) if not a & bit and a | bit < len(words)]
        assert line.share == sum(words[a] != words[b] for a, b in pairs) / len(pairs)


def test_a_dead_line_is_named_with_its_pin() -> None:
    organisation = Organisation(2048, 8)
    rng = random.Random(4)
    words = bytearray(rng.randbytes(2048))
    for address in range(2048):
        words[address] = words[address & ~0x20] & ~0x08
    content = image.content_of(organisation, bytes(words))
    assert content is not None
    addresses = activity.address_lines(content, PART_2716)
    data = activity.data_lines(content, PART_2716)
    assert activity.address_words(addresses).endswith("never a change: A5.")
    assert "always 0: D3" in activity.data_words(data)
    assert (addresses[5].pin, data[3].pin) == (3, 13)
    svg = str(activity.bars_svg(addresses, label="x", still=activity.NEVER_CHANGES))
    assert svg.count("<title>") == 11
    assert svg.count("class=still") == 1
    assert "A5, pin 3: 0.0%" in svg


def test_wide_words_get_a_strip_for_every_sixteen_lines() -> None:
    content, _ = content_for("8x64")
    svg = str(activity.bars_svg(activity.data_lines(content, None), label="x", still=activity.ALWAYS_ALIKE))
    assert svg.count("<svg") == 4
    assert svg.count("<title>") == 64


def test_glyphs_stand_as_the_sheet_says() -> None:
    organisation = Organisation(512, 5)
    content = image.content_of(organisation, letters(organisation))
    assert content is not None
    plain = glyphs.geometry_of({"rows": 8, "columns": 5}, 5)
    dots = glyphs.glyph_dots(content, plain)
    assert dots.shape == (64, 8, 5)
    assert dots[0][1].tolist() == [0, 1, 1, 1, 0]
    mirrored = glyphs.geometry_of({"rows": 8, "columns": 5, "left": "low", "ink": "zero"}, 5)
    assert (glyphs.glyph_dots(content, mirrored) == 1 - dots[:, :, ::-1]).all()
    lying = glyphs.geometry_of({"rows": 8, "columns": 5, "scan": "columns", "start": 8}, 5)
    assert glyphs.glyph_dots(content, lying).shape == (63, 5, 8)
    assert (glyphs.glyph_dots(content, lying)[0] == dots[1].T).all()


def test_the_sheet_of_glyphs_decodes_to_the_glyphs() -> None:
    organisation = Organisation(512, 5)
    content = image.content_of(organisation, letters(organisation))
    assert content is not None
    geometry = glyphs.geometry_of({"rows": 8, "columns": 5, "glyphs_a_line": 16}, 5)
    svg = glyphs.glyphs_svg(content, geometry, chip="P2")
    assert svg is not None
    assert svg.count("<title>") == 64
    assert "65" not in re.findall(r"<title>(\d+) ", svg)
    alpha = np.asarray(embedded(svg).convert("RGBA"))[:, :, 3] > 0
    assert alpha.shape == (4 * 9, 16 * 6)
    dots = glyphs.glyph_dots(content, geometry)
    assert (alpha[9:17, 6:11] == dots[17]).all()


def chip(role: str) -> Any:
    """As much of a chip's record as a guess looks at."""
    return {"chip": "U1", "role": role}


def test_a_guess_is_made_only_on_a_word_and_says_that_it_is_one() -> None:
    organisation = Organisation(512, 5)
    content = image.content_of(organisation, letters(organisation))
    assert content is not None
    assert glyphs.guess_of(content, chip("program"), None) is None
    guess = glyphs.guess_of(content, chip("character generator"), None)
    assert guess is not None
    assert (guess.rows, guess.guessed) == (8, True)
    assert glyphs.glyphs_words(content, guess).startswith("A guess:")


def test_a_space_has_its_chips_and_its_gaps_in_order() -> None:
    space: SpaceRecord = {
        "name": "program",
        "width": 16,
        "byte_order": "big",
        "unit": "byte",
        "words": 8192,
        "placements": [
            {"at": 8192, "lanes": ["U3", "U4[7:0]"]},
            {"at": 0, "lanes": ["U1", "U2"], "chip_range": "0x0-0x400"},
        ],
    }
    organisations = {"U1": "2048x8", "U2": "2048x8", "U3": "2048x8", "U4": "2048x8"}
    stretches = spaces.stretches_of(space, organisations)
    assert [(s.start, s.end, s.lanes) for s in stretches] == [
        (0, 1024, ("U1", "U2")),
        (1024, 4096, ()),
        (4096, 6144, ("U3", "U4[7:0]")),
        (6144, 8192, ()),
    ]
