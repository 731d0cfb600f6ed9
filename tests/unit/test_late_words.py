"""Words taken too early at each multiple of a power of two, alike in every pass."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.finding import Code, Severity
from tests.kit import images
from tests.kit.subjects import findings_in, only, program
from tests.kit.wires import Image

AT = np.arange(2048)


def before(image: Image) -> Image:
    return np.roll(image, 1)


@pytest.mark.parametrize(
    ("every", "first", "seen"),
    [
        (16, 0, before),
        (16, 0, lambda image: image & before(image)),
        (8, 0, lambda image: image | before(image)),
        (2, 1, lambda image: image & before(image)),
    ],
)
def test_words_that_are_late_at_every_boundary_are_told_with_their_distance(
    every: int, first: int, seen: Callable[[Image], Image]
) -> None:
    image = program()
    late = np.where(AT % every == first, seen(image), image)
    (found,) = only(findings_in(late, late), Code.LATE_BY_ONE)
    assert (found.where["every"], found.where["first"]) == (every, first)
    assert found.severity is Severity.FAULT


def test_a_program_as_it_is_has_no_late_words() -> None:
    for seed in range(8):
        assert not only(findings_in(program(seed=seed)), Code.LATE_BY_ONE)


def test_glyphs_and_tables_whose_rows_begin_alike_are_not_taken_for_it() -> None:
    random = np.random.default_rng(5)
    for make in (images.characters, images.decode, images.table, images.ascending, images.microcode):
        image, bits = make(random, 1024)
        assert not only(findings_in(image, bits=bits), Code.LATE_BY_ONE)


@given(st.binary(min_size=512, max_size=512))
def test_any_bytes_are_looked_at_without_a_complaint(content: bytes) -> None:
    findings_in(np.frombuffer(content, np.uint8))
