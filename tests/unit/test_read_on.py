"""An image that ends with its own beginning."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.finding import Code
from tests.kit.subjects import findings_in, only, program


@pytest.mark.parametrize("lost", [9, 31, 300])
def test_words_lost_and_read_on_from_the_beginning_hold_the_image_back(lost: int) -> None:
    image = program()
    kept = np.delete(image, np.arange(512, 512 + lost))
    (found,) = only(findings_in(np.concatenate([kept, image[:lost]])), Code.SLIPPED)
    assert found.where["by"] == lost
    assert found.evidence["holds_back"]


def test_a_program_that_ends_otherwise_than_it_begins_is_not_doubted() -> None:
    image = program()
    image[-64:] = image[0]
    assert not only(findings_in(image), Code.SLIPPED)


def test_an_image_stored_twice_is_the_top_lines_not_a_loss() -> None:
    half = program(1024)
    assert not only(findings_in(np.concatenate([half, half])), Code.SLIPPED)


@given(st.binary(min_size=256, max_size=256))
def test_any_bytes_are_looked_at_without_a_complaint(content: bytes) -> None:
    findings_in(np.frombuffer(content * 2, np.uint8))
