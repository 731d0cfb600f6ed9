"""A sound pass beside a damaged one proves the damage, and which of the two is whole."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.examine import examine
from pipeline.stages.examine.transit import transit_damage
from schemas.finding import Code, Finding, Severity
from tests.kit.subjects import only, passes_of, program, subject_of
from tests.kit.wires import (
    Image,
    add_carriage_returns,
    double_value,
    drop_bytes,
    eat_bytes,
    save_as_utf8,
    save_with_replacements,
    strip_to_seven_bits,
)

WORDS = 4096
DAMAGES: tuple[tuple[Code, str, Callable[[bytes], bytes]], ...] = (
    (Code.TEXT_DAMAGE, "eaten", lambda stream: eat_bytes(stream, b"\x0a")),
    (Code.TEXT_DAMAGE, "doubled-ff", lambda stream: double_value(stream, 0xFF)),
    (Code.NEWLINE_DAMAGE, "collapsed", lambda stream: stream.replace(b"\r\n", b"\n")),
    (Code.TEXT_DAMAGE, "utf-8", save_as_utf8),
    (Code.TEXT_DAMAGE, "utf-8", save_with_replacements),
    (Code.SEVEN_BIT, "odd", lambda stream: strip_to_seven_bits(stream, "odd")),
)


def _cut(stream: bytes) -> Image:
    return np.frombuffer(stream[:WORDS].ljust(WORDS, b"\0"), dtype=np.uint8)


def _rich() -> Image:
    """A program in which every byte value occurs."""
    image = program(WORDS)
    places = np.random.default_rng(3).choice(WORDS - 200, 300, replace=False)
    image[places] = np.resize([0x0A, 0xFF, 0x11], 300)
    for at in range(100, 2000, 190):
        image[at : at + 2] = 0x0D, 0x0A
    return image


def _found(*images: Image) -> list[Finding]:
    return [one for one in examine(subject_of(passes_of(images))) if "against" in one.where]


@pytest.mark.parametrize(("code", "kind", "damage"), DAMAGES)
@pytest.mark.parametrize("sound_first", [True, False])
def test_a_damage_is_named_and_the_whole_pass_with_it(
    code: Code, kind: str, damage: Callable[[bytes], bytes], *, sound_first: bool
) -> None:
    image = _rich()
    pair = (image, _cut(damage(image.tobytes())))
    found = _found(*(pair if sound_first else pair[::-1]))
    assert [(one.code, one.severity) for one in found] == [(code, Severity.FAULT)]
    assert kind in {found[0].where.get("kind"), found[0].where.get("parity")}
    assert found[0].where["against"] == ("R1" if sound_first else "R2")


def test_where_added_and_collapsed_returns_both_fit_neither_pass_is_called_whole() -> None:
    image = _rich()
    found = _found(image, _cut(add_carriage_returns(image.tobytes())))
    assert [one.where["kind"] for one in found] == ["added or collapsed"]
    assert "cannot be told" in found[0].means


def test_passes_that_agree_show_no_damage() -> None:
    assert not _found(_rich(), _rich())


def test_a_byte_lost_anywhere_is_no_eaten_character() -> None:
    image = _rich()
    found = _found(image, _cut(drop_bytes(image.tobytes(), 1000, 2)))
    assert not only(found, Code.TEXT_DAMAGE)


@given(st.binary(min_size=64, max_size=64), st.binary(min_size=64, max_size=64))
def test_any_bytes_are_compared_without_complaint(first: bytes, second: bytes) -> None:
    one, other = passes_of([np.frombuffer(stream, dtype=np.uint8) for stream in (first, second)])
    found = transit_damage(one, other)
    assert found is None or found.evidence["words_agreeing"] > 0


def test_text_that_ends_its_lines_in_two_returns_is_a_caution() -> None:
    line = b"The quick tape drive is ready, NOT WRITTEN: 0123456789\r\n"
    text = _cut(add_carriage_returns(line * 300))
    found = only(examine(subject_of(passes_of([text]))), Code.NEWLINE_DAMAGE)
    assert [one.severity for one in found] == [Severity.CAUTION]
