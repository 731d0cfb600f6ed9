"""The report's pictures say what the image says: judged by Pillow, which knows nothing of our encoder."""

from __future__ import annotations

import base64
import io
import random
import re
import zlib
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from pipeline.views.report import (
    activity,
    agreement,
    frame,
    glyphs,
    image,
    lanes,
    listing,
    outline,
    partners,
    passes,
    png,
    raster,
    spaces,
)
from schemas.names import Organisation
from schemas.record import RegionRecord, SpaceRecord
from tests.kit.report_samples import PART_2716, code_like, letters

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


def drawn(
    content: image.ChipWords, most_pixels: int = 1 << 19, regions: Sequence[RegionRecord] = ()
) -> tuple[str, image.PictureLayout]:
    layout = image.layout_of(content.organisation, most_pixels)
    dots = image.picture_pixels(content, layout)
    svg = raster.raster_svg(content, layout, dots, label="a chip", name="u", regions=regions, most_bands=64)
    return str(svg), layout


def in_lanes(content: image.ChipWords, part: Any = None, most_pixels: int = 1 << 19) -> tuple[str, Any]:
    layout = image.layout_of(content.organisation, most_pixels)
    by_line = lanes.lanes_of(content, activity.data_lines(content, part))
    dots = image.picture_pixels(content, layout)
    return str(lanes.lanes_svg(content, layout, dots, by_line, label="a chip", name="l")), by_line


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


def test_one_contested_bit_is_not_averaged_away_and_many_are_denser() -> None:
    bits = np.zeros((65536, 8), np.uint8)
    bits[12345, 3] = 1
    bits[:4096, 5] = 1
    layout = image.layout_of(Organisation(65536, 8), 1 << 14)
    dots = image.mask_pixels(bits, layout)
    alone, dense = dots[12345 // layout.words_a_row // layout.averaged].max(), dots[0].max()
    assert 15 > alone >= image.FAINTEST
    assert dense == 15


@given(st.binary(max_size=200_000))
def test_stored_blocks_inflate_to_what_went_in(raw: bytes) -> None:
    assert zlib.decompress(png.stored_zlib(raw)) == raw


def test_a_picture_does_not_depend_on_the_zlib_build() -> None:
    # RFC 1951 section 3.2.4: block type 00 is stored; nothing is left to a compressor's taste.
    whole = png.bits_png(np.eye(16, dtype=np.uint8), (1, 2, 3))
    stream = whole[whole.index(b"IDAT") + 4 :]
    assert stream[:3] == b"\x78\x01\x01"


def test_a_contested_bit_is_a_dot_in_the_lane_of_its_line_and_counted_beneath() -> None:
    content, _ = content_for("2048x8")
    mask = bytearray(2048)
    for address in (0x1A3, 0x1A4):
        mask[address] = 0b100
    masked = image.content_of(content.organisation, bytes(mask))
    assert masked is not None
    layout = image.layout_of(content.organisation, 1 << 19)
    data = activity.data_lines(content, PART_2716)
    between = [2 if block == 0x1A3 * 64 // 2048 else 0 for block in range(64)]
    contested: Any = {"bits": 2, "words": 2, "between": between, "within": [0] * 64}
    svg = str(lanes.doubt_svg(content, masked.bits, layout, data, contested))
    alpha = np.asarray(embedded(svg, "mask").convert("RGBA"))[:, :, 3]
    row, column = divmod(0x1A3, layout.words_a_row)
    lane = 5 * layout.words_a_row  # D7 is the first lane, D2 the sixth
    assert np.argwhere(alpha).tolist() == [[row, lane + column], [row, lane + column + 1]]
    assert "D2, pin 11: 2 bits unresolved" in svg
    assert "D3, pin 13: 0 bits unresolved" in svg
    assert re.findall(r'class="c count"[^>]*>([^<]+)<', svg) == ["2"]
    assert "0x1A0–0x1BF: 2 words unresolved; readers differ in 2" in svg
    assert "Unresolved bits by data line: D2 2" in svg


def test_regions_are_marked_beside_their_words() -> None:
    content, _ = content_for("2048x8")
    regions: list[RegionRecord] = [
        {"kind": "fill", "start": 0x700, "end": 0x800, "word": "FF"},
        {"kind": "text", "start": 0x40, "end": 0x80, "preview": "<b>HI</b>"},
        {"kind": "unheard-of", "start": 0, "end": 0},
    ]
    svg, _ = drawn(content, regions=regions)
    assert svg.count('class="r-fill"') == 1
    assert svg.count('class="r-text"') == 1
    assert "text 0x040–0x07F: &lt;b&gt;HI&lt;/b&gt;" in svg
    fill = re.search(r'class="r-fill" x="[\d.]+" y="([\d.]+)" width="9" height="([\d.]+)"', svg)
    assert fill is not None
    assert float(fill[1]) == frame.TOP + 112 * 3
    assert float(fill[2]) == 16 * 3


def test_titles_tell_addresses_and_words() -> None:
    content, stored = content_for("64x24")
    svg, _ = drawn(content)
    titles = re.findall(r"<title>([^<]*)</title>", svg)
    assert titles[0].startswith("0x000")
    assert stored[:3].hex().upper() in titles[0]


def test_a_file_of_the_wrong_length_is_not_drawn() -> None:
    assert image.content_of(Organisation(2048, 8), bytes(2047)) is None


@pytest.mark.parametrize("shape", ["2048x8", "8192x8", "1536x8", "100x8", "1024x16", "64x24"])
def test_what_an_address_line_does_equals_a_count_word_by_word(shape: str) -> None:
    content, stored = content_for(shape)
    organisation = content.organisation
    size = organisation.bytes_a_word
    words = [stored[k * size : k * size + size] for k in range(organisation.words)]
    found = partners.partners_of(content, None)
    assert found is not None
    assert len(found.lines) == organisation.address_bits
    for number, line in enumerate(found.lines):
        bit = 1 << number
        low = [a for a in range(1 << organisation.address_bits) if not a & bit]
        there = [a | bit < len(words) for a in low]
        unlike = [ok and words[a] != words[a | bit] for a, ok in zip(low, there, strict=True)]
        assert line.share == sum(unlike) / sum(there)
        if not found.levels:
            assert found.dots[number].reshape(-1).tolist() == [int(one) for one in unlike]
            if found.unread is not None:
                assert found.unread[number].reshape(-1).tolist() == [int(not ok) for ok in there]


def test_pairs_with_a_word_that_nobody_read_are_hatched_and_not_counted() -> None:
    organisation = Organisation(256, 8)
    content = image.content_of(organisation, random.Random(3).randbytes(256), [[128, 256]])
    assert content is not None
    found = partners.partners_of(content, None)
    assert found is not None
    assert found.unread is not None
    assert found.unread[7].all()
    assert found.lines[7].share == 0
    assert found.unread[0].reshape(-1).tolist() == [0] * 64 + [1] * 64
    assert found.lines[0].share > 0.9
    svg = str(partners.partners_svg(found, label="x", name="p"))
    assert svg.count("<pattern") == 2
    assert 'fill="url(#p-0-h)"' in svg


@given(words=st.integers(2, 600), seed=st.integers(0, 2**32 - 1), holes=st.booleans())
def test_agreement_equals_a_count_pair_by_pair(words: int, seed: int, *, holes: bool) -> None:
    rng = random.Random(seed)
    stored = bytes(rng.choices([0xFF, 1, 2, 3], k=words))
    absent = [[words // 3, words // 2]] if holes and words > 6 else []
    content = image.content_of(Organisation(words, 8), stored, absent)
    assert content is not None
    read = [a for a in range(words) if not any(s <= a < e for s, e in absent)]
    counts = [sum(stored[a] == value for a in read) for value in range(256)]
    common = counts.index(max(counts))
    found = agreement.agreement_of(content)
    if found is None:
        assert sum(stored[a] != common for a in read) < agreement.FEWEST
        return
    known = set(read)
    for distance, share in zip(found.distances, found.shares, strict=True):
        pairs = [a for a in read if stored[a] != common and a + distance in known]
        same = sum(stored[a] == stored[a + distance] for a in pairs)
        assert share == (same / len(pairs) if len(pairs) >= agreement.FEWEST else 0)


def test_a_dead_a9_is_one_spike_at_512_and_records_show_at_their_length() -> None:
    rng = random.Random(8)
    words = bytearray(rng.randbytes(2048))
    for address in range(2048):
        words[address] = words[address & ~0x200]
    content = image.content_of(Organisation(2048, 8), bytes(words))
    assert content is not None
    found = agreement.agreement_of(content)
    assert found is not None
    assert found.peaks == (512,)
    assert "512 (67%) stands out" in agreement.agreement_words(found)
    records = image.content_of(Organisation(2048, 8), (rng.randbytes(20)) * 102 + bytes(8))
    assert records is not None
    told = agreement.agreement_of(records)
    assert told is not None
    assert sorted(told.peaks) == [20, 40, 60]


def test_a_dead_line_is_named_with_its_pin() -> None:
    organisation = Organisation(2048, 8)
    rng = random.Random(4)
    words = bytearray(rng.randbytes(2048))
    for address in range(2048):
        words[address] = words[address & ~0x20] & ~0x08
    content = image.content_of(organisation, bytes(words))
    assert content is not None
    found = partners.partners_of(content, PART_2716)
    assert found is not None
    assert partners.partners_words(found.lines).endswith("A5 never makes a difference.")
    svg = str(partners.partners_svg(found, label="x", name="p"))
    assert svg.count("<title>") == 11
    assert svg.count('class="still"') == 1
    assert "A5 pin 3: 0.0% of the pairs differ" in svg
    svg, by_line = in_lanes(content, PART_2716)
    assert "D3 always 0" in lanes.lanes_words(by_line)
    assert "D3, pin 13: 0.0% of the words are 1" in svg
    assert ">all 0</text>" in svg


def test_a_lane_holds_the_bits_of_its_line_and_joined_lines_are_twins() -> None:
    organisation = Organisation(2048, 8)
    words = np.frombuffer(random.Random(5).randbytes(2048), np.uint8).copy()
    joined = words >> 6 & words >> 1 & 1
    words = ((words & 0xBD) | joined << 6 | joined << 1).astype(np.uint8)
    content = image.content_of(organisation, words.tobytes())
    assert content is not None
    svg, by_line = in_lanes(content)
    assert [lane.like for lane in by_line] == ["", "D6", "", "", "", "", "", ""]
    assert "D1 is the same as D6 in every word" in lanes.lanes_words(by_line)
    alpha = np.asarray(embedded(svg).convert("RGBA"))[:, :, 3] > 0
    per = image.layout_of(organisation, 1 << 19).words_a_row
    for line in range(8):
        lane = alpha[:, (7 - line) * per : (8 - line) * per].reshape(-1)
        assert lane.tolist() == (words >> line & 1).astype(bool).tolist()


@pytest.mark.parametrize("shape", SHAPES)
def test_lanes_and_squares_of_any_organisation_are_drawn(shape: str) -> None:
    content, _ = content_for(shape)
    svg, by_line = in_lanes(content)
    assert len(by_line) == content.organisation.bits
    assert svg.count("<title>") == content.organisation.bits
    found = partners.partners_of(content, None)
    assert (found is None) == (content.organisation.words == 1)
    if found is not None:
        svg = str(partners.partners_svg(found, label="x", name="p"))
        assert svg.count("of the pairs differ</title>") == len(found.lines)


@given(st.lists(st.booleans(), min_size=64, max_size=64), st.integers(0, 2**32 - 1))
def test_words_that_nobody_read_are_hatched_word_by_word_and_left_out_of_every_count(
    read: list[bool], seed: int
) -> None:
    known = np.array(read)
    stored = random.Random(seed).randbytes(64)
    absent = [[int(a), int(a) + 1] for a in np.flatnonzero(~known)]
    content = image.content_of(Organisation(64, 8), stored, absent)
    assert content is not None
    svg, _ = drawn(content)
    if known.all():
        assert "unread-dots" not in svg
        return
    hatched = np.asarray(embedded(svg, "unread-dots").convert("RGBA"))[:, :, 3].reshape(64, 8) > 0
    assert (hatched == ~known[:, None]).all()
    count = max(1, int(known.sum()))
    for number, line in enumerate(activity.data_lines(content, None)):
        assert line.share == sum(stored[a] >> number & 1 for a in np.flatnonzero(known)) / count


def test_an_averaged_dot_counts_only_words_that_were_read() -> None:
    stored = bytes([0xFF]) * 65536
    content = image.content_of(Organisation(65536, 8), stored, [[0, 40000]])
    assert content is not None
    layout = image.layout_of(content.organisation, 1 << 14)
    dots = image.picture_pixels(content, layout)
    unread = image.unread_pixels(content, layout)
    assert unread is not None
    assert (dots[unread < 15] == 15).all()
    assert set(dots[unread == 15].tolist()) <= {0}


def plain_lines(content: image.ChipWords, **marks: Any) -> list[str]:
    text = listing.listing(content, "U5", listing.ListingMarks(**{"told": frozenset(), **marks})).decode()
    return re.sub(r"<[^>]+>", "", text).splitlines()


def test_a_listing_tells_hex_text_and_fills_in_words() -> None:
    stored = b"A<&>B" + bytes(range(11)) + bytes([0xFF]) * (2048 - 32) + bytes([7]) * 16
    content = image.content_of(Organisation(2048, 8), stored)
    assert content is not None
    lines = plain_lines(content)
    assert lines[0] == "000  41 3C 26 3E 42 00 01 02 03 04 05 06 07 08 09 0A  A&lt;&amp;&gt;B..........."
    assert lines[1] == "010  0x010–0x7EF: FF"
    assert lines[2].startswith("7F0  07 07")
    assert len(lines) == 3


def test_a_listing_shows_words_that_nobody_read_as_dashes_and_never_as_a_fill() -> None:
    content = image.content_of(Organisation(128, 8), bytes(128), [[20, 22], [64, 128]])
    assert content is not None
    lines = plain_lines(content)
    assert lines[1] == "010  00 00 00 00 -- -- 00 00 00 00 00 00 00 00 00 00  ....  .........."
    assert lines[2] == "020  0x020–0x03F: 00"
    assert lines[3] == "040  0x040–0x07F: not read"


@pytest.mark.parametrize("shape", SHAPES)
def test_a_listing_of_any_organisation_tells_every_word(shape: str) -> None:
    content, _ = content_for(shape)
    organisation = content.organisation
    nibbles = max(1, (organisation.bits + 3) // 4)
    per = listing.words_a_row(organisation)
    told: list[int] = []
    for line in plain_lines(content):
        _, _, rest = line.partition("  ")
        fill = re.match(r"0x([0-9A-F]+)–0x([0-9A-F]+): ([0-9A-F]+)$", rest)
        if fill:
            told += [int(fill[3], 16)] * (int(fill[2], 16) + 1 - int(fill[1], 16))
        else:
            told += [int(word, 16) for word in rest[: per * (nibbles + 1)].split()]
    assert told == [content.word(address) for address in range(organisation.words)]


def test_every_word_that_the_page_speaks_of_has_its_anchor_and_contested_ones_are_marked() -> None:
    content, _ = content_for("2048x8")
    told, contested = frozenset([0x2C5, 0x2C0, 0x7F3]), frozenset([0x2C5, 0x100])
    text = listing.listing(content, "U5", listing.ListingMarks(told, contested)).decode()
    for address in told:
        assert text.count(f'id="U5-0x{address:03X}"') == 1
    assert f'<mark id="U5-0x2C5">{content.word(0x2C5):02X}</mark>' in text
    assert f"<mark>{content.word(0x100):02X}</mark>" in text
    rows = re.findall(r'<a id="U5-0x([0-9A-F]+)" href="#U5-0x([0-9A-F]+)">', text)
    assert all(name == link for name, link in rows)


@pytest.mark.parametrize(("pins", "named"), [(24, 2), (28, 28), (14, 7), (40, 21)])
def test_the_socket_has_as_many_teeth_as_the_part_and_one_of_them_filled(pins: int, named: int) -> None:
    part: Any = {**PART_2716, "pins": pins, "gnd": [pins // 2], "vcc": [pins]}
    svg = str(outline.socket_svg(part, (named,), "fault"))
    empty = re.findall(r"M\d+ ([\d.]+)h8v6", svg)
    filled = re.findall(r"M\d+ ([\d.]+)h14v9", svg)
    assert (len(empty), len(set(empty)), len(filled)) == (pins, pins // 2, 1)
    row = named - 1 if named <= pins // 2 else pins - named
    assert float(filled[0]) + 4.5 == outline.HEAD + row * outline.PITCH + outline.PITCH / 2
    assert f"{pins}-pin socket from above, notch up: pin {named}" in svg
    assert "ground" in svg


def test_neighbours_lie_on_the_same_side_only() -> None:
    assert outline.neighbours({12}, 24) == {11}
    assert outline.neighbours({13}, 24) == {14}
    assert outline.neighbours({1, 2}, 24) == {3}
    assert outline.neighbours({24}, 24) == {23}


def test_no_socket_is_drawn_where_the_pins_are_not_known() -> None:
    unknown: Any = {**PART_2716, "pinout": "unknown", "address_pins": [], "data_pins": []}
    assert outline.socket_svg(unknown, (2,), "fault") is None
    assert outline.socket_svg(PART_2716, (), "fault") is None
    assert outline.socket_svg(PART_2716, (99,), "fault") is None


def test_passes_stand_by_sitting_and_wiring_and_have_ink_where_they_depart() -> None:
    departs = [0] * 64
    departs[3], departs[40] = 1, 32
    readings: Any = [
        {
            "reading": "U1.hb.1",
            "reader": "hb",
            "passes": [{"number": 1, "sitting": "hb/morning"}],
        },
        {
            "reading": "U1.prog.1",
            "reader": "prog",
            "passes": [{"number": 1, "sitting": "prog/"}],
        },
        {
            "reading": "U1.hb.2",
            "reader": "hb",
            "how": {"wiring": "west"},
            "passes": [
                {"number": 1, "sitting": "hb/morning", "steps": [{"action": "realign"}], "departs": departs}
            ],
        },
    ]
    rows = passes.rows_of(readings)
    assert [row.group for row in rows] == ["hb, morning", "prog", "hb, morning, wiring west"]
    svg = str(passes.passes_svg(rows, 2048, label="x"))
    inked = [
        np.asarray(Image.open(io.BytesIO(base64.b64decode(one))).convert("RGBA"))[:, :, 3]
        for one in re.findall(r'class="mask px"[^>]*base64,([^"]+)"', svg)
    ]
    assert [picture.any() for picture in inked] == [False, False, True]
    assert np.flatnonzero(inked[2][0]).tolist() == [3, 40]
    assert inked[2][0][40] == 255
    told = "U1.hb.2/1: departs from the image in 33 of 2,048 words; brought into order since: realign"
    assert told in svg
    assert passes.passes_words(rows).endswith("U1.hb.2/1 was brought into order since.")


def test_any_two_readings_are_held_against_each_other_where_both_were_read() -> None:
    organisation = Organisation(64, 8)
    stored = random.Random(2).randbytes(64)
    other = bytearray(stored)
    other[5] ^= 0x08
    other[60] ^= 0xFF
    contents = [
        image.content_of(organisation, stored),
        image.content_of(organisation, bytes(other), [[60, 64]]),
        image.content_of(organisation, bytes(64)),
    ]
    read = [passes.ReadWords((f"U1.hb.{k}/1",), one) for k, one in enumerate(contents) if one is not None]
    layout = image.layout_of(organisation, 1 << 19)
    data = activity.data_lines(read[0].content, None)
    found = passes.differences_of(read, layout, data, "d")
    assert [(one.first, one.second) for one in found] == [
        ("U1.hb.0/1", "U1.hb.1/1"),
        ("U1.hb.0/1", "U1.hb.2/1"),
        ("U1.hb.1/1", "U1.hb.2/1"),
    ]
    assert (found[0].words, found[0].bits) == (1, 1)
    svg = str(found[0].picture)
    alpha = np.asarray(embedded(svg, "mask").convert("RGBA"))[:, :, 3]
    row, column = divmod(5, layout.words_a_row)
    assert np.argwhere(alpha).tolist() == [[row, 4 * layout.words_a_row + column]]
    assert "not read by both" in svg
    assert frame.ALARM == (176, 84, 0)


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
