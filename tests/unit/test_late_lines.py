"""A data line that is late by itself, or that says what another line says or said."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from schemas.finding import Code, Severity
from tests.kit import images
from tests.kit.subjects import faults, findings_in, only, program
from tests.kit.wires import Image

ONE = np.uint8(1)


def with_line(image: Image, line: int, levels: Image) -> Image:
    """The image with other levels on one data line."""
    at = np.uint8(1 << line)
    return (image & ~at) | ((levels.astype(np.uint8) & ONE) << np.uint8(line))


def level(image: Image, line: int) -> Image:
    return image >> np.uint8(line) & ONE


def before(image: Image) -> Image:
    return np.roll(image, 1)


@pytest.mark.parametrize("line", [0, 4])
@pytest.mark.parametrize("rises", [True, False])
def test_a_line_that_rises_or_falls_a_word_late_is_told_and_holds_the_image_back(
    line: int, *, rises: bool
) -> None:
    image = program()
    now, was = level(image, line), level(before(image), line)
    slow = with_line(image, line, now & was if rises else now | was)
    (found,) = only(findings_in(slow, slow), Code.LATE_BY_ONE)
    assert (found.where["line"], found.where["level"]) == (f"D{line}", int(rises))
    assert found.evidence["holds_back"]
    assert ("rises" if rises else "falls") in found.means


@pytest.mark.parametrize(
    ("seen", "code", "where"),
    [
        (lambda image: level(before(image), 6), Code.LATE_BY_ONE, {"lines": ["D2", "D6"]}),
        (
            lambda image: 1 - level(before(image), 6),
            Code.LATE_BY_ONE,
            {"lines": ["D2", "D6"], "inverse": True},
        ),
        (lambda image: 1 - level(image, 6), Code.DATA_LINES_JOINED, {"lines": ["D2", "D6"], "inverse": True}),
    ],
)
def test_a_line_that_follows_another_of_this_word_or_the_one_before_is_a_fault(
    seen: Callable[[Image], Image], code: Code, where: dict[str, object]
) -> None:
    image = with_line(program(), 2, seen(program()))
    (found,) = only(findings_in(image), code)
    assert {key: found.where[key] for key in where} == where
    assert found in faults(findings_in(image))


def test_programs_text_and_tables_as_they_are_have_no_late_line() -> None:
    random = np.random.default_rng(11)
    looked_at = [(program(seed=seed), 8) for seed in range(6)]
    makers = (
        images.text,
        images.table,
        images.characters,
        images.decode,
        images.microcode,
        images.twin_columns,
    )
    looked_at += [make(random, 1024)[:2] for make in makers]
    for image, bits in looked_at:
        told = findings_in(image, bits=bits)
        assert not [one for one in told if one.code is Code.LATE_BY_ONE or one.where.get("inverse")]


def test_a_bit_that_wanders_through_the_word_follows_every_line_and_is_no_fault() -> None:
    walking = (ONE << (np.arange(2048) % 8).astype(np.uint8)).astype(np.uint8)
    assert not only(findings_in(walking), Code.LATE_BY_ONE)


def test_a_slow_line_that_a_second_reader_does_not_show_is_that_readers() -> None:
    image = program()
    slow = with_line(image, 4, level(image, 4) & level(before(image), 4))
    (found,) = only(findings_in(slow, image, readers=("hb", "prog")), Code.LATE_BY_ONE)
    assert found.where["readers"] == ["hb"]
    assert found.severity is Severity.CAUTION
