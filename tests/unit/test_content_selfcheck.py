"""Embedded checks: every scheme is found, chance is told, and nothing blank or blind lifts a grade."""

from __future__ import annotations

import math
import zlib
from collections import Counter
from collections.abc import Callable

import anycrc
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.content import SelfCheck, content_findings, regions, schemes_tried, self_checks
from pipeline.stages.content.among_chips import recurring, set_checks
from pipeline.stages.content.crc import value
from pipeline.stages.content.crc_catalogue import CATALOGUE, Crc
from pipeline.stages.content.model import MOST_CHANCE
from pipeline.stages.content.order import order_fixed
from pipeline.stages.content.schemes import places, search, tried
from pipeline.stages.content.weigh import chance_of
from pipeline.words import words_dtype
from tests.kit.images import Octets as Image
from tests.kit.images import code_image, put, random_image

PROSE = (
    b"THE LOOM STOPS WHEN A THREAD BREAKS. MEND THE THREAD, TURN THE WHEEL BACK BY ONE PICK AND PRESS START. "
    b"WHEN THE PATTERN ENDS THE LAMP IS LIT AND THE COUNTER SHOWS HOW MANY PICKS WERE WOVEN SINCE THE "
    b"MORNING. "
)


def arc(image: Image) -> int:
    return value(next(one for one in CATALOGUE if one.name == "CRC-16/ARC"), image.tobytes())


def module(seed: int, length: int) -> Image:
    """A module with its header, its parity and its CRC, made by another implementation of that CRC."""
    body = random_image(seed, length)
    body[:9] = [0x87, 0xCD, length >> 8, length & 255, 0, 13, 0x11, 0x81, 0]
    body[8] = 0xFF ^ int(np.bitwise_xor.reduce(body[:8]))
    crc = anycrc.Model("CRC24-OS-9").calc(body[:-3].tobytes())
    return put(body, length - 3, int(crc).to_bytes(3, "big"))


def methods(image: Image) -> list[str]:
    return [hit.method for hit in search(image)]


def named(checks: tuple[SelfCheck, ...], start: str) -> list[SelfCheck]:
    return [check for check in checks if check.method.startswith(start)]


def total(image: Image) -> int:
    return int(image.sum(dtype=np.uint64))


def stored(image: Image, at: int, content: int, width: int, order: str) -> Image:
    return put(image, at, content.to_bytes(width, "big" if order == "high" else "little"))


def blanked(image: Image, at: int, width: int) -> Image:
    out = image.copy()
    out[at : at + width] = 0
    return out


@pytest.mark.parametrize("crc", CATALOGUE, ids=lambda crc: crc.name)
@pytest.mark.parametrize("order", ["high", "low"])
def test_every_crc_is_found_stored_last_in_either_order(crc: Crc, order: str) -> None:
    width = crc.width // 8
    image = random_image(1)
    image = stored(image, 2048 - width, value(crc, image[: 2048 - width].tobytes()), width, order)
    name = crc.name if width == 1 else f"{crc.name}, {order} byte first"
    assert name in methods(image)


@pytest.mark.parametrize("crc", CATALOGUE, ids=lambda crc: crc.name)
@pytest.mark.parametrize("size", [256, 2048, 5000])
def test_every_crc_is_found_stored_first(crc: Crc, size: int) -> None:
    width = crc.width // 8
    image = random_image(2, size)
    image = stored(image, 0, value(crc, image[width:].tobytes()), width, "high")
    found = [hit for hit in search(image) if hit.method.startswith(crc.name) and hit.stored == (0, width)]
    assert [hit.covers for hit in found] == [((width, size),)]


def test_modules_in_one_image_are_each_found_by_their_header_and_residue() -> None:
    image = np.concatenate([module(21, 700), module(22, 900), np.full(448, 0xFF, np.uint8)])
    found = [one for one in self_checks({"U1": image}, 8) if one.method.startswith("module header")]
    assert [(one.covers, one.holds, one.chance) for one in found] == [
        (((0, 700),), True, 2.0**-24),
        (((700, 1600),), True, 2.0**-24),
    ]
    assert all(one.chance <= MOST_CHANCE and not one.order_blind for one in found)
    notes = content_findings("U1", (), found)
    assert [one.code.value for one in notes] == ["self-check", "self-check"]


def test_a_module_with_one_wrong_bit_breaks_its_promise_and_half_a_header_makes_none() -> None:
    image = module(23, 2048)
    image[1000] ^= 4
    (broken,) = [one for one in self_checks({"U1": image}, 8) if one.method.startswith("module header")]
    assert not broken.holds
    assert "disagree" in broken.why
    image[8] ^= 1
    assert not [one for one in self_checks({"U1": image}, 8) if one.method.startswith("module header")]


def test_a_module_longer_than_the_image_says_so() -> None:
    (cut,) = [
        one
        for one in self_checks({"U1": module(24, 4000)[:2048]}, 8)
        if one.method.startswith("module header")
    ]
    assert not cut.holds
    assert "states 4000 bytes and only 2048 are here" in cut.why


@pytest.mark.parametrize("table", [6, 8, 16])
def test_a_crc_before_a_vector_table_is_found(table: int) -> None:
    image = random_image(3)
    at = 2048 - table - 2
    crc = next(one for one in CATALOGUE if one.name == "CRC-16/ARC")
    image = stored(image, at, value(crc, image[:at].tobytes()), 2, "low")
    found = [hit for hit in search(image) if hit.method.startswith("CRC-16/ARC")]
    assert [(hit.covers, hit.stored) for hit in found] == [(((0, at),), (at, at + 2))]


@given(st.data(), st.integers(32, 9000), st.sampled_from(CATALOGUE), st.sampled_from(["high", "low"]))
def test_every_crc_is_found_at_every_place_of_rows_of_any_size(
    data: st.DataObject, size: int, crc: Crc, order: str
) -> None:
    width = crc.width // 8
    at = data.draw(st.sampled_from(places(size, width)))
    image = random_image(size, size)
    covered = image[:at] if at else image[width:]
    content = value(crc, covered.tobytes()).to_bytes(width, "big" if order == "high" else "little")
    image[at : at + width] = np.frombuffer(content, dtype=np.uint8)
    # A stored value of nothing but 00 or FF stores nothing.
    if set(image[at : at + width].tolist()) in ({0x00}, {0xFF}):
        return
    found = [hit.covers for hit in search(image) if hit.stored == (at, at + width) and hit.family == "crc"]
    assert ((0, at) if at else (width, size),) in found


@pytest.mark.parametrize("order", ["high", "low"])
@pytest.mark.parametrize("at", [0, 2046, 2040, 2038, 2030])
@pytest.mark.parametrize(
    ("name", "made"),
    [("", lambda s: s), ("negated ", lambda s: -s & 0xFFFF), ("complemented ", lambda s: s ^ 0xFFFF)],
)
def test_sixteen_bit_byte_sums_are_found_wherever_they_are_stored(
    order: str, at: int, name: str, made: Callable[[int], int]
) -> None:
    image = blanked(random_image(4), at, 2)
    image = stored(image, at, made(total(image) & 0xFFFF), 2, order)
    assert f"sum16 of the other bytes, {name}{order} byte first" in methods(image)


@pytest.mark.parametrize("order", ["high", "low"])
@pytest.mark.parametrize("at", [0, 2044])
def test_thirty_two_bit_byte_sums_are_found(order: str, at: int) -> None:
    image = blanked(random_image(5), at, 4)
    image = stored(image, at, total(image), 4, order)
    assert f"sum32 of the other bytes, {order} byte first" in methods(image)


@pytest.mark.parametrize("wanted", [0x00, 0xFF])
def test_eight_bit_sums_over_everything_are_found(wanted: int) -> None:
    image = blanked(random_image(6), 100, 1)
    image[100] = (wanted - total(image)) & 0xFF
    assert f"sum8, all bytes = {wanted:02X}" in methods(image)


@pytest.mark.parametrize(("at", "name"), [(2047, "last"), (0, "first")])
def test_an_eight_bit_sum_of_the_others_is_found(at: int, name: str) -> None:
    image = blanked(random_image(7), at, 1)
    image[at] = total(image) & 0xFF
    assert f"sum8 of the others, {name} byte" in methods(image)


@pytest.mark.parametrize("wanted", [0x00, 0xFF])
def test_an_exclusive_or_over_everything_is_found(wanted: int) -> None:
    image = blanked(random_image(8), 9, 1)
    image[9] = int(np.bitwise_xor.reduce(image)) ^ wanted
    assert f"xor8, all bytes = {wanted:02X}" in methods(image)


def test_an_end_around_carry_sum_of_bytes_is_found() -> None:
    image = blanked(random_image(9), 0, 1)
    image[0] = -total(image) % 255
    assert "sum8 with end-around carry, all bytes = FF" in methods(image)


@pytest.mark.parametrize(("dtype", "order"), [(">u2", "high"), ("<u2", "low")])
@pytest.mark.parametrize("wanted", [0x0000, 0xFFFF])
def test_zero_and_ones_sums_of_sixteen_bit_words_are_found(dtype: str, order: str, wanted: int) -> None:
    image = blanked(random_image(10), 2046, 2)
    words = image.view(dtype)
    image = stored(image, 2046, (wanted - int(words.sum(dtype=np.uint64))) & 0xFFFF, 2, order)
    assert f"sum16 of words, {order} byte first, all = {wanted:04X}" in methods(image)


@pytest.mark.parametrize(("dtype", "order"), [(">u2", "high"), ("<u2", "low")])
@pytest.mark.parametrize("at", [0, 2046, 2040, 2038, 2030])
def test_a_stored_sum_of_sixteen_bit_words_is_found(dtype: str, order: str, at: int) -> None:
    image = blanked(random_image(11), at, 2)
    image = stored(image, at, int(image.view(dtype).sum(dtype=np.uint64)) & 0xFFFF, 2, order)
    assert f"sum16 of the other words, {order} byte first" in methods(image)


def test_an_internet_checksum_is_found() -> None:
    image = blanked(random_image(12), 10, 2)
    image = stored(image, 10, -int(image.view(">u2").sum(dtype=np.uint64)) % 65535, 2, "high")
    assert "sum16 of words with end-around carry = FFFF (RFC 1071)" in methods(image)


def test_an_exclusive_or_of_words_is_found() -> None:
    image = blanked(random_image(13), 10, 2)
    image = stored(image, 10, int(np.bitwise_xor.reduce(image.view(">u2"))), 2, "high")
    assert "xor16 of words, all = 0000" in methods(image)


@pytest.mark.parametrize(("dtype", "order"), [(">u4", "high"), ("<u4", "low")])
def test_sums_of_thirty_two_bit_words_are_found(dtype: str, order: str) -> None:
    image = blanked(random_image(14), 2044, 4)
    words = int(image.view(dtype).sum(dtype=np.uint64)) & 0xFFFFFFFF
    assert f"sum32 of the other words, {order} byte first" in methods(stored(image, 2044, words, 4, order))
    zero = stored(image, 2044, -words & 0xFFFFFFFF, 4, order)
    assert f"sum32 of words, {order} byte first, all = 00000000" in methods(zero)


@pytest.mark.parametrize("order", ["high", "low"])
def test_adler_is_found_first_and_last(order: str) -> None:
    image = random_image(15)
    last = stored(image, 2044, zlib.adler32(image[:2044].tobytes()), 4, order)
    first = stored(image, 0, zlib.adler32(image[4:].tobytes()), 4, order)
    assert f"Adler-32, {order} byte first" in methods(last)
    assert f"Adler-32, {order} byte first" in methods(first)


def fletcher(data: bytes) -> int:
    low = high = 0
    for byte in data:
        low = (low + byte) % 255
        high = (high + low) % 255
    return high << 8 | low


@pytest.mark.parametrize("order", ["high", "low"])
def test_fletcher_is_found_first_and_last(order: str) -> None:
    image = random_image(16)
    last = stored(image, 2046, fletcher(image[:2046].tobytes()), 2, order)
    first = stored(image, 0, fletcher(image[2:].tobytes()), 2, order)
    assert f"Fletcher-16, {order} byte first" in methods(last)
    assert f"Fletcher-16, {order} byte first" in methods(first)


@pytest.mark.parametrize("make", [random_image, code_image], ids=["random", "code-like"])
def test_chance_hits_are_as_many_as_the_evidence_claims(make: Callable[[int], Image]) -> None:
    """On 1,000 images without any check: hits by width, and images with a hit, against the claimed chance.

    Source: Poisson and binomial limits at four standard deviations (definition); the 8-bit schemes may depend
    on one another, so that images with a hit are at most as many as claimed, up to those four deviations.
    """
    images = 1000
    hits: Counter[int] = Counter()
    with_any = 0
    for seed in range(images):
        found = search(make(seed))
        hits.update(hit.bits for hit in found)
        with_any += bool(found)
    schemes = tried(2048)
    for bits, count in schemes.items():
        mean = images * count * 2.0**-bits
        assert abs(hits[bits] - mean) <= 4 * math.sqrt(mean) + 1, (bits, hits[bits], mean)
    claimed = chance_of(8, schemes)[0]
    assert with_any <= images * claimed + 4 * math.sqrt(images * claimed)
    assert with_any >= images * claimed - 6 * math.sqrt(images * claimed)


def test_the_chance_of_many_schemes_agrees_with_the_definition() -> None:
    """Source: 1 - (1 - 2^-b)^m, recomputed with scipy's binomial tail."""
    from scipy.stats import binom

    for bits, count in ((8, 1), (8, 177), (8, 256), (16, 1000), (16, 45426)):
        assert chance_of(bits, {bits: count})[0] == pytest.approx(
            float(binom.sf(0, count, 2.0**-bits)), rel=1e-9
        )


def test_a_32_bit_crc_lifts_the_grade_and_one_changed_bit_ends_it() -> None:
    image = code_image(20)
    image = stored(image, 2044, zlib.crc32(image[:2044].tobytes()), 4, "low")
    check = named(self_checks({"U1": image}, 8), "CRC-32/ISO-HDLC")[0]
    assert check.lifts
    assert check.chance <= MOST_CHANCE
    assert check.stored_at == ("U1", 2044, 2048)
    image[5] ^= 1
    assert named(self_checks({"U1": image}, 8), "CRC-32") == []


def test_an_eight_bit_sum_that_chance_alone_makes_is_told_in_no_note_and_lifts_nothing() -> None:
    image = blanked(code_image(21), 0, 1)
    image[0] = -total(image) & 0xFF
    checks = named(self_checks({"U1": image}, 8), "sum8, all bytes = 00")
    assert [(check.lifts, check.beyond_chance) for check in checks] == [(False, False)]
    assert "chance alone does this" in checks[0].why
    assert content_findings("U1", (), checks) == ()


def test_a_strong_sum_that_is_blind_to_order_lifts_nothing_without_text() -> None:
    image = blanked(random_image(22), 2044, 4)
    words = int(image.view(">u4").sum(dtype=np.uint64)) & 0xFFFFFFFF
    checks = named(self_checks({"U1": stored(image, 2044, words, 4, "high")}, 8), "sum32 of the other words")
    assert checks[0].chance <= MOST_CHANCE
    assert not checks[0].lifts
    assert "order" in checks[0].why
    assert any("exchanged" in blind for blind in checks[0].blind_to)


def test_a_strong_sum_lifts_where_text_and_vectors_fix_every_line() -> None:
    image = random_image(24, 256)
    text = {6: b"STOP THE WHEEL", 25: b"THREAD LEVER", 57: b"PATTERN RETURN", 119: b"NEXT CARD IN THE RACK"}
    for at, words in text.items():
        image = put(image, at, words)
    image = put(put(image, 0x80 + 0x40, b"\x78\xd8\xa2\xff"), 250, b"\xd0\xff\xc0\xff\xd8\xff")
    image = blanked(image, 0, 4)
    image = stored(image, 0, int(image.view(">u4").sum(dtype=np.uint64)) & 0xFFFFFFFF, 4, "high")
    check = named(self_checks({"U1": image}, 8), "sum32 of the other words")[0]
    assert check.lifts, check.why
    assert "text and vectors fix the order" in check.why


def test_text_in_one_corner_does_not_fix_the_upper_lines() -> None:
    image = put(code_image(23), 64, PROSE[:100])
    fixed, unseen = order_fixed(image, 8)
    assert fixed is None
    assert "A10" in unseen


def test_one_scheme_on_all_five_chips_of_a_board_is_weighed_together() -> None:
    board = {}
    for number in range(5):
        image = code_image(30 + number)
        board[f"U{number}"] = stored(image, 2046, arc(image[:2046]), 2, "low")
    checks = named(self_checks(board, 8, sets=False), "CRC-16/ARC")
    assert len(checks) == 5
    assert all(check.lifts and check.chance <= MOST_CHANCE for check in checks)
    assert "5 of 5 different" in checks[0].why
    alone = named(self_checks({"U0": board["U0"]}, 8), "CRC-16/ARC")
    assert not alone[0].lifts


def test_the_same_sum_on_all_chips_still_needs_something_that_fixes_the_order() -> None:
    board = {}
    for number in range(5):
        image = blanked(code_image(40 + number), 2047, 1)
        image[2047] = -total(image) & 0xFF
        board[f"U{number}"] = image
    checks = named(self_checks(board, 8, sets=False), "sum8, all bytes = 00")
    assert [check.chance <= MOST_CHANCE for check in checks] == [True] * 5
    assert not any(check.lifts for check in checks)


def test_recurring_without_images_gives_what_worker_processes_can_use() -> None:
    by_chip, schemes = [], {}
    for number in range(4):
        image = code_image(50 + number)
        if number < 3:
            image = stored(image, 2046, arc(image[:2046]), 2, "low")
        cut = regions(image, 8, erased_state=None, part=None)
        schemes[f"U{number}"] = schemes_tried(image, 8, cut)
        by_chip += list(self_checks({f"U{number}": image}, 8, parts={f"U{number}": cut}))
    assert not any(check.lifts for check in recurring(by_chip, schemes))
    digests = {f"U{number}": bytes([number]) for number in range(4)}
    told = [
        check
        for check in recurring(by_chip, schemes, digests=digests)
        if check.method.startswith("CRC-16/ARC")
    ]
    assert [check.lifts for check in told] == [True] * 3
    assert "3 of 4 different" in told[0].why


def test_copies_of_one_content_are_one_witness() -> None:
    image = code_image(55)
    image = stored(image, 2046, arc(image[:2046]), 2, "low")
    board = {f"U{number}": image.copy() for number in range(5)}
    assert not any(check.lifts for check in self_checks(board, 8, sets=False))


def test_the_chance_of_a_scheme_on_many_chips_is_a_binomial_tail() -> None:
    """Source: scipy's binomial survival function."""
    from scipy.stats import binom

    from pipeline.stages.content.weigh import _tail

    for bits, good, chips in ((8, 2, 4), (8, 5, 5), (16, 2, 10), (8, 60, 10_000), (8, 30, 10_000)):
        assert _tail(bits, good, chips) == pytest.approx(
            float(binom.sf(good - 1, chips, 2.0**-bits)), rel=1e-6
        )


def test_sets_can_be_searched_after_their_chips_were() -> None:
    whole = code_image(62, 6144)
    whole = stored(whole, 6140, zlib.crc32(whole[:6140].tobytes()), 4, "high")
    board = {f"U{n}": whole[n * 2048 : (n + 1) * 2048] for n in range(3)}
    found = set_checks(board, 8, self_checks(board, 8, sets=False))
    assert [check.beyond_chance for check in found if check.method.startswith("CRC-32")] == [True]
    assert set_checks({"U0": board["U0"]}, 8) == ()


def test_a_check_over_two_chips_interleaved_is_found_with_its_order() -> None:
    whole = code_image(60, 4096)
    whole = stored(whole, 4092, zlib.crc32(whole[:4092].tobytes()), 4, "high")
    checks = self_checks({"ODD": whole[1::2].copy(), "EVEN": whole[0::2].copy()}, 8)
    check = named(checks, "CRC-32/ISO-HDLC, high byte first, interleaved")[0]
    assert check.images == ("EVEN", "ODD")
    assert check.lifts


def test_a_check_over_all_chips_in_a_row_is_found() -> None:
    whole = code_image(61, 6144)
    whole = stored(whole, 6140, zlib.crc32(whole[:6140].tobytes()), 4, "high")
    checks = self_checks({f"U{n}": whole[n * 2048 : (n + 1) * 2048] for n in range(3)}, 8)
    check = named(checks, "CRC-32/ISO-HDLC, high byte first, one after the other")[0]
    assert check.images == ("U0", "U1", "U2")


def test_a_sum_that_every_member_holds_is_not_reported_again_for_the_set() -> None:
    board = {}
    for number in range(3):
        image = blanked(code_image(70 + number), 2047, 1)
        image[2047] = -total(image) & 0xFF
        board[f"U{number}"] = image
    assert all(len(check.images) == 1 for check in named(self_checks(board, 8), "sum8, all bytes = 00"))


def test_a_check_before_the_trailing_fill_is_found_and_says_what_it_leaves_out() -> None:
    image = code_image(80)
    image[1500:] = 0xFF
    image[1499] = 0x60
    image = stored(image, 1496, zlib.crc32(image[:1496].tobytes()), 4, "high")
    image[1499] = image[1499] if image[1499] != 0xFF else 0xFE
    checks = named(
        self_checks({"U1": image}, 8), "CRC-32/ISO-HDLC, high byte first, before the trailing fill"
    )
    assert [check.lifts for check in checks] == [True]
    assert "the trailing fill" in checks[0].blind_to


@pytest.mark.parametrize("word", [0x00, 0xFF, 0x55])
def test_blank_images_hold_no_check(word: int) -> None:
    assert self_checks({"U1": np.full(2048, word, dtype=np.uint8)}, 8) == ()


def test_a_value_that_is_part_of_a_fill_is_no_stored_value() -> None:
    """Seen in published firmware: the bytes 66 90 fill its end, and once happened to be a negated sum."""
    image = code_image(81)
    image[1024:] = np.resize(np.array([0x66, 0x90], dtype=np.uint8), 1024)
    missing = (-(total(image) - 0xF6) - 0x6690) & 0xFFFF
    for at in range(1000):
        more = min(255 - int(image[at]), missing)
        image[at] += more
        missing -= more
    assert missing == 0
    assert (-(total(image) - 0xF6)) & 0xFFFF == 0x6690
    assert [
        method for method in methods(image) if method.startswith("sum16 of the other bytes, negated")
    ] == []


@pytest.mark.parametrize("seed", range(40))
def test_an_image_with_a_blank_end_holds_the_same_checks_whether_its_end_is_known_or_not(seed: int) -> None:
    rng = np.random.default_rng(seed)
    live = int(rng.integers(32, 600))
    image = random_image(seed, 600)
    image[live:] = rng.choice([0x00, 0xFF, 0x55])
    crc = CATALOGUE[int(rng.integers(len(CATALOGUE)))]
    width = crc.width // 8
    covered = image[width:] if seed % 2 else image[width:live]
    image[:width] = np.frombuffer(value(crc, covered.tobytes()).to_bytes(width, "big"), np.uint8)
    found = search(image, live)
    assert found == search(image)
    assert any(hit.stored == (0, width) for hit in found) or not seed % 2


def test_a_few_words_in_a_blank_image_hold_no_check() -> None:
    image = np.full(2048, 0xFF, dtype=np.uint8)
    image[:16] = np.arange(16) * 7
    assert self_checks({"U1": image}, 8) == ()


def test_a_dead_line_does_not_make_an_exclusive_or() -> None:
    """Every word then stands twice, and the exclusive or of all is zero whatever they are."""
    image = np.repeat(code_image(90, 1024), 2)
    assert named(self_checks({"U1": image}, 8), "xor8") == []


def test_text_of_seven_bits_does_not_make_an_exclusive_or_of_eight() -> None:
    image = np.resize(np.frombuffer(PROSE, dtype=np.uint8), 2048).copy()
    image[0] ^= int(np.bitwise_xor.reduce(image)) & 0x7F
    assert named(self_checks({"U1": image}, 8), "xor8") == []


def test_words_that_are_no_whole_bytes_are_left_to_their_space() -> None:
    assert self_checks({"U1": np.bitwise_and(random_image(1, 256), 15, dtype=np.uint8)}, 4) == ()


@given(
    st.binary(min_size=1, max_size=300), st.sampled_from([1, 4, 8, 12, 16, 24, 32, 48, 64]), st.integers(1, 3)
)
def test_any_words_are_searched_without_an_error_and_ranges_lie_inside(
    data: bytes, bits: int, chips: int
) -> None:
    words = np.array([byte * 0x9E3779B97F4A7C15 % (1 << bits) for byte in data], dtype=words_dtype(bits))
    images = {f"U{n}": np.roll(words, n) for n in range(chips)}
    for check in self_checks(images, bits):
        length = len(words) * len(check.images) if len(check.images) > 1 else len(words)
        assert all(0 <= start < end <= length for start, end in check.covers)
        assert check.stored_at is None or 0 <= check.stored_at[1] < check.stored_at[2] <= length
        assert check.blind_to
